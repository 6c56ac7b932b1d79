"""A newcomer's three answers become a kit and a site, or complaints beside the fields."""

from __future__ import annotations

from zoneinfo import ZoneInfo

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from slowglass.errors import UsageError
from slowglass.kit.darkness import CLASSES, sky_of_class, sky_of_eye
from slowglass.kit.form import form_sections, read_form, typed_number
from slowglass.kit.io import kit_from_toml, load_kit, load_site, write_kit
from slowglass.kit.keep import keep
from slowglass.kit.setup import set_up
from slowglass.kit.setup_facts import ALL_KEYS, FIRST_ANSWERS
from slowglass.kit.towns import towns_called, zone_at
from slowglass.sky.brightness import naked_eye_limit_mag

YARD = {
    "site_name": "Yard", "latitude": "44° 12′ N", "longitude": "0,62", "height_m": "90 m",
    "sky_way": "reading", "sky_value": "20.3",
}  # fmt: skip
LONG = {
    "kit_name": "long 102", "aperture_mm": "102", "focal_length_mm": "1300",
    "secondary_mm": "32.64", "sensor": "own", "sensor_width_mm": "23.4",
    "sensor_height_mm": "15.6", "width_px": "6000", "height_px": "4000",
    "read_noise_e": "3", "gain_e_per_adu": "1.9",
}  # fmt: skip


def test_numbers_off_the_tube_and_out_of_the_manual_give_the_example_kit():
    found = set_up({**YARD, **LONG})
    assert found.faults == {}
    kit, known = found.kit, load_kit("long 102")
    assert kit.optics.obstruction_fraction == known.optics.obstruction_fraction
    assert kit.scale_arcsec_per_px == pytest.approx(known.scale_arcsec_per_px, rel=1e-9)
    assert kit.field_width_deg == pytest.approx(known.field_width_deg, rel=1e-9)
    assert (kit.camera.read_noise_e, kit.camera.gain_e_per_adu) == (3.0, 1.9)
    # nobody prints the full well: it is guessed from the pixel's size, and said to be
    assert 0.5 < kit.camera.full_well_e / known.camera.full_well_e < 2.0
    assert "camera.full_well_e" in kit.assumed
    assert "camera.read_noise_e" not in kit.assumed
    site = found.site
    assert (site.latitude_deg, site.longitude_deg, site.height_m) == (44.2, 0.62, 90.0)
    assert site.timezone == "Europe/Paris"


def test_the_focal_length_may_be_told_in_three_ways():
    plain = {k: v for k, v in LONG.items() if k != "focal_length_mm"}
    for more in ({"focal_ratio": "f/12.745"}, {"scale_arcsec_per_px": "0.6188"}):
        kit = set_up({**plain, **more}).kit
        assert kit.optics.focal_length_mm == pytest.approx(1300.0, rel=2e-4)
    assert "focal_length_mm" in set_up(plain).faults


@pytest.mark.parametrize(
    ("key", "text", "words"),
    [
        ("latitude", "91", "run from −90 to 90"),
        ("latitude", "here", "is no latitude"),
        ("aperture_mm", "0", "20 to 2000 mm"),
        ("aperture_mm", "ten", "not a number"),
        ("focal_length_mm", "-1300", "50 to 20000 mm"),
        ("width_px", "6000.5", "whole number"),
        ("width_px", "4000", "check the sensor"),
        ("timezone", "Mars/Olympus", "time zone"),
        ("sky_value", "30", "15 to 22.2"),
        ("iso", "fast", "not a number"),
        ("finder", "laser", "none of the choices"),
        ("secondary_mm", "90", "0 to 71.4 mm"),
        ("bits", "40", "8 to 16"),
    ],
)
def test_a_bad_answer_is_told_beside_its_field_and_makes_nothing(key, text, words):
    found = set_up({**YARD, **LONG, key: text})
    assert words in found.faults[key]
    assert found.kit is None or found.site is None


@settings(max_examples=60)
@given(st.dictionaries(st.sampled_from(ALL_KEYS), st.text(max_size=12), max_size=6))
def test_no_answer_can_stop_the_set_up(answers):
    found = set_up({**YARD, **LONG, **answers})
    assert set(found.faults) <= set(FIRST_ANSWERS)
    assert found.faults or (found.kit is not None and found.site is not None)


def test_a_question_left_out_changes_nothing():
    assert set_up(YARD).kit is None
    assert set_up(YARD).faults == {}
    assert set_up(LONG).site is None
    assert set_up({}).faults


def test_the_eye_and_the_sky_agree_both_ways():
    for mag in (3.0, 4.5, 5.5, 6.3):
        sky, error = sky_of_eye(mag)
        assert float(naked_eye_limit_mag(sky)) == pytest.approx(mag, abs=1e-6)
        assert error >= 0.3
    skies = [sky_of_class(number)[0] for number in CLASSES]
    assert skies == sorted(skies, reverse=True)


def test_towns_are_found_offline_with_their_clocks():
    perth = towns_called("perth, western")[0]
    assert (perth.timezone, perth.country) == ("Australia/Perth", "AU")
    assert perth.latitude_deg == pytest.approx(-31.95, abs=0.2)  # an atlas: 31°57′ S
    assert towns_called("TOULOUSE")[0].timezone == "Europe/Paris"
    assert zone_at(-34.45, 116.03)[0] == "Australia/Perth"
    assert zone_at(0.0, -140.0)[0] == "Etc/GMT+9"
    with pytest.raises(UsageError, match="offline list"):
        towns_called("nowhere at all")


@settings(max_examples=40, deadline=None)
@given(st.floats(-90.0, 90.0), st.floats(-180.0, 180.0))
def test_every_place_on_earth_has_a_clock(latitude, longitude):
    ZoneInfo(zone_at(latitude, longitude)[0])


def test_a_form_read_back_unchanged_is_the_same_record():
    for record in (load_kit("long 102"), load_site("Fig Tree Yard")):
        texts = {f.key: f.text for s in form_sections(record) for f in s.fields}
        again, faults = read_form(record, texts)
        assert faults == {}
        assert again == record


def test_a_form_tells_every_fault_beside_its_key():
    kit = load_kit("long 102")
    texts = {
        "optics.aperture_mm": "0 mm", "camera.bits": "13.5", "finder.kind": "laser",
        "eyepieces": "25, 50\n1, 50", "name": " ", "price": "much",
    }  # fmt: skip
    made, faults = read_form(kit, texts)
    assert made is None
    assert set(faults) == set(texts)
    assert "20 to 2000 mm" in faults["optics.aperture_mm"]
    assert "2: focal_length_mm" in faults["eyepieces"]


def test_a_value_typed_anew_is_no_longer_assumed():
    kit = load_kit("long 102").model_copy(update={"assumed": ("camera.read_noise_e", "x.y")})
    made, _ = read_form(kit, {"camera.read_noise_e": "2,4"})
    assert made.camera.read_noise_e == 2.4
    assert made.assumed == ("x.y",)


def test_what_was_assumed_is_written_and_read_again(tmp_path):
    kit = set_up(LONG).kit
    path = write_kit(kit, tmp_path / "kit.toml")
    assert kit_from_toml(path.read_text(encoding="utf-8")) == kit


def test_another_kits_file_is_set_aside_not_lost(tmp_path):
    path = tmp_path / "kit.toml"
    old = load_kit("long 102")
    keep(old, path)
    new = old.model_copy(update={"name": "short 80"})
    written, aside = keep(new, path)
    assert load_kit(written) == new
    assert load_kit(aside) == old
    # an edited name is no other kit
    _, none = keep(new.model_copy(update={"name": "short 81"}), path, editing="short 80")
    assert none is None
    path.write_text("not toml [", encoding="utf-8")
    _, aside = keep(new, path)
    assert aside.read_text(encoding="utf-8") == "not toml ["


@given(st.floats(-1e6, 1e6).map(lambda x: round(x, 3)))
def test_numbers_are_read_with_point_comma_and_unit(value):
    text = f"{value:.3f}"
    for typed in (text, text.replace(".", ","), text.replace("-", "−"), f"{text} mm"):
        assert typed_number(typed, unit="mm") == pytest.approx(value, abs=1e-9)
