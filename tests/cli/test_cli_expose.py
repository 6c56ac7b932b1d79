"""``slowglass expose``."""

import pytest
from astropy.io import fits

pytestmark = pytest.mark.usefixtures("sky")

KEYS = {
    "object_e_per_px", "sky_e_per_px", "read_noise_e", "snr", "sky_limited_s", "hold_time_s",
    "suggested_s", "suggested_frames", "saturates",
}  # fmt: skip


def test_the_document_follows_the_contract(slowglass):
    outcome = slowglass("expose", "M15", "--seconds", "30", "--frames", "40", "--json")
    assert outcome.code == 0
    assert outcome.err == ""
    plan = outcome.document
    assert set(plan) >= KEYS
    assert plan["read_noise_e"] == 3.0
    assert plan["snr"] > 0
    assert plan["snr_total"] == pytest.approx(plan["snr"] * 40**0.5, rel=0.02)
    longer = slowglass("expose", "M15", "--seconds", "60", "--json").document
    assert longer["sky_e_per_px"] == pytest.approx(2 * plan["sky_e_per_px"], rel=0.02)


def test_words_for_people(slowglass):
    shown = slowglass("expose", "M57", "--seconds", "20")
    assert shown.code == 0
    assert "the mount holds for" in shown.out


def test_the_forecast_is_a_frame_of_the_kit(slowglass, tmp_path):
    kit = tmp_path / "small.toml"
    slowglass("kit", "long 102", "--write", kit)
    text = kit.read_text(encoding="utf-8")
    text = text.replace("width_px = 6000", "width_px = 600").replace(
        "height_px = 4000", "height_px = 400"
    )
    kit.write_text(text, encoding="utf-8")
    frame = tmp_path / "m15.fits"
    outcome = slowglass("expose", "M15", "--seconds", "20", "--kit", kit, "-o", frame, "--json")
    assert outcome.code == 0
    assert outcome.document["outputs"] == [str(frame)]
    header = fits.getheader(frame)
    assert (header["NAXIS1"], header["NAXIS2"]) == (600, 400)
    assert header["EXPTIME"] == 20.0


@pytest.mark.parametrize("name", ["forecast.bmp", "forecast"])
def test_other_formats_are_bad_usage(slowglass, tmp_path, name):
    outcome = slowglass("expose", "M15", "--seconds", "20", "-o", tmp_path / name)
    assert outcome.code == 2
    assert "FITS or PNG" in outcome.err
    assert list(tmp_path.iterdir()) == []
