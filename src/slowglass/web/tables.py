"""Rows of the longer tables: which fields, in which order, under which name."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from slowglass.web.present import dec_words, number, percent, ra_words

if TYPE_CHECKING:
    from slowglass.kit.model import Kit
    from slowglass.kit.service import KitSummary
    from slowglass.learn.night import NightRecord


def frame_view(frame: dict[str, Any]) -> dict[str, Any]:
    """A frame as the judge page shows it: words, sizes and the table of measures."""
    v = frame["verdict"]
    off = v["nudge"] is not None and v["instruction"].startswith("Turn")
    said = "off target" if off else "keeper"
    if not v["keeper"]:
        said = (v["reasons"] or [v["reason"]])[0].partition(":")[0]
    count = "no star" if v["stars"] == 0 else f"{v['stars']} stars"
    solved = (
        f"centred on {ra_words(v['ra_deg'])}, {dec_words(v['dec_deg'])}"
        if v["solved"]
        else "its place on the sky unknown"
    )
    return {
        **frame,
        "said": said,
        "off_target": off,
        "alt": f"{frame['label']}: {count} found, {solved}.",
        "drawn": f"Drawn over the frame: found stars, catalogue stars and the way to the target. "
        f"{v['instruction']}.",
        "measured": measured_rows(v),
    }


def night_lines(night: NightRecord) -> list[dict[str, str]]:
    """The night in six sentences, one a step."""
    index, steps = night.index, night.steps
    plan, finish, choice = steps["plan"], steps["finish"], steps["choice"]
    name = index["target"]["name"]
    verdicts = [f["verdict"] for f in night.frames]
    kept = sum(v["keeper"] for v in verdicts[1:])
    legs = len(steps["route"]["legs"])
    fwhm = next(r for r in steps["compare"] if r["unit"] == "px")
    snr = next(r for r in steps["compare"] if r["quantity"].startswith("Signal to noise"))
    considered = f"{index['considered']:,}".replace(",", "\u00a0")
    return [
        {
            "name": "Choose",
            "href": "/choose",
            "text": f"{name} was number {index['rank']} of {considered} objects considered; "
            f"{choice['objects'][0]['name']} came first.",
        },
        {
            "name": "Find",
            "href": "/find",
            "text": f"From {steps['route']['anchor']} in {legs} moves."
            if legs
            else str(steps["route"]["reason"]),
        },
        {
            "name": "Expose",
            "href": "/expose",
            "text": f"{plan['frames']} exposures of {number(plan['exposure_s'], 0, 's')}, "
            f"kept short by {LIMITS[plan['limit']]}.",
        },
        {
            "name": "Judge",
            "href": "/judge",
            "text": f"The test frame said: {verdicts[0]['instruction']}. "
            f"Then {kept} of {len(verdicts) - 1} frames were keepers.",
        },
        {
            "name": "Finish",
            "href": "/finish",
            "text": f"{finish['frames_used']} frames combined show "
            f"{number(finish['snr_gain'], 2)} times the signal to noise of one.",
        },
        {
            "name": "Learn",
            "href": "/learn",
            "text": f"Signal to noise of a frame: {number(snr['predicted'], 1)} predicted, "
            f"{number(snr['measured'], 1)} measured. Star width: "
            f"{number(fwhm['predicted'], 1)} and {number(fwhm['measured'], 1, 'px')}.",
        },
    ]


AXES = {"RA": " along RA", "Dec": " along Dec", "between": " between RA and Dec"}
LIMITS = {
    "tracking": "the mount’s tracking",
    "saturation": "the bright core",
    "sky": "the bright sky",
    "read noise": "custom: longer ones would still gain",
    "hours": "the time the object is up",
}


def plan_rows(plan: dict[str, Any]) -> list[tuple[str, str]]:
    """The exposure plan, name and words."""
    rows = [
        ("Light of the object", number(plan["object_e_per_px"], 1, "e⁻/px")),
        ("Light of the sky", number(plan["sky_e_per_px"], 1, "e⁻/px")),
        ("Dark current", number(plan["dark_e_per_px"], 1, "e⁻/px")),
        ("Read noise", number(plan["read_noise_e"], 1, "e⁻")),
        ("Signal to noise of one frame", number(plan["snr"], 1)),
        ("Star width (FWHM)", number(plan["fwhm_px"], 1, "px")),
        ("Faintest star", f"magnitude {number(plan['faintest_mag'], 1)}"),
        ("Round stars in", percent(plan["keeper_fraction"]) + " of frames"),
        ("Hold time", number(plan["hold_time_s"], 0, "s")),
        ("Sky drowns the read noise after", number(plan["sky_limited_s"], 0, "s")),
        ("Suggested exposure", f"{plan['suggested_s']:.3g} s"),
        ("Altitude", number(plan["altitude_deg"], 0, "°")),
        ("Sky brightness there", number(plan["sky_mag_arcsec2"], 1, "mag/arcsec²")),
    ]
    # A night recorded by an older version lacks what follows.
    if plan.get("core_arcmin"):
        rows.append(("Stands out in one", _axes(plan["core_arcmin"])))
    if plan.get("seen_arcmin"):
        rows.append(("Above the noise of all", _axes(plan["seen_arcmin"])))
    if plan["frames"] > 1:
        many = (f"Signal to noise of {plan['frames']} frames", number(plan["snr_total"], 1))
        rows.insert(5, many)
    return rows


def _axes(axes: list[float]) -> str:
    return f"{axes[0]:.1f}′ × {axes[1]:.1f}′"


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
        axis = AXES.get(v["trail_axis"], "")
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
            ("Catalogue stars matched", str(v["matched"])),
            ("Catalogue stars expected, edges aside", str(v["catalogue_expected"])),
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
            (
                "Greatest speed of the worm’s error",
                number(summary.worm_speed_arcsec_per_s, 2, "″/s"),
            )
        )
    rows.append(
        (
            "Greatest drift from the polar axis",
            number(summary.polar_drift_arcsec_per_min, 1, "″/min"),
        )
    )
    return rows


def side_by_side(kits: list[dict[str, Any]]) -> list[tuple[str, list[str]]]:
    """The facts of weighed kits, name and a figure a kit."""
    from slowglass.choose.compare import FACTS

    facts = [kit["facts"] for kit in kits]
    rows = [
        (name[:1].upper() + name[1:], [number(f[key], digits, unit.strip()) for f in facts])
        for name, key, digits, unit in FACTS
    ]
    if any(f["price"] is not None for f in facts):
        prices = ["not stated" if f["price"] is None else number(f["price"], 0) for f in facts]
        rows.insert(0, ("Price", prices))
    rows.append(("Objects done well", [str(kit["done"]) for kit in kits]))
    return rows


def class_rows(kit: dict[str, Any]) -> list[dict[str, Any]]:
    """The classes of a weighed kit: counts, shares of what comes up in per cent, and why never."""
    from slowglass.choose.weigh_words import WORDS

    return [
        {
            **count,
            "once_percent": 100.0 * count["one_exposure"] / max(count["up"], 1),
            "night_percent": 100.0 * count["one_night"] / max(count["up"], 1),
            "why_words": ", ".join(f"{n} {WORDS[word]}" for word, n in count["why"].items()),
        }
        for count in kit["classes"]
    ]


def _both(a: float | None, a_unit: str, b: float | None, b_unit: str) -> str:
    if b is None:
        return number(a, 1, a_unit)
    return f"{number(a, 1, a_unit)}, {number(b, 1, b_unit)}"
