"""The example night: which night, where the telescope points, what goes wrong.

The instruments and the site are the built-in ones. The night is the first autumn night at the
site without a Moon; the hour, the exposure and the star-hop follow from the same answers a person
would get. The person's hand is seeded: it points 40′ off at first and a little off after the
nudge.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date, datetime, timedelta
from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from slowglass.kit.model import Kit, Site

TARGET = "M15"
KIT = "long 102"
SITE = "Fig Tree Yard"
YEAR = 2026
MOONLESS = 0.02
"""Illuminated share below which the Moon does not matter, wherever it stands."""
SEED = 102

LIGHTS = 8
CALIBRATION = {"dark": 3, "flat": 3, "bias": 3}
TRAILED = 4
"""This light (from 1) is taken while a tooth of the worm is dirty."""
DIRT_FACTOR = 5.0
"""How much more the drive swings on the dirty tooth."""
SATELLITE = 6
SATELLITE_MAG = 4.0
PAUSE_S = 8.0
"""Between exposures: read-out and a hand off the shutter."""
FIRST_AIM_ARCSEC = (1620.0, -1860.0)
"""East and north error of the first aim, with a red-dot finder and a rough hop."""
HAND_SHARE = 0.04
"""Error of a turn made by hand, as a share of the turn."""
DITHER_ARCSEC = 5.0
CAMERA_ANGLE_DEG = 174.0
"""Position angle of the stored +y axis: north nearly up."""

QUICK_STEP = 2.5
"""The quick sensor has pixels this much larger over the same area."""


@dataclass(frozen=True)
class Aim:
    """Where a frame points: arcseconds east and north of the target."""

    east_arcsec: float
    north_arcsec: float


def autumn_night(site: Site, year: int = YEAR) -> date:
    """The first night from the equinox on with darkness and no Moon to speak of."""
    from slowglass.sky.night import night_of

    south = site.latitude_deg < 0
    day = date(year, 3, 20) if south else date(year, 9, 22)
    for _ in range(45):
        night = night_of(site.latitude_deg, site.longitude_deg, site.timezone, day)
        if night.darkness == "astronomical" and night.moon_illuminated_fraction < MOONLESS:
            return day
        day += timedelta(days=1)
    raise AssertionError("no new Moon in 45 days")


def quick_kit(kit: Kit) -> Kit:
    """The kit with fewer, larger pixels over the same sensor area."""
    camera = kit.camera
    return kit.model_copy(
        update={
            "camera": camera.model_copy(
                update={
                    "width_px": round(camera.width_px / QUICK_STEP),
                    "height_px": round(camera.height_px / QUICK_STEP),
                    "pixel_um": camera.pixel_um * QUICK_STEP,
                }
            )
        }
    )


def dirty_mount(kit: Kit) -> Kit:
    """The kit while the worm runs over a dirty tooth."""
    mount = kit.mount
    swing = min(600.0, mount.periodic_error_arcsec * DIRT_FACTOR)
    return kit.model_copy(
        update={"mount": mount.model_copy(update={"periodic_error_arcsec": swing})}
    )


def nudged(first: Aim, turn_east_arcsec: float, turn_north_arcsec: float) -> Aim:
    """The aim after a turn of both axes by hand, on-sky arcseconds, as the nudge asked for."""
    rng = np.random.default_rng([SEED, 1])
    slip = rng.normal(0.0, HAND_SHARE, 2)
    return Aim(
        first.east_arcsec + turn_east_arcsec * (1.0 + float(slip[0])),
        first.north_arcsec + turn_north_arcsec * (1.0 + float(slip[1])),
    )


@dataclass(frozen=True)
class Shot:
    """One light: number from 1, start, aim, phase of the worm, and its mishap."""

    number: int
    start_utc: datetime
    aim: Aim
    worm_phase_rad: float
    trailed: bool
    satellite: bool

    @property
    def seed(self) -> int:
        """Seed of the photon noise."""
        return SEED * 100 + self.number


def plan_shots(
    kit: Kit,
    site: Site,
    aim: Aim,
    *,
    dec_deg: float,
    hour_angle_deg: float,
    start_utc: datetime,
    exposure_s: float,
    count: int = LIGHTS,
) -> list[Shot]:
    """The lights of the night, moving over the sky as this mount lets them.

    Worm and polar axis carry the field from frame to frame just as they trail it within one.
    """
    from slowglass.expose.tracking import field_path_arcsec

    rng = np.random.default_rng([SEED, 2])
    phase = float(rng.random() * 2.0 * np.pi)
    times = np.arange(count) * (exposure_s + PAUSE_S)
    east, north = field_path_arcsec(
        times,
        kit.mount,
        dec_deg=dec_deg,
        hour_angle_deg=hour_angle_deg,
        latitude_deg=site.latitude_deg,
        phase_rad=phase,
    )
    dither = rng.normal(0.0, DITHER_ARCSEC, (count, 2))
    shots = []
    for i, seconds in enumerate(times):
        number = i + 1
        worm = phase + 2.0 * np.pi * float(seconds) / kit.mount.worm_period_s
        # The stars wander east over the sensor when the telescope falls behind to the west.
        shots.append(
            Shot(
                number,
                start_utc + timedelta(seconds=float(seconds)),
                Aim(
                    aim.east_arcsec - float(east[i]) + float(dither[i, 0]),
                    aim.north_arcsec - float(north[i]) + float(dither[i, 1]),
                ),
                0.0 if number == TRAILED else worm % (2.0 * np.pi),
                number == TRAILED,
                number == SATELLITE,
            )
        )
    return shots
