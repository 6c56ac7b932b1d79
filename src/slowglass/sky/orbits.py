"""Comets and asteroids from orbital elements: where they are and how bright.

Elements come as the Minor Planet Center publishes them, one body on a line, in either of its two
formats: comets ("Export format for comet orbits") and minor planets ("MPCORB"). The path is that
of two bodies: the pull of planets is left out, so elements should be of the current year (a few
months from their epoch the error stays near an arcminute, far less than a frame).

Universal variables: Bate, Mueller & White 1971, Fundamentals of Astrodynamics, ch. 4; the root by
Conway's use of Laguerre's method (1986, Celestial Mechanics 39, 199), which converges from any
start. Magnitudes: Bowell et al. 1989 (Asteroids II, 524) for asteroids.
"""

from __future__ import annotations

import math
import re
from dataclasses import dataclass
from typing import Literal

import erfa
import numpy as np
import numpy.typing as npt

from slowglass.errors import ConfigError
from slowglass.sky.coords import Instants, sky_angles

Floats = npt.NDArray[np.float64]

GAUSS_K = 0.01720209895
"""Gaussian gravitational constant, au^1.5 per day (IAU 1976)."""
OBLIQUITY_DEG = 84381.448 / 3600.0
"""Of the ecliptic of J2000 to which elements are referred (IAU 1976)."""
LIGHT_DAYS_PER_AU = 0.005775518331
FARTHEST_AU = 100.0


@dataclass(frozen=True)
class Orbit:
    """One body's elements: ecliptic and equinox J2000, angles in degrees, times as JD (TT).

    ``absolute_mag`` and ``slope`` are H and G of an asteroid, or of a comet the magnitude at
    1 au from Sun and Earth and n in 2.5 n log r.
    """

    name: str
    kind: Literal["comet", "asteroid"]
    perihelion_au: float
    eccentricity: float
    perihelion_jd: float
    argument_deg: float
    node_deg: float
    inclination_deg: float
    absolute_mag: float | None
    slope: float
    epoch_jd: float | None


@dataclass(frozen=True)
class Seen:
    """A body from the Earth's centre, arrays over moments: astrometric ICRS degrees, au, V mag."""

    ra_deg: Floats
    dec_deg: Floats
    earth_au: Floats
    sun_au: Floats
    mag: Floats


def orbits_from_text(text: str, *, source: str = "orbits") -> tuple[Orbit, ...]:
    """All orbits of a text with one body on a line; ConfigError names the lines that are none."""
    found: list[Orbit] = []
    faults: list[str] = []
    for number, line in enumerate(text.splitlines(), 1):
        if not line.strip() or line.startswith(("#", "---")):
            continue
        try:
            found.append(orbit_from_line(line.rstrip("\n")))
        except ValueError as error:
            faults.append(f"line {number} {error}")
    if faults and not found:
        # the heading that stands on top of the published minor planet file is no fault
        raise ConfigError(
            f"{source} holds no orbits: {'; '.join(faults[:3])}",
            "give lines of the Minor Planet Center's comet or minor planet format",
            faults=faults,
        )
    if faults:
        first = min(i for i, line in enumerate(text.splitlines()) if _is_orbit(line))
        bad = [f for f in faults if int(f.split()[1]) > first + 1]
        if bad:
            raise ConfigError(
                f"{source} has faulty orbits: {'; '.join(bad[:3])}",
                "correct or remove those lines",
                faults=bad,
            )
    if not found:
        raise ConfigError(f"{source} is empty", "give one orbit on each line")
    return tuple(found)


def _is_orbit(line: str) -> bool:
    try:
        orbit_from_line(line)
    except ValueError:
        return False
    return True


def orbit_from_line(line: str) -> Orbit:
    """The orbit of one line of either format; ValueError says what is wrong with the line."""
    if re.fullmatch(r"[IJK]\d\d[1-9A-C][1-9A-V]", line[20:25]):
        return _minor_planet(line)
    if re.fullmatch(r"[\d ]{4}[A-Z]", line[:5]) and re.fullmatch(r"-?\d{3,4}", line[14:18].strip()):
        return _comet(line)
    raise ValueError("is in neither of the two formats")


def _comet(line: str) -> Orbit:
    jd = _calendar_jd(
        int(line[14:18]), int(_number(line, 19, 21, "month")), _number(line, 22, 29, "day")
    )
    epoch = line[81:89].strip()
    h, n = line[91:95].strip(), line[96:100].strip()
    return _checked(
        Orbit(
            name=line[102:158].strip() or line[:12].strip(),
            kind="comet",
            perihelion_au=_number(line, 30, 39, "perihelion distance"),
            eccentricity=_number(line, 41, 49, "eccentricity"),
            perihelion_jd=jd,
            argument_deg=_number(line, 51, 59, "argument of perihelion"),
            node_deg=_number(line, 61, 69, "node"),
            inclination_deg=_number(line, 71, 79, "inclination"),
            absolute_mag=float(h) if h else None,
            slope=float(n) if n else 4.0,
            epoch_jd=_calendar_jd(int(epoch[:4]), int(epoch[4:6]), float(epoch[6:]))
            if len(epoch) == 8 and epoch.isdigit()
            else None,
        )
    )


def _minor_planet(line: str) -> Orbit:
    packed = line[20:25]
    century = {"I": 1800, "J": 1900, "K": 2000}[packed[0]]
    digits = "0123456789ABCDEFGHIJKLMNOPQRSTUV"
    epoch = _calendar_jd(
        century + int(packed[1:3]), digits.index(packed[3]), float(digits.index(packed[4]))
    )
    e = _number(line, 70, 79, "eccentricity")
    axis = _number(line, 92, 103, "semi-major axis")
    anomaly = _number(line, 26, 35, "mean anomaly")
    if not (0.0 <= e < 1.0 and axis > 0.0):
        raise ValueError(f"has eccentricity {e:g} and axis {axis:g} au, which make no ellipse")
    motion = math.degrees(GAUSS_K) / axis**1.5
    h, g = line[8:13].strip(), line[14:19].strip()
    return _checked(
        Orbit(
            name=line[166:194].strip() or line[:7].strip(),
            kind="asteroid",
            perihelion_au=axis * (1.0 - e),
            eccentricity=e,
            perihelion_jd=epoch - ((anomaly + 180.0) % 360.0 - 180.0) / motion,
            argument_deg=_number(line, 37, 46, "argument of perihelion"),
            node_deg=_number(line, 48, 57, "node"),
            inclination_deg=_number(line, 59, 68, "inclination"),
            absolute_mag=float(h) if h else None,
            slope=float(g) if g else 0.15,
            epoch_jd=epoch,
        )
    )


def _number(line: str, start: int, end: int, what: str) -> float:
    try:
        return float(line[start:end])
    except ValueError:
        raise ValueError(
            f"has “{line[start:end].strip()}” for the {what} (columns {start + 1}–{end})"
        ) from None


def _checked(orbit: Orbit) -> Orbit:
    if not 0.0 < orbit.perihelion_au <= FARTHEST_AU:
        raise ValueError(f"has perihelion distance {orbit.perihelion_au:g} au")
    if not 0.0 <= orbit.eccentricity <= 10.0:
        raise ValueError(f"has eccentricity {orbit.eccentricity:g}")
    return orbit


def _calendar_jd(year: int, month: int, day: float) -> float:
    if not (1 <= month <= 12 and 0.0 <= day < 32.0):
        raise ValueError(f"has the date {year} {month} {day:g}")
    whole, mjd = erfa.cal2jd(year, month, 1)
    return float(whole + mjd + day - 1.0)


def heliocentric_au(orbit: Orbit, jd: npt.ArrayLike) -> Floats:
    """Place against the Sun on the equator of J2000, au, shape (..., 3), at Julian dates (TT)."""
    t = np.asarray(jd, dtype=np.float64) - orbit.perihelion_jd
    q, e = orbit.perihelion_au, orbit.eccentricity
    alpha = (1.0 - e) / q
    if e < 1.0:
        period = 2.0 * math.pi / (GAUSS_K * alpha**1.5)
        # exact within half a period of perihelion, however long the period is
        t = t - period * np.round(t / period)
    chi = _universal_anomaly(GAUSS_K * t, q, alpha)
    z = alpha * chi**2
    c, s = _stumpff(z)
    f = 1.0 - chi**2 / q * c
    g = GAUSS_K * t - chi**3 * s
    x, y = f * q, g * math.sqrt((1.0 + e) / q)
    w, node, inc, eps = np.radians(
        [orbit.argument_deg, orbit.node_deg, orbit.inclination_deg, OBLIQUITY_DEG]
    )
    toward = _turned([1.0, 0.0, 0.0], w, inc, node, eps)
    across = _turned([0.0, 1.0, 0.0], w, inc, node, eps)
    return np.asarray(x[..., None] * toward + y[..., None] * across)


def _turned(v: list[float], w: float, inc: float, node: float, eps: float) -> Floats:
    """A direction of the orbit's plane on the equator of J2000."""
    plane = erfa.rz(-w, np.eye(3))
    tilted = erfa.rx(-inc, np.eye(3))
    turned = erfa.rz(-node, np.eye(3))
    equator = erfa.rx(-eps, np.eye(3))
    return np.asarray(equator @ turned @ tilted @ plane @ np.array(v))


def _universal_anomaly(kt: Floats, q: float, alpha: float) -> Floats:
    """χ with q χ + (1 − α q) χ³ S(α χ²) = k t, by Laguerre's method of degree 5."""
    chi = kt / max(q, 0.1)
    # A start of the right size: straight near perihelion, the cube root far from it.
    chi = np.sign(kt) * np.minimum(np.abs(chi), np.cbrt(6.0 * np.abs(kt)) + 1e-12)
    for _ in range(60):
        c, s = _stumpff(alpha * chi**2)
        value = q * chi + (1.0 - alpha * q) * chi**3 * s - kt
        slope = q + (1.0 - alpha * q) * chi**2 * c
        bend = (1.0 - alpha * q) * chi * (1.0 - alpha * chi**2 * s)
        root = np.sqrt(np.abs(16.0 * slope**2 - 20.0 * value * bend))
        step = 5.0 * value / (slope + np.sign(slope) * root)
        chi = chi - step
        if np.all(np.abs(step) <= 1e-13 * (1.0 + np.abs(chi))):
            break
    return np.asarray(chi)


def _stumpff(z: Floats) -> tuple[Floats, Floats]:
    """C and S of Stumpff: (1 − cos √z)/z and (√z − sin √z)/√z³, through zero by their series."""
    z = np.asarray(z, dtype=np.float64)
    small = np.abs(z) < 1e-2
    root = np.sqrt(np.where(small, 1.0, np.abs(z)))
    up = np.minimum(root, 700.0)
    c = np.where(z > 0.0, 1.0 - np.cos(root), np.cosh(up) - 1.0) / root**2
    s = np.where(z > 0.0, root - np.sin(root), np.sinh(up) - root) / root**3
    c_series = 1 / 2 - z / 24 + z**2 / 720 - z**3 / 40320 + z**4 / 3628800
    s_series = 1 / 6 - z / 120 + z**2 / 5040 - z**3 / 362880 + z**4 / 39916800
    return np.where(small, c_series, c), np.where(small, s_series, s)


def seen_from_earth(orbit: Orbit, unix_s: npt.ArrayLike) -> Seen:
    """The body from the Earth's centre at moments, light-time taken off."""
    when = Instants.at(np.atleast_1d(np.asarray(unix_s, dtype=np.float64)))
    earth = np.asarray(erfa.epv00(*when.tt)[0]["p"])
    jd = np.asarray(when.tt[0] + when.tt[1])
    delay = np.zeros(jd.shape)
    for _ in range(3):
        sun = heliocentric_au(orbit, jd - delay)
        gap = sun - earth
        away = np.linalg.norm(gap, axis=-1)
        delay = away * LIGHT_DAYS_PER_AU
    ra, dec = sky_angles(gap)
    from_sun = np.linalg.norm(sun, axis=-1)
    return Seen(ra, dec, away, from_sun, _magnitude(orbit, from_sun, away, earth))


def _magnitude(orbit: Orbit, r: Floats, delta: Floats, earth: Floats) -> Floats:
    if orbit.absolute_mag is None:
        return np.full(r.shape, np.nan)
    base = orbit.absolute_mag + 5.0 * np.log10(delta)
    if orbit.kind == "comet":
        return np.asarray(base + 2.5 * orbit.slope * np.log10(r))
    sun_earth = np.linalg.norm(earth, axis=-1)
    cosine = (r**2 + delta**2 - sun_earth**2) / (2.0 * r * delta)
    half = np.tan(np.arccos(np.clip(cosine, -1.0, 1.0)) / 2.0)
    phi1, phi2 = np.exp(-3.33 * half**0.63), np.exp(-1.87 * half**1.22)
    light = (1.0 - orbit.slope) * phi1 + orbit.slope * phi2
    return np.asarray(base + 5.0 * np.log10(r) - 2.5 * np.log10(light))
