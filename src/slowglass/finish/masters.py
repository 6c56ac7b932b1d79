"""Calibration frames in, masters out: the reading and refusing around :mod:`calibrate`."""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np

from slowglass.errors import SlowglassError
from slowglass.finish.badpixels import Index, odd_in_dark, odd_in_flat, unstable_pixels
from slowglass.finish.calibrate import Masters, Plane, normalise_flat, trim_overscan
from slowglass.finish.combine import MAD_TO_SIGMA, Rule, combine_values
from slowglass.finish.geometry import Box
from slowglass.finish.recipe import CalibrateStep
from slowglass.finish.store import FrameStore
from slowglass.frame.image import Bayer, Frame, Kind
from slowglass.frame.io import read_frame
from slowglass.progress import Report

WARM_C = 5.0
"""A dark this much warmer or colder carries about twice or half the dark current."""
SAME_GAIN = 0.02
"""Gains that differ by more are two settings, not two measurements of one."""
STRIP_BYTES = 2.5e8
UNSTABLE_FRAMES = 5
"""Fewer darks cannot tell a restless pixel from an unlucky one."""


@dataclass(frozen=True)
class Wanted:
    """What calibration frames must agree with: the lights."""

    shape: tuple[int, ...]
    bayer: Bayer | None
    exposure_s: float | None
    iso: int | None
    temperature_c: float | None
    gain_e_per_adu: float | None = None
    filter_name: str | None = None
    camera: str | None = None


@dataclass(frozen=True)
class _Master:
    pixels: Plane | None = None
    exposure_s: float | None = None
    temperature_c: float | None = None
    unstable: Index = field(default_factory=lambda: np.empty(0, dtype=np.int64))
    frames: int = 0


def middle(values: Sequence[float | None]) -> float | None:
    """The median of the values that are known, or None."""
    known = [v for v in values if v is not None]
    return float(np.median(known)) if known else None


def build_masters(
    files: Mapping[Kind, list[Path]],
    wanted: Wanted,
    step: CalibrateStep,
    store: FrameStore,
    report: Report,
) -> tuple[Masters, list[str], dict[Path, str]]:
    """The masters that fit the lights, and notes on what is missing, refused or odd.

    Third come the files of another size, mosaic or camera, each with that as its reason: they
    may fit other lights.
    """
    notes: list[str] = []
    strange: dict[Path, str] = {}
    bias_files = files["bias"] if step.use_bias else []
    dark_files = files["dark"] if step.use_dark else []
    flat_files = files["flat"] if step.use_flat else []
    bias = _combined("bias", bias_files, wanted, step, store, notes, strange, report).pixels
    found = _combined(
        "dark", dark_files, wanted, step, store, notes, strange, report, scalable=bias is not None
    )
    dark = found.pixels
    has_bias = dark is not None and bias is None
    if dark is not None and bias is not None:
        dark = dark - bias
    pedestal: Plane | float = 0.0
    if bias is not None:
        pedestal = bias
    elif dark is not None:
        pedestal = float(np.median(dark))
    flat = _combined(
        "flat", flat_files, wanted, step, store, notes, strange, report, pedestal=pedestal
    ).pixels
    kinds: dict[str, Index] = {"unstable": found.unstable}
    if flat is not None:
        flat = normalise_flat(flat, wanted.bayer)
        if flat.ndim == 2:
            kinds["cold"] = odd_in_flat(flat, wanted.bayer)
    if dark is not None and dark.ndim == 2:
        kinds["hot"] = odd_in_dark(dark, wanted.bayer, sigmas=step.hot_in_dark_sigma)
    absent = [k for k, m in (("bias", bias), ("dark", dark), ("flat", flat)) if m is None]
    if absent:
        notes.append("no " + ", no ".join(absent) + " frames: finished without")
    bad = np.unique(np.concatenate([np.empty(0, dtype=np.int64), *kinds.values()]))
    counts = {kind: len(index) for kind, index in kinds.items() if len(index)}
    masters = Masters(
        bias, dark, found.exposure_s, has_bias, flat, bad, counts, found.temperature_c
    )
    return masters, notes, strange


def _of_another_camera(frame: Frame, wanted: Wanted) -> str:
    if frame.pixels.shape != wanted.shape:
        own = " × ".join(str(n) for n in frame.pixels.shape[1::-1])
        other = " × ".join(str(n) for n in wanted.shape[1::-1])
        return f"{own} px, the lights are {other} px"
    if frame.bayer and wanted.bayer and frame.bayer != wanted.bayer:
        return f"colour mosaic {frame.bayer}, the lights have {wanted.bayer}"
    own_camera = frame.header.camera
    if own_camera and wanted.camera and own_camera != wanted.camera:
        return f"from another camera ({own_camera}), the lights are from {wanted.camera}"
    return ""


def _refusal(frame: Frame, kind: Kind, wanted: Wanted, scalable: bool) -> str:
    header = frame.header
    if kind in ("dark", "bias"):
        if header.iso and wanted.iso and header.iso != wanted.iso:
            return f"ISO {header.iso}, the lights have ISO {wanted.iso}"
        gain, other_gain = header.gain_e_per_adu, wanted.gain_e_per_adu
        if gain and other_gain and abs(gain / other_gain - 1.0) > SAME_GAIN:
            return f"{gain:.3g} e⁻ per ADU, the lights have {other_gain:.3g}"
    if kind == "dark" and not scalable:
        warm, usual = header.temperature_c, wanted.temperature_c
        if warm is not None and usual is not None and abs(warm - usual) > WARM_C:
            return (
                f"{warm:.0f} °C, the lights have {usual:.0f} °C: "
                "without bias frames a dark cannot be scaled"
            )
    names = [n.strip().lower() for n in (header.filter_name, wanted.filter_name) if n]
    if kind == "flat" and len(set(names)) == 2:
        return f"filter {header.filter_name}, the lights have {wanted.filter_name}"
    return ""


def _combined(
    kind: Kind,
    files: Sequence[Path],
    wanted: Wanted,
    step: CalibrateStep,
    store: FrameStore,
    notes: list[str],
    strange: dict[Path, str],
    report: Report,
    *,
    pedestal: Plane | float | None = None,
    scalable: bool = False,
) -> _Master:
    """The clipped mean of one kind's fitting frames; without pixels where none fits."""
    kept: list[str] = []
    exposures: list[float | None] = []
    warmth: dict[str, float | None] = {}
    for number, path in enumerate(files):
        report(f"{kind} frames", number, len(files))
        try:
            frame = trim_overscan(read_frame(path))[0]
        except SlowglassError as error:
            notes.append(f"{kind} {path.name} left out: {error.what}")
            continue
        other = _of_another_camera(frame, wanted)
        if other:
            strange[path] = other
            continue
        why = _refusal(frame, kind, wanted, scalable)
        if why:
            notes.append(f"{kind} {path.name} left out: {why}")
            continue
        pixels = frame.pixels
        if kind == "flat":
            pixels = pixels - pedestal if pedestal is not None else pixels
            level = float(np.median(pixels))
            if level <= 0:
                notes.append(f"flat {path.name} left out: no light above bias")
                continue
            if level + frame.black_adu > 0.9 * frame.white_adu:
                notes.append(f"flat {path.name} left out: overexposed")
                continue
            pixels = pixels / np.float32(level)
        name = f"{kind}{number}"
        store.put(name, pixels)
        kept.append(name)
        exposures.append(frame.header.exposure_s)
        warmth[name] = frame.header.temperature_c
    if kind == "dark":
        kept, exposures = _nearest_exposure(kept, exposures, wanted.exposure_s, notes)
    if not kept:
        return _Master()
    pixels, unstable = _clipped(
        kept, wanted.shape, step.master_clip_sigma, store, look_for_unstable=kind == "dark"
    )
    for name in kept:
        store.drop(name)
    return _Master(
        pixels, middle(exposures), middle([warmth[name] for name in kept]), unstable, len(kept)
    )


def _nearest_exposure(
    names: list[str], exposures: list[float | None], light_s: float | None, notes: list[str]
) -> tuple[list[str], list[float | None]]:
    """Only the darks of one exposure: the lights' own, else the nearest, else the commonest."""
    groups = Counter(round(e, 1) if e is not None else None for e in exposures)
    if len(groups) < 2:
        return names, exposures
    known = [e for e in groups if e is not None]
    if light_s is not None and light_s > 0 and known:
        wanted_s: float | None = min(known, key=lambda e: abs(np.log(max(e, 1e-3) / light_s)))
    else:
        wanted_s = groups.most_common(1)[0][0]
    pairs = [
        (n, e)
        for n, e in zip(names, exposures, strict=True)
        if (round(e, 1) if e is not None else None) == wanted_s
    ]
    notes.append(f"{len(pairs)} of {len(names)} darks used: those of {wanted_s} s")
    return [n for n, _ in pairs], [e for _, e in pairs]


def _clipped(
    names: list[str],
    shape: tuple[int, ...],
    sigma: float,
    store: FrameStore,
    *,
    look_for_unstable: bool = False,
) -> tuple[Plane, Index]:
    """The κ-σ clipped mean of kept frames, in strips of rows of bounded memory.

    Asked for, also the flat indices of pixels whose values scatter far more than their
    neighbours' do: they jump between levels, and no dark can take that out.
    """
    height, width = shape[:2]
    depth = int(np.prod(shape[2:], initial=1))
    rows = int(max(8, STRIP_BYTES / (4.0 * width * depth * len(names))))
    out = np.empty(shape, dtype=np.float32)
    restless: list[Index] = []
    for y in range(0, height, rows):
        strip = Box(0, y, width, min(y + rows, height))
        stack = np.stack([store.box(n, strip) for n in names])
        noise = 0.0
        if len(names) > 1:
            apart = stack[0] - stack[1]
            noise = MAD_TO_SIGMA * float(np.median(np.abs(apart - np.median(apart)))) / 2**0.5
        rule = Rule(kappa_low=sigma, kappa_high=sigma, noise_adu=noise)
        out[y : strip.y1] = combine_values(stack, rule).mean
        if look_for_unstable and len(names) >= UNSTABLE_FRAMES and depth == 1:
            found = unstable_pixels(stack, out[y : strip.y1], noise)
            restless.append(found + np.int64(y) * width)
    none = np.empty(0, dtype=np.int64)
    return out, np.concatenate(restless) if restless else none
