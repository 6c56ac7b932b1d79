"""What a drifting sky does to the fixed pattern of a sensor: found and taken out, or warned of.

Without guiding the sky moves over the sensor, frame by frame the same way. Registered, what is
left of the sensor's pattern walks the other way and adds up to streaks.
"""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import numpy.typing as npt

from slowglass.finish.align import Aligned
from slowglass.finish.combine import MAD_TO_SIGMA
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


STREAK = 0.05
"""Share of the noise's variance that streaks must make up to be told: above it the eye sees them
in an evenly lit sky (common practice, no source)."""
FEWEST_STREAKED = 5


def streak_note(picture: Plane, aligned: Aligned) -> str:
    """A warning where the sky's noise is drawn out along its drift, else ""."""
    lights = sorted(aligned.lights, key=_start)
    if len(lights) < FEWEST_STREAKED or picture.ndim not in (2, 3):
        return ""
    batch = aligned.reference.batch
    middle = (batch.width_px / 2, batch.height_px / 2)
    shifts = np.array([shift_at(aligned.placed[light.name].where, *middle) for light in lights])
    way = shifts[-1] - shifts[0]
    length = float(np.hypot(*way))
    if length < 4.0:
        return ""
    plane = picture if picture.ndim == 2 else picture[..., 1]
    share = streaks(plane, way / length, length, step_px=length / (len(lights) - 1))
    if share < STREAK:
        return ""
    return (
        f"the sky drifted {length / (len(lights) - 1):.1f} px from frame to frame and the sensor's "
        f"pattern with it: streaks make up {100 * share:.0f} % of the noise; darks, and moving the "
        "pointing a few pixels aside between exposures, would end them"
    )


def streaks(
    plane: Plane, way: npt.NDArray[np.float64], length_px: float, *, step_px: float
) -> float:
    """Share of the sky noise's variance that is drawn out along ``way`` (a unit vector, x and y).

    The correlation of pixels some way apart along it, less the least of that across and askew,
    in which whatever the sky itself shows drops out.
    """
    import cv2

    high, wide = plane.shape
    rows = slice(max(0, high // 2 - 700), high // 2 + 700)
    cols = slice(max(0, wide // 2 - 700), wide // 2 + 700)
    part = np.nan_to_num(np.ascontiguousarray(plane[rows, cols]))
    fine = part - cv2.blur(part, (25, 25))
    sigma = MAD_TO_SIGMA * float(np.median(np.abs(fine - np.median(fine))))
    if not sigma > 0:
        return 0.0
    sky = (np.abs(fine) < 3.0 * sigma).astype(np.float32)
    fine = fine * sky
    # The pattern comes back after whole steps from frame to frame; below 4 px the resampling
    # itself makes neighbours alike.
    first = max(1, int(np.ceil(4.0 / step_px)))
    lags = [step_px * n for n in range(first, first + 4) if step_px * n <= 0.7 * length_px + 3.0]
    if not lags:
        return 0.0
    found = []
    for turn in (0.0, 90.0, 45.0, -45.0):
        c, s = np.cos(np.radians(turn)), np.sin(np.radians(turn))
        along = np.array([c * way[0] - s * way[1], s * way[0] + c * way[1]])
        found.append(np.mean([_correlation(fine, sky, *np.rint(n * along)) for n in lags]))
    return float(found[0] - min(found[1:]))


def _correlation(fine: Plane, sky: Plane, dx: float, dy: float) -> float:
    x, y = int(dx), int(dy)
    high, wide = fine.shape
    a = np.s_[max(0, y) : high + min(0, y), max(0, x) : wide + min(0, x)]
    b = np.s_[max(0, -y) : high + min(0, -y), max(0, -x) : wide + min(0, -x)]
    both = float((sky[a] * sky[b]).sum())
    variance = float((fine**2).sum() / max(sky.sum(), 1.0))
    return float((fine[a] * fine[b]).sum()) / max(both, 1.0) / max(variance, 1e-12)


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
