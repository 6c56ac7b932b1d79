"""A weighing as a picture: for each class of objects a bar a kit, from done at once to never."""

from __future__ import annotations

from pathlib import Path
from typing import Any

from slowglass.choose.weigh import GONE, ClassCount
from slowglass.choose.weigh_service import Weighing
from slowglass.frame.atomic import replacing
from slowglass.kit.picture import picture_kind

COLOURS = {
    "in one exposure": "#1f4e79",
    "in one night": "#4a7fae",
    "too small": "#d8c9a3",
    "too large": "#c9a45c",
    "mount": "#b3602f",
    "too faint": "#8c8478",
}
BAR = 0.8
"""Height of all bars of a class together, of the room between classes."""


def draw_weighing(weighing: Weighing, path: Path) -> Path:
    """Path of the picture written (.svg, .png, .pdf)."""
    kind = picture_kind(path)
    from matplotlib.backends.backend_agg import FigureCanvasAgg
    from matplotlib.figure import Figure
    from matplotlib.patches import Patch

    kits = weighing.kits
    classes = len(kits[0].classes)
    figure = Figure(figsize=(10.0, 1.3 + classes * (0.35 + 0.27 * len(kits))), layout="constrained")
    FigureCanvasAgg(figure)
    axes: Any = figure.add_subplot()
    height = BAR / len(kits)
    for k, kit in enumerate(kits):
        for c, count in enumerate(kit.classes):
            y = c - BAR / 2.0 + (k + 0.5) * height
            left = 0.0
            for name, share in _shares(count):
                axes.barh(y, share, left=left, height=0.9 * height, color=COLOURS[name], lw=0)
                left += share
            axes.text(
                0.005,
                y,
                f"{kit.facts.name}: {count.done} of {count.up}",
                color="white" if count.share > 0.12 else "black",
                fontsize=8.5,
                va="center",
            )
    axes.set_yticks(range(classes), [count.name for count in kits[0].classes])
    axes.set_ylim(classes - 0.5, -0.5)
    axes.set_xlim(0.0, 1.0)
    axes.set_xticks([0.0, 0.25, 0.5, 0.75, 1.0], ["0", "25 %", "50 %", "75 %", "100 %"])
    axes.spines[["top", "right", "left"]].set_visible(False)
    axes.tick_params(axis="y", length=0)
    axes.set_title(f"A year at {weighing.site}", loc="left", fontsize=12)
    axes.set_xlabel("share of the objects that come up")
    handles = [
        Patch(color=colour, label="mount not steady" if name == "mount" else name)
        for name, colour in COLOURS.items()
    ]
    figure.legend(
        handles=handles, loc="outside lower center", ncols=len(handles), frameon=False, fontsize=9
    )
    with replacing(path) as temporary:
        figure.savefig(temporary, format=kind, dpi=144 if kind == "png" else 72)
    return path


def _shares(count: ClassCount) -> list[tuple[str, float]]:
    """Parts of a bar, left to right, of those objects that come up at all."""
    if not count.up:
        return []
    parts = [("in one exposure", count.one_exposure), ("in one night", count.one_night)]
    parts += [(word, count.why.get(word, 0)) for word in COLOURS if word in GONE]
    return [(name, n / count.up) for name, n in parts]
