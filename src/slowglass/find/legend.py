"""The furniture of a chart: arrows for directions, the scale, the sizes of stars."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from slowglass.find.chart import (
    MARGIN,
    SKY_SIZE,
    SKY_TOP,
    ChartStars,
    Disc,
    Label,
    Line,
    Mark,
    Projection,
    Role,
    Rose,
    star_radius,
)
from slowglass.find.nudge import format_angle


def rose(
    x: float,
    y: float,
    sky: Projection,
    arms: Sequence[tuple[float, str]],
    k: float,
    role: Role = "text",
) -> Rose:
    """Arrows about (x, y) to position angles, each with its word; ``k`` times the usual size."""
    marks: list[Mark] = []
    for angle, text in arms:
        dx, dy = sky.towards(angle)
        tip = (x + 32.0 * k * dx, y + 32.0 * k * dy)
        left = (tip[0] - k * (8 * dx - 4 * dy), tip[1] - k * (8 * dy + 4 * dx))
        right = (tip[0] - k * (8 * dx + 4 * dy), tip[1] - k * (8 * dy - 4 * dx))
        # words run sideways: a long one is set further off
        reach = k * (42.0 + 3.0 * (len(text) - 1) * abs(dx))
        at = (x + reach * dx, y + reach * dy)
        marks += [
            Line(((x, y), tip), role, 1.4 * k),
            Line((left, tip, right), role, 1.4 * k),
            Label(at[0], at[1] + 4.0 * k, text, role, 12.0 * k, "middle", True, at=at),
        ]
    return Rose(x, y, tuple(marks))


def scale_bar(sky: Projection) -> list[Mark]:
    """A bar of a round angle under the sky."""
    steps = (0.1, 0.25, 0.5, 1.0, 2.0, 5.0, 10.0)
    length = max((s for s in steps if s * sky.scale < 200.0), default=0.1)
    x, y = MARGIN, SKY_TOP + SKY_SIZE + 16.0
    end = x + length * sky.scale
    words = format_angle(length).replace(".00", "").replace(".0", "")
    return [
        Line(((x, y - 4), (x, y + 4)), "text", 1.2),
        Line(((x, y), (end, y)), "text", 1.2),
        Line(((end, y - 4), (end, y + 4)), "text", 1.2),
        Label(end + 8.0, y + 4.0, words, "text", 12.0),
    ]


def magnitude_key(stars: ChartStars, star_step: float, letters: float) -> list[Mark]:
    """Discs of whole magnitudes under the sky."""
    if not len(stars.mag):
        return []
    faintest, brightest = faintest_mag(stars), float(np.min(stars.mag))
    shown = [m for m in range(int(np.floor(faintest)), -2, -2) if m >= brightest - 1]
    marks: list[Mark] = []
    x, y = MARGIN + 290.0, SKY_TOP + SKY_SIZE + 16.0
    for m in reversed(shown[:5]):
        radius = float(star_radius(m, faintest, star_step)) * letters
        marks.append(Disc(x, y, radius, "star"))
        marks.append(Label(x + radius + 4.0, y + 4.0, f"{m}", "note", 12.0))
        x += radius + 38.0
    return marks


def faintest_mag(stars: ChartStars) -> float:
    """Magnitude of the smallest disc."""
    return float(np.max(stars.mag, initial=3.0))
