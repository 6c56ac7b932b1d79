"""The example night's predictions beside its measurements."""

from __future__ import annotations

import math
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np

from slowglass.frame.light import SurfaceLight, element_snr, surface_light
from slowglass.learn.compare import Comparison
from slowglass.learn.measure import focal_length_mm, sky_e_per_px

if TYPE_CHECKING:
    from slowglass.expose.plan import ExposurePlan
    from slowglass.finish.types import FinishResult
    from slowglass.judge.look import Look
    from slowglass.workbench import Workbench


def compare_night(
    bench: Workbench,
    folder: Path,
    plan: ExposurePlan,
    looks: Sequence[Look],
    result: FinishResult,
) -> list[Comparison]:
    """What plan and kit said beside what the frames gave, the test frame left aside."""
    kit = bench.kit
    lights = looks[1:]
    kept = [look for look in lights if look.verdict.keeper]
    bias = _bias_e(folder, kit.camera.gain_e_per_adu)
    surfaces = [s for s in (_surface(bench, plan, look) for look in kept) if s is not None]
    cells = math.pi / 4.0 * plan.fwhm_px**2
    sky = [
        sky_e_per_px(look.verdict.sky_adu * kit.camera.gain_e_per_adu, bias, plan.dark_e_per_px)
        for look in kept
        if look.verdict.sky_adu is not None
    ]
    scale = _median([look.verdict.scale_arcsec_per_px for look in kept])
    each = f"median of {len(kept)} keepers"
    return [
        Comparison(
            "Light of the object",
            "e⁻/px",
            plan.object_e_per_px,
            _median([s.object_e_per_px for s in surfaces]),
            f"mean inside the half-light ellipse, {each}",
        ),
        Comparison(
            "Light of the sky",
            "e⁻/px",
            plan.sky_e_per_px,
            _median(sky),
            f"level less bias and dark current, {each}",
        ),
        Comparison(
            "Signal to noise of one frame",
            "",
            plan.snr,
            _median([element_snr(s, cells) for s in surfaces]),
            f"that light against the noise beside it, a resolution element, {each}",
        ),
        Comparison(
            "Star width (FWHM)",
            "px",
            plan.fwhm_px,
            _median([look.verdict.fwhm_px for look in kept]),
            f"profiles of unclipped stars, {each}",
        ),
        Comparison(
            "Share of frames kept",
            "",
            plan.keeper_fraction,
            len(kept) / len(lights) if lights else None,
            f"{len(kept)} of {len(lights)} frames",
        ),
        Comparison(
            "Focal length",
            "mm",
            kit.optics.focal_length_mm,
            focal_length_mm(kit.camera.pixel_um, scale) if scale else None,
            f"from the scale of the solved frames, {each}",
        ),
        Comparison(
            "Gain of combining",
            "×",
            math.sqrt(result.frames_used),
            result.snr_gain,
            f"stars of the combined picture against one frame; √{result.frames_used} predicted",
        ),
    ]


def _surface(bench: Workbench, plan: ExposurePlan, look: Look) -> SurfaceLight | None:
    """The target's light on one frame, as the plan measures it."""
    from slowglass.expose.profile import object_model
    from slowglass.frame.bayer import luminance
    from slowglass.frame.io import read_frame

    target = bench.sky.objects.get(plan.name)
    model = object_model(target)
    wcs = look.assessment.solution.wcs
    if model is None or wcs is None:
        return None
    plane, factor = luminance(read_frame(look.verdict.file))
    x, y = (float(v) for v in wcs.sky_to_pixel(target.ra_deg, target.dec_deg))
    shift = (factor - 1) / 2.0
    return surface_light(
        plane,
        (x - shift) / factor,
        (y - shift) / factor,
        radius_px=model.half_light_arcsec / wcs.scale_arcsec_per_px / factor,
        axis_ratio=model.axis_ratio,
        gain_e_per_adu=bench.kit.camera.gain_e_per_adu,
        bin_factor=factor,
    )


def _bias_e(folder: Path, gain_e_per_adu: float) -> float:
    from slowglass.frame.io import read_frame

    files = sorted((folder / "frames" / "bias").glob("*.fits"))
    return float(np.mean([read_frame(f).pixels.mean() for f in files])) * gain_e_per_adu


def _median(values: Sequence[float | None]) -> float | None:
    known = [v for v in values if v is not None and math.isfinite(v)]
    return float(np.median(known)) if known else None
