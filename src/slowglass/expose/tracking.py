"""Where the stars wander on the sensor during an exposure, and how often they stay round.

Offsets are those of a star's image against a perfectly tracked one, in arcseconds on the sky,
positive east and north. Four causes: the worm (a sine in right ascension, amplitude × cos δ,
period one sidereal day over the teeth), the polar axis (first order in its error, exact in hour
angle; signs as in F. Barrett, Measuring Polar Axis Alignment Error, 2016), the air, which lifts
a star less as it climbs, and, on a mount without a motor, the sky's own turning. Steady wind
and tremor widen stars without trailing them; gusts spoil an exposure outright.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from slowglass.kit.model import SIDEREAL_ARCSEC_S, Mount, Wind
from slowglass.kit.optics import FWHM_PER_SIGMA

Floats = npt.NDArray[np.float64]

KEEPER_ELONGATION = 1.3
"""A keeper's stars are no more than this much longer than wide."""
HOLD_SHARE = 0.80
"""Hold time: the longest exposure of which this share are keepers."""
LONGEST_HOLD_S = 1200.0
SHAKE_FACTOR: dict[Wind, float] = {"calm": 1.0, "breeze": 1.7, "windy": 3.0}
"""Tremor of the tube over that of a still night (common practice, no source)."""
GUSTS_PER_HOUR: dict[Wind, float] = {"calm": 0.0, "breeze": 12.0, "windy": 60.0}
"""Gusts that knock a light mount by more than a star's width (common practice, no source)."""
REFRACTION_ARCSEC = 58.294, -0.0668
"""Terms in tan z and tan³ z of the refraction at 10 °C and 1010 mbar (Smart 1931, *Text-book
on Spherical Astronomy*; good to 1″ above 15° altitude)."""
LOWEST_REFRACTED_DEG = 5.0


def trail_tolerance_arcsec(fwhm_arcsec: float, *, elongation: float = KEEPER_ELONGATION) -> float:
    """Longest trail, arcsec, that stretches a star of that FWHM by no more than ``elongation``.

    A steady trail of length L adds L²/12 to the variance along itself.
    """
    return fwhm_arcsec / FWHM_PER_SIGMA * math.sqrt(12.0 * (elongation**2 - 1.0))


def worm_path_arcsec(
    time_s: npt.ArrayLike,
    mount: Mount,
    *,
    phase_rad: npt.ArrayLike = 0.0,
    second_harmonic: float = 0.0,
) -> Floats:
    """East offset at the equator since time 0, arcsec, shape (phases, times) broadcast.

    ``second_harmonic`` adds a sine of half the period with that share of the amplitude, as worn
    worms show; 0 keeps the pure sine for which the published formulae hold.
    """
    t = np.asarray(time_s, dtype=np.float64)
    phase = np.asarray(phase_rad, dtype=np.float64)[..., None]
    turn = 2.0 * np.pi * t / mount.worm_period_s
    path = np.sin(turn + phase) - np.sin(phase)
    if second_harmonic:
        path = path + second_harmonic * (np.sin(2.0 * (turn + phase)) - np.sin(2.0 * phase))
    return mount.periodic_error_arcsec * path


def polar_path_arcsec(
    time_s: npt.ArrayLike,
    mount: Mount,
    *,
    dec_deg: float,
    hour_angle_deg: float,
    latitude_deg: float,
) -> tuple[Floats, Floats]:
    """East and north offsets since time 0 from the polar axis error, arcsec.

    ``hour_angle_deg`` is that of the field at time 0, west positive.
    """
    t = np.asarray(time_s, dtype=np.float64)
    sign = 1.0 if latitude_deg >= 0 else -1.0
    error = sign * mount.polar_error_arcmin * 60.0
    start = math.radians(hour_angle_deg - mount.polar_error_direction_deg)
    angle = start + np.radians(SIDEREAL_ARCSEC_S * t / 3600.0)
    north = error * (np.cos(angle) - math.cos(start))
    east = -error * math.sin(math.radians(dec_deg)) * (np.sin(angle) - math.sin(start))
    return east, north


def untrailed_s(tolerance_arcsec: float, dec_deg: float) -> float:
    """Seconds until a star trails by the tolerance on a mount that stands still."""
    speed = SIDEREAL_ARCSEC_S * math.cos(math.radians(dec_deg))
    return tolerance_arcsec / max(speed, 1e-6)


def refraction_path_arcsec(
    time_s: npt.ArrayLike, *, dec_deg: float, hour_angle_deg: float, latitude_deg: float
) -> tuple[Floats, Floats]:
    """East and north offsets since time 0 as the air's lift changes, arcsec.

    For a mount driven at the stars' own rate. Below 5° altitude the lift is kept as there.
    """
    hour = np.radians(hour_angle_deg + SIDEREAL_ARCSEC_S / 3600.0 * np.asarray(time_s, float))
    start = math.radians(hour_angle_deg)
    dec, lat = math.radians(dec_deg), math.radians(latitude_deg)

    def lift(h: Floats) -> tuple[Floats, Floats]:
        # East and north parts of the unit vector to the zenith, times sin z.
        east = np.sin(h) * math.cos(lat)
        north = math.sin(lat) * math.cos(dec) - math.cos(lat) * math.sin(dec) * np.cos(h)
        cos_z = math.sin(lat) * math.sin(dec) + math.cos(lat) * math.cos(dec) * np.cos(h)
        cos_z = np.maximum(cos_z, math.sin(math.radians(LOWEST_REFRACTED_DEG)))
        tan2 = 1.0 / cos_z**2 - 1.0
        first, third = REFRACTION_ARCSEC
        per_sine = (first + third * tan2) / cos_z
        return per_sine * east, per_sine * north

    (east, north), (east0, north0) = lift(hour), lift(np.asarray(start))
    return east - east0, north - north0


def field_rotation_deg(
    exposure_s: float,
    mount: Mount,
    *,
    dec_deg: float,
    hour_angle_deg: float,
    latitude_deg: float,
    guided: bool = False,
) -> float:
    """Turning of the field about its centre over an exposure, degrees (first order).

    An axis off by ε turns an unguided field at ε·ω·cos(h − h_p)·cos δ. Guiding on a star turns
    the mount back in right ascension, which makes it cos δ + sin δ tan δ = 1/cos δ.
    """
    sign = 1.0 if latitude_deg >= 0 else -1.0
    angle = math.radians(hour_angle_deg - mount.polar_error_direction_deg)
    rate = SIDEREAL_ARCSEC_S / 3600.0 * math.radians(mount.polar_error_arcmin / 60.0)
    cos_dec = math.cos(math.radians(dec_deg))
    share = 1.0 / max(0.01, cos_dec) if guided else cos_dec
    return sign * rate * exposure_s * math.cos(angle) * share


def field_path_arcsec(
    time_s: npt.ArrayLike,
    mount: Mount,
    *,
    dec_deg: float,
    hour_angle_deg: float = 0.0,
    latitude_deg: float = 45.0,
    phase_rad: npt.ArrayLike = 0.0,
    second_harmonic: float = 0.0,
    air: bool = True,
) -> tuple[Floats, Floats]:
    """East and north offsets of the stars at each time, arcsec, 0 at time 0.

    ``air`` False leaves refraction out.

    Shape (times,), or (phases, times) for an array of worm phases.
    """
    t = np.asarray(time_s, dtype=np.float64)
    cos_dec = math.cos(math.radians(dec_deg))
    if mount.driven == "none":
        turn = np.radians(SIDEREAL_ARCSEC_S * t / 3600.0)
        dec = math.radians(dec_deg)
        east = -math.degrees(cos_dec) * 3600.0 * np.sin(turn)
        north = math.degrees(math.sin(dec) * cos_dec) * 3600.0 * (1.0 - np.cos(turn))
        shape = (*np.shape(phase_rad), *t.shape)
        return np.broadcast_to(east, shape), np.broadcast_to(north, shape)
    worm = cos_dec * worm_path_arcsec(
        t, mount, phase_rad=phase_rad, second_harmonic=second_harmonic
    )
    where = {"dec_deg": dec_deg, "hour_angle_deg": hour_angle_deg, "latitude_deg": latitude_deg}
    east, north = polar_path_arcsec(t, mount, **where)
    if air:
        lift_east, lift_north = refraction_path_arcsec(t, **where)
        east, north = east + lift_east, north + lift_north
    return worm + east, np.broadcast_to(north, worm.shape)


def drift_arcsec_per_min(
    mount: Mount, *, dec_deg: float, hour_angle_deg: float, latitude_deg: float
) -> float:
    """How fast the field leaves the frame's middle, arcsec a minute.

    Polar axis and air, over a quarter of an hour (the worm comes back on itself); without a
    motor the sky's own turning.
    """
    if mount.driven == "none":
        return 60.0 * SIDEREAL_ARCSEC_S * math.cos(math.radians(dec_deg))
    minutes = 15.0
    where = {"dec_deg": dec_deg, "hour_angle_deg": hour_angle_deg, "latitude_deg": latitude_deg}
    polar = polar_path_arcsec(60.0 * minutes, mount, **where)
    lift = refraction_path_arcsec(60.0 * minutes, **where)
    return float(np.hypot(polar[0] + lift[0], polar[1] + lift[1])) / minutes


def trail_lengths_arcsec(
    exposure_s: float,
    mount: Mount,
    *,
    dec_deg: float,
    hour_angle_deg: float = 0.0,
    latitude_deg: float = 45.0,
    second_harmonic: float = 0.0,
    air: bool = True,
    phases: int = 720,
    steps: int = 65,
) -> Floats:
    """Trail length for each of ``phases`` evenly spaced worm phases, arcsec.

    The true extent of the path (diagonal of its box), not the net shift: an exposure in which
    the worm swings out and back is trailed although it ends where it began.
    """
    east, north = field_path_arcsec(
        np.linspace(0.0, exposure_s, steps),
        mount,
        dec_deg=dec_deg,
        hour_angle_deg=hour_angle_deg,
        latitude_deg=latitude_deg,
        phase_rad=np.arange(phases) * (2.0 * np.pi / phases),
        second_harmonic=second_harmonic,
        air=air,
    )
    return np.hypot(np.ptp(east, axis=-1), np.ptp(north, axis=-1))


@dataclass(frozen=True, eq=False)
class KeeperCurve:
    """How long stars stay round, for every phase of the worm, from one pass over the paths.

    ``held_s`` is sorted; gusts come on top at random.
    """

    held_s: Floats
    gusts_per_hour: float = 0.0

    def __call__(self, exposure_s: float) -> float:
        """Share of exposures of that length that are keepers, 0 to 1."""
        trailed = np.searchsorted(self.held_s, exposure_s, side="left") / self.held_s.size
        return float((1.0 - trailed) * math.exp(-self.gusts_per_hour * exposure_s / 3600.0))

    def hold_time_s(self, share: float = HOLD_SHARE) -> float:
        """Longest exposure, s, of which ``share`` are keepers; capped at 20 minutes."""
        most = float(self.held_s[int((1.0 - share) * self.held_s.size)])
        if self(most) >= share:
            return min(most, LONGEST_HOLD_S)
        low, high = 0.0, most
        while high - low > 0.002 * high:
            middle = 0.5 * (low + high)
            low, high = (middle, high) if self(middle) >= share else (low, middle)
        return low


def keeper_curve(
    mount: Mount,
    *,
    tolerance_arcsec: float,
    dec_deg: float,
    hour_angle_deg: float = 0.0,
    latitude_deg: float = 45.0,
    gusts_per_hour: float = 0.0,
    air: bool = True,
    phases: int = 240,
) -> KeeperCurve:
    """The share of keepers for every exposure up to 20 minutes, over evenly spaced worm phases.

    Of each path the true extent counts (see :func:`trail_lengths_arcsec`), followed once, so
    that all lengths of exposure cost no more than one. ``air`` False leaves refraction out.
    """
    times = np.concatenate([[0.0], np.geomspace(0.01, LONGEST_HOLD_S, 180)])
    east, north = field_path_arcsec(
        times,
        mount,
        dec_deg=dec_deg,
        hour_angle_deg=hour_angle_deg,
        latitude_deg=latitude_deg,
        phase_rad=np.arange(phases) * (2.0 * np.pi / phases),
        air=air,
    )
    extent2 = np.zeros(east.shape)
    for path in (east, north):
        reach = np.maximum.accumulate(path, axis=-1) - np.minimum.accumulate(path, axis=-1)
        extent2 += reach**2
    over = extent2 > tolerance_arcsec**2
    last = np.where(over.any(axis=-1), np.argmax(over, axis=-1), len(times) - 1)
    rows = np.arange(phases)
    before, after = np.sqrt(extent2[rows, last - 1]), np.sqrt(extent2[rows, last])
    part = (tolerance_arcsec - before) / np.maximum(after - before, 1e-12)
    crossed = times[last - 1] + np.clip(part, 0.0, 1.0) * (times[last] - times[last - 1])
    held = np.where(over.any(axis=-1), crossed, LONGEST_HOLD_S)
    return KeeperCurve(np.sort(held), gusts_per_hour)
