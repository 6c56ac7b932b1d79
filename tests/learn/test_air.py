"""Extinction and light domes come back from frames that were made with them."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta

import numpy as np
import pytest

from slowglass.expose.conditions import conditions_at
from slowglass.kit.io import load_kit, load_site, site_from_toml, write_site
from slowglass.learn.adopt import Files, adopt_domes, put_domes_aside
from slowglass.learn.air import extinction_value, sky_by_direction
from slowglass.learn.groups import Group
from slowglass.learn.logbook.records import LoggedFrame, Night
from slowglass.learn.logbook.store import open_logbook
from slowglass.sky.coords import alt_az
from slowglass.sky.extinction import airmass

SITE = load_site("Karri Flat")
NIGHT = Night("2026-10-10", SITE.name, "long 102")
START = datetime(2026, 10, 10, 12, 30, tzinfo=UTC)  # dark, the Moon down


def group(frames) -> Group:
    return Group(NIGHT, "NGC253", 30.0, tuple(frames), None)


def frames_over_the_sky(site, rng, count=90, noise=0.05):
    """Frames all over the sky above 20°, with the sky that a site's domes give there."""
    made = []
    while len(made) < count:
        ra, dec = rng.uniform(0, 360), np.degrees(np.arcsin(rng.uniform(-1, 1)))
        when = START + timedelta(minutes=float(rng.uniform(0, 120)))
        here = conditions_at(site, ra, dec, when)
        if here.altitude_deg < 20:
            continue
        made.append(
            LoggedFrame(
                str(len(made)), "x.fits", start_utc=when.isoformat(), exposure_s=30.0,
                solved=True, keeper=True, ra_deg=ra, dec_deg=float(dec),
                altitude_deg=here.altitude_deg,
                sky_mag_arcsec2=here.sky_mag_arcsec2 + rng.normal(0, noise),
                verdict={"light": {"transparency": 0.97}},
            )
        )  # fmt: skip
    return made


def test_a_dome_is_found_where_it_is():
    lit = SITE.model_copy(update={"light_domes": ((250.0, 60.0, 1.2),)})
    found = sky_by_direction([group(frames_over_the_sky(lit, np.random.default_rng(1)))], SITE)
    assert found.domes
    azimuth, width, size = found.domes[0]
    assert abs(azimuth - 250.0) <= 15.0
    assert 30.0 <= width <= 120.0
    assert size == pytest.approx(1.2, abs=0.45)
    assert found.chi2_after < 0.5 * found.chi2_before
    worst = min(found.sectors, key=lambda row: row[1])
    assert worst[0] in (225.0, 270.0)


def test_an_even_sky_needs_no_dome():
    found = sky_by_direction([group(frames_over_the_sky(SITE, np.random.default_rng(2)))], SITE)
    assert found.domes == ()


def test_few_frames_and_cloud_say_nothing():
    few = frames_over_the_sky(SITE, np.random.default_rng(3), count=4)
    assert sky_by_direction([group(few)], SITE) is None


def test_extinction_is_the_slope_of_zero_points():
    # Bouguer's law: a star is dimmer by k magnitudes for each air mass more.
    rng = np.random.default_rng(4)
    frames = []
    for number, altitude in enumerate(np.linspace(25, 75, 14)):
        zero = 17.4 - 0.31 * float(airmass(altitude)) + rng.normal(0, 0.02)
        frames.append(LoggedFrame(str(number), "x", altitude_deg=float(altitude),
                                  zero_point_mag=zero - (1.0 if number == 5 else 0.0)))  # fmt: skip
    value = extinction_value([group(frames)], SITE)
    assert value.value == pytest.approx(0.31, abs=3 * value.sigma + 0.005)
    assert value.sigma < 0.03
    level = [f for f in frames if f.altitude_deg > 60]
    assert extinction_value([group(level)], SITE) is None


def test_domes_are_taken_in_and_put_aside(tmp_path):
    lit = SITE.model_copy(update={"light_domes": ((250.0, 60.0, 1.2),)})
    found = sky_by_direction([group(frames_over_the_sky(lit, np.random.default_rng(1)))], SITE)
    path = write_site(SITE, tmp_path / "site.toml")
    files = Files(site=path)
    with open_logbook(tmp_path / "log.sqlite") as logbook:
        changed, _ = adopt_domes(logbook, found, kit=load_kit("long 102"), site=SITE, files=files)
        assert site_from_toml(path.read_text(encoding="utf-8")) == changed
        assert changed.light_domes == found.domes
        back, _ = put_domes_aside(logbook, site=changed, files=files)
        assert back == SITE


def test_directions_are_those_of_the_sky():
    frames = frames_over_the_sky(SITE, np.random.default_rng(6), count=8)
    found = sky_by_direction([group(frames)], SITE)
    one = frames[0]
    _, az = alt_az(
        one.ra_deg, one.dec_deg, latitude_deg=SITE.latitude_deg,
        longitude_deg=SITE.longitude_deg,
        unix_s=datetime.fromisoformat(one.start_utc).timestamp(), apparent=True,
    )  # fmt: skip
    assert found.azimuth_deg[0] == pytest.approx(float(az))
