"""Searching the logbook, and taking it out and in."""

from __future__ import annotations

import json
import math
from dataclasses import replace

import numpy as np
import pytest
from astropy.coordinates import SkyCoord
from astropy.table import Table
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from slowglass.errors import UnreadableFile, UsageError
from slowglass.learn.logbook.exchange import COLUMNS, read_logbook, write_logbook
from slowglass.learn.logbook.records import (
    FrameQuery,
    LoggedFrame,
    LoggedMeasurement,
    LoggedNote,
    LoggedPicture,
    LoggedPlan,
    Night,
)
from slowglass.learn.logbook.store import open_logbook


@pytest.fixture(scope="module")
def spread(tmp_path_factory):
    """A logbook of 600 frames all over the sky, poles and the RA seam among them."""
    rng = np.random.default_rng(5)
    ra = np.concatenate([rng.uniform(0, 360, 500), rng.uniform(-2, 2, 100) % 360])
    dec = np.degrees(np.arcsin(rng.uniform(-1, 1, 600)))
    dec[:40] = 90 - rng.uniform(0, 3, 40)
    dec[40:60] = -90 + rng.uniform(0, 3, 20)
    with open_logbook(tmp_path_factory.mktemp("log") / "log.sqlite") as logbook:
        night = logbook.night(Night("2026-10-12", "Fig Tree Yard", "long 102"))
        logbook.log_frames(
            night,
            [
                LoggedFrame(str(n), f"{n}.fits", ra_deg=float(r), dec_deg=float(d))
                for n, (r, d) in enumerate(zip(ra, dec, strict=True))
            ],
        )
        yield logbook, SkyCoord(ra, dec, unit="deg")


@given(
    ra=st.floats(0, 359.999),
    dec=st.floats(-90, 90),
    radius=st.floats(0.05, 30),
)
@settings(max_examples=80, deadline=None, suppress_health_check=[HealthCheck.too_slow])
def test_a_circle_holds_what_astropy_puts_in_it(spread, ra, dec, radius):
    logbook, places = spread
    distance = places.separation(SkyCoord(ra, dec, unit="deg")).deg
    found = {int(f.fingerprint) for f in logbook.frames(FrameQuery(near=(ra, dec, radius)))}
    edge = np.abs(distance - radius) < 1e-9
    assert found | set(np.flatnonzero(edge)) == set(np.flatnonzero((distance <= radius) | edge))


@pytest.fixture
def filled(tmp_path):
    with open_logbook(tmp_path / "log.sqlite") as logbook:
        first = logbook.night(Night("2026-10-12", "Fig Tree Yard", "long 102", {"sky": 20.2}))
        second = logbook.night(Night("2026-10-13", "Karri Flat", "long 102"))
        logbook.log_frames(
            first,
            [
                LoggedFrame(
                    f"a{n}", f"m15_{n:02}.fits", object="NGC7078", exposure_s=30.0, solved=True,
                    keeper=n % 2 == 0, fwhm_arcsec=2.5 + 0.1 * n, elongation=1.1, ra_deg=322.5,
                    dec_deg=12.17, start_utc=f"2026-10-12T21:{n:02}:00Z", verdict={"stars": n},
                )
                for n in range(10)
            ],
        )  # fmt: skip
        logbook.log_frames(
            second, [LoggedFrame("b", "été 100%.fits", object="NGC0253", exposure_s=60.0)]
        )
        logbook.add(LoggedPlan("NGC7078", {"snr": 41.0}, night_id=first))
        logbook.add(LoggedPicture("m15.png", object="NGC7078", caption="M15", night_id=first))
        logbook.add(LoggedNote("wind from the north", night_id=second))
        logbook.add(LoggedMeasurement("long 102", "camera.gain", "e/ADU", 1.9, sources=("a", "b")))
        gone = logbook.add(LoggedNote("a slip"))
        logbook.remove(LoggedNote, gone)
        yield logbook


@pytest.mark.parametrize(
    ("query", "count"),
    [
        (FrameQuery(), 11),
        (FrameQuery(object="NGC7078", fwhm_below_arcsec=3.0), 5),
        (FrameQuery(object="NGC7078", keeper=True), 5),
        (FrameQuery(evening="2026-10-13"), 1),
        (FrameQuery(since="2026-10-13"), 1),
        (FrameQuery(until="2026-10-12", limit=3), 3),
        (FrameQuery(site="Karri Flat"), 1),
        (FrameQuery(text="100%"), 1),
        (FrameQuery(text="%"), 1),
        (FrameQuery(text="_"), 10),
        (FrameQuery(exposure_from_s=60), 1),
        (FrameQuery(exposure_to_s=59), 10),
        (FrameQuery(near=(322.0, 12.0, 1.0)), 10),
        (FrameQuery(near=(322.0, 12.0, 0.1)), 0),
        (FrameQuery(removed=True), 0),
    ],
)
def test_every_condition_must_hold(filled, query, count):
    assert len(filled.frames(query)) == count


def test_frames_come_in_the_order_they_were_taken(filled):
    times = [f.start_utc for f in filled.frames(FrameQuery(object="NGC7078"))]
    assert times == sorted(times)


def test_json_brings_the_whole_logbook_back_and_twice_is_once(filled, tmp_path):
    path = tmp_path / "all.json"
    count = write_logbook(filled, path)
    with open_logbook(tmp_path / "new.sqlite") as fresh:
        assert read_logbook(fresh, path).new == count
        assert read_logbook(fresh, path).new == 0
        for kind in (Night, LoggedPlan, LoggedPicture, LoggedNote, LoggedMeasurement):
            assert fresh.all(kind) == filled.all(kind)
        assert fresh.all(LoggedNote, removed=True)[0].text == "a slip"
        assert [replace(f, id=None) for f in fresh.frames()] == [
            replace(f, id=None) for f in filled.frames()
        ]
    assert read_logbook(filled, path).new == 0


@pytest.mark.parametrize("suffix", [".csv", ".ecsv"])
def test_tables_bring_the_frames_back(filled, tmp_path, suffix):
    path = tmp_path / f"frames{suffix}"
    assert write_logbook(filled, path) == 11
    with open_logbook(tmp_path / "new.sqlite") as fresh:
        assert read_logbook(fresh, path).new == 13  # two nights, eleven frames
        assert read_logbook(fresh, path).new == 0
        for mine, theirs in zip(fresh.frames(), filled.frames(), strict=True):
            blank = {"id": None, "night_id": None, "made_utc": None, "verdict": {}}
            assert replace(mine, **blank) == replace(theirs, **blank)
        assert {night.evening for night in fresh.all(Night)} == {"2026-10-12", "2026-10-13"}


def test_astropy_reads_the_ecsv_with_its_units(filled, tmp_path):
    path = tmp_path / "frames.ecsv"
    write_logbook(filled, path, FrameQuery(object="NGC7078"))
    table = Table.read(path, format="ascii.ecsv")
    assert table.colnames == list(COLUMNS)
    assert str(table["fwhm_arcsec"].unit) == "arcsec"
    assert str(table["sky_mag_arcsec2"].unit) == "mag / arcsec2"
    assert math.isclose(table["fwhm_arcsec"][3], 2.8)
    assert table["sky_mag_arcsec2"].mask.all()


def test_an_empty_logbook_goes_out_and_in(tmp_path):
    with open_logbook(tmp_path / "log.sqlite") as logbook:
        for name in ("a.json", "a.csv", "a.ecsv"):
            assert write_logbook(logbook, tmp_path / name) == 0
            assert read_logbook(logbook, tmp_path / name).new == 0


def spoil(path, change):
    content = json.loads(path.read_text(encoding="utf-8"))
    change(content)
    path.write_text(json.dumps(content), encoding="utf-8")


@pytest.mark.parametrize(
    ("change", "words"),
    [
        (lambda c: c.update(format="else"), "not a logbook"),
        (lambda c: c["frames"][2].update(fwhm_arcsec="sharp"), "frames 3: fwhm_arcsec is 'sharp'"),
        (lambda c: c["frames"][0].pop("fingerprint"), "frames 1 lacks fingerprint"),
        (lambda c: c["frames"][0].update(night_id=77), "belongs to night 77"),
        (lambda c: c.update(notes="none"), "notes is not a list"),
        (lambda c: c["plans"].append(3), "plans 2 is not an object"),
    ],
)
def test_a_spoilt_file_says_where_and_brings_nothing_in(filled, tmp_path, change, words):
    path = tmp_path / "all.json"
    write_logbook(filled, path)
    spoil(path, change)
    with open_logbook(tmp_path / "new.sqlite") as fresh:
        with pytest.raises(UnreadableFile, match=words):
            read_logbook(fresh, path)
        assert fresh.all(Night) == [] and fresh.frames() == []


def test_a_spoilt_table_says_where(filled, tmp_path):
    path = tmp_path / "frames.csv"
    write_logbook(filled, path)
    text = path.read_text(encoding="utf-8-sig")
    path.write_text(text.replace("2.6,", "wide,", 1), encoding="utf-8")
    with pytest.raises(UnreadableFile, match=r"row \d+: fwhm_arcsec is 'wide'"):
        read_logbook(filled, path)
    path.write_text("a,b\n1,2\n", encoding="utf-8")
    with pytest.raises(UnreadableFile, match="no column evening"):
        read_logbook(filled, path)
    path.write_bytes(b"\xff\xfe\x00")
    with pytest.raises(UnreadableFile):
        read_logbook(filled, path)


def test_other_endings_are_refused(filled, tmp_path):
    with pytest.raises(UsageError, match=r"\.json, \.csv or \.ecsv"):
        write_logbook(filled, tmp_path / "frames.xlsx")
    with pytest.raises(UsageError, match="whole logbook"):
        write_logbook(filled, tmp_path / "some.json", FrameQuery(object="NGC7078"))
