"""Orbits of comets and asteroids: two formats read, two bodies moved, names found."""

from __future__ import annotations

import io
import math
from datetime import UTC, datetime

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from slowglass.errors import ConfigError, UnreadableFile
from slowglass.sky import wanderers
from slowglass.sky.coords import separation_deg
from slowglass.sky.orbits import (
    GAUSS_K,
    Orbit,
    heliocentric_au,
    orbit_from_line,
    orbits_from_text,
    seen_from_earth,
)
from slowglass.sky.place import resolve_place


def comet_line(
    *, name, q, e, w, node, inc, year, month, day, h="4.0", n="10.0", number="    ", kind="C"
):
    """A line of the Minor Planet Center's "Export format for comet orbits"."""
    return (
        f"{number}{kind}{'K26A010':>7s}  {year:4d} {month:02d} {day:7.4f} {q:9.6f}  {e:8.6f}  "
        f"{w:8.4f}  {node:8.4f}  {inc:8.4f}  20260101  {h:>4s} {n:>4s}  {name:<56s} MPC 00000"
    )


WANDERING = comet_line(
    name="C/2026 A1 (Wanderer)", q=0.912345, e=1.000812, w=312.4567, node=45.1234, inc=121.9876,
    year=2026, month=11, day=12.3456, h="6.5", n="4.0",
)  # fmt: skip
# The sample line of the format's own description (minor planet 1), from memory.
CERES = (
    "00001    3.34  0.12 K107N 113.41048   72.58976   80.39321   10.58682  0.0791382  0.21432817"
    "   2.7653485  0 MPO110568  6063  94 1802-2006 0.61 M-v 30h MPCW       0000      (1) Ceres"
    "              20061025"
)


def test_the_worked_example_of_an_ellipse():
    """Meeus 1998, example 33.b (comet Encke): 10h34m14.2s, +19°09′31″ on 1990-10-06.0 TD.

    As PyMeeus carries it: elements of its doc-test, referred to J2000.
    """
    e = 0.8502196
    orbit = Orbit(
        "2P", "comet", 2.2091404 * (1.0 - e), e, 2448192.5 + 0.54502 + 0.0, 186.23352, 334.75006,
        11.94524, None, 4.0, None,
    )  # fmt: skip
    tt_minus_utc_s = 57.18
    moment = datetime(1990, 10, 6, tzinfo=UTC).timestamp() - tt_minus_utc_s
    seen = seen_from_earth(orbit, moment)
    ra, dec = (10 + 34 / 60 + 14.2 / 3600) * 15, 19 + 9 / 60 + 31 / 3600
    # Meeus rounds to 0.1 s; his Sun is the low-order one
    assert separation_deg(seen.ra_deg[0], seen.dec_deg[0], ra, dec) * 3600 < 3.0
    assert seen.earth_au[0] == pytest.approx(0.8243689, abs=2e-4)


def test_the_worked_example_of_a_parabola():
    """Meeus 1998, example 34.a: q = 1.487469 au, 113 days 13.5 h past perihelion: true anomaly
    66.78862°, r = 2.133911 au (as PyMeeus returns)."""
    orbit = Orbit("p", "comet", 1.487469, 1.0, 2450917.9358, 0.0, 0.0, 0.0, None, 4.0, None)
    x = heliocentric_au(orbit, 2451030.5)
    tilt = math.radians(84381.448 / 3600)
    y_ecliptic = x[1] * math.cos(tilt) + x[2] * math.sin(tilt)
    assert math.degrees(math.atan2(y_ecliptic, x[0])) == pytest.approx(66.78862, abs=2e-4)
    assert np.linalg.norm(x) == pytest.approx(2.133911, abs=2e-6)


# e, q, days from perihelion: Meeus 1998 table of chapter 35 (near-parabolic), as PyMeeus has it
@pytest.mark.parametrize(
    ("e", "q", "days", "true_anomaly_deg", "r_au"),
    [(0.987, 0.1, 254.9, 164.50029, 4.063777), (0.1, 0.1, None, None, None)],
)
def test_near_parabolic_orbits(e, q, days, true_anomaly_deg, r_au):
    """Meeus 1998, ch. 35: e = 0.987, q = 0.1 au, t = 254.9 d gives 164.50029° and 4.063777 au.

    The second case is a circle-like one with its own period: it comes back.
    """
    orbit = Orbit("n", "comet", q, e, 2451545.0, 0.0, 0.0, 0.0, None, 4.0, None)
    if days is None:
        period = 2 * math.pi / (GAUSS_K * ((1 - e) / q) ** 1.5)
        here, there = heliocentric_au(orbit, [2451550.0, 2451550.0 + 3 * period])
        assert here == pytest.approx(there, abs=1e-8)
        return
    x = heliocentric_au(orbit, 2451545.0 + days)
    assert np.linalg.norm(x) == pytest.approx(r_au, abs=2e-5)
    tilt = math.radians(84381.448 / 3600)
    y = x[1] * math.cos(tilt) + x[2] * math.sin(tilt)
    assert math.degrees(math.atan2(y, x[0])) == pytest.approx(true_anomaly_deg, abs=1e-3)


ELEMENTS = [
    {"q": 0.912345, "e": 1.000812, "w": 312.4567, "node": 45.1234, "inc": 121.9876},
    {"q": 1.2, "e": 1.0, "w": 30.0, "node": 200.0, "inc": 60.0},
    {"q": 0.9945, "e": 0.9951, "w": 130.1, "node": 282.2, "inc": 89.4},
    {"q": 1.35, "e": 0.64, "w": 12.8, "node": 50.1, "inc": 7.0},
]


@pytest.mark.parametrize("elements", ELEMENTS)
def test_comets_stand_where_skyfield_has_them(skyfield_kit, elements):
    """skyfield's reader of the same format and its own two-body motion, seen from the Earth."""
    from skyfield.constants import GM_SUN_Pitjeva_2005_km3_s2 as gm
    from skyfield.data import mpc

    kernel, ts = skyfield_kit.bodies, skyfield_kit.scale
    line = comet_line(name="C/2026 A1 (Wanderer)", year=2026, month=11, day=12.3456, **elements)
    row = mpc.load_comets_dataframe_slow(io.BytesIO(line.encode() + b"\n")).iloc[0]
    body = kernel["sun"] + mpc.comet_orbit(row, ts, gm)
    orbit = orbit_from_line(line)
    for days in (-200, -20, 0, 3, 90):
        when = datetime.fromtimestamp(datetime(2026, 11, 12, tzinfo=UTC).timestamp() + days * 86400,
                                      tz=UTC)  # fmt: skip
        ra, dec, away = (kernel["earth"].at(ts.from_datetime(when)).observe(body)).radec()
        seen = seen_from_earth(orbit, when.timestamp())
        gap = separation_deg(seen.ra_deg[0], seen.dec_deg[0], ra.hours * 15, dec.degrees) * 3600
        assert gap < 2.0  # the kernel's Earth and Sun differ by a few hundred km from epv00's
        assert seen.earth_au[0] == pytest.approx(away.au, abs=2e-5)


def test_an_asteroid_stands_where_skyfield_has_it(skyfield_kit):
    from skyfield.constants import GM_SUN_Pitjeva_2005_km3_s2 as gm
    from skyfield.data import mpc

    kernel, ts = skyfield_kit.bodies, skyfield_kit.scale
    row = mpc.load_mpcorb_dataframe(io.BytesIO(CERES.encode() + b"\n")).iloc[0]
    body = kernel["sun"] + mpc.mpcorb_orbit(row, ts, gm)
    orbit = orbit_from_line(CERES)
    assert (orbit.name, orbit.kind, orbit.absolute_mag, orbit.slope) == (
        "(1) Ceres", "asteroid", 3.34, 0.12,
    )  # fmt: skip
    for year in (2009, 2011):
        when = datetime(year, 6, 1, 22, tzinfo=UTC)
        ra, dec, _ = kernel["earth"].at(ts.from_datetime(when)).observe(body).radec()
        seen = seen_from_earth(orbit, when.timestamp())
        assert separation_deg(seen.ra_deg[0], seen.dec_deg[0], ra.hours * 15, dec.degrees) < 2e-3


def test_ceres_is_as_bright_as_the_almanacs_say():
    """Ceres at its opposition of 2010-06-18: V = 7.2 (yearly almanacs; from memory)."""
    orbit = orbit_from_line(CERES)
    seen = seen_from_earth(orbit, datetime(2010, 6, 18, tzinfo=UTC).timestamp())
    assert seen.mag[0] == pytest.approx(7.2, abs=0.2)


@settings(max_examples=150, deadline=None)
@given(
    st.floats(0.05, 5.0), st.floats(0.0, 2.5), st.floats(0, 360), st.floats(0, 360),
    st.floats(0, 180), st.floats(-3000, 3000),
)  # fmt: skip
def test_energy_and_areas_are_kept(q, e, w, node, inc, days):
    """v² = 2/r − (1 − e)/q and h² = q (1 + e), in units of k² (two-body motion)."""
    orbit = Orbit("t", "comet", q, e, 2451545.0, w, node, inc, None, 4.0, None)
    step = 1e-3 * q**1.5
    a, b, c = heliocentric_au(orbit, 2451545.0 + days + np.array([-step, 0.0, step]))
    velocity = (c - a) / (2 * step) / GAUSS_K
    r = np.linalg.norm(b)
    assert r >= q * (1 - 1e-9)
    scale = 2 / r + abs(1 - e) / q
    # central differences of positions known to 1e-13 of their size lose digits far out
    slack = 1e-4 + 1e-9 * r / (step * math.sqrt(scale))
    assert velocity @ velocity == pytest.approx(2 / r - (1 - e) / q, abs=slack * scale)


def test_text_with_comments_headings_and_blank_lines():
    text = f"Title of the file\n----------\n\n# mine\n{CERES}\n{WANDERING}\n"
    assert [o.name for o in orbits_from_text(text)] == ["(1) Ceres", "C/2026 A1 (Wanderer)"]


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("", "is empty"),
        ("hello\nworld\n", "holds no orbits: line 1"),
        (WANDERING + "\nrubbish\n", "line 2"),
        (WANDERING.replace("0.912345", "0.9x2345"), "perihelion distance"),
        (WANDERING.replace("2026 11 12", "2026 13 12"), "date"),
    ],
)
def test_faulty_texts_are_refused_with_the_line(text, words):
    with pytest.raises(ConfigError, match=words):
        orbits_from_text(text, source="mine.txt")


@given(st.text(max_size=200))
def test_any_line_is_an_orbit_or_a_value_error(line):
    try:
        orbit_from_line(line)
    except ValueError:
        return


@pytest.fixture
def kept(tmp_path, monkeypatch):
    monkeypatch.setenv("SLOWGLASS_CONFIG", str(tmp_path / "own"))
    source = tmp_path / "orbits.txt"
    source.write_text(f"{WANDERING}\n{CERES}\n", encoding="utf-8")
    wanderers.keep_orbits(source)
    return source


@pytest.mark.parametrize("name", ["C/2026 A1 (Wanderer)", "wanderer", "C/2026 A1", "2026 A1"])
def test_kept_comets_are_found_by_any_of_their_names(kept, sky, name):
    moment = datetime(2026, 11, 1, 20, tzinfo=UTC)
    place = resolve_place(name, sky, when=moment)
    assert place.object.kind == "comet"
    assert place.name == "C/2026 A1 (Wanderer)"
    # a comet moves: a week later it stands elsewhere
    later = resolve_place(name, sky, when=datetime(2026, 11, 8, 20, tzinfo=UTC))
    assert separation_deg(place.ra_deg, place.dec_deg, later.ra_deg, later.dec_deg) > 1.0


def test_kept_orbits_are_replaced_and_forgotten(kept, tmp_path):
    assert len(wanderers.kept_orbits()) == 2
    kept.write_text(CERES, encoding="utf-8")
    wanderers.keep_orbits(kept)
    assert [o.name for o in wanderers.kept_orbits()] == ["(1) Ceres"]
    kept.write_text("rubbish", encoding="utf-8")
    with pytest.raises(ConfigError):
        wanderers.keep_orbits(kept)
    assert len(wanderers.kept_orbits()) == 1
    assert wanderers.forget_orbits()
    assert not wanderers.forget_orbits()
    assert wanderers.kept_orbits() == ()
    with pytest.raises(UnreadableFile):
        wanderers.keep_orbits(tmp_path / "nowhere.txt")
