"""What one frame says of the kit that took it and of the place it was taken from.

What the file states (size, mosaic, ISO, time, place) and what the stars measure (pixel scale, focal
length, mirror image, brightness of the sky) come as answers to the set-up's questions
(:mod:`slowglass.kit.setup`), each with its ground, for a person to take or to leave.
"""

from __future__ import annotations

import math
import re
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any, Literal

from slowglass.errors import UsageError
from slowglass.frame.header import first_number, first_text
from slowglass.frame.image import Frame
from slowglass.frame.io import FITS_SUFFIXES, RAW_SUFFIXES, read_frame
from slowglass.kit.coordinates import Axis, parse_angle
from slowglass.kit.optics import ARCSEC_PER_RADIAN
from slowglass.kit.setup import set_up
from slowglass.progress import Report, silent

if TYPE_CHECKING:
    from slowglass.judge.verdict import Verdict
    from slowglass.sky.place import Place
    from slowglass.sky.store import Sky

How = Literal["file", "stars"]

SMALLEST_PIXEL_UM, LARGEST_PIXEL_UM = 0.5, 50.0
MM_OF_UNIT = {"2": 25.4, "3": 10.0, "4": 1.0, "inch": 25.4, "cm": 10.0, "mm": 1.0}
"""Units of EXIF focal-plane resolutions (CIPA DC-008-2019, table 8; 4 by common practice)."""
LATITUDE_CARDS = ("SITELAT", "LAT-OBS", "LATITUDE", "OBSLAT", "OBSGEO-B")
LONGITUDE_CARDS = ("SITELONG", "LONG-OBS", "LONGITUD", "OBSLONG", "OBSGEO-L")


@dataclass(frozen=True)
class FrameFact:
    """One thing a frame says: its name, the words, the answers it gives, how it is known."""

    name: str
    words: str
    how: How
    answers: Mapping[str, str]
    """Texts for the set-up's answers; empty for what is only told."""


@dataclass(frozen=True)
class Introduction:
    """Everything one frame says. ``reason`` tells why its stars say nothing, if they do not."""

    file: str
    solved: bool
    reason: str
    facts: tuple[FrameFact, ...]


def introduce(
    path: Path,
    sky: Sky,
    *,
    answers: Mapping[str, str] | None = None,
    near: Place | None = None,
    report: Report = silent,
) -> Introduction:
    """What a frame says, in the light of the answers typed so far.

    A pixel scale that those imply narrows the search; where it leads nowhere, the frame is
    searched without it, since a newcomer may have mistyped. Raises ``UnreadableFile``.
    """
    from slowglass.judge.assess import assess_frame

    report("reading the frame", 0, 3)
    frame = read_frame(path)
    stated = set_up(answers or {})
    scale = None if stated.kit is None else stated.kit.scale_arcsec_per_px
    now = datetime.now(UTC)
    report("finding its stars on the sky", 1, 3)
    verdict = assess_frame(frame, sky, now_utc=now, near=near, scale_arcsec_per_px=scale).verdict
    if not verdict.solved and scale is not None:
        report("finding its stars at any scale", 2, 3)
        verdict = assess_frame(frame, sky, now_utc=now, near=near).verdict
    report("done", 3, 3)
    pixel_um = stated_pixel_um(frame)
    if pixel_um is None and stated.kit is not None:
        pixel_um = stated.kit.camera.pixel_um
    facts = [
        *file_facts(frame, raw=path.suffix.lower() in RAW_SUFFIXES),
        *star_facts(verdict, pixel_um),
    ]
    if verdict.solved and not FITS_SUFFIXES.intersection(
        s.lower() for s in path.suffixes
    ):  # FITS rows are stored either way up
        facts.append(mirror_fact(verdict.parity == -1, _reflections(answers)))
    return Introduction(
        path.name, verdict.solved, "" if verdict.solved else verdict.reason, tuple(facts)
    )


def file_facts(frame: Frame, *, raw: bool) -> tuple[FrameFact, ...]:
    """What the file itself states."""
    header, cards = frame.header, frame.header.cards
    found = [_size(frame)]
    if frame.bayer is not None:
        found.append(
            FrameFact("Colours", f"a mosaic, {frame.bayer}", "file", {"bayer": frame.bayer})
        )
    elif not frame.is_colour:
        found.append(FrameFact("Colours", "none: one plane of light", "file", {"bayer": "none"}))
    if header.exposure_s:
        found.append(FrameFact("Exposure", f"{header.exposure_s:g} s", "file", {}))
    if header.iso:
        found.append(FrameFact("Setting", f"ISO {header.iso}", "file", {"iso": str(header.iso)}))
    if raw and frame.white_adu + frame.black_adu > 200.0:
        bits = min(16, max(8, math.ceil(math.log2(frame.white_adu + frame.black_adu + 1.0))))
        found.append(FrameFact("Converter", f"{bits} bits", "file", {"bits": str(bits)}))
    if frame.black_adu > 0.0:
        level = f"{frame.black_adu:.0f}"
        found.append(FrameFact("Black", f"{level} ADU", "file", {"black_adu": level}))
    if header.gain_e_per_adu:
        gain = f"{header.gain_e_per_adu:.4g}"
        found.append(FrameFact("Gain", f"{gain} e⁻/ADU", "file", {"gain_e_per_adu": gain}))
    if header.read_noise_e:
        noise = f"{header.read_noise_e:.3g}"
        found.append(FrameFact("Read noise", f"{noise} e⁻", "file", {"read_noise_e": noise}))
    if header.start_utc is not None:
        words = f"{header.start_utc:%Y-%m-%d %H:%M:%S} UTC, by the camera’s clock"
        found.append(FrameFact("Taken", words, "file", {}))
    place = site_of_cards(cards)
    if place is not None:
        lat, lon = place
        found.append(
            FrameFact(
                "Place",
                f"{abs(lat):.4f}° {'north' if lat >= 0 else 'south'}, "
                f"{abs(lon):.4f}° {'east' if lon >= 0 else 'west'}",
                "file",
                {"latitude": f"{lat:.6g}", "longitude": f"{lon:.6g}"},
            )
        )
    return tuple(found)


def star_facts(verdict: Verdict, pixel_um: float | None) -> list[FrameFact]:
    """What the stars of a solved frame measure."""
    scale = verdict.scale_arcsec_per_px
    if not verdict.solved or scale is None:
        return []
    error = ""
    if verdict.rms_arcsec is not None and verdict.matched:
        error = f" from {verdict.matched} stars"
    found = [
        FrameFact(
            "Pixel scale", f"{scale:.4f}″ a pixel{error}", "stars",
            {"scale_arcsec_per_px": f"{scale:.5g}", "focal_length_mm": "", "focal_ratio": ""},
        )
    ]  # fmt: skip
    if pixel_um is not None:
        focal = ARCSEC_PER_RADIAN * pixel_um * 1e-3 / scale
        found = [
            FrameFact(
                "Focal length", f"{focal:.1f} mm: {scale:.4f}″ a pixel of {pixel_um:.2f} µm{error}",
                "stars", {"focal_length_mm": f"{focal:.1f}", "focal_ratio": ""},
            )
        ]  # fmt: skip
    if verdict.rotation_deg is not None:
        words = f"its columns run toward position angle {verdict.rotation_deg:.1f}°"
        found.append(FrameFact("Camera angle", words, "stars", {}))
    light = verdict.light
    if light is not None and light.sky_mag_arcsec2 is not None:
        sky = light.sky_mag_arcsec2
        off = f" ± {light.sky_error_mag:.1f}" if light.sky_error_mag else ""
        found.append(
            FrameFact(
                "Sky", f"{sky:.1f}{off} mag/arcsec² in this frame, Moon and all", "stars",
                {"sky_way": "reading", "sky_value": f"{sky:.1f}"},
            )
        )  # fmt: skip
    elif light is not None and light.sky_reason:
        found.append(FrameFact("Sky", f"not told: {light.sky_reason}", "stars", {}))
    return found


def mirror_fact(mirrored: bool, reflections: int) -> FrameFact:
    """Whether the picture is a mirror image, and the number of mirrors that agrees with it."""
    if mirrored != (reflections % 2 == 1):
        reflections = reflections - 1 if reflections else 1
    words = "yes: an odd number of mirrors" if mirrored else "no: an even number of mirrors"
    return FrameFact("Mirror image", words, "stars", {"reflections": str(reflections)})


def stated_pixel_um(frame: Frame) -> float | None:
    """Pixel pitch in µm that the file states: FITS cards, or EXIF's focal-plane resolution."""
    cards = frame.header.cards
    pitch = first_number(cards, "XPIXSZ", "PIXSIZE1")
    if pitch is None:
        per_unit = _fraction(cards.get("EXIF FocalPlaneXResolution"))
        unit = str(cards.get("EXIF FocalPlaneResolutionUnit", "2")).strip().casefold()
        mm = next((mm for word, mm in MM_OF_UNIT.items() if unit.startswith(word)), None)
        if unit.startswith("cent"):
            mm = 10.0
        if per_unit is None or mm is None or per_unit <= 0.0:
            return None
        pitch = 1000.0 * mm / per_unit
    return pitch if SMALLEST_PIXEL_UM <= pitch <= LARGEST_PIXEL_UM else None


def site_of_cards(cards: Mapping[str, Any]) -> tuple[float, float] | None:
    """(latitude, longitude) in degrees that FITS or EXIF cards state, north and east positive."""
    found: list[float] = []
    wanted: tuple[tuple[Axis, tuple[str, ...]], ...] = (
        ("latitude", LATITUDE_CARDS), ("longitude", LONGITUDE_CARDS),
    )  # fmt: skip
    for axis, names in wanted:
        texts = [text for name in names if (text := str(cards.get(name, "")).strip())]
        exif = _exif_angle(cards, axis.capitalize())
        for text in (*texts[:1], *([exif] if exif else [])):
            try:
                found.append(parse_angle(text, axis))
            except UsageError:
                continue
            break
    if len(found) != 2 or found == [0.0, 0.0]:  # a receiver that never saw a satellite
        return None
    return found[0], found[1]


def _size(frame: Frame) -> FrameFact:
    width, height = frame.width_px, frame.height_px
    answers = {"width_px": str(width), "height_px": str(height)}
    words = f"{width} × {height} pixels"
    pixel_um = stated_pixel_um(frame)
    if pixel_um is not None:
        words += f" of {pixel_um:.2f} µm"
        answers |= {
            "sensor": "own",
            "sensor_width_mm": f"{width * pixel_um / 1000.0:.3f}",
            "sensor_height_mm": f"{height * pixel_um / 1000.0:.3f}",
        }
    camera = first_text({"camera": frame.header.camera}, "camera")
    return FrameFact("Sensor", f"{words}{f' ({camera})' if camera else ''}", "file", answers)


def _exif_angle(cards: Mapping[str, Any], axis: str) -> str:
    """Degrees, minutes and seconds of a GPS tag with its side, "" without one."""
    parts = re.findall(r"[\d./]+", str(cards.get(f"GPS GPS{axis}", "")))
    numbers = [_fraction(part) for part in parts]
    side = str(cards.get(f"GPS GPS{axis}Ref", "")).strip()[:1].upper()
    if len(numbers) != 3 or None in numbers or side not in tuple("NSEW"):
        return ""
    degrees = sum((n or 0.0) / 60.0**i for i, n in enumerate(numbers))
    return f"{degrees:.6f} {side}"


def _fraction(text: Any) -> float | None:
    """The number of "177/50" or "3.54"; None for anything else."""
    top, _, bottom = str(text or "").strip().strip("[]").partition("/")
    try:
        value = float(top) / (float(bottom) if bottom else 1.0)
    except (ValueError, ZeroDivisionError):
        return None
    return value if math.isfinite(value) else None


def _reflections(answers: Mapping[str, str] | None) -> int:
    """Mirrors stated so far, else those usual for the design."""
    from slowglass.kit.setup_facts import DESIGNS

    said = answers or {}
    text = said.get("reflections", "").strip()
    if text.isdecimal() and int(text) <= 6:
        return int(text)
    return next((f.reflections for d, f in DESIGNS.items() if d == said.get("design")), 2)
