"""Write ``docs/real-frames.md``: what Slowglass makes of every real frame, measured now.

    python builders/real_frames_table.py

Solves run on copies whose headers were stripped of every trace of a solution.
"""

from __future__ import annotations

import tempfile
import warnings
from pathlib import Path

from real_frames import (
    CALIBRATION,
    COLOUR_CHART,
    FOURTEEN_INCH,
    M13,
    ONE_METRE,
    ROOT,
    Case,
    centre_error_px,
    finish_sets,
    frames_folder,
    label,
    solve_cases,
    stripped_copy,
)

from slowglass.finish.service import finish_path
from slowglass.frame.io import read_frame
from slowglass.judge.series import judge_series
from slowglass.judge.service import judge_file, judge_paths
from slowglass.judge.verdict import Verdict
from slowglass.sky.place import resolve_place
from slowglass.sky.store import Sky, open_sky

OUT = ROOT / "docs" / "real-frames.md"
DASH = "–"


def shown(value: float | None, digits: int = 2) -> str:
    """A number for a table cell, or a dash."""
    return DASH if value is None else f"{value:.{digits}f}"


def options_of(case: Case, sky: Sky) -> dict:
    """The case's options with its place resolved."""
    options = dict(case.options)
    if "near" in options:
        options["near"] = resolve_place(options["near"], sky)
    return options


def solve_row(case: Case, verdict: Verdict) -> str:
    """One line of the solve table."""
    error = None
    if verdict.solved and case.truth is not None:
        error = centre_error_px(case.truth, verdict.ra_deg, verdict.dec_deg)
    answer = "solved" if verdict.solved else verdict.reason
    cells = (
        case.name,
        case.prior_text,
        str(verdict.stars),
        shown(verdict.fwhm_px),
        shown(verdict.elongation),
        shown(verdict.sky_adu, 4 if (verdict.sky_adu or 9) < 1 else 0),
        str(verdict.matched) if verdict.solved else DASH,
        shown(error),
        shown(verdict.odds_log10, 1),
        shown(verdict.seconds),
        answer,
    )
    return f"| {' | '.join(cells)} |"


def judge_row(name: str, verdict: Verdict) -> str:
    """One line of the judging table."""
    cells = (
        name,
        verdict.kind,
        str(verdict.stars),
        shown(verdict.fwhm_px),
        shown(verdict.elongation),
        shown(verdict.sky_adu, 0),
        "yes" if verdict.keeper else "no",
        "; ".join(verdict.reasons) or DASH,
        verdict.instruction,
    )
    return f"| {' | '.join(cells)} |"


def finish_lines(folder: Path, work: Path, sky: Sky) -> list[str]:
    """What finishing each real series gave."""
    lines = [
        "| series | frames in | used | rejected | S/N gain | FWHM px | s | peak MB |",
        "|---|---|---|---|---|---|---|---|",
    ]
    for name, files in finish_sets().items():
        lights = work / f"finish-{len(lines)}"
        lights.mkdir(parents=True)
        for file in files:
            (lights / file).symlink_to(folder / file)
        result = finish_path(lights, work / f"out-{len(lines)}" / "picture.fits", sky=sky)
        rejected = "; ".join(f"{r.file}: {r.reason}" for r in result.rejected) or DASH
        lines.append(
            f"| {name} | {result.frames_in} | {result.frames_used} | {rejected} | "
            f"{shown(result.snr_gain)} | {shown(result.fwhm_px)} | {shown(result.seconds, 1)} | "
            f"{shown(result.peak_memory_mb, 0)} |"
        )
    return lines


def chart_lines(folder: Path) -> list[str]:
    """The camera-raw file: mosaic, levels, channel means."""
    frame = read_frame(folder / COLOUR_CHART)
    assert frame.bayer is not None
    means = ", ".join(
        f"{colour} {frame.pixels[k // 2 :: 2, k % 2 :: 2].mean():.0f}"
        for k, colour in enumerate(frame.bayer)
    )
    return [
        f"`{COLOUR_CHART}`: {frame.width_px} × {frame.height_px} px, mosaic {frame.bayer}, black "
        f"{frame.black_adu:.0f} subtracted, clipping at {frame.white_adu:.0f} above it, exposure "
        f"{'not stated' if frame.header.exposure_s is None else frame.header.exposure_s}; "
        f"channel means {means} ADU.",
    ]


def main() -> None:
    """Measure everything and write the page."""
    folder = frames_folder()
    if folder is None:
        raise SystemExit("no real frames: set SLOWGLASS_FRAMES to their folder")
    sky = open_sky()
    lines = [
        "# Real frames",
        "",
        "What Slowglass makes of public test frames, written by `builders/real_frames_table.py`;",
        "`tests/judge/test_real_frames.py` holds the same cases to their limits. The frames are",
        "not part of the project. Headers were stripped of their solutions before solving; the",
        "centre error is against the frame's published solution. Seconds are of a busy two-core",
        "machine.",
        "",
        "## Solving",
        "",
        "| frame | told | stars | FWHM px | elongation | sky ADU | matched | centre error px "
        "| log10 odds | s | answer |",
        "|---|---|---|---|---|---|---|---|---|---|---|",
    ]
    with tempfile.TemporaryDirectory() as name:
        work = Path(name)
        judge_file(stripped_copy(folder / M13[0], work / "warm.fits"), sky)  # loads the libraries
        for case in solve_cases(folder):
            copy = stripped_copy(folder / case.file, work / "frame.fits", case.rearrange)
            verdict = judge_file(copy, sky, **options_of(case, sky))
            lines.append(solve_row(case, verdict))
            print(lines[-1], flush=True)

        lines += [
            "",
            "## Judging",
            "",
            "| frame | kind | stars | FWHM px | elongation | sky ADU | keeper | why not "
            "| do next |",
            "|---|---|---|---|---|---|---|---|---|",
        ]
        for series in (ONE_METRE, M13, FOURTEEN_INCH, tuple(CALIBRATION)):
            verdicts = list(judge_paths([folder / file for file in series], sky))
            judged = judge_series(verdicts)
            for file, verdict in zip(series, judged.verdicts, strict=True):
                lines.append(judge_row(label(file), verdict))
                print(lines[-1], flush=True)

        lines += ["", "## Finishing", "", *finish_lines(folder, work, sky)]
    lines += ["", "## Camera raw", "", *chart_lines(folder), ""]
    OUT.parent.mkdir(exist_ok=True)
    OUT.write_text("\n".join(lines), encoding="utf-8")
    print(f"wrote {OUT}")


if __name__ == "__main__":
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        main()
