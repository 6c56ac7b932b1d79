"""``slowglass judge``: where frames point, whether to keep them, what to do next."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from slowglass.cli.common import (
    FramesKitOption,
    FramesSiteOption,
    JsonOption,
    NearOption,
    RadiusOption,
    ScaleOption,
    console,
    facts,
    open_workbench,
    or_dash,
    print_error,
    print_line,
    progress,
    saved,
)
from slowglass.cli.judge_series import light_words, show_series
from slowglass.cli.words import count_text, place_text

if TYPE_CHECKING:
    from slowglass.judge.verdict import Verdict


def judge(
    paths: Annotated[
        list[Path], typer.Argument(metavar="PATH", help="Frames, or folders of frames.")
    ],
    near: NearOption = None,
    radius_deg: RadiusOption = None,
    scale_arcsec_per_px: ScaleOption = None,
    target: Annotated[
        str | None,
        typer.Option("--target", metavar="PLACE", help="What you want in the middle."),
    ] = None,
    write_wcs: Annotated[
        bool, typer.Option("--write-wcs", help="Save the coordinates found beside each frame.")
    ] = False,
    series: Annotated[
        bool,
        typer.Option(
            "--series", help="Sum the frames up: focus, drift, worm, polar axis, sky, causes."
        ),
    ] = False,
    plot: Annotated[
        Path | None,
        typer.Option(
            "--plot", metavar="FILE", help="Draw the series into FILE (.svg, .png or .pdf)."
        ),
    ] = None,
    focus_turn: Annotated[
        float | None,
        typer.Option(
            "--focus-turn",
            metavar="TURNS",
            help="The focuser was turned this much between frames: find best focus.",
        ),
    ] = None,
    kit: FramesKitOption = None,
    site: FramesSiteOption = None,
    as_json: JsonOption = False,
) -> int:
    """Judge frames and say what to do next.

    For each frame: where it points, focus, trailing and its cause, sky, saturation, keep or
    not, and the one thing to do next. Without --near the whole sky is searched.

    With --series the frames together also give the drive's swing, the polar axis (three frames
    turned in RA, or half an hour on one field), cloud, the probable causes of long stars and the
    exposure to take next.
    """
    _check(plot, focus_turn)
    unreadable = 0
    judged: list[Verdict] = []
    with progress() as report:
        bench = open_workbench(kit, site, report)
        verdicts = bench.judge(
            paths,
            near=near,
            radius_deg=radius_deg,
            scale_arcsec_per_px=scale_arcsec_per_px,
            target=target,
            write_wcs=write_wcs,
            report=report,
        )
        for verdict in verdicts:
            if verdict.error is not None:
                unreadable += 1
                print_error(verdict.error)
            if as_json:
                print_line(verdict)
            if verdict.error is None:
                judged.append(verdict)
    if not as_json:
        _show(judged)
    if series or plot is not None or focus_turn is not None:
        report_on = bench.sum_up(judged, focus_turn=focus_turn, own_site=site is not None)
        if plot is not None:
            from slowglass.judge.plot import draw_series

            draw_series(report_on, plot)
        if as_json:
            print_line({"series": report_on})
        elif report_on.frames:
            show_series(report_on, judged)
            if plot is not None:
                console().print(saved([plot]))
    if unreadable:
        return 2
    return 0


def _check(plot: Path | None, focus_turn: float | None) -> None:
    """Refuse what cannot be drawn or turned before hours are spent on judging."""
    if plot is not None:
        from slowglass.kit.picture import picture_kind

        picture_kind(plot)
    if focus_turn is not None and not 0.0 < abs(focus_turn) <= 20.0:
        from slowglass.errors import UsageError

        raise UsageError(
            f"--focus-turn {focus_turn:g} is not a turn of the focuser",
            "say the turns between two frames, such as 0.25",
        )


def _show(judged: list[Verdict]) -> None:
    out = console()
    if len(judged) == 1:
        out.print(facts(judged[0].file, _rows(judged[0])))
        return
    for verdict in judged:
        lines = [f"{_word(verdict):<5} {Path(verdict.file).name}  {_figures(verdict)}"]
        lines += [f"      {reason}" for reason in verdict.reasons]
        if verdict.instruction:
            lines.append(f"      Next: {verdict.instruction}")
        out.print("\n".join(lines), soft_wrap=True)
    if not judged:
        return
    from slowglass.judge.series import judge_series

    out.print()
    for note in judge_series(judged).notes:
        out.print(note[0].upper() + note[1:])
    keepers = sum(verdict.keeper for verdict in judged)
    solved = sum(verdict.solved for verdict in judged)
    out.print(f"{count_text(len(judged), 'frame')}: {keepers} to keep, {solved} placed on the sky")


def _word(verdict: Verdict) -> str:
    return "keep" if verdict.keeper else "drop"


def _figures(v: Verdict) -> str:
    where = "place unknown"
    if v.ra_deg is not None and v.dec_deg is not None:
        where = place_text(v.ra_deg, v.dec_deg)
    return (
        f"{where}  {count_text(v.stars, 'star')}  FWHM {or_dash(v.fwhm_px, '.1f', ' px')}  "
        f"elongation {or_dash(v.elongation, '.2f')}"
    )


def _rows(v: Verdict) -> list[tuple[str, str]]:
    rows = [("verdict", "keep" if v.keeper else "drop: " + "; ".join(v.reasons))]
    if v.instruction:
        rows.append(("next", v.instruction))
    if v.ra_deg is not None and v.dec_deg is not None:
        rows += [
            ("centre (ICRS)", place_text(v.ra_deg, v.dec_deg)),
            ("scale", or_dash(v.scale_arcsec_per_px, ".4f", " ″/px")),
            ("turned by", or_dash(v.rotation_deg, ".2f", "° (stored +y, north through east)")),
            (
                "first row on top",
                "like the sky" if v.parity == 1 else "mirrored (usual for files stored bottom up)",
            ),
            ("stars matched", f"{v.matched}, residual {or_dash(v.rms_arcsec, '.2f', '″')}"),
        ]
    else:
        rows.append(("place", f"unknown: {v.reason}"))
    if v.nudge is not None:
        rows.append(("to the target", v.nudge.text))
    rows += [
        ("size", f"{v.width_px} × {v.height_px} px"),
        ("exposure", or_dash(v.exposure_s, "g", " s")),
        ("stars found", str(v.stars)),
        ("star width (FWHM)", or_dash(v.fwhm_px, ".2f", " px") + _arcsec(v.fwhm_arcsec)),
        ("half-flux diameter", or_dash(v.hfd_px, ".2f", " px")),
        (
            "elongation",
            f"{or_dash(v.elongation, '.2f')} at {or_dash(v.elongation_angle_deg, '.0f', '°')}",
        ),
        ("sky level", or_dash(v.sky_adu, ".0f", " ADU")),
        ("saturated pixels", or_dash(v.saturated_fraction, ".3%")),
    ]
    if v.cause is not None and v.cause.name != "round":
        rows.append(("why", f"{v.cause.text}, from this frame alone"))
    if v.light is not None and v.light.sky_mag_arcsec2 is not None:
        error = or_dash(v.light.sky_error_mag, ".2f")
        rows.append(("sky", f"{v.light.sky_mag_arcsec2:.2f} ± {error} mag/arcsec²"))
    if v.light is not None:
        rows.append(("exposure range", light_words(v.light)))
    if v.donut is not None:
        rows.append(("collimation", v.donut.text))
    rows += [("note", caution) for caution in v.cautions]
    if v.wcs_file:
        rows.append(("coordinates saved in", v.wcs_file))
    rows.append(("time taken", f"{v.seconds:.1f} s"))
    return rows


def _arcsec(value: float | None) -> str:
    return "" if value is None else f" = {value:.2f}″"
