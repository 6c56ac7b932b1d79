"""A chart as a file: SVG as text, PNG and PDF through matplotlib."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Any

from slowglass.errors import UsageError
from slowglass.find.chart import Chart, Disc, Label, Line
from slowglass.find.svg import STYLES, Style, StyleName, svg_text
from slowglass.frame.atomic import replacing

if TYPE_CHECKING:
    from matplotlib.axes import Axes

SUFFIXES = (".svg", ".png", ".pdf")


def write_chart(chart: Chart, path: Path, *, style: StyleName = "paper") -> Path:
    """Write the chart as .svg, .png or .pdf, by the name's ending; returns the path written."""
    suffix = path.suffix.lower()
    if suffix not in SUFFIXES:
        raise UsageError(
            f"{path.name}: a chart cannot be written as {suffix or 'that'}",
            "end the name in .svg, .png or .pdf",
        )
    with replacing(path) as temporary:
        if suffix == ".svg":
            temporary.write_text(svg_text(chart, style), encoding="utf-8")
        else:
            _paint(chart, STYLES[style], temporary, suffix[1:])
    return path


def _paint(chart: Chart, look: Style, path: Path, kind: str) -> None:
    from matplotlib.backends.backend_agg import FigureCanvasAgg
    from matplotlib.figure import Figure

    figure = Figure(figsize=(chart.width / 72.0, chart.height / 72.0), facecolor=look.page)
    FigureCanvasAgg(figure)
    axes: Any = figure.add_axes((0.0, 0.0, 1.0, 1.0))
    axes.set_xlim(0.0, chart.width)
    axes.set_ylim(chart.height, 0.0)
    axes.axis("off")
    paint_sky(axes, chart, look)
    for mark in chart.page_marks:
        _add_mark(axes, mark, look, None, 1.0)
    figure.savefig(path, format=kind, dpi=144 if kind == "png" else 72)


def paint_sky(axes: Axes, chart: Chart, look: Style, *, points_per_unit: float = 1.0) -> None:
    """The sky of a chart on axes that count its units, y down.

    ``points_per_unit`` is how large a unit comes out, for the widths of lines and letters.
    """
    from matplotlib.collections import EllipseCollection
    from matplotlib.patches import Circle, Rectangle

    x, y, w, h = chart.sky_box
    edge: dict[str, Any] = {
        "facecolor": look.sky,
        "edgecolor": look.colours["edge"],
        "linewidth": points_per_unit,
    }
    clip: Any
    if chart.round:
        clip = Circle((x + w / 2, y + h / 2), w / 2, **edge)
    else:
        clip = Rectangle((x, y), w, h, **edge)
    axes.add_patch(clip)
    discs = [mark for mark in chart.sky_marks if isinstance(mark, Disc)]
    if discs:
        size = [2.0 * mark.radius for mark in discs]
        stars = EllipseCollection(
            size,
            size,
            [0.0] * len(discs),
            units="xy",
            offsets=[(mark.x, mark.y) for mark in discs],
            offset_transform=axes.transData,
            facecolor=look.colours["star"],
            edgecolor=look.sky,
            linewidth=0.8 * points_per_unit,
            zorder=2,
        )
        stars.set_clip_path(clip)
        axes.add_collection(stars)
    for mark in chart.sky_marks:
        if not isinstance(mark, Disc):
            _add_mark(axes, mark, look, clip, points_per_unit)
    for rose in chart.roses:
        for mark in rose.marks:
            _add_mark(axes, mark, look, None, points_per_unit)


def _add_mark(axes: Any, mark: Any, look: Style, clip: Any, points_per_unit: float) -> None:
    from matplotlib.patches import Circle, Polygon

    colour = look.colours[mark.role]
    if isinstance(mark, Label):
        axes.text(
            mark.x,
            mark.y,
            mark.text,
            color=colour,
            fontsize=mark.size * 0.9 * points_per_unit,
            ha={"start": "left", "middle": "center", "end": "right"}[mark.align],
            va="baseline",
            weight="bold" if mark.bold else "normal",
            family="serif",
            zorder=3,
        )
        return
    if isinstance(mark, Line):
        item: Any = Polygon(
            mark.points,
            closed=mark.closed,
            fill=False,
            edgecolor=colour,
            linewidth=mark.width * points_per_unit,
            linestyle="--" if mark.dashed else "-",
            zorder=1.5 if mark.role in ("figure", "border", "ground") else 2.5,
        )
    else:
        item = Circle((mark.x, mark.y), mark.radius, facecolor=colour, zorder=2)
    axes.add_patch(item)
    if clip is not None:
        item.set_clip_path(clip)
