"""A year of nights: the quick Sun and Moon against skyfield, the seasons, and the files."""

from __future__ import annotations

from datetime import UTC, date, datetime, timedelta
from pathlib import Path

import icalendar
import numpy as np
import pytest

from slowglass.choose.year import _moon, _sun_altitudes, fixed_track
from slowglass.choose.year_io import write_year
from slowglass.choose.year_service import good_spells, plan_year, year_strip
from slowglass.documents import to_text
from slowglass.errors import NothingUseful, UsageError
from slowglass.find.hour import site_night
from slowglass.kit.io import load_kit, load_site
from slowglass.sky.brightness import twilight_nl

KIT, YARD, FLAT = load_kit("long 102"), load_site("Fig Tree Yard"), load_site("Karri Flat")
START = date(2026, 11, 25)


@pytest.fixture(scope="module")
def skyfield_site():
    import skyfield_data
    from skyfield.api import Loader, wgs84

    load = Loader(Path(skyfield_data.__file__).parent / "data", verbose=False)
    bodies = load("de421.bsp")
    where = bodies["earth"] + wgs84.latlon(
        YARD.latitude_deg, YARD.longitude_deg, elevation_m=YARD.height_m
    )
    yield bodies, where, load.timescale(builtin=True)
    bodies.close()


def test_sun_and_moon_stand_where_skyfield_has_them(skyfield_site):
    """DE421 through skyfield, some moments of a year; no refraction."""
    bodies, where, scale = skyfield_site
    times = datetime(2026, 11, 25, tzinfo=UTC).timestamp() + np.arange(0.0, 365.0, 4.73) * 86400
    moments = scale.from_datetimes([datetime.fromtimestamp(t, UTC) for t in times])
    sun = where.at(moments).observe(bodies["sun"]).apparent().altaz()[0].degrees
    moon_seen = where.at(moments).observe(bodies["moon"]).apparent()
    moon = moon_seen.altaz()[0].degrees
    assert _sun_altitudes(times, YARD) == pytest.approx(sun, abs=0.02)
    alt, lamp = _moon(fixed_track(83.6, 22.0), times, YARD)
    # mean parallax: the Moon's distance changes it by up to 0.07°
    assert alt == pytest.approx(moon, abs=0.12)
    from skyfield.api import Star

    place = where.at(moments).observe(Star(ra_hours=83.6 / 15, dec_degrees=22.0)).apparent()
    assert lamp.separation_deg == pytest.approx(place.separation_from(moon_seen).degrees, abs=1.1)


@pytest.fixture(scope="module")
def ring(sky):
    return plan_year(KIT, YARD, sky, "M57", first=START)


def test_dark_hours_are_those_of_the_night(ring):
    """The exact bounds of each night, from the night's own code (itself checked on almanacs)."""
    assert len(ring.nights) == 365
    for night in ring.nights[::30]:
        exact = site_night(YARD, night.night)
        hours = (exact.dark_to - exact.dark_from).total_seconds() / 3600
        assert night.dark_hours == pytest.approx(hours, abs=0.2)  # slices of ten minutes
        assert night.darkness == exact.darkness
        assert night.moon_fraction == pytest.approx(exact.moon_illuminated_fraction, abs=0.02)
        assert night.hours_up <= night.dark_hours
        assert night.moonless_hours <= night.hours_up


def test_moonless_hours_are_those_skyfield_counts(skyfield_site, ring):
    """M57 in one waxing-Moon night, minute by minute with DE421: up, dark, Moon down."""
    from skyfield.api import Star

    bodies, where, scale = skyfield_site
    night = next(n for n in ring.nights if n.night == date(2027, 7, 11))
    start = datetime(2027, 7, 11, 12, tzinfo=UTC)
    moments = scale.from_datetimes([start + timedelta(minutes=m) for m in range(1440)])
    seen = where.at(moments)
    sun, moon, alt, az = (
        seen.observe(body).apparent().altaz()[k].degrees
        for body, k in (
            (bodies["sun"], 0), (bodies["moon"], 0),
            (Star(ra_hours=283.396 / 15, dec_degrees=33.029), 0),
            (Star(ra_hours=283.396 / 15, dec_degrees=33.029), 1),
        )
    )  # fmt: skip
    up = (sun < -18) & (alt >= np.maximum(YARD.horizon_alt_deg(az), 15.0))
    assert night.hours_up == pytest.approx(up.sum() / 60, abs=0.2)
    assert night.moonless_hours == pytest.approx((up & (moon < -0.8)).sum() / 60, abs=0.35)


def test_the_ring_is_best_in_summer_and_the_great_nebula_in_winter(sky, ring):
    """Common practice, no source."""
    assert {n.night.month for n in ring.best} <= {6, 7, 8, 9}
    assert ring.best[0].moon_fraction < 0.3
    nebula = plan_year(KIT, YARD, sky, "M42", first=START)
    assert {n.night.month for n in nebula.best} <= {11, 12, 1, 2}
    assert "not worth setting up" in nebula.text
    assert min(n.worth_hours for n in nebula.nights) == 0.0


def test_the_southern_twin_has_the_seasons_turned(sky):
    """The sculptor's galaxy passes its zenith in spring there; the Ring stays low in winter."""
    galaxy = plan_year(KIT, FLAT, sky, "NGC 253", first=START)
    assert {n.night.month for n in galaxy.best} <= {8, 9, 10, 11}
    assert galaxy.best[0].altitude_deg > 75
    ring = plan_year(KIT, FLAT, sky, "M57", first=START)
    assert max(n.altitude_deg or 0 for n in ring.nights) < 24


def test_midsummer_at_sixty_degrees_is_worth_nothing(sky):
    """Sun at −6.5° at best: Patat et al. 2006 have the zenith there some 6 mag over a dark sky."""
    north = YARD.model_copy(
        update={"latitude_deg": 60.0, "horizon": (), "timezone": "Europe/Helsinki"}
    )
    plan = plan_year(KIT, north, sky, "M57", first=date(2027, 6, 1))
    june = [n for n in plan.nights if date(2027, 6, 14) <= n.night <= date(2027, 6, 28)]
    assert all(n.darkness == "civil" and n.hours_up == 0.0 for n in june)
    assert max(n.worth_hours for n in june) < 0.05
    assert all(n.night.month in {8, 9, 10, 11} for n in plan.best)
    assert twilight_nl(-6.5) > 100 * twilight_nl(-15.0)


def test_a_full_moon_costs_and_read_noise_hides_it(sky):
    """Near full Moon (2027-08-17) a dark site with a quick kit loses most, a read-noise-limited
    one less."""
    quick = KIT.model_copy(update={"camera": KIT.camera.model_copy(update={"read_noise_e": 0.0})})
    left = {}
    for name, kit in (("slow", KIT), ("quick", quick)):
        plan = plan_year(kit, FLAT, sky, "M17", first=date(2027, 7, 20), days=40)
        full = next(n for n in plan.nights if n.night == date(2027, 8, 17))
        left[name] = full.worth_hours / plan.best[0].worth_hours
    assert left["quick"] < left["slow"] < 0.8


def test_never_up_says_so(sky):
    plan = plan_year(KIT, YARD, sky, "NGC 104", first=START)
    assert plan.best == () and plan.spells == ()
    assert "never clears the skyline" in plan.reason
    assert year_strip(plan.nights).strip() == ""
    with pytest.raises(NothingUseful, match="never clears"):
        write_year(plan, Path("unwritten.ics"))
    assert not Path("unwritten.ics").exists()


def test_spells_cover_the_best_nights(ring):
    assert good_spells(ring.nights) == ring.spells
    for spell in ring.spells:
        assert spell.first <= spell.best <= spell.last
    assert any(s.first <= ring.best[0].night <= s.last for s in ring.spells)
    assert len(year_strip(ring.nights)) == 73


def test_the_calendar_reads_back(ring, tmp_path):
    """Read by the icalendar library; lines and ends as RFC 5545 sections 3.1 and 3.6.1 ask."""
    path = write_year(ring, tmp_path / "ring.ics", now=datetime(2026, 11, 25, 18, tzinfo=UTC))
    raw = path.read_bytes()
    assert all(len(line) <= 75 for line in raw.split(b"\r\n"))
    assert b"\n" not in raw.replace(b"\r\n", b"")
    calendar = icalendar.Calendar.from_ical(raw)
    assert calendar["VERSION"] == "2.0" and "PRODID" in calendar
    events = calendar.walk("VEVENT")
    assert len(events) == len(ring.best) == 10
    assert len({str(e["UID"]) for e in events}) == 10
    for event in events:
        start, end = event["DTSTART"].dt, event["DTEND"].dt
        assert start.utcoffset() == timedelta(0) and start < end
        assert end - start < timedelta(hours=14)
        assert event["DTSTAMP"].dt == datetime(2026, 11, 25, 18, tzinfo=UTC)
        assert "Ring" in event["SUMMARY"]
    again = write_year(ring, tmp_path / "again.ics", now=datetime(2026, 11, 25, 18, tzinfo=UTC))
    assert again.read_bytes() == raw


@pytest.mark.parametrize("suffix", [".svg", ".png", ".pdf"])
def test_the_chart_is_written(ring, tmp_path, suffix):
    path = write_year(ring, tmp_path / f"ring{suffix}")
    assert path.stat().st_size > 5000
    with pytest.raises(UsageError, match="cannot be written"):
        write_year(ring, tmp_path / "ring.txt")


def test_the_document_is_plain(ring):
    text = to_text(ring)
    assert '"worth_hours"' in text and "NaN" not in text
