"""One frame's pattern over the field, from its pixels and its detected stars."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from slowglass.frame.bayer import luminance
from slowglass.frame.detect import Detection
from slowglass.frame.image import Frame
from slowglass.judge.pattern import Pattern, measure_pattern
from slowglass.judge.skew import star_skews


def frame_pattern(
    frame: Frame,
    detection: Detection,
    *,
    plane: tuple[npt.NDArray[np.float32], int] | None = None,
) -> Pattern | None:
    """The pattern of a frame's star shapes; None for fewer than three measured stars.

    ``plane`` is the frame's brightness picture with its binning, where it is at hand.
    """
    picture, factor = luminance(frame) if plane is None else plane
    skews = star_skews(picture, detection.stars, bin_factor=factor, fwhm_px=detection.fwhm_px)
    return measure_pattern(detection.stars, frame.width_px, frame.height_px, skews=skews)
