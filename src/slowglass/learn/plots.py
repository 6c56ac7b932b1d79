"""Pictures of what was learned: predicted beside measured, photon transfer, the sky of pictures."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any, cast

import numpy as np

from slowglass.errors import UsageError
from slowglass.frame.atomic import replacing
from slowglass.learn.gallery import spots_of
from slowglass.learn.skymap import (
    ecliptic,
    galactic_circle,
    grid,
    map_svg,
    pieces,
    project,
    scale_words,
)

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure
    from matplotlib.projections.polar import PolarAxes

    from slowglass.learn.air import SkyByDirection
    from slowglass.learn.logbook.records import LoggedPicture
    from slowglass.learn.sensor import SensorResult
    from slowglass.learn.service import Lessons

INK, FAINT, ACCENT = "#2b2a27", "#b9b2a3", "#a3452c"
PAPER = "#fbf8f1"
SUFFIXES = (".png", ".svg", ".pdf")
MOST_ROWS = 30


def draw_review(lessons: Lessons, path: Path) -> Path:
    """Path of a picture: measured over predicted for each object and night, by quantity."""
    if not lessons.reviews:
        raise UsageError("nothing to draw: no logged frames", "log a night first")
    reviews = lessons.reviews[-MOST_ROWS:]
    names = [f"{r.group.night.evening}  {r.group.object}" for r in reviews]
    wanted = [row.quantity for row in reviews[0].rows]
    figure = _figure(12.0, 1.7 + 0.32 * len(reviews))
    axes = figure.subplots(1, len(wanted), sharey=True, squeeze=False)[0]
    for column, (axis, quantity) in enumerate(zip(axes, wanted, strict=True)):
        _ratio_column(axis, reviews, column, quantity)
    axes[0].set_yticks(range(len(names)), names, fontsize=8)
    axes[0].set_ylim(len(names) - 0.4, -0.6)
    figure.suptitle("Measured against predicted", x=0.01, ha="left", fontsize=12, color=INK)
    return _save(figure, path)


def draw_transfer(result: SensorResult, path: Path) -> Path:
    """Path of a picture: noise against light, with the line that gives gain and read noise."""
    figure = _figure(7.0, 4.6)
    axis = figure.subplots()
    _plain(axis)
    colours = ("#9c3b2e", "#3f7a4a", "#5f9467", "#34598c")
    biases = {
        int(c): float(np.mean(np.concatenate([b.mean_adu[b.colour == c] for b in result.biases])))
        for c in np.unique(result.biases[0].colour)
    }
    gain = result.transfer.gain_e_per_adu.value
    read_adu2 = (result.transfer.read_noise_e.value / gain) ** 2
    top = 0.0
    for pair in result.points:
        for colour, bias in biases.items():
            mine = pair.colour == colour
            x = pair.mean_adu[mine] - bias
            top = max(top, float(np.max(x, initial=0.0)))
            axis.plot(
                x, pair.variance_adu2[mine], ".", color=colours[colour % 4], ms=3.5, alpha=0.7
            )
    x = np.linspace(0.0, 1.05 * top, 50)
    axis.plot(x, x / gain + read_adu2, color=INK, lw=1.0)
    axis.set_xlabel("light above bias, ADU")
    axis.set_ylabel("variance of one frame, ADU²")
    g, r = result.transfer.gain_e_per_adu, result.transfer.read_noise_e
    axis.set_title(
        f"Gain {g.value:.3f} ± {g.sigma:.3f} e⁻/ADU, read noise {r.value:.2f} ± {r.sigma:.2f} e⁻",
        loc="left", fontsize=10, color=INK,
    )  # fmt: skip
    return _save(figure, path)


def draw_sky_by_direction(found: SkyByDirection, path: Path) -> Path:
    """Path of a picture: the sky overhead, north on top, brighter places larger and darker."""
    figure = _figure(5.6, 5.6)
    axis = cast("PolarAxes", figure.add_subplot(projection="polar"))
    axis.set_facecolor(PAPER)
    axis.set_theta_zero_location("N")
    axis.set_theta_direction(1)  # east on the left, as one sees it looking up
    axis.set_ylim(0, 90)
    axis.set_yticks([30, 60, 90], ["60°", "30°", ""], fontsize=7, color=INK)
    axis.set_xticks(np.radians(np.arange(0, 360, 45)),
                    ["N", "NE", "E", "SE", "S", "SW", "W", "NW"])  # fmt: skip
    brighter = np.maximum(0.0, -found.offset_mag)
    axis.scatter(np.radians(found.azimuth_deg), 90.0 - found.altitude_deg,
                 s=10.0 + 90.0 * brighter, color=ACCENT, alpha=0.55, lw=0)  # fmt: skip
    for azimuth, width, size in found.domes:
        span = np.radians(np.linspace(azimuth - width / 2, azimuth + width / 2, 40))
        axis.plot(span, np.full(40, 87.0), color=INK, lw=3)
        axis.annotate(f"{size:.1f} mag", (math.radians(azimuth), 78.0), fontsize=8, color=INK,
                      ha="center")  # fmt: skip
    axis.grid(color=FAINT, lw=0.5)
    axis.set_title("Where the sky is brighter than the zenith explains", fontsize=10, color=INK)
    figure.supxlabel(
        "The larger the spot, the brighter the sky of that frame", fontsize=8, color=INK
    )
    return _save(figure, path)


def draw_picture_sky(
    pictures: Sequence[LoggedPicture], names: Mapping[int | None, str], path: Path
) -> Path:
    """Path of an all-sky map (equal area) with the places of finished pictures, by their names."""
    spots = spots_of(pictures, names)
    if path.suffix.lower() == ".svg":
        with replacing(path) as temporary:
            temporary.write_text(map_svg(spots, alone=True), encoding="utf-8")
        return path
    figure = _figure(9.0, 4.9)
    axis = figure.subplots()
    axis.set_axis_off()
    axis.set_aspect("equal")
    half = math.sqrt(2.0)
    turn = np.linspace(0.0, 2.0 * math.pi, 181)
    axis.plot(2.0 * half * np.cos(turn), half * np.sin(turn), color=INK, lw=1.0)
    for x, y in grid():
        axis.plot(x, y, color=FAINT, lw=0.5)
    for x, y in pieces(*galactic_circle()):
        axis.plot(x, y, color=INK, lw=16, alpha=0.08, solid_capstyle="butt")
        axis.plot(x, y, color=INK, lw=0.6)
    for x, y in pieces(*ecliptic()):
        axis.plot(x, y, color=INK, lw=0.7, ls=(0, (5, 4)))
    for ra, dec, words in scale_words():
        x, y = project(ra, dec)
        axis.text(float(x), float(y), words, fontsize=7, color=INK, ha="center")
    for number, spot in enumerate(spots):
        east, north = project(spot.ra_deg, spot.dec_deg)
        place = float(east), float(north)
        axis.plot(*place, "o", color=ACCENT, ms=5)
        shift = 7 if number % 2 == 0 else -12
        axis.annotate(spot.name, place, xytext=(5, shift), textcoords="offset points",
                      fontsize=7, color=INK)  # fmt: skip
    count = "One finished picture" if len(spots) == 1 else f"{len(spots)} finished pictures"
    axis.set_title(f"{count}; shaded the Milky Way, dashed the Sun’s way", loc="left",
                   fontsize=10, color=INK)  # fmt: skip
    return _save(figure, path)


def _ratio_column(axis: Axes, reviews: Sequence[Any], column: int, quantity: str) -> None:
    _plain(axis)
    axis.grid(axis="x", color=FAINT, lw=0.4)
    level = reviews[0].rows[column].in_magnitudes
    middle = 0.0 if level else 1.0
    values = []
    for review in reviews:
        row = review.rows[column]
        if row.predicted is None or row.measured is None:
            values.append(math.nan)
        else:
            values.append(row.measured - row.predicted if level else (row.ratio or math.nan))
    shown = np.array(values, dtype=float)
    axis.axvline(middle, color=INK, lw=0.8)
    rows = np.arange(len(values))
    axis.hlines(rows, middle, shown, color=ACCENT, lw=1.2)
    axis.plot(shown, rows, "o", color=ACCENT, ms=4)
    reach = float(np.nanmax(np.abs(shown - middle), initial=0.2)) * 1.2
    axis.set_xlim(middle - reach, middle + reach)
    words = {"Signal to noise of one frame": "signal to noise", "Star width (FWHM)": "star width",
             "Sky": "sky, mag darker", "Light that arrived": "light arrived",
             "Share of frames kept": "frames kept", "Limiting magnitude": "limit, mag fainter",
             "Catalogue stars reached": "stars reached"}  # fmt: skip
    axis.set_title(words.get(quantity, quantity), fontsize=8.5, color=INK)
    axis.tick_params(labelsize=7)


def _figure(width_in: float, height_in: float) -> Figure:
    from matplotlib.figure import Figure

    return Figure(figsize=(width_in, height_in), facecolor=PAPER, layout="constrained")


def _plain(axis: Axes) -> None:
    axis.set_facecolor(PAPER)
    for side in ("top", "right"):
        axis.spines[side].set_visible(False)
    for side in ("bottom", "left"):
        axis.spines[side].set_color(FAINT)
    axis.tick_params(colors=INK)


def _save(figure: Figure, path: Path) -> Path:
    if path.suffix.lower() not in SUFFIXES:
        raise UsageError(f"{path.name}: drawn as .png, .svg or .pdf", "end the name in one of them")
    with replacing(path) as temporary:
        figure.savefig(temporary, dpi=160, format=path.suffix.lower().lstrip("."))
    return path
