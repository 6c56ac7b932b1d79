"""Three questions for a newcomer: where are you, what do you look through, what is your camera.

Each is answered by numbers off the tube and out of the camera's manual. What nobody prints
there, such as read noise, is filled in by physics and common practice, and the kit says which of
its values were.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any, TypeVar, get_args

from pydantic import BaseModel, ValidationError

from slowglass.errors import UsageError
from slowglass.kit.coordinates import parse_angle
from slowglass.kit.darkness import (
    BRIGHTEST,
    BRIGHTEST_EYE,
    CLASSES,
    DARKEST,
    FAINTEST_EYE,
    SkyWay,
    sky_of_class,
    sky_of_eye,
)
from slowglass.kit.faults import faults_by_key
from slowglass.kit.form import typed_number
from slowglass.kit.model import Kit, Site
from slowglass.kit.optics import ARCSEC_PER_RADIAN
from slowglass.kit.setup_facts import (
    BASE_ISO,
    CAMERA_KEYS,
    DESIGNS,
    EYEPIECE_FIELD_DEG,
    FINDER_FIELD_DEG,
    FIRST_ANSWERS,
    NOT_SQUARE,
    OWN_SIZE,
    PERIODIC_ARCSEC,
    POLAR_ARCMIN,
    READ_NOISE_E,
    READ_NOISE_SPAN_E,
    SENSORS,
    SITE_KEYS,
    TUBE_KEYS,
    TYPED,
    USUAL_ISO,
    WELL_E_PER_UM2,
    WELL_SPREAD,
    WORM_TEETH,
    Design,
    DesignFacts,
)
from slowglass.kit.towns import zone_at

AnyRecord = TypeVar("AnyRecord", Kit, Site)


@dataclass(frozen=True)
class Assumed:
    """A value nobody stated: its key, the value, how far off it may be, and where it comes from."""

    key: str
    value: float
    low: float
    high: float
    why: str


@dataclass
class Setup:
    """What the answers make. ``kit`` or ``site`` is None where its question was not taken up, or
    where ``faults`` says, by answer, what is wrong with it."""

    kit: Kit | None = None
    site: Site | None = None
    assumed: list[Assumed] = field(default_factory=list)
    faults: dict[str, str] = field(default_factory=dict)
    notes: list[str] = field(default_factory=list)


def set_up(answers: Mapping[str, str]) -> Setup:
    """Kit and site made of typed answers, as far as they were taken up."""
    found = Setup()
    said = {**FIRST_ANSWERS, **{k: v for k, v in answers.items() if k in FIRST_ANSWERS}}
    if any(said[key].strip() for key in TYPED["site"]):
        found.site = _site(_Answers(said, found.faults), found)
    if any(said[key].strip() for key in TYPED["kit"]):
        found.kit = _kit(_Answers(said, found.faults), found)
    if found.site is None and found.kit is None and not found.faults:
        found.faults["latitude"] = "nothing is filled in yet: answer one of the three questions"
    return found


class _Answers:
    """Typed answers read one by one; what is wrong is written down and the rest still read."""

    def __init__(self, said: Mapping[str, str], faults: dict[str, str]) -> None:
        self.said = said
        self.faults = faults

    def number(
        self, key: str, low: float, high: float, unit: str, usual: float | None = None
    ) -> float | None:
        """The number in an answer within its range, the usual one if it is empty, else None."""
        text = self.said[key].strip()
        needed = f"a number from {low:g} to {high:g}{f' {unit}' if unit else ''}"
        if not text and usual is not None:
            return usual
        try:
            value = typed_number(text, unit=unit, needed=needed)
        except UsageError as error:
            self.faults[key] = str(error)
            return None
        if not low <= value <= high:
            self.faults[key] = f"{text} is out of range: it needs {needed}"
            return None
        return value

    def choice(self, key: str, allowed: Any) -> str:
        """The answer if it is one of those allowed; else the usual one, and a fault."""
        text = self.said[key].strip()
        if text in allowed:
            return text
        self.faults[key] = f"“{text[:40]}” is none of the choices"
        return FIRST_ANSWERS[key]


def _site(read: _Answers, found: Setup) -> Site | None:
    said, faults = read.said, read.faults
    place: dict[str, float] = {}
    for axis in ("latitude", "longitude"):
        try:
            place[axis] = parse_angle(said[axis], "latitude" if axis == "latitude" else "longitude")
        except UsageError as error:
            faults[axis] = str(error)
    zone = said["timezone"].strip()
    if len(place) == 2 and not zone:
        zone, km = zone_at(place["latitude"], place["longitude"])
        found.notes.append(f"The clock is taken as that of {zone}, as {km:.0f} km away.")
    height = read.number("height_m", -450.0, 6000.0, "m", usual=0.0)
    sky = _sky(read, found)
    if len(place) < 2 or height is None or sky is None:
        return None
    values = {
        "name": said["site_name"].strip() or "My site",
        "latitude_deg": round(place["latitude"], 6),
        "longitude_deg": round(place["longitude"], 6),
        "height_m": height,
        "timezone": zone,
        "sky_mag_arcsec2": round(sky, 2),
    }
    names = {
        "name": "site_name", "latitude_deg": "latitude", "longitude_deg": "longitude",
        "sky_mag_arcsec2": "sky_value",
    }  # fmt: skip
    return _checked(Site, values, names, faults)


def _sky(read: _Answers, found: Setup) -> float | None:
    """Sky brightness from a meter's reading, a class of the scale of nine, or the eye's limit."""
    way = read.choice("sky_way", get_args(SkyWay))
    if way == "reading":
        return read.number("sky_value", BRIGHTEST, DARKEST + 0.2, "mag/arcsec²")
    if way == "eye":
        faintest = read.number("sky_value", BRIGHTEST_EYE, FAINTEST_EYE, "")
        if faintest is None:
            return None
        sky, error = sky_of_eye(faintest)
    else:
        number = read.number("sky_value", 1.0, float(max(CLASSES)), "")
        if number is None:
            return None
        if not number.is_integer():
            read.faults["sky_value"] = f"{number:g} is no class: they run from 1 to 9"
            return None
        sky, error = sky_of_class(int(number))
    found.assumed.append(
        Assumed("sky_mag_arcsec2", round(sky, 1), sky - error, sky + error, "told by eye")
    )
    return sky


def _kit(read: _Answers, found: Setup) -> Kit | None:
    said, faults = read.said, read.faults
    aperture = read.number("aperture_mm", 20.0, 2000.0, "mm")
    sensor = _sensor(read)
    focal = None if sensor is None and not said["focal_length_mm"].strip() else _focal(
        read, aperture, None if sensor is None else sensor["pixel_um"]
    )  # fmt: skip
    design = DESIGNS[_design(read.choice("design", DESIGNS))]
    obstruction = _obstruction(read, aperture, design, found)
    reflections = read.number("reflections", 0.0, 6.0, "", usual=float(design.reflections))
    finder = read.choice("finder", FINDER_FIELD_DEG)
    finder_field = read.number("finder_field_deg", 0.5, 60.0, "°", usual=FINDER_FIELD_DEG[finder])
    driven = read.choice("driven", ("ra", "none"))
    eyepiece = read.number("eyepiece_mm", 2.0, 60.0, "mm", usual=0.0)
    camera = _camera(read, sensor, found)
    numbers = (aperture, focal, obstruction, reflections, finder_field, eyepiece)
    if camera is None or any(n is None for n in numbers):
        return None
    assert aperture is not None and focal is not None and reflections is not None
    found.assumed += [
        Assumed("optics.transmission", design.transmission, 0.7, 0.95, "usual for its kind"),
        Assumed("optics.corner_loss", 0.18, 0.05, 0.4, "until a flat is measured"),
        Assumed("mount.polar_error_arcmin", POLAR_ARCMIN, 5.0, 40.0, "set up by sight"),
    ]
    if driven == "ra":
        found.assumed += [
            Assumed("mount.worm_teeth", WORM_TEETH, 90.0, 180.0, "usual for light mounts"),
            Assumed("mount.periodic_error_arcsec", PERIODIC_ARCSEC, 8.0, 40.0, "usual for them"),
        ]
    values: dict[str, Any] = {
        "name": said["kit_name"].strip() or f"my {aperture:.0f} mm",
        "optics": {
            "aperture_mm": aperture,
            "focal_length_mm": round(focal, 1),
            "obstruction_fraction": obstruction,
            "transmission": design.transmission,
            "reflections": int(reflections),
        },
        "camera": camera,
        "mount": {
            "driven": driven,
            "worm_teeth": WORM_TEETH,
            "periodic_error_arcsec": PERIODIC_ARCSEC,
            "polar_error_arcmin": POLAR_ARCMIN,
        },
        "finder": {"kind": finder, "field_deg": finder_field},
        "eyepieces": ()
        if not eyepiece
        else ({"focal_length_mm": eyepiece, "apparent_field_deg": EYEPIECE_FIELD_DEG},),
        "assumed": tuple(a.key for a in found.assumed if "." in a.key),
    }
    names = {key: key.rpartition(".")[2] for key in (
        "optics.aperture_mm", "optics.focal_length_mm", "optics.reflections", "camera.width_px",
        "camera.height_px", "camera.bits", "camera.read_noise_e", "camera.gain_e_per_adu",
        "camera.bayer", "camera.black_adu",
    )} | {
        "name": "kit_name", "eyepieces": "eyepiece_mm", "camera.pixel_um": "sensor",
        "optics.obstruction_fraction": "secondary_mm", "finder.field_deg": "finder_field_deg",
    }  # fmt: skip
    return _checked(Kit, values, names, faults)


def _design(word: str) -> Design:
    return next(design for design in DESIGNS if design == word)


def _focal(read: _Answers, aperture: float | None, pixel_um: float | None) -> float | None:
    """Focal length in mm, from itself, from the focal ratio, or from a frame's pixel scale."""
    said = read.said
    if said["focal_length_mm"].strip():
        return read.number("focal_length_mm", 50.0, 20000.0, "mm")
    if said["focal_ratio"].strip():
        text = said["focal_ratio"].strip()
        bare = _Answers({**said, "focal_ratio": text.lower().removeprefix("f/")}, read.faults)
        ratio = bare.number("focal_ratio", 1.0, 40.0, "")
        return None if ratio is None or aperture is None else ratio * aperture
    if said["scale_arcsec_per_px"].strip():
        scale = read.number("scale_arcsec_per_px", 0.05, 60.0, "″")
        if scale is None or pixel_um is None:
            return None
        return ARCSEC_PER_RADIAN * pixel_um * 1e-3 / scale
    read.faults["focal_length_mm"] = "give the focal length in mm, or the focal ratio beside it"
    return None


def _obstruction(
    read: _Answers, aperture: float | None, design: DesignFacts, found: Setup
) -> float | None:
    """Share of the aperture's diameter that the secondary mirror hides."""
    if not read.said["secondary_mm"].strip():
        if design.obstruction:
            found.assumed.append(
                Assumed(
                    "optics.obstruction_fraction", design.obstruction, 0.2, 0.42,
                    "usual for its kind",
                )
            )  # fmt: skip
        return design.obstruction
    largest = 0.7 * aperture if aperture is not None else 1400.0
    secondary = read.number("secondary_mm", 0.0, largest, "mm")
    if secondary is None or aperture is None:
        return None
    return round(secondary / aperture, 3)


def _sensor(read: _Answers) -> dict[str, Any] | None:
    """Columns, rows and pixel pitch from the sensor's sides and pixel counts."""
    preset = read.choice("sensor", (*SENSORS, OWN_SIZE))
    if preset == OWN_SIZE:
        width = read.number("sensor_width_mm", 1.0, 120.0, "mm")
        height = read.number("sensor_height_mm", 1.0, 120.0, "mm")
    else:
        _, width, height = SENSORS[preset]
    columns = read.number("width_px", 64.0, 60000.0, "px")
    rows = read.number("height_px", 64.0, 60000.0, "px")
    if width is None or height is None or columns is None or rows is None:
        return None
    for key, count in (("width_px", columns), ("height_px", rows)):
        if not count.is_integer():
            read.faults[key] = f"{count:g} is not a whole number of pixels"
            return None
    across, along = 1000.0 * width / columns, 1000.0 * height / rows
    if abs(across / along - 1.0) > NOT_SQUARE:
        read.faults["width_px"] = (
            f"{columns:.0f} × {rows:.0f} pixels on {width:g} × {height:g} mm would be "
            f"{across:.2f} µm wide and {along:.2f} µm high: check the sensor and the pixels"
        )
        return None
    pitch = round(math.sqrt(across * along), 3)
    return {"width_px": int(columns), "height_px": int(rows), "pixel_um": pitch}


def _camera(read: _Answers, sensor: dict[str, Any] | None, found: Setup) -> dict[str, Any] | None:
    """The sensor with what its manual does not tell filled in by physics."""
    pixel_um = 4.0 if sensor is None else sensor["pixel_um"]  # what else is wrong is still told
    bits = read.number("bits", 8.0, 16.0, "bit")
    iso = read.number("iso", 25.0, 500_000.0, "", usual=USUAL_ISO)
    if bits is None or iso is None:
        return None
    well = WELL_E_PER_UM2 * pixel_um**2
    gain = well / 2.0**bits * BASE_ISO / max(iso, BASE_ISO)
    noise: float | None = READ_NOISE_E
    black: float | None = None
    if read.said["read_noise_e"].strip():
        noise = read.number("read_noise_e", 0.0, 200.0, "e⁻")
    else:
        found.assumed.append(
            Assumed("camera.read_noise_e", READ_NOISE_E, *READ_NOISE_SPAN_E, "usual at night")
        )
    if read.said["gain_e_per_adu"].strip():
        stated = read.number("gain_e_per_adu", 0.001, 200.0, "e⁻/ADU")
        gain = gain if stated is None else stated
    else:
        found.assumed.append(
            Assumed(
                "camera.gain_e_per_adu", gain, gain / WELL_SPREAD, gain * WELL_SPREAD,
                f"from the pixel's size at ISO {iso:.0f}",
            )
        )  # fmt: skip
    if read.said["black_adu"].strip():
        black = read.number("black_adu", 0.0, 30000.0, "ADU")
    found.assumed += [
        Assumed(
            "camera.full_well_e", well, well / WELL_SPREAD, well * WELL_SPREAD,
            "from the pixel’s size",
        ),
        Assumed("camera.quantum_efficiency", 0.5, 0.35, 0.7, "usual for a colour sensor"),
        Assumed("camera.dark_e_per_s", 0.02, 0.002, 0.2, "on a cool night"),
    ]  # fmt: skip
    bayer = read.choice("bayer", ("RGGB", "BGGR", "GRBG", "GBRG", "none"))
    if sensor is None:
        return None
    return {
        **sensor,
        "bits": int(bits),
        "bayer": None if bayer == "none" else bayer,
        "gain_e_per_adu": _figures(gain),
        "read_noise_e": noise,
        "full_well_e": round(well, -2),
        **({} if black is None else {"black_adu": black}),
    }


def _figures(value: float) -> float:
    """A value to three figures."""
    return float(f"{value:.3g}")


def _checked(
    model: type[AnyRecord],
    values: dict[str, Any],
    names: Mapping[str, str],
    faults: dict[str, str],
) -> AnyRecord | None:
    """The record if the model takes it; else its complaints, under the answers they belong to."""
    if faults.keys() & _answers_of(model):
        return None
    try:
        return model.model_validate(values)
    except ValidationError as error:
        for key, words in faults_by_key(error, model).items():
            faults[names.get(key, key)] = words
        return None


def _answers_of(model: type[BaseModel]) -> frozenset[str]:
    return frozenset(SITE_KEYS if model is Site else (*TUBE_KEYS, *CAMERA_KEYS))
