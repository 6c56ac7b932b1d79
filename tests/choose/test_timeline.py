"""Turns of a night: inside each stay, one after the other, none longer than wanted."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from itertools import pairwise

import pytest
from hypothesis import given
from hypothesis import strategies as st

from slowglass.choose.timeline import HOP_MIN, Wish, turns

DUSK = datetime(2026, 10, 9, 19, 0, tzinfo=UTC)


def wish(name, low, high, best, minutes):
    at = [DUSK + timedelta(minutes=m) for m in (low, high, best)]
    return Wish(name, at[0], at[1], at[2], minutes)


@st.composite
def wishes(draw):
    found = []
    for i in range(draw(st.integers(0, 8))):
        low = draw(st.integers(0, 500))
        high = low + draw(st.integers(15, 600 - min(low, 580)))
        best = draw(st.integers(low, high))
        found.append(wish(str(i), low, high, best, draw(st.integers(5, 120))))
    return found


@given(wishes())
def test_turns_keep_to_the_sky_and_to_each_other(asked):
    found, dropped = turns(asked)
    by_id = {w.id: w for w in asked}
    assert sorted([t.id for t in found] + list(dropped)) == sorted(by_id)
    minute = timedelta(minutes=1)  # turns are told to the minute
    for turn in found:
        w = by_id[turn.id]
        assert w.up_from - minute <= turn.begin <= turn.end <= w.up_to + minute
        assert turn.minutes <= w.minutes + 1.0
    for one, other in pairwise(found):
        assert other.begin - one.end >= timedelta(minutes=HOP_MIN) - minute


@given(st.integers(0, 480), st.integers(30, 120))
def test_one_object_alone_stands_round_its_best_hour(best, minutes):
    found, dropped = turns([wish("M15", 0, 480, best, minutes)])
    assert dropped == ()
    assert found[0].minutes == pytest.approx(minutes, abs=1.0)
    middle = found[0].begin + (found[0].end - found[0].begin) / 2
    wanted = min(max(best, minutes / 2), 480 - minutes / 2)
    assert abs((middle - DUSK).total_seconds() / 60.0 - wanted) <= 1.0


def test_what_sets_first_goes_first():
    found, dropped = turns([wish("sets", 0, 100, 95, 60), wish("stays", 0, 600, 60, 120)])
    assert dropped == ()
    assert [t.id for t in found] == ["sets", "stays"]
    assert not any(t.cut for t in found)


def test_a_crowd_is_shortened_alike_and_says_so():
    found, dropped = turns([wish(str(i), 0, 300, 150, 120) for i in range(4)])
    assert dropped == ()
    assert all(t.cut for t in found)
    assert max(t.minutes for t in found) - min(t.minutes for t in found) <= 2.0


def test_only_those_who_crowd_each_other_are_shortened():
    early = [wish("a", 0, 120, 5, 120), wish("b", 0, 130, 10, 120)]
    found, dropped = turns([*early, wish("late", 200, 600, 400, 120)])
    assert dropped == ()
    assert [t.cut for t in found] == [True, True, False]
    assert abs(found[0].minutes - found[1].minutes) <= 2.0
    assert found[0].minutes + found[1].minutes == pytest.approx(120.0, abs=2.0)


def test_no_room_is_told_not_hidden():
    found, dropped = turns([wish(str(i), 0, 40, 20, 60) for i in range(5)])
    assert len(found) == 2
    assert len(dropped) == 3
