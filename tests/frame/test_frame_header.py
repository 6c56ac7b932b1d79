from __future__ import annotations

import math
from datetime import UTC, datetime

import pytest
from hypothesis import given
from hypothesis import strategies as st

from slowglass.frame.header import (
    frame_header,
    header_wcs,
    kind_from_word,
    parse_date_obs,
    parse_section,
)
from slowglass.sky.wcs import TanWcs


@pytest.mark.parametrize(
    ("date", "clock", "expected"),
    [
        ("2026-10-11T21:04:05", None, (2026, 10, 11, 21, 4, 5, 0)),
        ("2026-10-11T21:04:05.250", None, (2026, 10, 11, 21, 4, 5, 250000)),
        ("2026-10-11T21:04:05Z", None, (2026, 10, 11, 21, 4, 5, 0)),
        ("2026-10-11T23:04:05+02:00", None, (2026, 10, 11, 21, 4, 5, 0)),
        ("2026-10-11T23:04", None, (2026, 10, 11, 23, 4, 0, 0)),
        ("2026/10/11 21:04:05", None, (2026, 10, 11, 21, 4, 5, 0)),
        ("2026-10-11", "21:04:05.5", (2026, 10, 11, 21, 4, 5, 500000)),
        ("2026-10-11", None, (2026, 10, 11, 0, 0, 0, 0)),
        ("24/04/55", "06:58:00.00", (1955, 4, 24, 6, 58, 0, 0)),
        ("2026-10-11T23:59:60", None, (2026, 10, 12, 0, 0, 0, 0)),
    ],
)
def test_dates(date, clock, expected):
    assert parse_date_obs(date, clock) == datetime(*expected, tzinfo=UTC)


@pytest.mark.parametrize("date", [None, "", "yesterday", "2026-13-45", "99", 20261011, "31/02/51"])
def test_dates_that_are_none(date):
    assert parse_date_obs(date) is None


@given(st.one_of(st.none(), st.text(), st.integers(), st.floats()), st.one_of(st.none(), st.text()))
def test_no_date_raises(date, clock):
    found = parse_date_obs(date, clock)
    assert found is None or found.tzinfo is not None


@given(st.datetimes(min_value=datetime(1900, 1, 1), max_value=datetime(2200, 1, 1)))
def test_iso_dates_come_back(moment):
    text = moment.isoformat(timespec="microseconds")
    assert parse_date_obs(text) == moment.replace(tzinfo=UTC)


def test_sections_count_from_one_and_include_both_ends():
    assert parse_section("[18:1382,1:1370]") == (17, 1382, 0, 1370)
    assert parse_section(" [ 1:2 , 3:4 ] ") == (0, 2, 2, 4)
    for text in ("", "[0:5,1:5]", "[9:5,1:5]", "[1:5]", None, 7):
        assert parse_section(text) is None


@pytest.mark.parametrize(
    ("word", "kind"),
    [
        ("Light Frame", "light"),
        ("OBJECT", "light"),
        ("Dark Frame", "dark"),
        ("DARKFLAT", "dark"),
        ("SKYFLAT", "flat"),
        ("Flat Field", "flat"),
        ("zero", "bias"),
        ("Bias Frame", "bias"),
        ("focus", "unknown"),
        (None, "unknown"),
    ],
)
def test_kinds(word, kind):
    assert kind_from_word(word) == kind


def test_header_fields():
    header = frame_header(
        {
            "IMAGETYP": "LIGHT",
            "EXPTIME": "30.0",
            "DATE-OBS": "2026-10-11T21:04:05",
            "EGAIN": 1.9,
            "CCD-TEMP": -10.5,
            "FILTER": " L ",
            "OBJECT": "M15",
            "FOCALLEN": 1300,
            "RDNOISE": 3.0,
        }
    )
    assert header.kind == "light" and header.exposure_s == 30.0
    assert header.gain_e_per_adu == 1.9 and header.read_noise_e == 3.0
    assert header.temperature_c == -10.5 and header.filter_name == "L"
    assert header.object_name == "M15" and header.focal_length_mm == 1300.0


def test_a_gain_dial_is_not_electrons_per_adu():
    assert frame_header({"GAIN": 139}).gain_e_per_adu is None
    assert frame_header({"GAIN": 0}).gain_e_per_adu is None
    assert frame_header({"GAIN": 1.9}).gain_e_per_adu == 1.9
    assert frame_header({"GAIN": 2}, {"GAIN": "[e-/ADU]"}).gain_e_per_adu == 2.0


def test_plate_exposures_in_minutes():
    header = frame_header({"EXPOSURE": 50.0}, {"EXPOSURE": "Exposure time minutes"})
    assert header.exposure_s == 3000.0


anything = st.one_of(st.none(), st.booleans(), st.integers(), st.floats(), st.text(max_size=30))
KEYS = """CTYPE1 CTYPE2 CRVAL1 CRVAL2 CRPIX1 CRPIX2 CD1_1 CD1_2 CD2_1 CD2_2 CDELT1 CDELT2
CROTA2 PC1_1 PC2_2 EQUINOX RADESYS EXPTIME DATE-OBS GAIN EGAIN ISO IMAGETYP MJD-OBS UT"""
keys = st.sampled_from(KEYS.split())


@given(st.dictionaries(keys, anything))
def test_no_cards_raise(cards):
    frame_header(cards)
    header_wcs({**cards, "CTYPE1": "RA---TAN", "CTYPE2": "DEC--TAN"})
    header_wcs(cards)


WCS = TanWcs.from_simple(
    ra_deg=322.493,
    dec_deg=12.167,
    width_px=6000,
    height_px=4000,
    scale_arcsec_per_px=0.61879,
    rotation_deg=33.0,
)


def close(wcs, other):
    for x, y in ((0, 0), (5999, 0), (100, 3999)):
        ra, dec = wcs.pixel_to_sky(x, y)
        ra2, dec2 = other.pixel_to_sky(x, y)
        assert math.hypot((ra - ra2) * math.cos(math.radians(dec)), dec - dec2) < 1e-8


def test_a_solution_comes_back_from_its_own_header_even_as_text():
    cards = WCS.to_header()
    close(header_wcs(cards), WCS)
    close(header_wcs({k: str(v) for k, v in cards.items()}), WCS)
    tpv = {**cards, "CTYPE1": "RA---TPV", "CTYPE2": "DEC--TPV", "PV1_1": 1.0}
    close(header_wcs(tpv), WCS)


def test_cdelt_with_rotation_is_what_astropy_reads():
    from astropy.wcs import WCS as AstropyWcs

    cards = {
        "CTYPE1": "RA---TAN", "CTYPE2": "DEC--TAN", "CRVAL1": 100.0, "CRVAL2": -20.0,
        "CRPIX1": 50.5, "CRPIX2": 40.5, "CDELT1": -0.0003, "CDELT2": 0.0003, "CROTA2": 25.0,
    }  # fmt: skip
    theirs = AstropyWcs(cards)
    ours = header_wcs(cards)
    for x, y in ((0, 0), (200, 10), (33, 150)):
        ra, dec = ours.pixel_to_sky(x, y)
        ra2, dec2 = theirs.wcs_pix2world([[x, y]], 0)[0]
        assert (float(ra), float(dec)) == pytest.approx((ra2, dec2), abs=1e-9)


def test_solutions_that_are_refused():
    cards = WCS.to_header()
    for change in (
        {"CTYPE1": "GLON-TAN", "CTYPE2": "GLAT-TAN"},
        {"CD1_1": 1.0, "CD1_2": 0.0, "CD2_1": 0.0, "CD2_2": 1.0},  # 1° a pixel: no telescope
        {"CD1_1": 0.0, "CD1_2": 0.0},
        {"RADESYS": "FK4"},
        {"EQUINOX": 1950.0},
        {"CRVAL2": "unknown"},
        {"CTYPE1": "RA---SIN"},
        {"LONPOLE": 90.0},
        {"LONPOLE": 0.0},
    ):
        assert header_wcs({**cards, **change}) is None
    assert header_wcs({}) is None
