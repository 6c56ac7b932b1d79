"""A watch's state as the live page shows it: words, rows and charts for the templates."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import PurePath, PurePosixPath
from typing import TYPE_CHECKING, Any

from slowglass.expose.session import LEAST_SESSION_MIN
from slowglass.judge.axis import turns_text
from slowglass.judge.silence import Silence
from slowglass.web.plots import Chart, chart
from slowglass.web.present import number, sentence
from slowglass.web.view_words import view_address

if TYPE_CHECKING:
    from slowglass.judge.verdict import Verdict
    from slowglass.judge.watch_axis import AxisSession
    from slowglass.judge.watch_sort import Entry
    from slowglass.judge.watch_state import WatchState
    from slowglass.judge.watch_trends import PlotPoint, Trends
    from slowglass.kit.model import Mount

ROWS = 24
"""Frames in the table: the newest; the rest is counted."""
ROLES = {
    "test": "test", "dark": "dark", "flat": "flat", "bias": "bias", "twin": "same picture",
    "copy": "copy", "unreadable": "damaged",
}  # fmt: skip
SHORTEST_WAY = 9.0
"""Of the 200-unit box: shorter than its arrow's head a way is not drawn."""
RINGS_ARCMIN = (2.0, 5.0, 10.0, 20.0, 40.0, 80.0, 160.0)


def live_parts(
    state: WatchState,
    clock: Callable[[str | None], str],
    *,
    rows: int = ROWS,
    mount: Mount | None = None,
    live: bool = False,
) -> dict[str, dict[str, Any]]:
    """What each part of the page needs, by the part's name; ``live`` where a watch goes on."""
    return {
        "say": {"say": state.say, "busy": state.to_judge, "waiting": state.waiting},
        "now": _now(state, clock),
        "stack": _stack(state),
        "plots": {
            "charts": _charts(state.trends),
            "trends": () if state.trends is None else state.trends.words,
        },
        "axis": {
            "axis": state.axis,
            "sky_map": _sky_map(state, mount),
            "live": live,
            "silence": ""
            if state.trends is None
            else getattr(state.trends.report.axis, "reason", ""),
        },
        "frames": _frames(state, clock, rows),
    }


def _now(state: WatchState, clock: Callable[[str | None], str]) -> dict[str, Any]:
    newest = state.newest
    entry = next((e for e in state.entries if newest and e.name == newest.name), None)
    if newest is None or entry is None:
        return {"newest": None, "known": len(state.entries)}
    v = entry.verdict
    stars = "no star" if v.stars == 0 else f"{v.stars} stars"
    placed = "placed on the sky" if v.solved else "its place on the sky unknown"
    axis = state.axis
    mine = axis is not None and axis.aim is not None and axis.frame.endswith(newest.name)
    return {
        "newest": newest,
        "overlay": newest.overlay,
        "verdict": v,
        "taken": clock(v.start_utc) if v.start_utc else "",
        "alt": f"{newest.name}: {stars} found, {placed}.",
        "to": axis.aim if mine and axis is not None else None,
        "judged": measured_words(v),
        "href": view_address(PurePath(state.folder) / newest.name),
    }


def measured_words(v: Verdict) -> list[tuple[str, str]]:
    """The figures under a frame's picture, name and words."""
    return [
        ("Verdict", "keep" if v.keeper else "leave out"),
        ("Stars", str(v.stars)),
        ("Star width", number(v.fwhm_px, 1, "px")),
        ("Elongation", number(v.elongation, 2)),
        ("Exposure", number(v.exposure_s, 0 if (v.exposure_s or 0) >= 1 else 3, "s")),
    ]


def _stack(state: WatchState) -> dict[str, Any]:
    enough = state.enough
    share = 0.0
    if enough is not None and enough.snr is not None and enough.frames:
        left = enough.frames_left or 0
        share = enough.frames / (enough.frames + left)
    return {
        "stack": state.stack,
        "stacked": state.stacked,
        "stack_s": state.stack_s,
        "version": f"{state.stacked}-{state.stack_s:g}",
        "enough": enough,
        "share": share,
        "target": state.target,
        "least_min": LEAST_SESSION_MIN,
        "left_out": state.left_out,
    }


def _charts(trends: Trends | None) -> list[dict[str, Any]]:
    if trends is None or not trends.points:
        return []
    points, drift = trends.points, trends.report.drift
    timed = all(p.minutes is not None for p in points)
    x_words = "minutes" if timed else "frame"

    def row(value: Callable[[PlotPoint], float | None]) -> list[Any]:
        return [
            ((p.minutes or 0.0) if timed else float(i + 1), value(p), not p.keeper, p.name)
            for i, p in enumerate(points)
        ]

    widths = [p.fwhm_px for p in points if p.fwhm_px is not None]
    focus = chart(
        [("one", "", row(lambda p: p.fwhm_px))],
        x_words=x_words,
        y_words="px",
        least_span=1.0,
        spoken=f"Star width of {len(widths)} frames, {number(min(widths, default=None), 1)} to "
        f"{number(max(widths, default=None), 1, 'px')}.",
    )
    wander = chart(
        [
            ("one", "east", row(lambda p: p.east_arcsec)),
            ("two", "north", row(lambda p: p.north_arcsec)),
        ],
        x_words=x_words,
        y_words="″",
        least_span=10.0,
        spoken="Where the frames point, east and north of the first. "
        + sentence(drift.reason if isinstance(drift, Silence) else drift.text),
    )
    named: list[tuple[str, str, Chart | None]] = [
        ("Focus", "Width of the stars. Hollow: not kept.", focus),
        ("Drift", "East and north of the first frame.", wander),
    ]
    # One point tells no trend, and its two names would stand over each other.
    drawn = [(t, w, c) for t, w, c in named if c and any(len(line.marks) > 1 for line in c.lines)]
    return [{"title": title, "words": words, "chart": c} for title, words, c in drawn]


def _sky_map(state: WatchState, mount: Mount | None) -> dict[str, Any] | None:
    """The pole in the middle of rings, where the axis points and the way to the pole by the bolts,
    as positions in a 200-unit box."""
    session: AxisSession | None = state.axis
    left = None if session is None else (session.aim or session.fit)
    if left is None and state.trends is not None and state.trends.report.axis:
        left = state.trends.report.axis
    if left is None:
        return None
    altitude, azimuth = left.altitude_arcmin, left.azimuth_arcmin
    far = max(abs(altitude), abs(azimuth))
    outer = next((r for r in RINGS_ARCMIN if r >= far), RINGS_ARCMIN[-1])
    rings = [r for r in RINGS_ARCMIN if outer / 6.0 <= r <= outer]
    scale = 84.0 / outer
    x = 100.0 + max(-90.0, min(90.0, azimuth * scale))
    y = 100.0 - max(-90.0, min(90.0, altitude * scale))
    turns = (None, None) if mount is None else mount.bolt_turns_arcmin
    ways = zip(left.bolts, (altitude, azimuth), turns, strict=True)
    return {
        "x": x,
        "y": y,
        "bolts": [
            sentence(words + (f": {turns_text(way, turn)} of the bolt" if turn else ""))
            for words, way, turn in ways
        ],
        # First up or down, then along the horizon, each drawn where it is long enough to see.
        "ways": [
            way
            for way in ((x, y, x, 100.0), (x, 100.0, 100.0, 100.0))
            if abs(way[2] - way[0]) + abs(way[3] - way[1]) > SHORTEST_WAY
        ],
        "rings": [(r * scale, number(r, 0, "′")) for r in rings],
        "altitude": f"{number(abs(altitude), 1, '′')} too {'high' if altitude > 0 else 'low'}",
        "azimuth": f"{number(abs(azimuth), 1, '′')} too far {'east' if azimuth > 0 else 'west'}",
    }


def _frames(state: WatchState, clock: Callable[[str | None], str], rows: int) -> dict[str, Any]:
    shown = state.entries[-rows:][::-1]
    return {
        "rows": [_frame_row(entry, clock, state.folder) for entry in shown],
        "earlier": len(state.entries) - len(shown),
        "keepers": state.keepers,
        "lights": len(state.series),
        "folder": state.folder,
    }


def _frame_row(entry: Entry, clock: Callable[[str | None], str], folder: str) -> dict[str, Any]:
    v = entry.verdict
    light = entry.role in ("light", "test")
    word = ROLES.get(entry.role, "keep" if v.keeper else "leave out")
    note = entry.why or (v.reasons[0] if v.reasons and not v.keeper else "")
    return {
        "name": PurePosixPath(entry.name).name,
        "href": "" if entry.gone else view_address(PurePath(folder) / entry.name),
        "time": clock(v.start_utc).partition(" (")[0] if v.start_utc else "",
        "word": word + (", deleted" if entry.gone else ""),
        "kept": entry.role == "light" and v.keeper,
        "width": number(v.fwhm_px, 1, "px") if light and v.fwhm_px is not None else "",
        "round": number(v.elongation, 2) if light and v.elongation is not None else "",
        "note": note.removeprefix(str(v.file) + ": "),
    }
