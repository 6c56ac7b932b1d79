"""Known pairs and groups, panels and cores, on the built-in kit (61.9′ × 41.3′)."""

from __future__ import annotations

import pytest

from slowglass.choose.detail import HopSummary, Moment, candidate
from slowglass.choose.framing import fit_frame
from slowglass.expose.plan import star_width_arcsec
from slowglass.kit.io import load_kit, load_site

KIT, YARD = load_kit("long 102"), load_site("Fig Tree Yard")
HIGH = Moment(
    minutes_up=300.0, unix_s=1.79e9, altitude_deg=60.0, azimuth_deg=180.0, hour_angle_deg=0.0,
    airmass=1.15, sky_mag_arcsec2=20.2, moonlit_mag=0.0, first_unix_s=1.79e9, wait_h=0.0,
)  # fmt: skip


@pytest.fixture(scope="module")
def ask(sky):
    def asking(name, kit=KIT):
        obj = sky.objects.get(name)
        return candidate(
            obj,
            HIGH,
            HopSummary(3, estimate=True),
            kit=kit,
            site=YARD,
            fwhm_arcsec=star_width_arcsec(kit, YARD),
            members=50.0,
            neighbours=sky.objects.near(obj.ra_deg, obj.dec_deg, 1.24),
            stars=sky.stars,
        )

    return asking


@pytest.mark.parametrize(
    ("name", "company"),
    # Common practice, no source: framed together with a degree of sky.
    [
        ("M81", {"M82"}),
        ("M65", {"M66", "NGC 3628"}),
        ("M97", {"M108"}),
        ("NGC 6946", {"NGC 6939"}),
        ("NGC 869", {"NGC 884"}),
        ("M38", {"NGC 1907"}),
    ],
)
def test_famous_neighbours_share_the_frame(ask, name, company):
    fits = ask(name).fits
    assert fits.group is not None and company <= set(fits.group.names)
    assert "same frame" in fits.text
    assert fits.more_json()["group"]["names"] == list(fits.group.names)


def test_a_lone_globular_stands_alone(ask):
    fits = ask("M13").fits
    assert fits.group is None and fits.panels is None
    assert fits.more_json()["group"] is None


def test_the_great_winter_nebula(ask):
    """The whole does not fit, the bright core does, two frames hold what the night shows."""
    found = ask("M42")
    assert found.fits.answer == "barely"
    assert "bright core" in found.fits.text
    assert "of its nebula:" in found.shows.text
    assert found.fits.panels is not None
    assert found.fits.seen_arcmin[0] < 90.0


@pytest.mark.parametrize("name", ["M31", "M44", "M45", "NGC 7000", "NGC 1499"])
def test_what_two_frames_do_not_hold_is_left_alone(ask, name):
    fits = ask(name).fits
    assert fits.answer == "no" and fits.panels is None


def test_a_faint_nebula_too_large_is_not_worth_two_frames(ask):
    """Half the field: M101 would want two frames, and its light is too thin for half the time."""
    camera = KIT.camera.model_copy(update={"width_px": 2200, "height_px": 1500})
    small = KIT.model_copy(update={"camera": camera})
    thin, bright = ask("M101", small).fits, ask("M81", small).fits
    assert thin.fraction > 1.0 and thin.panels is None
    assert bright.fraction <= 1.0 or bright.panels is not None


def test_drift_takes_room(ask):
    tilted = KIT.model_copy(
        update={"mount": KIT.mount.model_copy(update={"polar_error_arcmin": 60.0})}
    )
    assert ask("M13", tilted).fits.margin_arcmin > ask("M13").fits.margin_arcmin + 1.0


def test_words_of_a_tight_fit():
    fit = fit_frame(
        major_arcmin=62.09,
        minor_arcmin=36.73,
        position_angle_deg=23.0,
        core_arcmin=None,
        field_deg=(61.878 / 60, 41.252 / 60),
        seen_arcmin=(30.0, 18.0),
        margin=2.0,
    )
    assert fit.answer == "barely"
    assert "it fits from" in fit.text
    assert "the inner 30′ × 18′ rises above the noise" in fit.text


def test_margin_decides_what_is_comfortable():
    common = {
        "major_arcmin": 36.0, "minor_arcmin": 36.0, "position_angle_deg": None,
        "core_arcmin": None, "field_deg": (61.878 / 60, 41.252 / 60),
    }  # fmt: skip
    assert fit_frame(**common, margin=1.0).answer == "yes"
    assert fit_frame(**common, margin=4.0).answer == "barely"
