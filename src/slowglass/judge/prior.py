"""What the kit says of a frame before its stars are looked at: binning and pixel scale."""

from __future__ import annotations

from slowglass.kit.model import Kit
from slowglass.kit.optics import scale_arcsec_per_px

SIZE_TOLERANCE = 0.02
"""Files of one camera differ by this much: masked borders, cropped edges."""
LARGEST_BIN = 4


def binning_of(width_px: int, height_px: int, camera_width_px: int, camera_height_px: int) -> int:
    """Whole-number binning of a frame against the camera's full size; 0 when it is not this one.

    Portrait frames count as well. A picture made smaller by any other factor, or cut, is not
    recognised: its scale is unknown.
    """
    long, short = max(width_px, height_px), min(width_px, height_px)
    camera_long = max(camera_width_px, camera_height_px)
    camera_short = min(camera_width_px, camera_height_px)
    for n in range(1, LARGEST_BIN + 1):
        if (
            abs(long * n / camera_long - 1.0) <= SIZE_TOLERANCE
            and abs(short * n / camera_short - 1.0) <= SIZE_TOLERANCE
        ):
            return n
    return 0


def kit_scale_arcsec_per_px(kit: Kit, width_px: int, height_px: int) -> float | None:
    """The pixel scale the kit gives a frame of this size; None when the size is not the kit's."""
    n = binning_of(width_px, height_px, kit.camera.width_px, kit.camera.height_px)
    if n == 0:
        return None
    return n * scale_arcsec_per_px(kit.camera.pixel_um, kit.optics.focal_length_mm)
