"""The picture with coordinates, names and a scale on it, for reading rather than for hanging up."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
import numpy.typing as npt

from slowglass.finish.gradient import Outline
from slowglass.frame.preview import shrink
from slowglass.sky.wcs import TanWcs

if TYPE_CHECKING:
    from slowglass.sky.objects import SkyObject

Eight = npt.NDArray[np.uint8]

LONGEST_PX = 2400
MOST_NAMES = 30
STRIP_SHARE = 0.055
INK, FAINT, PAPER = "#f2ead8", "#9fb3a8", "#15171a"
STEPS_ARCMIN = (1, 2, 5, 10, 15, 20, 30, 60, 120, 300)
RA_STEPS_S = (2, 5, 10, 15, 20, 30, 60, 120, 300, 600, 1200, 3600)


@dataclass(frozen=True)
class Label:
    """An object to name: its ellipse on the picture and its name."""

    outline: Outline
    name: str


def labels_of(
    objects: Sequence[tuple[SkyObject, Outline]], width_px: int, height_px: int
) -> list[Label]:
    """What is worth naming in the picture: its brighter objects, most conspicuous first."""
    inside = [
        (one.mag if one.mag is not None else 16.0 - 0.1 * (one.major_arcmin or 0.0), one, outline)
        for one, outline in objects
        if 0 <= outline.x_px < width_px and 0 <= outline.y_px < height_px
    ]
    inside.sort(key=lambda entry: (not entry[1].named, entry[0]))
    return [Label(outline, one.name) for _, one, outline in inside[:MOST_NAMES]]


def annotate(
    picture: Eight, wcs: TanWcs | None, labels: Sequence[Label], *, title: str, facts: str
) -> Eight:
    """An 8-bit RGB picture with grid, names, scale bar and compass, a caption strip below.

    Without coordinates only the strip is added. At most ``LONGEST_PX`` wide or high.
    """
    from matplotlib.backends.backend_agg import FigureCanvasAgg
    from matplotlib.figure import Figure

    colour = picture if picture.ndim == 3 else np.repeat(picture[..., None], 3, axis=2)
    share = min(1.0, LONGEST_PX / max(colour.shape[:2]))
    small = np.rint(shrink(colour, LONGEST_PX)).astype(np.uint8) if share < 1.0 else colour
    height, width = small.shape[:2]
    strip = max(44, round(STRIP_SHARE * width))
    figure = Figure(figsize=(width / 100, (height + strip) / 100), dpi=100, facecolor=PAPER)
    canvas = FigureCanvasAgg(figure)
    axes = figure.add_axes((0, strip / (height + strip), 1, height / (height + strip)))
    axes.imshow(small, interpolation="nearest", aspect="auto")
    axes.set_xlim(-0.5, width - 0.5)
    axes.set_ylim(height - 0.5, -0.5)
    axes.set_axis_off()
    size = float(np.clip(width / 150, 6.5, 13))
    if wcs is not None:
        drawing = _Drawing(axes, wcs, share, width, height, size)
        drawing.grid()
        drawing.objects(labels)
        drawing.scale_bar()
        drawing.compass()
    middle = 0.5 * strip / (height + strip)
    figure.text(0.012, middle, title, color=INK, fontsize=1.35 * size, va="center", weight="bold")
    figure.text(0.988, middle, facts, color=FAINT, fontsize=size, va="center", ha="right")
    canvas.draw()
    drawn = np.asarray(canvas.buffer_rgba())[..., :3]
    return np.ascontiguousarray(drawn)


@dataclass
class _Drawing:
    axes: Any
    wcs: TanWcs
    share: float
    width: int
    height: int
    size: float

    def _at(self, x_px: Any, y_px: Any) -> tuple[Any, Any]:
        return (np.asarray(x_px) + 0.5) * self.share - 0.5, (
            np.asarray(y_px) + 0.5
        ) * self.share - 0.5

    def _place(self, ra: Any, dec: Any) -> tuple[Any, Any]:
        return self._at(*self.wcs.sky_to_pixel(ra, dec))

    def _write(self, x: float, y: float, text: str, **style: Any) -> None:
        from matplotlib.patheffects import withStroke

        options = {"color": INK, "fontsize": self.size, "clip_on": True} | style
        effects = [withStroke(linewidth=0.25 * self.size, foreground=PAPER, alpha=0.75)]
        self.axes.text(x, y, text, path_effects=effects, **options)

    def _frame_sky(self) -> tuple[Any, Any]:
        """Coordinates around the picture's border."""
        w, h = self.width / self.share - 1, self.height / self.share - 1
        t = np.linspace(0, 1, 50)
        x = np.concatenate([w * t, np.full(50, w), w * t, np.zeros(50)])
        y = np.concatenate([np.zeros(50), h * t, np.full(50, h), h * t])
        return self.wcs.pixel_to_sky(x, y)

    def grid(self) -> None:
        """Lines of right ascension and declination, named where they meet the edge."""
        ra, dec = self._frame_sky()
        ra = ra[0] + (ra - ra[0] + 180.0) % 360.0 - 180.0
        low, high = float(dec.min()), float(dec.max())
        pole = [s for s in (-1.0, 1.0) if self._holds_pole(s)]
        if pole:
            low, high = (low, 90.0) if pole[0] > 0 else (-90.0, high)
            ra = np.array([0.0, 360.0])
        dec_step = _nice((high - low) * 60.0 / 4.0, STEPS_ARCMIN) / 60.0
        for value in np.arange(np.ceil(low / dec_step), np.floor(high / dec_step) + 1) * dec_step:
            along = np.linspace(ra.min() - 1e-6, ra.max() + 1e-6, 200)
            self._line(*self._place(along, np.full(200, value)), _dec_text(value, dec_step))
        ra_step = _nice(float(np.ptp(ra)) * 240.0 / 4.0, RA_STEPS_S) / 240.0
        first, last = np.ceil(ra.min() / ra_step), np.floor(ra.max() / ra_step)
        for value in np.arange(first, last + (0 if pole else 1)) * ra_step:
            along = np.linspace(max(low, -89.99), min(high, 89.99), 200)
            self._line(*self._place(np.full(200, value), along), _ra_text(value, ra_step))

    def _holds_pole(self, sign: float) -> bool:
        x, y = self._place(0.0, 90.0 * sign)
        return bool(
            np.isfinite(x) and np.isfinite(y) and 0 <= x < self.width and 0 <= y < self.height
        )

    def _line(self, x: Any, y: Any, text: str) -> None:
        inside = np.isfinite(x) & np.isfinite(y)
        inside &= (x > -0.5) & (x < self.width - 0.5) & (y > -0.5) & (y < self.height - 0.5)
        if inside.sum() < 2:
            return
        x, y = np.where(inside, x, np.nan), np.where(inside, y, np.nan)
        self.axes.plot(x, y, color=FAINT, linewidth=0.07 * self.size, alpha=0.45)
        # named at the end nearer to the left or the top edge, reading along the line
        ends = np.flatnonzero(inside)[[0, -1]]
        k = min(ends, key=lambda i: min(x[i], y[i]))
        if y[k] > self.height - 6 * self.size:
            return  # the scale bar's place
        pad = 0.6 * self.size
        left = x[k] <= y[k]
        self._write(
            float(np.clip(x[k] + pad, 2, self.width - 8 * self.size)),
            float(np.clip(y[k] - (pad * 0.5 if left else -pad * 2.2), 2 * self.size, self.height)),
            text,
            color=FAINT,
            fontsize=0.85 * self.size,
        )

    def objects(self, labels: Sequence[Label]) -> None:
        """Ellipses and names; a name that would fall onto another is left out."""
        from matplotlib.patches import Ellipse

        taken: list[tuple[float, float]] = []
        for label in labels:
            one = label.outline
            x, y = (float(v) for v in self._at(one.x_px, one.y_px))
            long, short = (
                max(v * self.share, 0.9 * self.size) for v in (one.long_px, one.short_px)
            )
            self.axes.add_patch(
                Ellipse(
                    (x, y), 2 * long, 2 * short, angle=one.angle_deg, fill=False,
                    edgecolor=INK, linewidth=0.1 * self.size, alpha=0.7,
                )
            )  # fmt: skip
            turn = np.radians(one.angle_deg)
            up = float(np.hypot(long * np.sin(turn), short * np.cos(turn)))
            spot = (x, y - up - 0.6 * self.size)
            if spot[1] < 2 * self.size:
                spot = (x, y + up + 2.2 * self.size)
            if not 2 * self.size < spot[1] < self.height - self.size:
                spot = (x, y)
            if any(abs(spot[0] - a) < 9 * self.size and abs(spot[1] - b) < 2.2 * self.size
                   for a, b in taken):  # fmt: skip
                continue
            taken.append(spot)
            self._write(*spot, label.name, ha="center")

    def scale_bar(self) -> None:
        """A bar of a round length, bottom left."""
        arcmin_px = self.wcs.scale_arcsec_per_px / self.share / 60.0
        wanted = 0.18 * self.width * arcmin_px
        steps = (0.1, 0.2, 0.5, 1, 2, 5, 10, 15, 20, 30, 60, 120)
        length = max((s for s in steps if s <= wanted), default=steps[0])
        x0, y0 = 2.5 * self.size, self.height - 3.0 * self.size
        x1 = x0 + length / arcmin_px
        for colour, width in ((PAPER, 0.45), (INK, 0.2)):
            self.axes.plot([x0, x1], [y0, y0], color=colour, linewidth=width * self.size)
        text = f"{length:g}′" if length >= 1 else f"{length * 60:g}″"
        self._write((x0 + x1) / 2, y0 - 0.8 * self.size, text, ha="center")

    def compass(self) -> None:
        """North and east, bottom right."""
        w, h = self.width / self.share, self.height / self.share
        x, y = (w - 1) / 2, (h - 1) / 2
        ra, dec = (float(v) for v in self.wcs.pixel_to_sky(x, y))
        step = 5.0 * self.wcs.scale_arcsec_per_px / 3600.0
        base = np.array([self.width - 8 * self.size, self.height - 8 * self.size])
        east_ra = ra + step / max(np.cos(np.radians(dec)), 1e-6)
        for place, word in (((ra, min(dec + step, 90.0)), "N"), ((east_ra, dec), "E")):
            px, py = (float(v) for v in self.wcs.sky_to_pixel(*place))
            way = np.array([px - x, py - y]) / max(np.hypot(px - x, py - y), 1e-9)
            tip = base + 4.0 * self.size * way
            self.axes.annotate(
                "", tip, base,
                arrowprops={"arrowstyle": "-|>", "color": INK, "lw": 0.12 * self.size,
                            "shrinkA": 0, "shrinkB": 0},
            )  # fmt: skip
            spot = base + 5.8 * self.size * way
            self._write(float(spot[0]), float(spot[1]), word, ha="center", va="center")


def _nice(wanted: float, steps: Sequence[float]) -> float:
    return float(min(steps, key=lambda s: abs(np.log(s / max(wanted, 1e-9)))))


def _dec_text(value: float, step: float) -> str:
    minutes = round(abs(value) * 60.0)
    sign = "−" if value < 0 else "+"
    text = f"{sign}{minutes // 60}°"
    return text if step >= 1 else f"{text}{minutes % 60:02d}′"


def _ra_text(value: float, step: float) -> str:
    seconds = round((value % 360.0) * 240.0) % 86400
    text = f"{seconds // 3600}h{seconds // 60 % 60:02d}m"
    return text if step * 240.0 >= 60 else f"{text}{seconds % 60:02d}s"
