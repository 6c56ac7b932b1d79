"""The skyline as a picture: what stands in the way, and which parts of the sky pass above it."""

from __future__ import annotations

from pathlib import Path

import numpy as np

from slowglass.errors import UsageError
from slowglass.frame.atomic import replacing
from slowglass.kit.model import Site
from slowglass.kit.skyline import COMPASS

PICTURE_SUFFIXES = (".svg", ".png", ".pdf")


def picture_kind(path: Path) -> str:
    """The format a picture's name asks for ("svg", "png", "pdf"); else UsageError."""
    if path.suffix.lower() not in PICTURE_SUFFIXES:
        raise UsageError(
            f"{path.name}: a picture cannot be written as {path.suffix or 'that'}",
            f"end the name in {', '.join(PICTURE_SUFFIXES)}",
        )
    return path.suffix.lower()[1:]


def draw_skyline(site: Site, path: Path) -> Path:
    """Path of the panorama of a site's skyline written, as one sees it facing the equator.

    The daily paths of some declinations are drawn above it.
    """
    kind = picture_kind(path)
    from matplotlib.backends.backend_agg import FigureCanvasAgg
    from matplotlib.figure import Figure

    middle = 180.0 if site.latitude_deg >= 0 else 0.0
    az = np.linspace(middle - 180.0, middle + 180.0, 1441)
    alt = site.horizon_alt_deg(az)
    figure = Figure(figsize=(10.0, 4.2), layout="constrained")
    FigureCanvasAgg(figure)
    axes = figure.add_subplot()
    axes.fill_between(az, np.minimum(alt, -2.0), np.maximum(alt, 0.0), color="#4d5a4a", lw=0)
    axes.plot(az, alt, color="#2b332a", lw=1.2)
    sign = 1.0 if site.latitude_deg >= 0 else -1.0
    for dec in (-30.0, 0.0, 30.0, 60.0, 80.0):
        _daily_path(axes, site, sign * dec, middle)
    axes.set_xlim(middle - 180.0, middle + 180.0)
    axes.set_ylim(-2.0, 90.0)
    ticks = np.arange(middle - 180.0, middle + 181.0, 45.0)
    axes.set_xticks(ticks, [f"{COMPASS[int(t % 360 // 22.5)]}\n{t % 360:.0f}°" for t in ticks])
    axes.set_yticks(range(0, 91, 15), [f"{a}°" for a in range(0, 91, 15)])
    axes.grid(color="#d6d2c6", lw=0.6)
    axes.set_axisbelow(True)
    axes.set_title(f"Skyline of {site.name}", loc="left", fontsize=12)
    axes.set_title("dashed: paths of stars at these declinations", loc="right", fontsize=9)
    axes.set_ylabel("altitude")
    with replacing(path) as temporary:
        figure.savefig(temporary, format=kind, dpi=144 if kind == "png" else 72)
    return path


def _daily_path(axes: object, site: Site, dec_deg: float, middle: float) -> None:
    h = np.radians(np.linspace(-180.0, 180.0, 1441))
    d, lat = np.radians(dec_deg), np.radians(site.latitude_deg)
    up = np.sin(d) * np.sin(lat) + np.cos(d) * np.cos(lat) * np.cos(h)
    east = -np.cos(d) * np.sin(h)
    north = np.sin(d) * np.cos(lat) - np.cos(d) * np.sin(lat) * np.cos(h)
    alt = np.degrees(np.arcsin(np.clip(up, -1.0, 1.0)))
    az = (np.degrees(np.arctan2(east, north)) - middle + 180.0) % 360.0 - 180.0 + middle
    order = np.argsort(az) if abs(dec_deg) <= abs(site.latitude_deg) else np.arange(len(az))
    az, alt = az[order], alt[order]
    jump = np.abs(np.diff(az, prepend=az[0])) > 90.0
    axes.plot(  # type: ignore[attr-defined]
        np.where(jump, np.nan, az), np.where(alt > -2.0, alt, np.nan),
        color="#7a5c9e", lw=0.9, ls=(0, (5, 4)),
    )  # fmt: skip
    top = int(np.argmax(alt))
    edge = abs(az[top] - middle) > 170.0
    axes.text(  # type: ignore[attr-defined]
        middle - 177.0 if edge else az[top], min(alt[top] + 1.0, 86.0),
        f"{dec_deg:+.0f}°".replace("-", "−") if dec_deg else "0°",
        color="#7a5c9e", fontsize=8, ha="left" if edge else "center", va="bottom",
    )  # fmt: skip
