"""Globulars whose catalogued magnitude is wrong carry Harris's."""

from __future__ import annotations

import pytest

# Harris 1996 (AJ 112, 1487; 2010 edition): apparent distance modulus and absolute V magnitude;
# their sum is the whole cluster's V. From memory.
MODULUS_AND_ABSOLUTE = {
    "M71": (13.80, -5.61),
    "M10": (14.08, -7.48),
    "M22": (13.60, -8.50),
    "NGC 5139": (13.94, -10.26),
    "NGC 6752": (13.13, -7.73),
    "NGC 3201": (14.20, -7.45),
    "M13": (14.33, -8.55),
    "M15": (15.39, -9.19),
    "NGC 104": (13.37, -9.42),
}


@pytest.mark.parametrize("name", MODULUS_AND_ABSOLUTE)
def test_totals_are_those_of_modulus_and_absolute_magnitude(sky, name):
    modulus, absolute = MODULUS_AND_ABSOLUTE[name]
    found = sky.objects.get(name)
    assert found.mag == pytest.approx(modulus + absolute, abs=0.2)


def test_corrected_rows_say_so_and_have_their_own_surface_brightness(sky):
    loose = sky.objects.get("M71")
    assert loose.mag_source == "Harris" and not loose.mag_doubtful
    # 8.19 mag over a disc 6.9′ across: 8.19 + 2.5 log(π/4 · 414²)
    assert loose.surface_brightness_mag_arcsec2 == pytest.approx(21.01, abs=0.02)


def test_galaxies_without_structure_and_objects_with_a_name_are_told(sky):
    # Types: de Vaucouleurs' RC3 has M32 cE2, NGC 5128 S0 pec, M81 Sab, M104 Sa, NGC 253 SABc.
    assert all(sky.objects.get(name).smooth for name in ("M32", "NGC 5128", "M87"))
    assert not any(sky.objects.get(name).smooth for name in ("M81", "M104", "NGC 253", "M15"))
    assert sky.objects.get("M52").named and sky.objects.get("NGC 457").named
    assert not sky.objects.get("NGC 7234").named
