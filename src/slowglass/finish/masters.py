"""Calibration frames in, masters out: the reading and refusing around :mod:`calibrate`."""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from slowglass.errors import SlowglassError
from slowglass.finish.badpixels import odd_in_dark
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


@dataclass(frozen=True)
class Wanted:
    """What calibration frames must agree with: the lights."""

    shape: tuple[int, ...]
    bayer: Bayer | None
    exposure_s: float | None
    iso: int | None
    temperature_c: float | None


def build_masters(
    files: Mapping[Kind, list[Path]],
    wanted: Wanted,
    step: CalibrateStep,
    store: FrameStore,
    report: Report,
) -> tuple[Masters, list[str]]:
    """The masters that fit the lights, and notes on what is missing, refused or odd."""
    notes: list[str] = []
    bias_files = files["bias"] if step.use_bias else []
    dark_files = files["dark"] if step.use_dark else []
    flat_files = files["flat"] if step.use_flat else []
    bias, _ = _combined("bias", bias_files, wanted, step, store, notes, report)
    dark, dark_exposure_s = _combined("dark", dark_files, wanted, step, store, notes, report)
    has_bias = dark is not None and bias is None
    if dark is not None and bias is not None:
        dark = dark - bias
    pedestal: Plane | float = 0.0
    if bias is not None:
        pedestal = bias
    elif dark is not None:
        pedestal = float(np.median(dark))
    flat, _ = _combined("flat", flat_files, wanted, step, store, notes, report, pedestal=pedestal)
    if flat is not None:
        flat = normalise_flat(flat, wanted.bayer)
    absent = [k for k, m in (("bias", bias), ("dark", dark), ("flat", flat)) if m is None]
    if absent:
        notes.append("no " + ", no ".join(absent) + " frames: finished without")
    bad = np.empty(0, dtype=np.int64)
    if dark is not None and dark.ndim == 2:
        bad = odd_in_dark(dark, wanted.bayer, sigmas=step.hot_in_dark_sigma)
    return Masters(bias, dark, dark_exposure_s, has_bias, flat, bad), notes


def _refusal(frame: Frame, kind: Kind, wanted: Wanted) -> str:
    if frame.pixels.shape != wanted.shape:
        own = " × ".join(str(n) for n in frame.pixels.shape[1::-1])
        other = " × ".join(str(n) for n in wanted.shape[1::-1])
        return f"{own} px, the lights are {other} px"
    if frame.bayer and wanted.bayer and frame.bayer != wanted.bayer:
        return f"colour mosaic {frame.bayer}, the lights have {wanted.bayer}"
    iso = frame.header.iso
    if kind in ("dark", "bias") and iso and wanted.iso and iso != wanted.iso:
        return f"ISO {iso}, the lights have ISO {wanted.iso}"
    return ""


def _combined(
    kind: Kind,
    files: Sequence[Path],
    wanted: Wanted,
    step: CalibrateStep,
    store: FrameStore,
    notes: list[str],
    report: Report,
    *,
    pedestal: Plane | float | None = None,
) -> tuple[Plane | None, float | None]:
    """The clipped mean of one kind's fitting frames, with its exposure; None where none fits."""
    kept: list[str] = []
    exposures: list[float | None] = []
    for number, path in enumerate(files):
        report(f"{kind} frames", number, len(files))
        try:
            frame = trim_overscan(read_frame(path))[0]
        except SlowglassError as error:
            notes.append(f"{kind} {path.name} left out: {error.what}")
            continue
        why = _refusal(frame, kind, wanted)
        if why:
            notes.append(f"{kind} {path.name} left out: {why}")
            continue
        warm = frame.header.temperature_c
        if kind == "dark" and warm is not None and wanted.temperature_c is not None:
            apart = warm - wanted.temperature_c
            if abs(apart) > WARM_C:
                notes.append(f"dark {path.name} is {apart:+.0f} °C off the lights")
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
    if kind == "dark":
        kept, exposures = _nearest_exposure(kept, exposures, wanted.exposure_s, notes)
    if not kept:
        return None, None
    master = _clipped(kept, wanted.shape, step.master_clip_sigma, store)
    for name in kept:
        store.drop(name)
    known = [e for e in exposures if e is not None]
    return master, float(np.median(known)) if known else None


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


def _clipped(names: list[str], shape: tuple[int, ...], sigma: float, store: FrameStore) -> Plane:
    """The κ-σ clipped mean of kept frames, in strips of rows of bounded memory."""
    height, width = shape[:2]
    depth = int(np.prod(shape[2:], initial=1))
    rows = int(max(8, 2.5e8 / (4.0 * width * depth * len(names))))
    out = np.empty(shape, dtype=np.float32)
    for y in range(0, height, rows):
        strip = Box(0, y, width, min(y + rows, height))
        stack = np.stack([store.box(n, strip) for n in names])
        noise = 0.0
        if len(names) > 1:
            apart = stack[0] - stack[1]
            noise = MAD_TO_SIGMA * float(np.median(np.abs(apart - np.median(apart)))) / 2**0.5
        rule = Rule(kappa_low=sigma, kappa_high=sigma, noise_adu=noise)
        out[y : strip.y1] = combine_values(stack, rule).mean
    return out
