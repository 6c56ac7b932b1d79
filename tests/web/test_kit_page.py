"""Kit and site changed in the browser: checked by their own models, saved with nothing lost."""

from __future__ import annotations

import re

import pytest

from slowglass.kit.form import form_sections
from slowglass.kit.io import load_kit, load_site, write_kit
from slowglass.kit.measured import take_in
from slowglass.kit.model import MeasuredValue
from slowglass.kit.setup import set_up
from slowglass.web.app import create_app
from slowglass.workbench import Workbench


@pytest.fixture
def own(tmp_path, monkeypatch):
    """The folder of the user's own files, with a kit that was set up and measured."""
    folder = tmp_path / "config"
    monkeypatch.setenv("SLOWGLASS_CONFIG", str(folder))
    made = set_up(
        {"aperture_mm": "80", "focal_ratio": "6", "width_px": "6000", "height_px": "4000"}
    ).kit
    block = MeasuredValue(
        quantity="optics.focal_length_mm", value=486.2, sigma=0.4, day="2026-10-09",
        how="12 frames", in_use=True,
    )  # fmt: skip
    write_kit(take_in(made, block), folder / "kit.toml")
    return folder


@pytest.fixture
def ask(own, tmp_path, send, sky):
    app = create_app(Workbench.open(), folder=tmp_path / "none")
    return lambda *args, **options: send(app, *args, **options)


def change(ask, of, **fields):
    name = load_kit().name if of == "kit" else load_site().name
    sent = {"of": of, "name_before": name, **{k.replace("__", "."): v for k, v in fields.items()}}
    return ask("/kit/edit", method="POST", data=sent)


def test_every_number_of_kit_and_site_has_its_field(ask):
    page = ask("/kit/edit").text
    for record in (load_kit(), load_site()):
        for section in form_sections(record):
            for field in section.fields:
                assert f'name="{field.key}"' in page
    assert page.count('class="tag">assumed') == len(load_kit().assumed)
    assert page.count('class="tag">measured') == 1


def test_a_change_is_saved_checked_and_used_at_once(ask):
    answer = change(ask, "kit", camera__read_noise_e="2,1", mount__driven="none")
    assert answer.headers["location"] == "/kit/edit?saved=kit#kit"
    kit = load_kit()
    assert (kit.camera.read_noise_e, kit.mount.driven) == (2.1, "none")
    assert "camera.read_noise_e" not in kit.assumed
    assert "Saved, and in use" in ask("/kit/edit?saved=kit").text
    assert change(ask, "site", latitude_deg="34 27 S", seeing_arcsec="2.5").status_code == 303
    assert load_site().latitude_deg == pytest.approx(-34.45)
    assert "34.45° south" in ask("/kit").text


def test_a_form_sent_as_it_stands_changes_nothing(ask, own):
    kept = (own / "kit.toml").read_text(encoding="utf-8")
    fields = {f.key: f.text for s in form_sections(load_kit()) for f in s.fields}
    change(ask, "kit", **{key.replace(".", "__"): text for key, text in fields.items()})
    assert (own / "kit.toml").read_text(encoding="utf-8") == kept


def test_a_fault_stands_beside_its_field_and_nothing_typed_is_lost(ask, own):
    kept = (own / "kit.toml").read_bytes()
    answer = change(
        ask, "kit", optics__aperture_mm="0", camera__bits="many", eyepieces="25, 50\nwide one",
        camera__read_noise_e="2.2",
    )  # fmt: skip
    assert answer.status_code == 400
    beside = dict(re.findall(r'id="wrong-([\w-]+)">([^<]*)<', answer.text))
    assert "20 to 2000 mm" in beside["optics-aperture_mm"]
    assert "8 to 16" in beside["camera-bits"]
    assert "line 2" in beside["eyepieces"].casefold()
    assert "wide one</textarea>" in answer.text
    assert 'value="2.2"' in answer.text
    assert (own / "kit.toml").read_bytes() == kept
    assert change(ask, "site", latitude_deg="91").status_code == 400
    assert change(ask, "site", timezone="Mars").status_code == 400


def test_a_form_of_an_earlier_kit_is_not_taken(ask, own):
    sent = {"of": "kit", "name_before": "another", "optics.aperture_mm": "90"}
    answer = ask("/kit/edit", method="POST", data=sent)
    assert answer.status_code == 400
    assert "in use meanwhile" in answer.text
    assert load_kit().optics.aperture_mm == 80.0


def test_what_is_assumed_and_measured_is_told_and_put_aside(ask):
    page = ask("/kit").text
    assert "of its values are assumed, not known" in page
    assert "486" in page.split('id="measured"')[1].split("</ul>")[0]
    sent = {"quantity": "optics.focal_length_mm", "to": "put aside"}
    assert ask("/learn/correction", method="POST", data=sent).status_code == 303
    assert load_kit().optics.focal_length_mm == 480.0
    assert "Adopt under Learn" in ask("/kit").text


def test_typing_over_a_measured_value_puts_the_measurement_aside(ask):
    assert change(ask, "kit", optics__focal_length_mm="500").status_code == 303
    kit = load_kit()
    assert kit.optics.focal_length_mm == 500.0
    assert [m.in_use for m in kit.measured] == [False]


def test_forms_from_elsewhere_are_refused(ask, own):
    headers = {"origin": "http://evil.example"}
    answer = ask("/kit/edit", method="POST", headers=headers, data={"of": "kit", "name": "x"})
    assert answer.status_code == 403
    assert load_kit().name != "x"
