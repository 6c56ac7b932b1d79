"""``slowglass kit``: what follows from your kit, and a file of it to edit."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer
from typer.core import TyperGroup

from slowglass.cli import kit_new, weigh
from slowglass.cli.common import JsonOption, SiteOption, console, facts, print_document, saved

if TYPE_CHECKING:
    from slowglass.kit.service import KitSummary


class _ShowsByDefault(TyperGroup):
    """A group whose command word may be left out: then it shows."""

    def parse_args(self, ctx: Any, args: list[str]) -> list[str]:
        known = {"--help", "-h", *self.commands}
        return super().parse_args(ctx, args if args[:1] and args[0] in known else ["show", *args])


app = typer.Typer(
    cls=_ShowsByDefault,
    help="What your telescope and camera amount to, and what they are good for.\n\n"
    "Without a word of its own, or with a file, it shows the kit.",
    add_completion=False,
    rich_markup_mode=None,
)
app.command("weigh")(weigh.weigh)
app.command("new")(kit_new.new)


@app.command("show")
def show(
    file: Annotated[
        str | None,
        typer.Argument(metavar="[FILE]", help="Kit file or built-in kit; else your own."),
    ] = None,
    write: Annotated[
        Path | None,
        typer.Option("--write", metavar="FILE", help="Write the kit to a commented file to edit."),
    ] = None,
    keep: Annotated[
        bool, typer.Option("--keep", help="Make this kit your own: used when --kit is not given.")
    ] = False,
    replace: Annotated[
        bool, typer.Option("--replace", help="Let --write or --keep replace a file.")
    ] = False,
    site: SiteOption = None,
    as_json: JsonOption = False,
) -> None:
    """Show what your telescope and camera amount to.

    Field, pixel scale, diffraction and seeing in pixels, sampling, and what limits the stars.
    """
    from slowglass.kit.io import config_folder, load_kit, load_site, write_kit
    from slowglass.kit.service import summarise_kit

    chosen = load_kit(file)
    wanted = [path for path in (write, config_folder() / "kit.toml" if keep else None) if path]
    written = [write_kit(chosen, path, replace=replace) for path in wanted]
    summary = summarise_kit(chosen, load_site(site))
    if as_json:
        print_document({"kit": chosen, "derived": summary, "outputs": written})
        return
    out = console()
    out.print(facts(f"Kit: {summary.name}", _rows(summary)))
    out.print(summary.limits_text)
    if written:
        out.print(saved(written))


def _rows(s: KitSummary) -> list[tuple[str, str]]:
    rows = [
        ("focal ratio", f"f/{s.focal_ratio:.1f}"),
        ("pixel scale", f"{s.scale_arcsec_per_px:.4f} ″/px"),
        ("field", f"{s.field_width_arcmin:.1f}′ × {s.field_height_arcmin:.1f}′"),
        ("diffraction, first dark ring", _angle(s.airy_radius_arcsec, s.airy_radius_px)),
        ("diffraction, width (FWHM)", _angle(s.airy_fwhm_arcsec, s.airy_fwhm_px)),
        ("seeing, width (FWHM)", _angle(s.seeing_arcsec, s.seeing_px)),
        ("star, width expected (FWHM)", _angle(s.star_fwhm_arcsec, s.star_fwhm_px)),
        ("sampling", s.sampling_text),
        ("largest pixel without loss", f"{s.nyquist_pixel_um:.2f} µm (λN/2 at 550 nm)"),
        ("a pixel clips at", f"{s.saturation_e:,.0f} e⁻".replace(",", " ")),
    ]
    if s.worm_period_s is not None and s.worm_speed_arcsec_per_s is not None:
        rows.append(("one turn of the worm", f"{s.worm_period_s:.1f} s"))
        rows.append(("periodic error, fastest", f"{s.worm_speed_arcsec_per_s * 60:.1f} ″/min"))
    rows.append(("polar error, fastest drift", f"{s.polar_drift_arcsec_per_min:.1f} ″/min"))
    for view in s.eyepieces:
        rows.append(
            (
                f"eyepiece {view.focal_length_mm:g} mm",
                f"{view.magnification:.0f}×, {view.true_field_deg * 60:.0f}′ of sky, "
                f"exit pupil {view.exit_pupil_mm:.1f} mm",
            )
        )
    return rows


def _angle(arcsec: float, px: float) -> str:
    return f"{arcsec:.2f}″ = {px:.2f} px"
