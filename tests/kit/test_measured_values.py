"""Measured values beside stated ones: taken in, put aside, written and read back."""

from __future__ import annotations

import pytest

from slowglass.errors import UsageError
from slowglass.kit.io import (
    kit_from_toml,
    load_kit,
    load_site,
    site_from_toml,
    write_kit,
    write_site,
)
from slowglass.kit.measured import put_aside, stated_value, take_in
from slowglass.kit.model import MeasuredValue

QUANTITY = "camera.read_noise_e"


def value(number: float, day: str = "2026-10-12", quantity: str = QUANTITY) -> MeasuredValue:
    return MeasuredValue(quantity=quantity, value=number, sigma=0.05, day=day, how="8 bias frames")


def test_taking_in_changes_the_key_and_putting_aside_brings_the_stated_value_back():
    kit = load_kit("long 102")
    taken = take_in(kit, value(3.4))
    assert taken.camera.read_noise_e == 3.4
    assert taken.measured[0].stated == kit.camera.read_noise_e
    back = put_aside(taken, QUANTITY)
    assert back.camera == kit.camera
    assert [m.in_use for m in back.measured] == [False]


def test_a_second_measurement_keeps_the_first_stated_value():
    kit = load_kit("long 102")
    twice = take_in(take_in(kit, value(3.4)), value(3.3, "2026-11-02"))
    assert twice.camera.read_noise_e == 3.3
    assert [m.in_use for m in twice.measured] == [False, True]
    assert put_aside(twice, QUANTITY).camera == kit.camera


def test_the_file_keeps_both_values(tmp_path):
    taken = take_in(load_kit("long 102"), value(3.4))
    path = write_kit(taken, tmp_path / "kit.toml")
    assert load_kit(path) == taken
    assert kit_from_toml(path.read_text(encoding="utf-8")) == taken
    site = take_in(load_site("Karri Flat"), value(21.2, quantity="sky_mag_arcsec2"))
    text = write_site(site, tmp_path / "site.toml").read_text(encoding="utf-8")
    assert site_from_toml(text) == site
    assert site.sky_mag_arcsec2 == 21.2


def test_what_makes_no_sense_is_told():
    kit = load_kit("long 102")
    with pytest.raises(UsageError, match=r"has no key camera\.colour"):
        stated_value(kit, "camera.colour")
    with pytest.raises(UsageError, match="is no number"):
        stated_value(kit, "camera.bayer")
    with pytest.raises(UsageError, match="out of range"):
        take_in(kit, value(-1.0))
    with pytest.raises(UsageError, match="uses no measured value"):
        put_aside(kit, QUANTITY)
