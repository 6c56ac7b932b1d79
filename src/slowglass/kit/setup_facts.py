"""What is usual and asked of a newcomer's kit: designs, sensors, typical values, first answers."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

Design = Literal["lens", "mirrors", "mirrors and lens"]


@dataclass(frozen=True)
class DesignFacts:
    """What is usual for a kind of telescope (common practice, no source)."""

    words: str
    transmission: float
    obstruction: float
    reflections: int


DESIGNS: dict[Design, DesignFacts] = {
    "lens": DesignFacts("a lens in front", 0.92, 0.0, 0),
    "mirrors": DesignFacts("two mirrors, the tube open in front", 0.85, 0.27, 2),
    "mirrors and lens": DesignFacts("mirrors behind a glass plate or lens", 0.82, 0.34, 2),
}

SENSORS: dict[str, tuple[str, float, float]] = {
    "36x24": ("full frame, 36 × 24 mm", 36.0, 24.0),
    "23.5x15.6": ("APS-C, 23.5 × 15.6 mm", 23.5, 15.6),
    "22.3x14.9": ("APS-C, 22.3 × 14.9 mm", 22.3, 14.9),
    "17.3x13": ("four thirds, 17.3 × 13.0 mm", 17.3, 13.0),
    "13.2x8.8": ("one inch, 13.2 × 8.8 mm", 13.2, 8.8),
}
OWN_SIZE = "own"
"""The sensor whose sides are typed."""

WELL_E_PER_UM2 = 1800.0
"""Charge that a pixel of a photographic sensor holds at its lowest setting, for each µm² of its
face: 1200 to 2600 in published measurements of many (from memory)."""
WELL_SPREAD = 1.45
BASE_ISO = 100.0
USUAL_ISO = 800.0
READ_NOISE_E, READ_NOISE_SPAN_E = 2.5, (1.5, 5.0)
"""At usual night settings (common practice, no source)."""
WORM_TEETH, PERIODIC_ARCSEC, POLAR_ARCMIN = 130, 20.0, 15.0
FINDER_FIELD_DEG = {"red-dot": 10.0, "optical": 6.0}
EYEPIECE_FIELD_DEG = 50.0
NOT_SQUARE = 0.06
"""Sides and pixel counts that disagree by more than this do not belong together."""

SITE_KEYS = (
    "site_name", "latitude", "longitude", "height_m", "timezone", "sky_way", "sky_value",
)  # fmt: skip
TUBE_KEYS = (
    "kit_name", "design", "aperture_mm", "focal_length_mm", "focal_ratio", "scale_arcsec_per_px",
    "secondary_mm", "reflections", "finder", "finder_field_deg", "driven", "eyepiece_mm",
)  # fmt: skip
CAMERA_KEYS = (
    "sensor", "sensor_width_mm", "sensor_height_mm", "width_px", "height_px", "bayer", "bits",
    "iso", "read_noise_e", "gain_e_per_adu", "black_adu",
)  # fmt: skip
ALL_KEYS = (*SITE_KEYS, *TUBE_KEYS, *CAMERA_KEYS)
TYPED = {
    "site": ("site_name", "latitude", "longitude", "sky_value"),
    "kit": ("kit_name", "aperture_mm", "focal_length_mm", "focal_ratio", "width_px", "height_px"),
}
"""Answers whose being there shows that a question was taken up at all."""

SHORT_NAMES = {
    "town": "town", "latitude": "latitude", "longitude": "longitude", "height_m": "height",
    "timezone": "time zone", "sky_value": "darkness of the sky", "site_name": "name of the place",
    "aperture_mm": "aperture", "focal_length_mm": "focal length", "focal_ratio": "focal ratio",
    "secondary_mm": "secondary mirror", "finder_field_deg": "field of the finder",
    "eyepiece_mm": "eyepiece", "kit_name": "name of the kit", "scale_arcsec_per_px": "pixel scale",
    "reflections": "mirrors", "sensor": "size of the sensor", "sensor_width_mm": "sensor’s width",
    "sensor_height_mm": "sensor’s height", "width_px": "pixels across", "height_px": "pixels down",
    "iso": "setting at night", "bits": "converter", "read_noise_e": "read noise",
    "gain_e_per_adu": "gain", "black_adu": "black level", "frame": "frame", "near": "what is on it",
}  # fmt: skip
"""The answers as one names them when something is wrong with them."""

FIRST_ANSWERS: dict[str, str] = {
    "site_name": "", "latitude": "", "longitude": "", "height_m": "", "timezone": "",
    "sky_way": "class", "sky_value": "",
    "kit_name": "", "design": "mirrors and lens", "aperture_mm": "", "focal_length_mm": "",
    "focal_ratio": "", "scale_arcsec_per_px": "", "secondary_mm": "", "reflections": "",
    "finder": "red-dot", "finder_field_deg": "", "driven": "ra", "eyepiece_mm": "25",
    "sensor": "23.5x15.6", "sensor_width_mm": "", "sensor_height_mm": "", "width_px": "",
    "height_px": "", "bayer": "RGGB", "bits": "14", "iso": "800", "read_noise_e": "",
    "gain_e_per_adu": "", "black_adu": "",
}  # fmt: skip
