"""The words that narrow a list."""

from datetime import UTC, date, datetime, time

import pytest
from hypothesis import given
from hypothesis import strategies as st

from slowglass.choose.filters import (
    CONSTELLATIONS,
    KINDS,
    Wanted,
    constellation_meant,
    hours_meant,
    kinds_meant,
)
from slowglass.choose.service import choose_tonight
from slowglass.errors import UsageError
from slowglass.kit.io import load_kit, load_site
from slowglass.sky.constellations import zones

KIT, YARD = load_kit("long 102"), load_site("Fig Tree Yard")
NIGHT = date(2026, 10, 10)


@pytest.mark.parametrize(
    ("text", "kinds"),
    [
        ("planetary", ("planetary nebula",)),
        ("Planetary Nebulae", ("planetary nebula",)),
        ("globulars", ("globular cluster",)),
        ("open clusters", ("open cluster", "cluster with nebula")),
        ("galaxies", KINDS["galaxy"]),
        ("star group", ("star group",)),
        ("double stars", ("double star",)),
        ("comets", ("comet",)),
    ],
)
def test_words_for_kinds(text, kinds):
    assert kinds_meant(text) == kinds


def test_every_kind_named_is_one_the_catalogue_or_we_have(sky):
    own = {"double star", "deep red star", "comet", "asteroid"}
    known = set(sky.objects.columns["kind"].tolist()) | own
    assert {kind for kinds in KINDS.values() for kind in kinds} <= known


def test_constellations_are_those_of_the_boundaries():
    """Roman 1987's table has the same 88."""
    shorts = {entry.split(" ", 1)[0].upper() for entry in CONSTELLATIONS.split("|")}
    assert shorts == {name.upper() for name in zones().names}
    assert len(shorts) == 88


@pytest.mark.parametrize(
    ("text", "short"),
    [
        ("cyg", "Cyg"),
        ("Cygnus", "Cyg"),
        ("ursa major", "UMa"),
        ("Boötes", "Boo"),
        ("androm", "And"),
    ],
)
def test_constellations_by_short_and_long_name(text, short):
    assert constellation_meant(text) == short


@pytest.mark.parametrize(
    ("call", "text", "words"),
    [
        (kinds_meant, "quasar", "Give one of planetary"),
        (constellation_meant, "Cygnsu", "Cygnus (Cyg)"),
        (constellation_meant, "ursa", "Ursa Major (UMa) or Ursa Minor (UMi)"),
        (hours_meant, "late", "22:00-01:30"),
        (hours_meant, "22:00", "22:00-01:30"),
        (hours_meant, "25:00-26:00", "22:00-01:30"),
    ],
)
def test_other_words_are_refused_with_a_hint(call, text, words):
    with pytest.raises(UsageError) as told:
        call(text)
    assert words in str(told.value)


@pytest.mark.parametrize("text", ["22:00-1:30", "22:00–01:30", "22 to 1:30", "22-1:30"])
def test_spans_of_hours(text):
    assert hours_meant(text) == (time(22), time(1, 30))


@given(st.times(), st.times())
def test_the_window_lies_within_the_night(first, last):
    begin = datetime(2026, 10, 10, 19, 0, tzinfo=UTC)
    end = datetime(2026, 10, 11, 4, 30, tzinfo=UTC)
    window = Wanted(between=(first, last)).window(NIGHT, begin, end, "Europe/Paris")
    if window is not None:
        assert begin <= window[0] < window[1] <= end


def test_hours_after_midnight_belong_to_the_morning():
    begin = datetime(2026, 10, 10, 19, 0, tzinfo=UTC)
    end = datetime(2026, 10, 11, 4, 30, tzinfo=UTC)
    window = Wanted.of(between="01:00-03:00").window(NIGHT, begin, end, "Europe/Paris")
    # Paris keeps summer time, UTC + 2 h, that night
    assert window == (datetime(2026, 10, 10, 23, tzinfo=UTC), datetime(2026, 10, 11, 1, tzinfo=UTC))


def test_a_narrowed_list_holds_only_what_was_asked_for(sky):
    wanted = Wanted.of(
        kinds=["planetary", "open"], constellations=["Cas", "Lyra"], between="22:00-23:30",
        photographed=["ngc7789", "Ring Nebula"],
    )  # fmt: skip
    choice = choose_tonight(KIT, YARD, sky, night=NIGHT, limit=12, wanted=wanted)
    assert choice.objects
    assert "not yet photographed" in choice.limits
    for thing in choice.objects:
        assert thing.object.kind in {"planetary nebula", "open cluster", "cluster with nebula"}
        assert thing.object.constellation in {"Cas", "Lyr"}
        assert thing.object.name not in {"NGC 7789", "M57"}
        local = thing.reachable.best_time.astimezone(UTC)
        assert datetime(2026, 10, 10, 20, tzinfo=UTC) <= local
        assert local <= datetime(2026, 10, 10, 21, 30, tzinfo=UTC)


def test_nothing_left_says_why(sky):
    asked = Wanted.of(kinds=["globular"], constellations=["Cru"])
    choice = choose_tonight(KIT, YARD, sky, night=NIGHT, limit=5, wanted=asked)
    assert not choice.objects
    assert "globular cluster" in choice.reason
    noon = Wanted.of(between="12:00-13:00")
    choice = choose_tonight(KIT, YARD, sky, night=NIGHT, limit=5, wanted=noon)
    assert choice.reason == "it is not dark in the hours asked for"
