"""A series as one picture: star width, wandering and the drive's swing, field map, causes."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from slowglass.frame.atomic import replacing
from slowglass.judge.report import SeriesReport
from slowglass.judge.sample import Sample, offsets_arcsec
from slowglass.judge.silence import Silence
from slowglass.kit.picture import picture_kind

if TYPE_CHECKING:
    from matplotlib.axes import Axes

INK, PALE, BLUE, RED, GREEN = "#2b2b33", "#d6d2c6", "#2f5f8f", "#a8432f", "#3f7a4a"
USUAL_S = 60.0


def draw_series(report: SeriesReport, path: Path) -> Path:
    """Path of the picture of a series written, as .svg, .png or .pdf."""
    kind = picture_kind(path)
    from matplotlib.backends.backend_agg import FigureCanvasAgg
    from matplotlib.figure import Figure

    figure = Figure(figsize=(11.0, 8.2), layout="constrained")
    FigureCanvasAgg(figure)
    grid = figure.add_gridspec(2, 2, width_ratios=(1.55, 1.0))
    _widths(figure.add_subplot(grid[0, 0]), report)
    _wandering(figure.add_subplot(grid[1, 0]), report)
    if report.curve:
        _curve(figure.add_subplot(grid[0, 1]), report)
    else:
        _field(figure.add_subplot(grid[0, 1]), report)
    _causes(figure.add_subplot(grid[1, 1]), report)
    solved = f"{report.solved} solved, {report.keepers} to keep"
    figure.suptitle(f"{report.frames} frames: {solved}", x=0.01, ha="left", fontsize=13)
    with replacing(path) as temporary:
        figure.savefig(temporary, format=kind, dpi=120 if kind == "png" else 72)
    return path


def _start(run: Sequence[Sample]) -> float:
    return min((s.mid_s for s in run if s.mid_s is not None), default=0.0)


def _dress(axes: Axes, title: str, note: str = "") -> None:
    axes.set_title(title, loc="left", fontsize=11, color=INK)
    if note:
        axes.set_title(note, loc="right", fontsize=8, color=INK)
    axes.grid(color=PALE, lw=0.6)
    axes.set_axisbelow(True)
    for side in ("top", "right"):
        axes.spines[side].set_visible(False)


def _wrapped(text: str, width: int) -> list[str]:
    import textwrap

    return textwrap.wrap(text, width)[:3]


def _silent(axes: Axes, reason: str) -> None:
    axes.text(
        0.5, 0.5, "\n".join(_wrapped(reason, 40)), transform=axes.transAxes,
        ha="center", va="center", fontsize=9, color=INK,
    )  # fmt: skip
    axes.set_xticks([])
    axes.set_yticks([])


def _widths(axes: Axes, report: SeriesReport) -> None:
    known = [s for s in report.run if s.hfd_px is not None and s.mid_s is not None]
    _dress(axes, "Half-flux diameter")
    if len(known) < 2:
        _silent(axes, "too few frames with a star width and a time")
        return
    start = _start(report.run)
    minutes = np.array([((s.mid_s or 0.0) - start) / USUAL_S for s in known])
    hfd = np.array([s.hfd_px for s in known], dtype=np.float64)
    axes.plot(minutes, hfd, "o", color=BLUE, ms=4)
    if report.focus:
        middle = float(np.median(hfd - report.focus.slope_px_per_hour * minutes / 60.0))
        line = middle + report.focus.slope_px_per_hour * minutes / 60.0
        axes.plot(minutes, line, color=RED if report.focus.creeping else GREEN, lw=1.4)
    axes.set_ylim(0.0, 1.15 * float(hfd.max()))
    axes.set_xlabel("minutes")
    axes.set_ylabel("px")


def _wandering(axes: Axes, report: SeriesReport) -> None:
    placed = [s for s in report.field_run if s.placed]
    if len(placed) < 3:
        _dress(axes, "Wandering")
        _silent(axes, "fewer than three solved frames with a time")
        return
    _, east, north = offsets_arcsec(placed)
    start = _start(report.run)
    minutes = np.array([((s.mid_s or 0.0) - start) / USUAL_S for s in placed])
    axes.plot(minutes, east, "o", color=BLUE, ms=4, label="RA (east up)")
    axes.plot(minutes, north, "s", color=GREEN, ms=3.5, mfc="none", label="Dec (north up)")
    note = ""
    if report.worm:
        worm = report.worm
        cos_dec = np.cos(np.radians(np.median([s.dec_deg or 0.0 for s in placed])))
        first = (worm.start_s - start) / USUAL_S
        fine = np.linspace(minutes[0], minutes[-1], 800)
        swing = cos_dec * (
            worm.path_arcsec((fine - first) * USUAL_S) + worm.drift_arcsec_per_min * (fine - first)
        )
        at = cos_dec * (
            worm.path_arcsec((minutes - first) * USUAL_S)
            + worm.drift_arcsec_per_min * (minutes - first)
        )
        axes.plot(fine, swing + float(np.median(east - at)), color=RED, lw=1.2, label="worm fitted")
        low, high = worm.teeth_range
        note = (
            f"{worm.peak_to_peak_arcsec:.1f}″ ± {worm.peak_to_peak_error_arcsec:.1f}″ every "
            f"{worm.period_s:.1f} ± {worm.period_error_s:.1f} s: "
            + (f"{low}" if low == high else f"{low} to {high}")
            + " teeth"
        )
        if report.hold:
            note += (
                f"\n{report.hold.keep_50_s:.0f}, {report.hold.keep_80_s:.0f}, "
                f"{report.hold.keep_90_s:.0f} s keep 50, 80, 90 % of the frames"
            )
    _dress(axes, "Wandering", note)
    axes.set_xlabel("minutes")
    axes.set_ylabel("arcsec on the sky")
    axes.legend(fontsize=8, frameon=False, loc="best")


def _field(axes: Axes, report: SeriesReport) -> None:
    axes.set_title("Star width over the frame (FWHM, px)", loc="left", fontsize=11, color=INK)
    if isinstance(report.field, Silence):
        _silent(axes, report.field.reason)
        return
    widths = np.array(report.field.widths_px)
    base = float(widths.min())
    axes.imshow(
        widths, cmap="YlOrBr", vmin=base * 0.98, vmax=max(1.3 * base, float(widths.max())),
        aspect=0.67, origin="upper",
    )  # fmt: skip
    for row in range(3):
        for column in range(3):
            axes.text(
                column, row, f"{widths[row, column]:.2f}", ha="center", va="center", color=INK
            )
    axes.set_xticks([])
    axes.set_yticks([])
    axes.set_xlabel("\n".join(_wrapped(report.field.text, 52)), fontsize=8)


def _curve(axes: Axes, report: SeriesReport) -> None:
    curve = report.curve
    if not curve:
        return
    positions = np.array(report.positions)
    hfd = np.array([np.nan if s.hfd_px is None else s.hfd_px for s in report.in_order])
    _dress(axes, "Focus, turned by hand")
    axes.plot(positions, hfd, "o", color=BLUE, ms=4)
    fine = np.linspace(positions.min(), positions.max(), 300)
    axes.plot(
        fine,
        np.hypot(curve.best_hfd_px, curve.slope_px_per_unit * (fine - curve.best)),
        color=RED,
        lw=1.3,
    )
    axes.axvspan(
        curve.best - curve.best_error, curve.best + curve.best_error, color=GREEN, alpha=0.2, lw=0
    )
    axes.set_ylim(0.0, 1.1 * float(np.nanmax(hfd)))
    axes.set_xlabel("\n".join([f"{curve.unit}s", *_wrapped(curve.text, 50)]), fontsize=8)
    axes.set_ylabel("half-flux diameter, px")


def _causes(axes: Axes, report: SeriesReport) -> None:
    _dress(axes, "What stretches the stars")
    known: list[Any] = [c for c in report.causes if c]
    if not known:
        _silent(axes, "too few stars were measured")
        return
    total: dict[str, float] = {}
    for cause in known:
        for name, chance in cause.odds:
            total[name] = total.get(name, 0.0) + chance / len(known)
    # A trace of a probability is no bar.
    names = [n for n in sorted(total, key=lambda n: total[n])[-6:] if total[n] >= 0.01]
    axes.barh(names, [100.0 * total[n] for n in names], color=BLUE, height=0.55)
    axes.set_xlim(0.0, 100.0)
    axes.set_xlabel("mean probability over the frames, %")
