"""Small charts as positions for a template: scaling and round ticks, no measuring."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

from slowglass.web.present import MINUS

WIDTH, HEIGHT = 380.0, 210.0
LEFT, RIGHT, TOP, BOTTOM = 44.0, 40.0, 12.0, 30.0


@dataclass(frozen=True)
class Mark:
    """One measured point; ``hollow`` for a frame that was not kept."""

    x: float
    y: float
    hollow: bool = False
    name: str = ""


@dataclass(frozen=True)
class Line:
    """A row of points in one manner of drawing; the label stands at its end."""

    style: str
    marks: tuple[Mark, ...]
    label: str = ""

    @property
    def path(self) -> str:
        """The points as SVG wants them."""
        return " ".join(f"{m.x:.1f},{m.y:.1f}" for m in self.marks)


@dataclass(frozen=True)
class Chart:
    """A chart ready to be drawn: ticks as (place, words)."""

    lines: tuple[Line, ...]
    x_ticks: tuple[tuple[float, str], ...]
    y_ticks: tuple[tuple[float, str], ...]
    x_words: str
    y_words: str
    spoken: str
    """What a screen reader says in its place."""
    width: float = WIDTH
    height: float = HEIGHT


def chart(
    rows: Sequence[tuple[str, str, Sequence[tuple[float, float | None, bool, str]]]],
    *,
    x_words: str,
    y_words: str,
    spoken: str,
    least_span: float,
    from_zero: bool = False,
) -> Chart | None:
    """A chart of rows (style, label, (x, y, hollow, name)...); None without any point.

    ``least_span`` keeps noise from filling the chart.
    """
    known = [(x, y) for _, _, row in rows for x, y, _, _ in row if y is not None]
    if not known:
        return None
    x_low, x_high = _span([x for x, _ in known], 1.0)
    y_low, y_high = _span([y for _, y in known], least_span)
    if from_zero:
        y_low = min(0.0, y_low)

    def place(x: float, y: float) -> tuple[float, float]:
        return (
            LEFT + (x - x_low) / (x_high - x_low) * (WIDTH - LEFT - RIGHT),
            HEIGHT - BOTTOM - (y - y_low) / (y_high - y_low) * (HEIGHT - TOP - BOTTOM),
        )

    lines = tuple(
        Line(
            style,
            tuple(Mark(*place(x, y), hollow, name) for x, y, hollow, name in row if y is not None),
            label,
        )
        for style, label, row in rows
    )
    return Chart(
        lines,
        tuple((place(t, y_low)[0], _words(t)) for t in ticks(x_low, x_high, 5)),
        tuple((place(x_low, t)[1], _words(t)) for t in ticks(y_low, y_high, 4)),
        x_words,
        y_words,
        spoken,
    )


def ticks(low: float, high: float, about: int) -> list[float]:
    """Round numbers between two values, roughly so many."""
    raw = (high - low) / about
    size = 10.0 ** math.floor(math.log10(raw))
    step = next(size * m for m in (1.0, 2.0, 5.0, 10.0) if size * m >= raw * 0.999)
    first = math.ceil(low / step - 1e-9)
    return [round(k * step, 10) for k in range(first, math.floor(high / step + 1e-9) + 1)]


def _span(values: Sequence[float], least: float) -> tuple[float, float]:
    low, high = min(values), max(values)
    lacking = max(0.0, least - (high - low))
    margin = 0.06 * max(high - low, least)
    return low - lacking / 2.0 - margin, high + lacking / 2.0 + margin


def _words(value: float) -> str:
    return f"{value:g}".replace("-", MINUS)
