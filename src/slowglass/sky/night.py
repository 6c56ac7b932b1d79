"""One night at one site: sunset, darkness, dawn, Moon.

Twilight depths are those of the US Naval Observatory's definitions: the Sun's centre at
−0.8333° (34′ of refraction and a 16′ disc) for its rise and set, −6°, −12° and −18° for civil,
nautical and astronomical twilight.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from datetime import UTC, date, datetime, time
from zoneinfo import ZoneInfo, ZoneInfoNotFoundError

import numpy as np
import numpy.typing as npt

from slowglass.errors import UsageError
from slowglass.sky.coords import hour_angle_deg
from slowglass.sky.ephemeris import (
    moon_alt_deg,
    moon_illuminated_fraction,
    sun_alt_deg,
    sun_radec,
)

Floats = npt.NDArray[np.float64]

RISE_SET_DEG = -0.8333
CIVIL_DEG = -6.0
NAUTICAL_DEG = -12.0
ASTRONOMICAL_DEG = -18.0
_STEP_S = 300.0


@dataclass(frozen=True)
class Night:
    """The night that begins on a local date; all moments are UTC and aware.

    ``darkness`` names the deepest twilight the Sun passes: "astronomical" (below −18°),
    "nautical" (below −12° only), "civil" (below −6° only), "none". ``dark_from`` and ``dark_to``
    bound the Sun below −18°, or below −12° when darkness is "nautical", and are None when
    lighter. ``sunset`` or ``sunrise`` is None when the Sun stays up or down (``sun`` says which:
    "rises and sets", "stays up", "stays down"). ``moon_rises`` and ``moon_sets`` are the first
    of each between ``start`` and ``end`` (solar noon to solar noon, or sunset to sunrise where
    they exist), else None; with neither,
    ``moon_up_at_start`` tells whether it is up all night or not at all.
    ``moon_illuminated_fraction`` is for mid-night.
    """

    date: date
    start: datetime
    end: datetime
    midnight: datetime
    sun: str
    sunset: datetime | None
    sunrise: datetime | None
    darkness: str
    dark_from: datetime | None
    dark_to: datetime | None
    civil_from: datetime | None
    civil_to: datetime | None
    nautical_from: datetime | None
    nautical_to: datetime | None
    moon_rises: datetime | None
    moon_sets: datetime | None
    moon_up_at_start: bool
    moon_illuminated_fraction: float


def _utc(unix_s: float) -> datetime:
    return datetime.fromtimestamp(round(float(unix_s), 3), tz=UTC)


def _crossings(
    altitude: Callable[[Floats], Floats], times: Floats, values: Floats, level_deg: float
) -> list[tuple[float, bool]]:
    """(moment, rising) where a sampled altitude crosses a level, to a tenth of a second."""
    above = values > level_deg
    found: list[tuple[float, bool]] = []
    for i in np.flatnonzero(above[1:] != above[:-1]):
        low, high = float(times[i]), float(times[i + 1])
        f_low, f_high = float(values[i]) - level_deg, float(values[i + 1]) - level_deg
        for _ in range(4):
            # Regula falsi on a nearly straight five-minute piece; ends in well under 0.1 s.
            middle = low - f_low * (high - low) / (f_high - f_low)
            f_middle = float(altitude(np.array([middle]))[0]) - level_deg
            if abs(f_middle) < 1e-6:
                break
            if (f_middle > 0) == (f_low > 0):
                low, f_low = middle, f_middle
            else:
                high, f_high = middle, f_middle
        found.append((middle, bool(above[i + 1])))
    return found


def _first(crossings: list[tuple[float, bool]], *, rising: bool) -> float | None:
    return next((t for t, up in crossings if up is rising), None)


def solar_noon_s(day: date, timezone: str, longitude_deg: float) -> float:
    """Unix seconds of the Sun's transit nearest to noon on the clock of a local date."""
    try:
        zone = ZoneInfo(timezone)
    except (ZoneInfoNotFoundError, ValueError) as error:
        raise UsageError(
            f"time zone “{timezone}” is unknown", 'give one such as "Europe/Paris" or "UTC"'
        ) from error
    noon = datetime.combine(day, time(12), tzinfo=zone).timestamp()
    for _ in range(2):
        ra, dec = sun_radec(noon)
        late = float(hour_angle_deg(ra, longitude_deg, noon, dec_deg=dec))
        noon -= late * 240.0
    return noon


def night_of(
    latitude_deg: float,
    longitude_deg: float,
    timezone: str,
    day: date,
    *,
    height_m: float = 0.0,
) -> Night:
    """The night that begins on a local calendar date, at any latitude and season."""
    start = solar_noon_s(day, timezone, longitude_deg)
    end = start + 86400.0
    times = np.arange(start, end + _STEP_S / 2, _STEP_S)

    def sun(t: Floats) -> Floats:
        return sun_alt_deg(t, latitude_deg=latitude_deg, longitude_deg=longitude_deg)

    def moon(t: Floats) -> Floats:
        return moon_alt_deg(
            t, latitude_deg=latitude_deg, longitude_deg=longitude_deg, height_m=height_m
        )

    heights = sun(times)
    bounds: dict[float, tuple[float | None, float | None]] = {}
    for level in (RISE_SET_DEG, CIVIL_DEG, NAUTICAL_DEG, ASTRONOMICAL_DEG):
        crossings = _crossings(sun, times, heights, level)
        falls = _first(crossings, rising=False)
        after = [c for c in crossings if falls is None or c[0] > falls]
        bounds[level] = (falls, _first(after, rising=True))
        if not crossings and heights.max() <= level:
            bounds[level] = (start, end)
    sunset, sunrise = bounds[RISE_SET_DEG]
    whole_day = (start, end)
    sun_word = "rises and sets"
    if bounds[RISE_SET_DEG] == whole_day:
        sunset = sunrise = None
        sun_word = "stays down"
    elif sunset is None and sunrise is None:
        sun_word = "stays up"

    darkness = "none"
    dark: tuple[float | None, float | None] = (None, None)
    for name, level in (
        ("astronomical", ASTRONOMICAL_DEG),
        ("nautical", NAUTICAL_DEG),
        ("civil", CIVIL_DEG),
    ):
        if bounds[level] != (None, None):
            darkness = name
            dark = bounds[level] if name != "civil" else (None, None)
            break

    night_start = start if sunset is None else sunset
    night_end = end if sunrise is None else sunrise
    grid = np.arange(night_start, night_end + _STEP_S, _STEP_S)
    # Upper limb on the horizon: 34′ of refraction and the Moon's mean half-disc of 15.5′.
    moon_level = -(34.0 + 15.5) / 60.0
    moon_crossings = [
        c for c in _crossings(moon, grid, moon(grid), moon_level) if c[0] <= night_end
    ]
    middle = start + 43200.0

    def moment(t: float | None) -> datetime | None:
        return None if t is None else _utc(t)

    rises, sets = _first(moon_crossings, rising=True), _first(moon_crossings, rising=False)
    return Night(
        date=day,
        start=_utc(night_start),
        end=_utc(night_end),
        midnight=_utc(middle),
        sun=sun_word,
        sunset=moment(sunset),
        sunrise=moment(sunrise),
        darkness=darkness,
        dark_from=moment(_or(dark[0], dark[1], start)),
        dark_to=moment(_or(dark[1], dark[0], end)),
        civil_from=moment(bounds[CIVIL_DEG][0]),
        civil_to=moment(bounds[CIVIL_DEG][1]),
        nautical_from=moment(bounds[NAUTICAL_DEG][0]),
        nautical_to=moment(bounds[NAUTICAL_DEG][1]),
        moon_rises=moment(rises),
        moon_sets=moment(sets),
        moon_up_at_start=bool(moon(grid[:1])[0] > moon_level),
        moon_illuminated_fraction=float(moon_illuminated_fraction(middle)),
    )


def _or(bound: float | None, other: float | None, edge: float) -> float | None:
    """A dark window with one end missing (near the poles) runs to the edge of the day."""
    return edge if bound is None and other is not None else bound
