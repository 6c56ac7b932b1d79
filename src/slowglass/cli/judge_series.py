"""The terminal's words for a series of judged frames."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

from slowglass.cli.common import console, facts
from slowglass.cli.words import count_text

if TYPE_CHECKING:
    from slowglass.judge.report import SeriesReport
    from slowglass.judge.sky import SkyLight
    from slowglass.judge.verdict import Verdict


def show_series(report: SeriesReport, judged: Sequence[Verdict]) -> None:
    """Print what the frames say together, and which frames suffered from what."""
    rows = [("frames", f"{report.frames}, {report.solved} placed, {report.keepers} to keep")]
    rows.append(("focus", _words(report.focus)))
    if report.curve is not None:
        rows.append(("best focus", _words(report.curve)))
    rows += [
        ("over the frame", _words(report.field)),
        ("drift", _words(report.drift)),
        ("RA drive", _words(report.worm)),
    ]
    if report.hold:
        hold = report.hold
        rows.append(
            (
                "hold times",
                f"{hold.keep_50_s:.0f} s keep half of the frames, {hold.keep_80_s:.0f} s keep "
                f"80 %, {hold.keep_90_s:.0f} s keep 90 %; {hold.exposure_s:.0f} s keep "
                f"{hold.quiet_share:.0%}",
            )
        )
    rows.append(("polar axis", _words(report.axis)))
    if report.axis:
        rows += [("bolts", "; ".join(report.axis.bolts))]
    rows.append(("light", _words(report.clouds)))
    if report.sky_mag_arcsec2 is not None:
        rows.append(("sky", f"{report.sky_mag_arcsec2:.2f} mag/arcsec²"))
    rows.append(("next exposure", _words(report.exposure)))
    rows += _causes(report, judged)
    out = console()
    out.print()
    out.print(facts("Together", rows))


def light_words(light: SkyLight) -> str:
    """Where the sky lies in the range, which colours clip, what read noise and air take."""
    parts = []
    if light.histogram_share is not None:
        parts.append(f"sky at {light.histogram_share:.0%}")
    cores = {name: count for name, count in (light.clipped_stars or {}).items() if count}
    if cores:
        each = ", ".join(f"{name} {count}" for name, count in cores.items())
        parts.append(f"clipped star cores: {each}")
    if light.read_noise_share is not None:
        parts.append(f"read noise is {light.read_noise_share:.0%} of the background")
    if light.transparency is not None:
        parts.append(f"{min(light.transparency, 1.0):.0%} of the promised light arrived")
    return "; ".join(parts) or "–"


def _words(part: Any) -> str:
    return str(part.text if part else part.reason)


def _causes(report: SeriesReport, judged: Sequence[Verdict]) -> list[tuple[str, str]]:
    """The causes found, each with its frames."""
    found = Counter(c.name for c in report.causes if c and c.name != "round")
    rows: list[tuple[str, str]] = []
    for name, count in found.most_common(3):
        spoilt = [
            (Path(judged[place].file).name, cause)
            for place, cause in zip(report.order, report.causes, strict=True)
            if cause and cause.name == name
        ]
        worst, cause = max(spoilt, key=lambda pair: pair[1].probability)
        rows.append(
            (
                "cause" if not rows else "",
                f"{cause.text} in {count_text(count, 'frame')} (clearest: {worst}). {cause.advice}",
            )
        )
    return rows
