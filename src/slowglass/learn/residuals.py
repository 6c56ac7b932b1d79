"""How far off predictions were, a row of points a quantity: positions for a drawing."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

LEAST_REACH = {True: 0.2, False: math.log(1.25)}
"""Half the width of a row at least, magnitudes or the logarithm of a ratio."""
MOST_REACH = {True: 2.0, False: math.log(4.0)}
MARGIN = 1.1


@dataclass(frozen=True)
class ResidualMark:
    """One object of a night: its place from 0 to 1, what it tells, whether it is off the row."""

    place: float
    told: str
    beyond: bool = False


@dataclass(frozen=True)
class ResidualRow:
    """One quantity; the middle of the row means “as predicted”."""

    quantity: str
    low: str
    """What stands at the left end, and at the right end."""
    high: str
    marks: tuple[ResidualMark, ...]
    """The oldest first."""


def residual_rows(reviews: Sequence[Mapping[str, Any]]) -> list[ResidualRow]:
    """Rows of the reviews' JSON, in its order; quantities never measured are left out."""
    rows: dict[str, list[tuple[float, str]]] = {}
    magnitudes: dict[str, bool] = {}
    for review in reviews:
        for row in review["rows"]:
            off, words = _off(row)
            if off is None:
                continue
            magnitudes[row["quantity"]] = row["unit"].startswith("mag")
            told = f"{review['night']}, {review['object']}: {words}"
            rows.setdefault(row["quantity"], []).append((off, told))
    return [_row(name, found, in_mag=magnitudes[name]) for name, found in rows.items()]


def _off(row: Mapping[str, Any]) -> tuple[float | None, str]:
    """(how far off, in words); the logarithm of a ratio, or a difference of magnitudes."""
    if row["unit"].startswith("mag"):
        difference = row["difference"]
        words = "" if difference is None else f"{_signed(difference)} mag"
        return difference, words
    ratio = row["ratio"]
    if ratio is None or ratio <= 0:
        return None, ""
    return math.log(ratio), f"{ratio:.2f} times the prediction"


def _row(name: str, found: Sequence[tuple[float, str]], *, in_mag: bool) -> ResidualRow:
    widest = MARGIN * max(abs(off) for off, _ in found)
    reach = min(max(widest, LEAST_REACH[in_mag]), MOST_REACH[in_mag])
    marks = tuple(
        ResidualMark(0.5 + 0.5 * max(-1.0, min(1.0, off / reach)), told, beyond=abs(off) > reach)
        for off, told in found
    )
    if in_mag:
        return ResidualRow(name, f"{_signed(-reach)} mag", f"{_signed(reach)} mag", marks)
    return ResidualRow(name, f"× {math.exp(-reach):.2f}", f"× {math.exp(reach):.2f}", marks)


def _signed(value: float) -> str:
    return f"{value:+.2f}".replace("-", "−")
