"""Pinned objects put one after the other into a night, each as near to its best hour as may be.

A series lasts as long as the list counted with, at most. Where objects crowd, they are moved as
little as possible (least squares over the shifts, found by pooling neighbours: Ayer et al. 1955),
and where the night is too short, all are shortened alike.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from typing import Any

from slowglass.expose.plan import BETWEEN_FRAMES_S

HOP_MIN = 10.0
"""Between two objects: the hop, a test frame, a nudge (common practice, no source)."""
SHORTEST_MIN = 10.0
"""A series shorter than this is not worth the hop."""
ROUNDS = 4


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
    """The turns in one order; the shortest goes while it is not worth its hop."""
    left, dropped = list(order), list[str]()
    while left:
        found = _placed(left)
        short = min(
            (t for t in found if t.minutes < min(SHORTEST_MIN, t.wanted_min) - 1.0),
            key=lambda t: t.minutes,
            default=None,
        )
        if short is None:
            return tuple(found), tuple(dropped)
        dropped.append(short.id)
        left = [wish for wish in left if wish.id != short.id]
    return (), tuple(dropped)


def _worth(outcome: tuple[tuple[Turn, ...], tuple[str, ...]]) -> tuple[float, ...]:
    found, _ = outcome
    shares = [turn.minutes / max(turn.wanted_min, 1.0) for turn in found]
    return (float(len(found)), round(min(shares, default=0.0), 2), sum(shares))


def _placed(wishes: list[Wish]) -> list[Turn]:
    """Every wish with a turn, in order, none overlapping; some may have become very short."""
    lows = [wish.up_from.timestamp() for wish in wishes]
    highs = [wish.up_to.timestamp() for wish in wishes]
    hop = HOP_MIN * 60.0
    longest = max(highs) - min(lows) - hop * (len(wishes) - 1)
    wanted = [
        min(wish.minutes * 60.0, high - low)
        for wish, low, high in zip(wishes, lows, highs, strict=True)
    ]
    share = min(1.0, max(longest, 0.0) / max(sum(wanted), 1.0))
    lasting = [part * share for part in wanted]
    begins: list[float] = []
    for _ in range(ROUNDS):
        ideal = [
            min(max(w.best.timestamp() - part / 2.0, low), high - part)
            for w, part, low, high in zip(wishes, lasting, lows, highs, strict=True)
        ]
        begins = _inside(
            _spread(ideal, [part + hop for part in lasting]), lasting, lows, highs, hop
        )
        over = _fitted(begins, lasting, lows, highs, hop)
        if over == lasting:
            break
        lasting = over
    found = []
    free = min(lows)
    for wish, begin, part, low, high in zip(wishes, begins, lasting, lows, highs, strict=True):
        start = max(begin, low, free)
        end = min(start + part, high)
        start, end = min(start, high), max(end, min(start, high))
        free = end + hop
        found.append(Turn(wish.id, _utc(start), _utc(end), wish.minutes))
    return found


def _spread(ideal: list[float], lengths: list[float]) -> list[float]:
    """Beginnings in order, at least so far apart, with the least sum of squared shifts."""
    before = [0.0]
    for length in lengths[:-1]:
        before.append(before[-1] + length)
    pools: list[tuple[float, int]] = []
    for place, sum_before in zip(ideal, before, strict=True):
        mean, count = place - sum_before, 1
        while pools and pools[-1][0] > mean:
            other, many = pools.pop()
            mean, count = (mean * count + other * many) / (count + many), count + many
        pools.append((mean, count))
    flat = [mean for mean, count in pools for _ in range(count)]
    return [mean + sum_before for mean, sum_before in zip(flat, before, strict=True)]


def _inside(
    begins: list[float], lasting: list[float], lows: list[float], highs: list[float], hop: float
) -> list[float]:
    """Beginnings pushed later into their stays, then earlier before what follows."""
    found = list(begins)
    free = -math.inf
    for i, (low, part) in enumerate(zip(lows, lasting, strict=True)):
        found[i] = max(found[i], low, free)
        free = found[i] + part + hop
    free = math.inf
    for i in reversed(range(len(found))):
        found[i] = min(found[i], highs[i] - lasting[i], free - lasting[i])
        free = found[i] - hop
    return found


def _fitted(
    begins: list[float], lasting: list[float], lows: list[float], highs: list[float], hop: float
) -> list[float]:
    """Lengths cut to what lies inside each stay and before the next beginning."""
    found = []
    for i, (begin, part) in enumerate(zip(begins, lasting, strict=True)):
        start = max(begin, lows[i])
        end = min(begin + part, highs[i])
        if i + 1 < len(begins):
            end = min(end, max(begins[i + 1], lows[i + 1]) - hop)
        found.append(max(0.0, min(part, end - start)))
    return found


def _utc(unix_s: float) -> datetime:
    moment = datetime.fromtimestamp(unix_s, UTC)
    return (moment + timedelta(seconds=30)).replace(second=0, microsecond=0)
