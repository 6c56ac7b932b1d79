"""Measuring on frames what a plan predicts: the sky's light, the focal length. Pure functions."""

from __future__ import annotations

from slowglass.kit.optics import ARCSEC_PER_RADIAN


def sky_e_per_px(level_e: float, bias_e: float, dark_e: float) -> float:
    """Electrons of sky in a pixel: the level less bias and dark current."""
    return level_e - bias_e - dark_e


def focal_length_mm(pixel_um: float, scale_arcsec_per_px: float) -> float:
    """Focal length in mm that gives pixels of that size that scale."""
    return ARCSEC_PER_RADIAN * pixel_um * 1e-3 / scale_arcsec_per_px
