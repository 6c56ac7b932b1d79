"""The fixed pattern of a series without darks, found where its sky drifts."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np

from slowglass.finish.align import Aligned
from slowglass.finish.geometry import Box, shift_at
from slowglass.finish.lights import Batch, Light, reader
from slowglass.finish.pattern import FEWEST_FRAMES, Plane, far_enough, fixed_pattern, spread_out
from slowglass.finish.place import subtract_skies
from slowglass.finish.store import FrameStore
from slowglass.progress import Report


def find_patterns(aligned: Aligned, store: FrameStore, notes: list[str], report: Report) -> None:
    """Note in each batch without darks what stays on its pixels while the sky moves."""
    for batch in {id(light.batch): light.batch for light in aligned.lights}.values():
        if not batch.has_dark:
            batch.pattern = _pattern(batch, aligned, store, notes, report)


def _start(light: Light) -> float:
    start = light.header.start_utc
    return start.timestamp() if start is not None else 0.0


def _pattern(
    batch: Batch, aligned: Aligned, store: FrameStore, notes: list[str], report: Report
) -> Plane | None:
    used = sorted((k for k in aligned.lights if k.own_batch is batch), key=_start)
    if len(used) < FEWEST_FRAMES or len(used[0].skies) == 3:
        return None
    middle = (batch.width_px / 2, batch.height_px / 2)
    shifts = np.array([shift_at(aligned.placed[light.name].where, *middle) for light in used])
    widths = [light.look.fwhm_px for light in used if light.look is not None]
    if not np.isfinite(widths).any() or not far_enough(shifts, float(np.nanmedian(widths))):
        return None

    def sky_free(light: Light) -> Callable[[Box], Plane]:
        read = reader(store, light)

        def at(box: Box) -> Plane:
            pixels = read(box)
            subtract_skies(pixels, box, light.skies, batch.bayer is not None)
            return pixels

        return at

    noise = [light.look.noise_adu for light in used if light.look is not None]
    pattern, height_adu = fixed_pattern(
        [sky_free(used[k]) for k in spread_out(shifts)],
        width_px=batch.width_px,
        height_px=batch.height_px,
        bayer=batch.bayer,
        noise_adu=float(np.median(noise)),
        report=report,
    )
    if pattern is not None:
        notes.append(
            f"a fixed pattern of {height_adu:.1f} ADU under the drifting sky was taken out of the "
            "lights; darks would know it better"
        )
    return pattern
