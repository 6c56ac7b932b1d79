"""Latitudes and longitudes as typed; checked against astropy's own reader of angles."""

from __future__ import annotations

import pytest
from astropy.coordinates import Angle
from hypothesis import given
from hypothesis import strategies as st

from slowglass.errors import UsageError
from slowglass.kit.coordinates import parse_angle

DEGREES = st.integers(0, 89)
SIXTIETHS = st.integers(0, 59)


@given(DEGREES, SIXTIETHS, st.floats(0.0, 59.99), st.sampled_from("NS"), st.sampled_from([0, 1, 2]))
def test_degrees_minutes_seconds_as_astropy_reads_them(d, m, s, side, form):
    texts = (
        f"{d}° {m}′ {s:.2f}″ {side}",
        f"{side} {d}:{m}:{s:.2f}",
        f"{'-' if side == 'S' else ''}{d} {m} {s:.2f}".replace(".", ","),
    )
    wanted = Angle(f"{d}d{m}m{s:.2f}s").degree * (-1.0 if side == "S" else 1.0)
    assert parse_angle(texts[form], "latitude") == pytest.approx(wanted, abs=1e-9)


@given(st.floats(-180.0, 180.0).map(lambda x: round(x, 5)))
def test_decimals_come_back(value):
    for text in (f"{value:f}", f"{value:f}".replace(".", ","), f"{abs(value):f} {'EW'[value < 0]}"):
        assert parse_angle(text, "longitude") == pytest.approx(value, abs=1e-9)


@given(st.text(max_size=30))
def test_anything_typed_is_an_angle_in_range_or_a_worded_refusal(text):
    try:
        assert -90.0 <= parse_angle(text, "latitude") <= 90.0
    except UsageError as error:
        assert "latitude" in str(error)


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("91", "latitudes run from −90 to 90"),
        ("-90.0001", "latitudes run"),
        ("forty", "is no latitude"),
        ("12 E", "is no latitude"),
        ("-44 S", "both a sign and a letter"),
        ("44 60", "minutes and seconds"),
        ("44.5 30", "minutes and seconds"),
        ("1 2 3 4", "is no latitude"),
        ("  ", "is missing"),
        ("nan", "is no latitude"),
        ("1e1", "is no latitude"),
    ],
)
def test_what_is_no_latitude_is_told_why(text, words):
    with pytest.raises(UsageError, match=r"(?i)latitude") as caught:
        parse_angle(text, "latitude")
    assert words.casefold() in str(caught.value).casefold()
