"""The pictures of a field report, sized for the web: forecast, one frame, its cut, the finished."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np
import numpy.typing as npt

from slowglass.errors import SlowglassError

if TYPE_CHECKING:
    from slowglass.frame.image import Frame
    from slowglass.kit.model import Kit, Site
    from slowglass.learn.logbook.records import LoggedFrame, LoggedPicture
    from slowglass.learn.review import GroupReview
    from slowglass.sky.objects import SkyObject
    from slowglass.sky.store import Sky

LONGEST_PX = 1000
CUT_PX = 560
JPEG_QUALITY = 85
OBJECT_SHARE = 3.0
"""The cut is so many times as wide as the object."""


@dataclass(frozen=True)
class ReportPicture:
    """A JPEG with its caption; ``missing`` says why there is none."""

    caption: str
    jpeg: bytes = b""
    width_px: int = 0
    height_px: int = 0
    missing: str = ""


def object_pictures(
    thing: SkyObject,
    review: GroupReview,
    finished: LoggedPicture | None,
    *,
    kit: Kit,
    site: Site,
    sky: Sky,
) -> tuple[ReportPicture, ...]:
    """Forecast, single frame, cut and finished picture of an object, as far as there are files."""
    from slowglass.expose.forecast import render_forecast
    from slowglass.expose.preview import preview_rgb

    group = review.group
    forecast = render_forecast(
        kit, site, sky, thing, exposure_s=group.exposure_s, when=group.when, seed=1
    )
    pictures = [_picture(preview_rgb(forecast), f"Forecast of one frame of {group.exposure_s:g} s")]
    best = _best_frame(group.frames)
    if best is not None:
        pictures += _frame_pictures(best, thing)
    if finished is not None:
        pictures.append(
            picture_from_file(Path(finished.file), finished.caption or "Finished picture")
        )
    return tuple(pictures)


def _frame_pictures(best: LoggedFrame, thing: SkyObject) -> list[ReportPicture]:
    from slowglass.expose.preview import preview_rgb
    from slowglass.frame.io import read_frame

    name = Path(best.file).name
    try:
        frame = read_frame(best.file)
    except SlowglassError as error:
        return [ReportPicture(f"Single frame {name}", missing=error.what)]
    whole = preview_rgb(frame)
    found = [_picture(whole, f"A single frame, {best.exposure_s:g} s")]
    cut = _cut(frame, whole, best, thing)
    if cut is not None:
        found.append(_picture(cut, "The same frame, cut around the object"))
    return found


def _cut(
    frame: Frame, whole: npt.NDArray[np.uint8], best: LoggedFrame, thing: SkyObject
) -> npt.NDArray[np.uint8] | None:
    """The part of a picture around the object, from the frame's logged place; None off it."""
    from slowglass.sky.wcs import TanWcs

    verdict = best.verdict
    scale = verdict.get("scale_arcsec_per_px")
    if not best.solved or not scale:
        return None
    wcs = TanWcs.from_simple(
        ra_deg=best.ra_deg or 0.0,
        dec_deg=best.dec_deg or 0.0,
        width_px=frame.width_px,
        height_px=frame.height_px,
        scale_arcsec_per_px=scale,
        rotation_deg=verdict.get("rotation_deg") or 0.0,
        parity=verdict.get("parity") or 1,
    )
    x, y = (float(v) for v in wcs.sky_to_pixel(thing.ra_deg, thing.dec_deg))
    shrunk = frame.width_px / whole.shape[1]
    half = max(60.0, 0.5 * OBJECT_SHARE * 60.0 * (thing.major_arcmin or 5.0) / scale / shrunk)
    x, y = x / shrunk, y / shrunk
    top, left = max(0, int(y - half / 1.5)), max(0, int(x - half))
    part = whole[top : int(y + half / 1.5), left : int(x + half)]
    if min(part.shape[:2], default=0) < 40 or part.shape[1] > 0.9 * whole.shape[1]:
        return None
    return np.ascontiguousarray(part)


def _best_frame(frames: tuple[LoggedFrame, ...]) -> LoggedFrame | None:
    kept = [f for f in frames if f.keeper and f.fwhm_arcsec]
    return min(kept, key=lambda f: f.fwhm_arcsec or 99.0) if kept else None


def picture_from_file(path: Path, caption: str, *, longest_px: int | None = None) -> ReportPicture:
    """A picture file as a small JPEG, no longer than ``longest_px``; the report's size without."""
    import cv2

    if not path.is_file():
        return ReportPicture(caption, missing=f"{path.name} is no longer there")
    try:
        content = np.fromfile(path, dtype=np.uint8)
        data = cv2.imdecode(content, cv2.IMREAD_COLOR) if content.size else None
    except (OSError, cv2.error):
        data = None
    if data is None:
        return ReportPicture(caption, missing=f"{path.name} is no picture that can be shown")
    return _picture(np.ascontiguousarray(data[..., ::-1]), caption, longest_px)


def _picture(
    pixels: npt.NDArray[np.uint8], caption: str, longest_px: int | None = None
) -> ReportPicture:
    """A picture made small enough for the web, as JPEG."""
    import cv2

    longest = max(pixels.shape[:2])
    goal = LONGEST_PX if longest > CUT_PX else CUT_PX
    if longest_px is not None:
        goal = min(longest, longest_px)
    if longest != goal:
        ratio = goal / longest
        how = cv2.INTER_AREA if ratio < 1 else cv2.INTER_CUBIC
        resized = cv2.resize(pixels, None, fx=ratio, fy=ratio, interpolation=how)
        pixels = np.asarray(resized, dtype=np.uint8)
    data = pixels[..., ::-1] if pixels.ndim == 3 else pixels
    _, encoded = cv2.imencode(".jpg", data, [int(cv2.IMWRITE_JPEG_QUALITY), JPEG_QUALITY])
    return ReportPicture(caption, encoded.tobytes(), pixels.shape[1], pixels.shape[0])
