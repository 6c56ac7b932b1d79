"""What each file of a night is for, told by what the frames are and not by their names. Pure.

The lights of one field and one exposure make a series; other lights are tests. Of one exposure
written twice, as sensor data and as a finished picture, the sensor data counts.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from datetime import datetime
from pathlib import PurePosixPath
from typing import Literal

from slowglass.judge.live_enough import TargetLight
from slowglass.judge.verdict import Verdict
from slowglass.sky.coords import separation_deg

Role = Literal["light", "test", "dark", "flat", "bias", "twin", "copy", "unreadable"]

SAME_START_S = 1.0
"""Clocks in files are whole seconds, some rounded up and some down."""
SAME_EXPOSURE = 0.05
"""1/30 s and 0.033 s, 30 s and 32 s are written for the same exposure."""
SAME_FIELD = 0.5
"""Of a frame's shorter side: frames further apart share too little sky for one picture."""
FEWEST_IN_SERIES = 3


@dataclass(frozen=True)
class Entry:
    """One file as the watch knows it; ``name`` is its path below the watched folder."""

    name: str
    verdict: Verdict
    fingerprint: str = ""
    linear: bool = True
    """Sensor data or a linear picture; False for a finished picture such as a JPEG."""
    light: TargetLight | None = None
    role: Role = "light"
    why: str = ""
    """Why it is set aside; empty for a light of the series."""
    gone: bool = False

    @property
    def start_s(self) -> float | None:
        """Start of the exposure, seconds since 1970."""
        start = self.verdict.start_utc
        return datetime.fromisoformat(start).timestamp() if start else None


def sort_out(entries: Sequence[Entry]) -> tuple[Entry, ...]:
    """The entries, in the same order, each with its role and the reason for it."""
    sorted_out = [_by_itself(entry) for entry in entries]
    _mark_copies(sorted_out)
    _mark_twins(sorted_out)
    lights = [i for i, entry in enumerate(sorted_out) if entry.role == "light"]
    chosen = _series_of([sorted_out[i] for i in lights])
    for index, in_series, why in zip(lights, *chosen, strict=True):
        if not in_series:
            sorted_out[index] = replace(sorted_out[index], role="test", why=why)
    return tuple(sorted_out)


def count_roles(entries: Iterable[Entry]) -> dict[str, int]:
    """How many files there are of each role; deleted ones are left out."""
    return dict(Counter(entry.role for entry in entries if not entry.gone))


def _by_itself(entry: Entry) -> Entry:
    verdict = entry.verdict
    if verdict.error is not None:
        return replace(entry, role="unreadable", why=verdict.error)
    if verdict.kind in ("dark", "flat", "bias"):
        reason = verdict.reasons[0] if verdict.reasons else f"a {verdict.kind} frame"
        return replace(entry, role=verdict.kind, why=reason)  # type: ignore[arg-type]
    return replace(entry, role="light", why="")


def _mark_copies(entries: list[Entry]) -> None:
    first: dict[str, str] = {}
    for index, entry in enumerate(entries):
        if not entry.fingerprint or entry.role == "unreadable":
            continue
        if entry.fingerprint in first:
            why = f"the same file as {first[entry.fingerprint]}"
            entries[index] = replace(entry, role="copy", why=why)
        else:
            first[entry.fingerprint] = entry.name


def _mark_twins(entries: list[Entry]) -> None:
    linear = [e for e in entries if e.linear and e.role not in ("copy", "unreadable")]
    by_start: dict[int, list[Entry]] = {}
    by_stem = {_stem(e.name): e for e in linear}
    for entry in linear:
        if entry.start_s is not None:
            by_start.setdefault(round(entry.start_s), []).append(entry)
    for index, entry in enumerate(entries):
        if entry.linear or entry.role in ("copy", "unreadable"):
            continue
        twin = None
        if entry.start_s is not None:
            second = round(entry.start_s)
            near = [e for s in (second, second - 1, second + 1) for e in by_start.get(s, ())]
            twin = next((e for e in near if _one_exposure(entry, e)), None)
        else:
            named = by_stem.get(_stem(entry.name))
            # Cameras give both files one name; without a time in the picture that must do.
            twin = named if named is not None and _alike(entry, named) else None
        if twin is not None:
            why = f"the finished picture of {twin.name}, which counts"
            entries[index] = replace(entry, role="twin", why=why)


def _one_exposure(picture: Entry, data: Entry) -> bool:
    apart = abs((picture.start_s or 0.0) - (data.start_s or 0.0))
    return apart <= SAME_START_S and _alike(picture, data)


def _alike(picture: Entry, data: Entry) -> bool:
    a, b = picture.verdict.exposure_s, data.verdict.exposure_s
    return a is None or b is None or abs(a - b) <= SAME_EXPOSURE * max(a, b)


def _stem(name: str) -> str:
    path = PurePosixPath(name)
    return str(path.with_name(path.stem.lower()))


def _series_of(lights: Sequence[Entry]) -> tuple[list[bool], list[str]]:
    """Which lights belong to the series, and why the others do not."""
    fields = _fields_of(lights)
    keys = [
        (e.verdict.width_px, e.verdict.height_px, _rounded(e.verdict.exposure_s), field)
        for e, field in zip(lights, fields, strict=True)
    ]
    if not keys:
        return [], []
    counts = Counter(keys)
    series = keys[-1]
    if counts[series] < FEWEST_IN_SERIES:
        # A few odd frames at the end do not make a series of their own.
        weight = {key: count * (key[2] or 1.0) for key, count in counts.items()}
        last = {key: place for place, key in enumerate(keys)}
        series = max(counts, key=lambda key: (weight[key], last[key]))
    whys = [_why_not(key, series) for key in keys]
    return [key == series for key in keys], whys


def _why_not(key: tuple[object, ...], series: tuple[object, ...]) -> str:
    if key == series:
        return ""
    if key[3] != series[3]:
        return "another field than the series"
    if key[2] != series[2]:
        return (
            f"{key[2]:g} s, not the series' {series[2]:g} s"
            if key[2] and series[2]
            else ("another exposure than the series")
        )
    return "another size than the series"


def _rounded(exposure_s: float | None) -> float | None:
    return None if exposure_s is None else float(f"{exposure_s:.2g}")


def _fields_of(lights: Sequence[Entry]) -> list[int]:
    """A number for the field each light shows; unsolved ones show the field before them."""
    centres: list[tuple[float, float]] = []
    numbers: list[int] = []
    current: int | None = None
    for entry in lights:
        v = entry.verdict
        if v.solved and v.ra_deg is not None and v.dec_deg is not None:
            side = min(v.width_px or 0, v.height_px or 0) * (v.scale_arcsec_per_px or 0.0) / 3600.0
            near = [
                n
                for n, (ra, dec) in enumerate(centres)
                if float(separation_deg(v.ra_deg, v.dec_deg, ra, dec)) <= SAME_FIELD * side
            ]
            if not near:
                centres.append((v.ra_deg, v.dec_deg))
                near = [len(centres) - 1]
            current = near[-1]
        numbers.append(-1 if current is None else current)
    # Frames before the first solved one show its field, for all one can tell.
    first = next((n for n in numbers if n >= 0), -1)
    return [first if n < 0 else n for n in numbers]
