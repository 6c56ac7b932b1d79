"""One frame judged in memory: stars, place, quality, instruction. No files, no clock reading."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from datetime import datetime
from typing import TYPE_CHECKING, TypedDict

import numpy as np
import numpy.typing as npt

from slowglass.expose.plan import star_width_arcsec
from slowglass.find.nudge import Nudge, nudge_text
from slowglass.frame.bayer import luminance
from slowglass.frame.detect import Detection, detect_stars
from slowglass.frame.freed import give_back_freed
from slowglass.frame.image import Frame
from slowglass.frame.kind import kind_by_sight
from slowglass.frame.stars import StarFlag
from slowglass.judge.bend import distortion_of
from slowglass.judge.cause import find_cause
from slowglass.judge.donut import Donut, measure_donut
from slowglass.judge.habit import solved_by_habit
from slowglass.judge.instruction import one_instruction
from slowglass.judge.light import light_loss_mag, measure_light
from slowglass.judge.measure import frame_pattern
from slowglass.judge.prior import kit_scale_arcsec_per_px
from slowglass.judge.quality import Measures, judge_quality
from slowglass.judge.sample import sample_of
from slowglass.judge.shape import (
    FEWEST_STARS,
    SHAPE_SNR,
    FieldShape,
    RadialProfile,
    common_shape,
    radial_profile,
    usable_shapes,
)
from slowglass.judge.sky import SkyLight
from slowglass.judge.trails import Trail, measure_trail
from slowglass.judge.verdict import NudgeToTarget, Verdict
from slowglass.sky.coords import epoch_year
from slowglass.solve.service import solve_stars
from slowglass.solve.types import Prior, Solution

if TYPE_CHECKING:
    from slowglass.kit.model import Kit, Site
    from slowglass.sky.catalogue import Stars
    from slowglass.sky.place import Place
    from slowglass.sky.store import Sky

HINT_RADIUS_DEG = 10.0
"""How far from ``near`` to search when nothing is said: the error of aiming by hand."""
KIT_SCALE_TOLERANCE = 0.05
"""How far the stated focal length may be off: makers round, and focusing shifts it."""
PROFILE_STARS = 25


class JudgeOptions(TypedDict, total=False):
    """What is known or wanted when judging; leave out what is not."""

    near: Place | None
    radius_deg: float | None
    scale_arcsec_per_px: float | None
    target: Place | None
    kit: Kit | None
    site: Site | None
    earlier: Verdict | None


@dataclass(frozen=True)
class Assessment:
    """The verdict with what it rests on."""

    verdict: Verdict
    detection: Detection
    solution: Solution


def assess_frame(
    frame: Frame,
    sky: Sky,
    *,
    now_utc: datetime,
    near: Place | None = None,
    radius_deg: float | None = None,
    scale_arcsec_per_px: float | None = None,
    target: Place | None = None,
    kit: Kit | None = None,
    site: Site | None = None,
    earlier: Verdict | None = None,
) -> Assessment:
    """A frame judged. ``now_utc`` stands in for an exposure whose header has no date.

    Without ``scale_arcsec_per_px`` the kit's scale is used, if the frame has the kit's size.
    ``earlier`` is a solved frame of the same series: where this one's stars are too few, its scale,
    camera angle, mirroring and place are assumed too.
    """
    width, height = frame.width_px, frame.height_px
    detection = detect_stars(frame)
    give_back_freed()  # the search's pictures, before the solver reads its index
    cautions: list[str] = []
    scale = scale_arcsec_per_px
    if scale is None and kit is not None:
        scale = kit_scale_arcsec_per_px(kit, width, height)
        if scale is None:
            cautions.append(
                f"{width} × {height} px is not a size of the kit's camera "
                f"({kit.camera.width_px} × {kit.camera.height_px}): its pixel scale was not used"
            )
    prior = Prior(
        ra_deg=near.ra_deg if near is not None else None,
        dec_deg=near.dec_deg if near is not None else None,
        radius_deg=(radius_deg or HINT_RADIUS_DEG) if near is not None else None,
        scale_arcsec_per_px=scale,
        scale_tolerance=KIT_SCALE_TOLERANCE,
        epoch_year=epoch_year(frame.header.start_utc or now_utc),
    )
    kind, ground = kind_by_sight(frame, stars=len(detection.stars))
    if kind in ("dark", "flat", "bias"):
        solution = Solution(False, f"a {kind} frame shows no sky: not solved")
    else:
        solution = solve_stars(detection.stars, width, height, sky, prior)
        if not solution.solved:
            solution = solved_by_habit(solution, detection, frame, sky, prior, kit, earlier)

    shape = common_shape(detection.stars, width, height)
    if shape.stars < FEWEST_STARS and math.isfinite(detection.elongation):
        # Faint stars measured together: no shape each, yet one in common.
        shape = replace(
            shape,
            elongation=detection.elongation,
            angle_deg=detection.elongation_angle_deg,
            stars=detection.measured,
        )
    fwhm = detection.fwhm_px
    # What hot pixels and dust have for shapes is nobody's concern.
    measured = shape.stars >= FEWEST_STARS and kind in ("light", "unknown")
    trail = measure_trail(shape.elongation, shape.angle_deg, fwhm, solution.wcs)
    catalogue = _catalogue_round(frame, sky, solution, prior.epoch_year)
    expected = _stars_inside(frame, catalogue, solution) if catalogue is not None else None
    light = None
    if measured:
        light = measure_light(frame, detection, solution, catalogue, kit, site)
    plane = luminance(frame)  # after the light's own picture is gone: one of them at a time
    pattern = frame_pattern(frame, detection, plane=plane) if measured else None
    measures = replace(
        _measures(
            frame, detection, solution, shape, fwhm, trail, expected, plane, light, kit, site
        ),
        kind=kind,
        kind_ground=ground,
    )
    quality = judge_quality(measures)
    nudge = _nudge(solution, target, width, height)
    centre = solution.wcs.pixel_to_sky((width - 1) / 2, (height - 1) / 2) if solution.wcs else None
    start = frame.header.start_utc
    verdict = Verdict(
        file=frame.path or "",
        width_px=width,
        height_px=height,
        exposure_s=frame.header.exposure_s,
        stars=len(detection.stars),
        solved=solution.solved,
        reason="" if solution.solved else solution.reason,
        ra_deg=float(centre[0]) if centre is not None else None,
        dec_deg=float(centre[1]) if centre is not None else None,
        scale_arcsec_per_px=solution.scale_arcsec_per_px if solution.solved else None,
        rotation_deg=solution.rotation_deg if solution.solved else None,
        parity=solution.parity if solution.solved else None,
        matched=solution.matched if solution.solved else 0,
        rms_arcsec=solution.rms_arcsec if solution.solved else None,
        odds_log10=solution.odds_log10,
        fwhm_px=_known(fwhm) if measured else None,
        hfd_px=_known(detection.hfd_px) if measured else None,
        elongation=_known(shape.elongation) if measured else None,
        elongation_angle_deg=_known(shape.angle_deg) if measured else None,
        sky_adu=_known(detection.sky_adu),
        saturated_fraction=_known(detection.saturated_fraction),
        keeper=quality.keeper,
        reasons=tuple(fault.text for fault in quality.faults),
        nudge=(
            NudgeToTarget(nudge.ra_deg, nudge.dec_deg, nudge.separation_deg, nudge.text)
            if nudge is not None
            else None
        ),
        kind=kind,
        instruction=one_instruction(
            quality, nudge, solved=solution.solved, hinted=near is not None
        ),
        cautions=(*cautions, *quality.cautions),
        fwhm_arcsec=(
            _known(fwhm * solution.scale_arcsec_per_px) if solution.scale_arcsec_per_px else None
        ),
        trail_arcsec=trail.length_arcsec if trail is not None else None,
        trail_position_angle_deg=trail.position_angle_deg if trail is not None else None,
        trail_axis=trail.axis if trail is not None else None,
        saturated_stars=measures.saturated_stars,
        catalogue_expected=expected,
        light_loss_mag=measures.light_loss_mag,
        start_utc=start.isoformat() if start is not None else None,
        pattern=pattern,
        light=light,
        distortion=distortion_of(frame, detection, solution),
        donut=_donut(detection, plane, measures),
    )
    cause = find_cause(
        [sample_of(verdict)],
        0,
        worm_period_s=kit.mount.worm_period_s if kit is not None else None,
        sharp_fwhm_px=_sharp_px(solution, kit, site),
    )
    return Assessment(replace(verdict, cause=cause or None), detection, solution)


def _donut(
    detection: Detection, plane: tuple[npt.NDArray[np.float32], int], measures: Measures
) -> Donut | None:
    """The ring against its hole, where stars are rings."""
    if measures.ring_px is None or not measures.ring_has_hole:
        return None
    return (
        measure_donut(
            plane[0] - np.float32(detection.sky_adu),
            plane[1],
            detection.stars,
            ring_px=measures.ring_px,
            width_px=measures.width_px,
            height_px=measures.height_px,
        )
        or None
    )


def _sharp_px(solution: Solution, kit: Kit | None, site: Site | None) -> float | None:
    """Width of a star in focus that kit and site promise, pixels."""
    if kit is None or site is None or not solution.scale_arcsec_per_px:
        return None
    return star_width_arcsec(kit, site) / solution.scale_arcsec_per_px


def _measures(
    frame: Frame,
    detection: Detection,
    solution: Solution,
    shape: FieldShape,
    fwhm: float,
    trail: Trail | None,
    expected: int | None,
    plane: tuple[npt.NDArray[np.float32], int],
    light: SkyLight | None,
    kit: Kit | None,
    site: Site | None,
) -> Measures:
    profile = _profile(detection, plane, fwhm)
    ring = profile is not None and profile.defocused
    read_noise = frame.header.read_noise_e
    gain = frame.header.gain_e_per_adu
    if kit is not None:
        read_noise = kit.camera.read_noise_e if read_noise is None else read_noise
        gain = kit.camera.gain_e_per_adu if gain is None else gain
    return Measures(
        width_px=frame.width_px,
        height_px=frame.height_px,
        blank=bool(frame.pixels.min() == frame.pixels.max()) if frame.pixels.size > 1 else False,
        stars=len(detection.stars),
        shape_stars=shape.stars,
        fwhm_px=fwhm,
        elongation=shape.elongation,
        scatter=shape.scatter,
        radial=shape.radial,
        trail=trail,
        ring_px=profile.diameter_px if profile is not None and ring else None,
        ring_has_hole=profile is not None and profile.centre_dip < 0.8,
        sky_adu=detection.sky_adu,
        sky_rms_adu=detection.sky_rms_adu,
        white_adu=frame.white_adu,
        saturated_fraction=detection.saturated_fraction,
        saturated_stars=_saturated_stars(detection),
        exposure_s=frame.header.exposure_s,
        scale_arcsec_per_px=solution.scale_arcsec_per_px if solution.solved else None,
        expected_fwhm_arcsec=(
            star_width_arcsec(kit, site) if kit is not None and site is not None else None
        ),
        catalogue_expected=expected,
        catalogue_matched=solution.matched if solution.solved else None,
        light_loss_mag=light_loss_mag(light) if light is not None else None,
        read_noise_adu=read_noise / gain if read_noise and gain else None,
    )


def _profile(
    detection: Detection, plane: tuple[npt.NDArray[np.float32], int], fwhm: float
) -> RadialProfile | None:
    """The mean radial profile, for stars wide enough to show a disc or ring."""
    stars = detection.stars
    if not (math.isfinite(fwhm) and fwhm >= 4.0):
        return None
    bright = usable_shapes(stars) & (stars.snr >= SHAPE_SNR)
    if np.count_nonzero(bright) < FEWEST_STARS:
        return None
    chosen = stars.take(np.nonzero(bright)[0][:PROFILE_STARS])
    picture, bin_factor = plane
    radius = int(min(40, math.ceil(2.5 * fwhm / bin_factor)))
    # A binned pixel's centre lies between those of its full-resolution pixels.
    shift = (bin_factor - 1) / 2.0
    profile = radial_profile(
        picture, (chosen.x_px - shift) / bin_factor, (chosen.y_px - shift) / bin_factor, radius
    )
    return None if profile is None else profile.magnified(bin_factor)


def _saturated_stars(detection: Detection) -> int:
    return int(np.count_nonzero(detection.stars.flags & int(StarFlag.SATURATED)))


def _catalogue_round(frame: Frame, sky: Sky, solution: Solution, epoch: float) -> Stars | None:
    """The catalogue stars about a solved frame."""
    if solution.wcs is None:
        return None
    width, height = frame.width_px, frame.height_px
    ra, dec = solution.wcs.pixel_to_sky((width - 1) / 2, (height - 1) / 2)
    radius = 0.51 * math.hypot(width, height) * solution.wcs.scale_arcsec_per_px / 3600.0
    return sky.stars.cone(float(ra), float(dec), radius, epoch_year=epoch)


def _stars_inside(frame: Frame, stars: Stars, solution: Solution) -> int | None:
    """How many catalogue stars fall on a solved frame, clear of its edge."""
    if solution.wcs is None:
        return None
    width, height = frame.width_px, frame.height_px
    x, y = solution.wcs.sky_to_pixel(stars.ra_deg, stars.dec_deg)
    edge = 0.01 * max(width, height)
    inside = (x > edge) & (x < width - 1 - edge) & (y > edge) & (y < height - 1 - edge)
    return int(np.count_nonzero(inside))


def _nudge(solution: Solution, target: Place | None, width: int, height: int) -> Nudge | None:
    if target is None or solution.wcs is None:
        return None
    ra, dec = solution.wcs.pixel_to_sky((width - 1) / 2, (height - 1) / 2)
    return nudge_text(
        float(ra),
        float(dec),
        target.ra_deg,
        target.dec_deg,
        wcs=solution.wcs,
        width_px=width,
        height_px=height,
        target_name=target.name,
    )


def _known(value: float) -> float | None:
    return float(value) if math.isfinite(value) else None
