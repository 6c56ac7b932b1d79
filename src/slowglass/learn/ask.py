"""Questions to the logbook as a person writes them into fields."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date
from typing import TYPE_CHECKING

from slowglass.errors import SlowglassError, UsageError
from slowglass.kit.form import typed_number
from slowglass.learn.logbook.records import FrameQuery

if TYPE_CHECKING:
    from slowglass.sky.store import Sky

USUAL_RADIUS_DEG = 1.0
LIMITS = {
    "fwhm_below": ("fwhm_below_arcsec", "″", 0.1, 100.0),
    "elongation_below": ("elongation_below", "", 1.0, 20.0),
    "darker_than": ("sky_darker_than", "", 10.0, 23.0),
    "reaching": ("reaching_mag", "", 0.0, 25.0),
}
"""Field of a question: key of the query, unit, smallest and largest value."""
FIELDS = ("object", "near", "radius", "since", "until", "file", "keepers", *LIMITS)


@dataclass(frozen=True)
class Asked:
    """A question with what is wrong with it, by field."""

    query: FrameQuery
    faults: Mapping[str, str]


def ask_frames(texts: Mapping[str, str], sky: Sky, *, limit: int | None = None) -> Asked:
    """The question that the fields put together; empty fields ask for nothing."""
    said = {name: texts.get(name, "").strip()[:80] for name in FIELDS}
    faults: dict[str, str] = {}
    values: dict[str, object] = {}

    for name, (key, unit, low, high) in LIMITS.items():
        if said[name]:
            try:
                values[key] = number_between(said[name], unit, low, high)
            except UsageError as error:
                faults[name] = str(error)
    for name in ("since", "until"):
        if said[name]:
            try:
                values[name] = date.fromisoformat(said[name]).isoformat()
            except ValueError:
                faults[name] = f"“{said[name]}” is not a date: write it like 2026-10-09"
    if said["object"]:
        try:
            values["object"] = sky.objects.get(said["object"]).id
        except SlowglassError as error:
            faults["object"] = str(error)
    try:
        values["near"] = place_and_radius(said["near"], said["radius"], sky)
    except SlowglassError as error:
        faults["near"] = str(error)
    query = FrameQuery(
        kind="light",
        keeper=True if said["keepers"] else None,
        text=said["file"] or None,
        limit=limit,
        **values,  # type: ignore[arg-type]
    )
    return Asked(query, faults)


def place_and_radius(near: str, radius: str, sky: Sky) -> tuple[float, float, float] | None:
    """(right ascension, declination, radius) in degrees of a named place; None without one."""
    from slowglass.sky.place import resolve_place

    if not near:
        return None
    place = resolve_place(near, sky)
    reach = number_between(radius, "°", 0.01, 180.0) if radius else USUAL_RADIUS_DEG
    return place.ra_deg, place.dec_deg, reach


def number_between(text: str, unit: str, low: float, high: float) -> float:
    """The number of a text, within limits."""
    needed = f"a number from {low:g} to {high:g}"
    number = typed_number(text, unit=unit, needed=needed)
    if not low <= number <= high:
        raise UsageError(f"{text} is out of range", f"it needs {needed}")
    return number
