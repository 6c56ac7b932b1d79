"""Pinned objects put one after the other into a night, each as near to its best hour as may be.

A series lasts as long as the list counted with, at most. Where objects crowd, they are moved as
little as possible (least squares over the shifts, found by pooling neighbours: Ayer et al. 1955),
and where there is not room enough, those who crowd each other are shortened to the same length.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from itertools import accumulate
from typing import Any

from slowglass.expose.plan import BETWEEN_FRAMES_S

HOP_MIN = 10.0
"""Between two objects: the hop, a test frame, a nudge (common practice, no source)."""
SHORTEST_MIN = 10.0
"""A series shorter than this is not worth the hop."""
LONGEST_MIN, FILL_MIN = 180.0, 10.0
"""The most that any list counts with, and the step in which spare room is given out."""


@dataclass(frozen=True)
class Wish:
    """An object that is to be photographed: its stay, its best moment, the minutes wanted."""

    id: str
    up_from: datetime
    up_to: datetime
    best: datetime
    minutes: float


@dataclass(frozen=True)
class Turn:
    """An object's turn in the night; ``minutes`` is what is left of what was wanted."""

    id: str
    begin: datetime
    end: datetime
    wanted_min: float

    @property
    def minutes(self) -> float:
        """How long it lasts."""
        return (self.end - self.begin).total_seconds() / 60.0

    @property
    def cut(self) -> bool:
        """True where at least a tenth of the wanted time is missing."""
        return self.minutes < 0.9 * self.wanted_min


def plan_rows(
    rows: Sequence[Mapping[str, Any]],
) -> tuple[tuple[Turn, ...], tuple[str, ...]]:
    """(turns, ids without room) of objects as the list's document tells them.

    Those that are never up in the dark have no room.
    """
    wishes, never = [], []
    for row in rows:
        reach, shows = row["reachable"], row["shows"]
        times = [reach.get(key) for key in ("up_from", "up_to", "best_time")]
        if None in times:
            never.append(row["id"])
            continue
        begin, end, best = (datetime.fromisoformat(str(text)) for text in times)
        minutes = shows["frames"] * (shows["exposure_s"] + BETWEEN_FRAMES_S) / 60.0
        wishes.append(Wish(row["id"], begin, end, best, max(minutes, 1.0)))
    found, crowded = turns(wishes)
    return found, (*crowded, *never)


def turns(wishes: Sequence[Wish]) -> tuple[tuple[Turn, ...], tuple[str, ...]]:
    """(turns in order of time, ids that found no room worth the hop).

    Of three orders (by best hour, by setting, between the two) the one that keeps most objects
    and shortens the shortest least.
    """
    orders = (
        sorted(wishes, key=lambda wish: wish.best),
        sorted(wishes, key=lambda wish: wish.up_to),
        sorted(wishes, key=lambda wish: wish.best.timestamp() + wish.up_to.timestamp()),
    )
    return max(map(_kept, orders), key=_worth)


def _kept(order: list[Wish]) -> tuple[tuple[Turn, ...], tuple[str, ...]]:
    """The turns in one order; while there is no room for all, that one goes which most crowds."""
    stays = [_Stay.of(wish) for wish in order]
    dropped: list[str] = []
    while stays and _fair_cap(stays) < SHORTEST_MIN:
        without = [stays[:i] + stays[i + 1 :] for i in range(len(stays))]
        worst = max(range(len(stays)), key=lambda i: _fair_cap(without[i]))
        dropped.append(stays[worst].wish.id)
        stays = without[worst]
    return tuple(_placed(stays)), tuple(dropped)


def _worth(outcome: tuple[tuple[Turn, ...], tuple[str, ...]]) -> tuple[float, ...]:
    found, _ = outcome
    shares = [turn.minutes / max(turn.wanted_min, 1.0) for turn in found]
    return (float(len(found)), round(min(shares, default=0.0), 2), sum(shares))


@dataclass(frozen=True)
class _Stay:
    """A wish in minutes of its own scale: from when to when, best at, and how long at most."""

    wish: Wish
    low: float
    high: float
    best: float
    most: float

    @classmethod
    def of(cls, wish: Wish) -> _Stay:
        low, high, best = (
            moment.timestamp() / 60.0 for moment in (wish.up_from, wish.up_to, wish.best)
        )
        return cls(wish, low, high, best, min(wish.minutes, high - low))


def _all_fit(stays: Sequence[_Stay], lasting: Sequence[float]) -> bool:
    """Whether turns of these lengths fit in this order, each begun as early as may be."""
    free = -math.inf
    for stay, part in zip(stays, lasting, strict=True):
        begin = max(stay.low, free)
        if begin + part > stay.high + 1e-6:
            return False
        free = begin + part + HOP_MIN
    return True


def _fair_cap(stays: Sequence[_Stay]) -> float:
    """The most minutes that every turn can have, or all it wants if that is less; 0 for none."""
    low, high = 0.0, max((stay.most for stay in stays), default=LONGEST_MIN)
    if _all_fit(stays, [min(stay.most, high) for stay in stays]):
        return max(high, SHORTEST_MIN)  # a short wish is no crowd
    for _ in range(12):
        middle = (low + high) / 2.0
        if _all_fit(stays, [min(stay.most, middle) for stay in stays]):
            low = middle
        else:
            high = middle
    return low


def _lengths(stays: Sequence[_Stay]) -> list[float]:
    """Lengths that share the room fairly, then filled up where nobody else loses by it."""
    cap = _fair_cap(stays)
    lasting = [min(stay.most, cap) for stay in stays]
    for _ in range(math.ceil(LONGEST_MIN / FILL_MIN)):
        grown = False
        for i, stay in enumerate(stays):
            wider = min(stay.most, lasting[i] + FILL_MIN)
            if wider <= lasting[i]:
                continue
            trial = [*lasting[:i], wider, *lasting[i + 1 :]]
            if _all_fit(stays, trial):
                lasting, grown = trial, True
        if not grown:
            break
    return lasting


def _placed(stays: list[_Stay]) -> list[Turn]:
    """A turn for every stay, in order, as near to the best hours as the others allow."""
    lasting = _lengths(stays)
    ideal = [
        min(max(stay.best - part / 2.0, stay.low), stay.high - part)
        for stay, part in zip(stays, lasting, strict=True)
    ]
    begins = _inside(_spread(ideal, [part + HOP_MIN for part in lasting]), lasting, stays)
    return [
        Turn(stay.wish.id, _utc(begin), _utc(begin + part), stay.wish.minutes)
        for stay, begin, part in zip(stays, begins, lasting, strict=True)
    ]


def _spread(ideal: list[float], lengths: list[float]) -> list[float]:
    """Beginnings in order, at least so far apart, with the least sum of squared shifts."""
    before = list(accumulate(lengths[:-1], initial=0.0))[: len(ideal)]
    pools: list[tuple[float, int]] = []
    for place, sum_before in zip(ideal, before, strict=True):
        mean, count = place - sum_before, 1
        while pools and pools[-1][0] > mean:
            other, many = pools.pop()
            mean, count = (mean * count + other * many) / (count + many), count + many
        pools.append((mean, count))
    flat = [mean for mean, count in pools for _ in range(count)]
    return [mean + sum_before for mean, sum_before in zip(flat, before, strict=True)]


def _inside(begins: list[float], lasting: list[float], stays: Sequence[_Stay]) -> list[float]:
    """Beginnings pushed later into their stays, then earlier before what follows."""
    found = list(begins)
    free = -math.inf
    for i, (stay, part) in enumerate(zip(stays, lasting, strict=True)):
        found[i] = max(found[i], stay.low, free)
        free = found[i] + part + HOP_MIN
    free = math.inf
    for i in reversed(range(len(found))):
        found[i] = min(found[i], stays[i].high - lasting[i], free - lasting[i])
        free = found[i] - HOP_MIN
    return found


def _utc(unix_min: float) -> datetime:
    moment = datetime.fromtimestamp(unix_min * 60.0, UTC)
    return (moment + timedelta(seconds=30)).replace(second=0, microsecond=0)
