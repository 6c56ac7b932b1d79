"""A chart as a file: SVG as text, PNG and PDF through matplotlib."""

from __future__ import annotations

from pathlib import Path
from typing import Any

from slowglass.errors import UsageError
from slowglass.find.chart import Chart, Disc, Label
from slowglass.find.svg import STYLES, Style, StyleName, svg_text
from slowglass.frame.atomic import replacing


def write_chart(chart: Chart, path: Path, *, style: StyleName = "paper") -> Path:
    """Write the chart as .svg, .png or .pdf, by the name's ending; returns the path written."""
    suffix = path.suffix.lower()
    if suffix not in {".svg", ".png", ".pdf"}:
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
    from matplotlib.patches import Circle, Polygon, Rectangle

    figure = Figure(figsize=(chart.width / 72.0, chart.height / 72.0), facecolor=look.page)
    FigureCanvasAgg(figure)
    axes: Any = figure.add_axes((0.0, 0.0, 1.0, 1.0))
    axes.set_xlim(0.0, chart.width)
    axes.set_ylim(chart.height, 0.0)
    axes.axis("off")
    x, y, w, h = chart.sky_box
    box = Rectangle((x, y), w, h, facecolor=look.sky, edgecolor=look.colours["edge"], linewidth=1)
    axes.add_patch(box)
    marks = [(mark, True) for mark in chart.sky_marks]
    marks += [(mark, False) for mark in chart.page_marks]
    for mark, in_sky in marks:
        colour = look.colours[mark.role]
        if isinstance(mark, Disc):
            item: Any = Circle(
                (mark.x, mark.y),
                mark.radius,
                facecolor=colour,
                edgecolor=look.sky,
                linewidth=0.8,
                zorder=2,
            )
        elif isinstance(mark, Label):
            axes.text(
                mark.x,
                mark.y,
                mark.text,
                color=colour,
                fontsize=mark.size * 0.9,
                ha={"start": "left", "middle": "center", "end": "right"}[mark.align],
                va="baseline",
                weight="bold" if mark.bold else "normal",
                family="serif",
                zorder=3,
            )
            continue
        else:
            item = Polygon(
                mark.points,
                closed=mark.closed,
                fill=False,
                edgecolor=colour,
                linewidth=mark.width,
                linestyle="--" if mark.dashed else "-",
                zorder=2,
            )
        axes.add_patch(item)
        if in_sky:
            item.set_clip_path(box)
    figure.savefig(path, format=kind, dpi=144 if kind == "png" else 72)
