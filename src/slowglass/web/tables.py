"""Rows of the longer tables: which fields, in which order, under which name."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from slowglass.web.present import dec_words, number, percent, ra_words

if TYPE_CHECKING:
    from slowglass.kit.model import Kit
    from slowglass.kit.service import KitSummary


def frame_view(frame: dict[str, Any]) -> dict[str, Any]:
    """A frame as the judge page shows it: words, sizes and the table of measures."""
    v = frame["verdict"]
    said = "keeper" if v["keeper"] else (v["reasons"] or [v["reason"]])[0].partition(":")[0]
    count = "no star" if v["stars"] == 0 else f"{v['stars']} stars"
    solved = (
        f"centred on {ra_words(v['ra_deg'])}, {dec_words(v['dec_deg'])}"
        if v["solved"]
        else "its place on the sky unknown"
    )
    return {
        **frame,
        "said": said,
        "alt": f"{frame['label']}: {count} found, {solved}.",
        "drawn": f"Drawn over the frame: found stars, catalogue stars and the way to the target. "
        f"{v['instruction']}.",
        "measured": measured_rows(v),
    }


def measured_rows(v: dict[str, Any]) -> list[tuple[str, str]]:
    """What was measured on a frame, name and words."""
    rows = [
        ("Exposure", number(v["exposure_s"], 0, "s")),
        ("Stars found", str(v["stars"])),
        ("Star width (FWHM)", _both(v["fwhm_px"], "px", v["fwhm_arcsec"], "″")),
        ("Half-light diameter", number(v["hfd_px"], 1, "px")),
        ("Elongation", number(v["elongation"], 2)),
    ]
    if v["trail_arcsec"] is not None:
        axis = f" along {v['trail_axis']}" if v["trail_axis"] else ""
        rows.append(("Trail", number(v["trail_arcsec"], 1, "″") + axis))
    rows += [
        ("Sky level", number(v["sky_adu"], 1, "ADU")),
        ("Clipped pixels", percent(v["saturated_fraction"])),
    ]
    if v["solved"]:
        rows += [
            ("Centre", f"{ra_words(v['ra_deg'])}, {dec_words(v['dec_deg'])}"),
            ("Scale", number(v["scale_arcsec_per_px"], 4, "″") + " per pixel"),
            ("Position angle of the rows’ direction", number(v["rotation_deg"], 1, "°")),
            ("Stars matched", f"{v['matched']} of {v['catalogue_expected']} in the catalogue"),
        ]
    rows.append(("Time to judge", number(v["seconds"], 1, "s")))
    return rows


def kit_rows(kit: Kit, summary: KitSummary) -> list[tuple[str, str]]:
    """What follows from the kit, name and words."""
    rows = [
        ("Focal ratio", f"f/{summary.focal_ratio:.1f}"),
        ("Scale", number(summary.scale_arcsec_per_px, 3, "″") + " per pixel"),
        (
            "Field",
            f"{number(summary.field_width_arcmin, 0)}′ × {number(summary.field_height_arcmin, 0)}′",
        ),
        ("Diffraction (FWHM)", _both(summary.airy_fwhm_px, "px", summary.airy_fwhm_arcsec, "″")),
        ("Seeing", _both(summary.seeing_px, "px", summary.seeing_arcsec, "″")),
        ("Expected star", _both(summary.star_fwhm_px, "px", summary.star_fwhm_arcsec, "″")),
        ("Largest pixel that keeps all detail", number(summary.nyquist_pixel_um, 1, "µm")),
        ("Charge at which a pixel clips", number(summary.saturation_e, 0, "e⁻")),
    ]
    if summary.worm_period_s is not None:
        rows.append(("One turn of the worm", number(summary.worm_period_s, 0, "s")))
        rows.append(
            ("Greatest speed of the worm’s error", number(summary.worm_speed_arcsec_per_s, 2, "″/s"))
        )
    rows.append(
        ("Greatest drift from the polar axis", number(summary.polar_drift_arcsec_per_min, 1, "″/min"))
    )
    return rows


def _both(a: float | None, a_unit: str, b: float | None, b_unit: str) -> str:
    if b is None:
        return number(a, 1, a_unit)
    return f"{number(a, 1, a_unit)}, {number(b, 1, b_unit)}"
