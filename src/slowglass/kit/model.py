"""The kit and the site as frozen, validated records.

Every number carries its unit in its name and in ``json_schema_extra["unit"]``, from which the
commented TOML files and the error messages take it.
"""

from __future__ import annotations

from itertools import pairwise
from typing import Annotated, Any, Literal
from zoneinfo import ZoneInfo

import numpy as np
import numpy.typing as npt
from pydantic import BaseModel, ConfigDict, Field, field_validator

from slowglass.kit import optics as formulae
from slowglass.kit.horizon import horizon_alt_deg

Air = Literal["clean", "usual", "humid", "dusty"]
Wind = Literal["calm", "breeze", "windy"]

SIDEREAL_DAY_S = 86164.0905
"""One turn of the Earth against the stars (IERS Conventions 2010)."""
SIDEREAL_ARCSEC_S = 1296000.0 / SIDEREAL_DAY_S
"""Turning of the sky at the equator, 15.041″/s."""


def _number(text: str, unit: str, low: float, high: float) -> Any:
    return Field(description=text, ge=low, le=high, json_schema_extra={"unit": unit})


class Record(BaseModel):
    """A frozen record that refuses unknown keys, infinities and numbers given as text."""

    model_config = ConfigDict(frozen=True, extra="forbid", strict=True, allow_inf_nan=False)


class MeasuredValue(Record):
    """A value taken from frames, beside the one that was stated."""

    quantity: Annotated[
        str, Field(description="The key it belongs to, like camera.read_noise_e", min_length=1)
    ]
    value: Annotated[float, Field(description="What was measured, in the key's unit")]
    sigma: Annotated[
        float | None,
        Field(description="Its standard uncertainty", ge=0, json_schema_extra={"example": 0.1}),
    ] = None
    stated: Annotated[
        float | None,
        Field(
            description="What stood there before; comes back when the value is put aside",
            json_schema_extra={"example": 3.0},
        ),
    ] = None
    day: Annotated[str, Field(description="Evening it was measured", pattern=r"^\d{4}-\d\d-\d\d$")]
    how: Annotated[str, Field(description="From which frames, and how")] = ""
    in_use: Annotated[bool, Field(description="Whether the key now holds this value")] = False


class Optics(Record):
    """The tube."""

    aperture_mm: Annotated[float, _number("Clear diameter", "mm", 20, 2000)]
    focal_length_mm: Annotated[
        float, _number("Focal length, with any reducer in place", "mm", 50, 20000)
    ]
    obstruction_fraction: Annotated[
        float, _number("Diameter of the central obstruction over the aperture", "", 0, 0.7)
    ] = 0.0
    transmission: Annotated[
        float, _number("Share of the light that gets through glass and mirrors", "", 0.05, 1)
    ] = 0.85
    corner_loss: Annotated[
        float, _number("Share of the light lost in the frame's corners (vignetting)", "", 0, 0.95)
    ] = 0.18
    reflections: Annotated[
        int, _number("Mirrors in the light's way; an odd number mirrors the picture", "", 0, 6)
    ] = 2
    distortion_fraction: Annotated[
        float,
        _number(
            "Distortion: how much farther out a star in the frame's corner lies than the scale in "
            "the middle says; negative when nearer",
            "",
            -0.2,
            0.2,
        ),
    ] = 0.0

    @property
    def focal_ratio(self) -> float:
        """Focal length over aperture."""
        return self.focal_length_mm / self.aperture_mm

    @property
    def collecting_area_cm2(self) -> float:
        """Open area of the aperture, cm²."""
        return float(
            np.pi / 4.0 * (self.aperture_mm / 10.0) ** 2 * (1.0 - self.obstruction_fraction**2)
        )


class Camera(Record):
    """The sensor."""

    width_px: Annotated[int, _number("Columns", "px", 64, 60000)]
    height_px: Annotated[int, _number("Rows", "px", 64, 60000)]
    pixel_um: Annotated[float, _number("Pixel pitch", "µm", 0.5, 50)]
    bayer: Annotated[
        Literal["RGGB", "BGGR", "GRBG", "GBRG"] | None,
        Field(
            description="Colours of the first two rows; leave out for a monochrome sensor",
            json_schema_extra={"example": "RGGB"},
        ),
    ] = None
    bits: Annotated[int, _number("Bits of the converter", "bit", 8, 16)] = 14
    gain_e_per_adu: Annotated[float, _number("Electrons for each step", "e⁻/ADU", 0.001, 200)]
    read_noise_e: Annotated[float, _number("Noise of one read-out, rms", "e⁻", 0, 200)]
    full_well_e: Annotated[float, _number("Charge one pixel holds", "e⁻", 100, 2_000_000)]
    black_adu: Annotated[float, _number("Level of a picture without light", "ADU", 0, 30000)] = 512
    dark_e_per_s: Annotated[
        float, _number("Dark current of one pixel at night temperature", "e⁻/s", 0, 100)
    ] = 0.02
    quantum_efficiency: Annotated[
        float, _number("Share of the light recorded, peak of each colour band", "", 0.01, 1)
    ] = 0.5
    filter: Annotated[
        Literal["none", "nebula"],
        Field(
            description="Filter before the sensor: none, or nebula for one that passes only "
            "486 to 501 and 656 nm"
        ),
    ] = "none"
    red_response: Annotated[
        float,
        _number("Light in the red pixels against the green ones, 1 as usual", "", 0.1, 5),
    ] = 1.0
    blue_response: Annotated[
        float,
        _number("Light in the blue pixels against the green ones, 1 as usual", "", 0.1, 5),
    ] = 1.0
    angle_deg: Annotated[
        float | None,
        Field(
            description="How the camera usually sits: position angle of the picture's lower edge "
            "seen from its middle, once measured; frames are tried that way when nothing else fits",
            ge=0.0,
            lt=360.0,
            json_schema_extra={"unit": "°", "example": 180.0},
        ),
    ] = None
    angle_scatter_deg: Annotated[
        float, _number("How far that strays from night to night", "°", 0, 90)
    ] = 10.0
    hydrogen_response: Annotated[
        float,
        _number(
            "Share of 656 nm light recorded by the red pixels: 0.25 behind a usual infrared "
            "blocker, 0.8 with the blocker changed",
            "",
            0.01,
            1,
        ),
    ] = 0.25
    hot_pixel_fraction: Annotated[
        float, _number("Share of pixels that glow in a long exposure", "", 0, 0.05)
    ] = 2e-4
    power_w: Annotated[float, _number("Power the camera draws while it exposes", "W", 0.1, 50)] = (
        2.5
    )
    battery_wh: Annotated[float, _number("Energy of one full camera battery", "Wh", 1, 1000)] = 14.0

    @property
    def saturation_e(self) -> float:
        """Charge above black at which a pixel clips, e⁻: well or converter, whichever is less."""
        return min(self.full_well_e, (2.0**self.bits - 1.0 - self.black_adu) * self.gain_e_per_adu)


class Mount(Record):
    """What carries the tube."""

    driven: Annotated[
        Literal["ra", "none"], Field(description="Which axis has a motor: ra or none")
    ]
    worm_teeth: Annotated[int, _number("Teeth of the right-ascension worm wheel", "", 20, 2000)]
    periodic_error_arcsec: Annotated[
        float, _number("Swing of the drive to each side over a turn of the worm", "″", 0, 600)
    ]
    polar_error_arcmin: Annotated[
        float, _number("Distance of the mount's axis from the pole", "′", 0, 600)
    ]
    polar_error_direction_deg: Annotated[
        float,
        _number("Where the axis points: 0 too high, 90 west, 180 too low, 270 east", "°", 0, 360),
    ] = 90
    shake_arcsec: Annotated[float, _number("Wind and tremor, rms on each axis", "″", 0, 60)] = 0.6
    altitude_turn_arcmin: Annotated[
        float | None,
        Field(
            description="How far one turn of the altitude bolt tips the axis; leave out if unknown",
            ge=1,
            le=1200,
            json_schema_extra={"unit": "′", "example": 60},
        ),
    ] = None
    azimuth_turn_arcmin: Annotated[
        float | None,
        Field(
            description="How far one turn of an azimuth bolt swings the axis; leave out if unknown",
            ge=1,
            le=1200,
            json_schema_extra={"unit": "′", "example": 60},
        ),
    ] = None

    @property
    def bolt_turns_arcmin(self) -> tuple[float | None, float | None]:
        """What one turn of the altitude and of an azimuth bolt does, arcmin; None for unknown."""
        return self.altitude_turn_arcmin, self.azimuth_turn_arcmin

    @property
    def worm_period_s(self) -> float:
        """Time the worm takes for one turn, s."""
        return SIDEREAL_DAY_S / self.worm_teeth


class Finder(Record):
    """What aims the tube."""

    kind: Annotated[
        Literal["red-dot", "optical"], Field(description="red-dot (no magnification) or optical")
    ]
    field_deg: Annotated[float, _number("Sky seen through it", "°", 0.5, 60)]


class Eyepiece(Record):
    """One eyepiece."""

    focal_length_mm: Annotated[float, _number("Focal length", "mm", 2, 60)]
    apparent_field_deg: Annotated[float, _number("Apparent field", "°", 20, 130)]

    def magnification(self, tube: Optics) -> float:
        """Magnification with this tube."""
        return tube.focal_length_mm / self.focal_length_mm

    def true_field_deg(self, tube: Optics) -> float:
        """Sky seen through it, degrees (apparent field over magnification)."""
        return self.apparent_field_deg / self.magnification(tube)


class Stand(Record):
    """What the mount stands on, and how the tube hangs over it: typical values unless measured."""

    form: Annotated[
        Literal["counterweight", "other"],
        Field(
            description="counterweight: an equatorial mount whose tube changes sides at the "
            "meridian; or other"
        ),
    ] = "counterweight"
    tube_behind_mm: Annotated[
        float,
        _number("From the declination axis back to the end of the camera", "mm", 50, 3000),
    ] = 330.0
    tube_diameter_mm: Annotated[float, _number("Thickness of the tube", "mm", 30, 1000)] = 120.0
    tube_offset_mm: Annotated[
        float, _number("From the polar axis to the middle of the tube", "mm", 0, 1000)
    ] = 190.0
    head_above_mm: Annotated[
        float,
        _number("From the top of the tripod up to where the axes cross", "mm", 50, 2000),
    ] = 260.0
    leg_length_mm: Annotated[float, _number("Length of a tripod leg", "mm", 100, 3000)] = 900.0
    leg_spread_deg: Annotated[float, _number("Leg from the vertical", "°", 0, 60)] = 25.0
    leg_azimuth_deg: Annotated[
        float, _number("One leg, from the direction of the pole, clockwise", "°", 0, 119.9)
    ] = 0.0


class Kit(Record):
    """A tube, a camera, a mount, a finder and eyepieces that work together."""

    name: Annotated[str, Field(description="What you call it", min_length=1, max_length=80)]
    optics: Annotated[Optics, Field(description="The tube")]
    camera: Annotated[Camera, Field(description="The sensor")]
    mount: Annotated[Mount, Field(description="What carries the tube")]
    finder: Annotated[Finder, Field(description="What aims the tube")]
    eyepieces: Annotated[
        tuple[Eyepiece, ...], Field(description="One block for each eyepiece", strict=False)
    ] = ()
    price: Annotated[
        float | None,
        Field(
            description="What all of it costs, in your money; leave out if it does not matter",
            ge=0,
            le=1e7,
            json_schema_extra={"example": 900},
        ),
    ] = None
    stand: Annotated[Stand, Field(description="What the mount stands on")] = Stand()
    assumed: Annotated[
        tuple[str, ...],
        Field(
            description="Keys whose values are typical, not known: like camera.read_noise_e",
            strict=False,
        ),
    ] = ()
    measured: Annotated[
        tuple[MeasuredValue, ...],
        Field(description="One block for each value taken from frames", strict=False),
    ] = ()

    @property
    def scale_arcsec_per_px(self) -> float:
        """Sky covered by one pixel at the centre, arcsec."""
        return formulae.scale_arcsec_per_px(self.camera.pixel_um, self.optics.focal_length_mm)

    @property
    def field_width_deg(self) -> float:
        """Sky covered by the frame's longer stored direction (columns), degrees."""
        return formulae.field_deg(
            self.camera.width_px, self.camera.pixel_um, self.optics.focal_length_mm
        )

    @property
    def field_height_deg(self) -> float:
        """Sky covered by the frame's rows, degrees."""
        return formulae.field_deg(
            self.camera.height_px, self.camera.pixel_um, self.optics.focal_length_mm
        )


class Site(Record):
    """Where you stand."""

    name: Annotated[str, Field(description="What you call it", min_length=1, max_length=80)]
    latitude_deg: Annotated[float, _number("Latitude, north positive", "°", -90, 90)]
    longitude_deg: Annotated[float, _number("Longitude, east positive", "°", -180, 180)]
    height_m: Annotated[float, _number("Height above the sea", "m", -450, 6000)] = 0.0
    timezone: Annotated[str, Field(description="Time zone, as Region/City")]
    sky_mag_arcsec2: Annotated[
        float, _number("Sky brightness at the zenith, no Moon", "mag/arcsec²", 15, 22.2)
    ]
    seeing_arcsec: Annotated[float, _number("Usual width of a star in the air", "″", 0.3, 15)] = 3.0
    temperature_c: Annotated[float, _number("Usual night temperature", "°C", -60, 50)] = 8.0
    air: Annotated[
        Air, Field(description="Usual air: clean, usual, humid or dusty; haze dims the stars")
    ] = "usual"
    extinction_mag: Annotated[
        float | None,
        Field(
            description="Magnitudes lost in each air mass, if measured; else from the air",
            ge=0.05,
            le=1.5,
            json_schema_extra={"unit": "mag", "example": 0.25},
        ),
    ] = None
    wind: Annotated[
        Wind, Field(description="Usual wind at the telescope: calm, breeze or windy")
    ] = "calm"
    light_domes: Annotated[
        tuple[tuple[float, float, float], ...],
        Field(
            description="Towns that light the low sky, each as [azimuth °, width °, magnitudes "
            "brighter at 20° up]; [] for none",
            strict=False,
        ),
    ] = ()
    horizon: Annotated[
        tuple[tuple[float, float], ...],
        Field(
            description="Skyline as [azimuth, altitude] pairs, north through east; [] when flat",
            strict=False,
            json_schema_extra={"unit": "°"},
        ),
    ] = ()
    measured: Annotated[
        tuple[MeasuredValue, ...],
        Field(description="One block for each value taken from frames", strict=False),
    ] = ()

    @field_validator("timezone")
    @classmethod
    def _known_zone(cls, value: str) -> str:
        try:
            ZoneInfo(value)
        except (OSError, ValueError, KeyError):
            raise ValueError("is not a known time zone; write it like Europe/Paris") from None
        return value

    @field_validator("light_domes", mode="before")
    @classmethod
    def _domes(cls, value: Any) -> Any:
        if not isinstance(value, list | tuple):
            raise ValueError("is not a list of [azimuth, width, magnitudes] triples")
        for dome in value:
            if not (
                isinstance(dome, list | tuple)
                and len(dome) == 3
                and all(isinstance(n, int | float) and not isinstance(n, bool) for n in dome)
            ):
                raise ValueError(f"holds {dome!r}, which is no [azimuth, width, magnitudes] triple")
            azimuth, width, brighter = (float(n) for n in dome)
            if not 0.0 <= azimuth < 360.0:
                raise ValueError(f"has azimuth {azimuth:g}; azimuths run from 0 to below 360 °")
            if not 5.0 <= width <= 180.0:
                raise ValueError(f"has width {width:g}; widths run from 5 to 180 °")
            if not 0.0 <= brighter <= 6.0:
                raise ValueError(f"has {brighter:g} magnitudes; they run from 0 to 6")
        return tuple((float(a), float(w), float(b)) for a, w, b in value)

    @field_validator("horizon", mode="before")
    @classmethod
    def _pairs(cls, value: Any) -> Any:
        if not isinstance(value, list | tuple):
            raise ValueError("is not a list of [azimuth, altitude] pairs")
        pairs: list[tuple[float, float]] = []
        for pair in value:
            if not (
                isinstance(pair, list | tuple)
                and len(pair) == 2
                and all(isinstance(n, int | float) and not isinstance(n, bool) for n in pair)
            ):
                raise ValueError(f"holds {pair!r}, which is not an [azimuth, altitude] pair")
            azimuth, altitude = float(pair[0]), float(pair[1])
            if not 0.0 <= azimuth < 360.0:
                raise ValueError(f"has azimuth {azimuth:g}; azimuths run from 0 to below 360 °")
            if not -10.0 <= altitude <= 90.0:
                raise ValueError(f"has altitude {altitude:g}; altitudes run from -10 to 90 °")
            pairs.append((azimuth, altitude))
        pairs.sort()
        for (first, _), (second, _) in pairwise(pairs):
            if first == second:
                raise ValueError(f"gives azimuth {first:g} twice")
        return tuple(pairs)

    def horizon_alt_deg(self, azimuth_deg: npt.ArrayLike) -> npt.NDArray[np.float64]:
        """Altitude of the skyline at each azimuth, degrees."""
        return horizon_alt_deg(azimuth_deg, self.horizon)
