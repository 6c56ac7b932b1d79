"""No kit, sky or object makes a plan that cannot be told or written."""

from __future__ import annotations

import json
import math

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from slowglass.expose.conditions import conditions_at_altitude
from slowglass.expose.plan import plan_exposure
from slowglass.expose.strip import strip_pictures
from slowglass.sky.place import resolve_place

NAMES = ("M1", "M13", "M31", "M42", "M45", "M57", "M87", "NGC 7000", "IC 434", "NGC 7662", "B33")


@settings(max_examples=80, deadline=None)
@given(data=st.data())
def test_every_plan_is_told_and_written(sky, full_kit, site, data):
    def draw(*values):
        return data.draw(st.sampled_from(values))

    here = site.model_copy(
        update={
            "air": draw("clean", "usual", "humid", "dusty"),
            "wind": draw("calm", "breeze", "windy"),
            "sky_mag_arcsec2": data.draw(st.floats(15.0, 22.2)),
        }
    )
    kit = full_kit.model_copy(
        update={
            "optics": full_kit.optics.model_copy(
                update={
                    "focal_length_mm": draw(50.0, 1300.0, 9000.0),
                    "aperture_mm": draw(25.0, 102.0),
                }
            ),
            "mount": full_kit.mount.model_copy(
                update={
                    "driven": draw("ra", "none"),
                    "periodic_error_arcsec": draw(0.0, 15.0, 300.0),
                    "polar_error_arcmin": draw(0.0, 12.0, 600.0),
                }
            ),
            "camera": full_kit.camera.model_copy(
                update={
                    "bayer": draw(None, "RGGB"),
                    "filter": draw("none", "nebula"),
                    "read_noise_e": draw(0.0, 3.0, 60.0),
                    "dark_e_per_s": draw(0.0, 0.02, 60.0),
                }
            ),
        }
    )
    obj = sky.objects.find(draw(*NAMES))
    plan = plan_exposure(
        kit,
        here,
        obj,
        seconds=draw(0.001, 1.0, 30.0, 7200.0),
        frames=draw(1, 60, 100_000),
        conditions=conditions_at_altitude(here, data.draw(st.floats(0.0, 90.0))),
        dec_deg=20.0,
        minutes_up=draw(None, 0.0, 3.0, 400.0),
    )
    json.dumps(plan.to_json(), allow_nan=False)
    words = " ".join((plan.text, *plan.session.text, *plan.notes)).replace("remnant", "")
    assert "nan" not in words and "inf " not in words
    assert 0.0 <= plan.keeper_fraction <= 1.0
    assert math.isfinite(plan.faintest_mag_total)
    assert plan.faintest_mag_total >= plan.faintest_mag - 1e-9


@pytest.mark.parametrize("name", ["M31", "M76"])
def test_a_strip_of_any_size_in_black_and_white(sky, mono_kit, site, name):
    pictures = strip_pictures(
        mono_kit, site, sky, resolve_place(name, sky), exposure_s=30.0, counts=(1, 4)
    )
    assert len(pictures) == 2 and pictures[0].shape[2] == 3
    assert pictures[0].shape == pictures[1].shape
