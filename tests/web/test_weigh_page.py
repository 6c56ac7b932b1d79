"""The page that weighs kits: what it takes, what it refuses in words, what it shows."""

from __future__ import annotations

import time

import pytest

from slowglass.choose.weigh_service import MOST_KITS
from slowglass.kit.io import BUILT_IN_KITS, write_kit
from slowglass.web.app import create_app


@pytest.fixture
def ask(workbench, tmp_path, monkeypatch, send):
    """Ask an application with no night and no kit of the user's own."""
    monkeypatch.setenv("SLOWGLASS_CONFIG", str(tmp_path / "config"))
    app = create_app(workbench, folder=tmp_path / "none")
    return lambda *args, **options: send(app, *args, **options)


@pytest.fixture
def short_kit(workbench, tmp_path):
    """The text of a quicker kit."""
    kit = workbench.kit
    optics = kit.optics.model_copy(update={"focal_length_mm": 480.0})
    kit = kit.model_copy(update={"name": "short", "optics": optics})
    return write_kit(kit, tmp_path / "short.toml").read_text(encoding="utf-8")


def weighed(ask):
    """The page once the weighing is done."""
    for _ in range(600):
        page = ask("/weigh").text
        if "data-follow" not in page:
            break
        time.sleep(0.1)
    return page


def test_kits_are_set_side_by_side_while_the_page_stays_free(ask, short_kit):
    answer = ask("/weigh", method="POST", data={"kit": "use", "text": short_kit})
    assert answer.status_code == 303
    assert ask("/weigh").elapsed.total_seconds() < 60
    page = weighed(ask)
    for words in ("Side by side", "long 102", "short", "planetary nebulae", "are too faint",
                  "Best of the year", "What one change would open", "It loses on"):  # fmt: skip
        assert words in page
    # the kit handed in can be chosen again, and is
    assert 'value="handed short" checked' in page


def test_a_kit_with_faults_is_told_in_words_and_stays_in_the_form(ask):
    text = "name = 'mine'\n[optics]\naperture_mm = 3\n"
    answer = ask("/weigh", method="POST", data={"kit": "use", "text": text})
    assert answer.status_code == 400
    assert "optics.aperture_mm = 3 mm is out of range" in answer.text
    assert "aperture_mm = 3\n" in answer.text
    assert "Nothing is under way" in ask("/jobs").text


@pytest.mark.parametrize(
    ("content", "words"),
    [(b"\xff\xfe\x00k", "is not UTF-8 text"), (b"#" * 200_000, "too large"), (b"[", "not valid")],
)
def test_files_that_are_no_kits_are_refused_in_words(ask, content, words):
    files = {"file": ("mine.toml", content, "application/octet-stream")}
    answer = ask("/weigh", method="POST", data={"kit": "use"}, files=files)
    assert answer.status_code == 400
    assert words in answer.text
    assert "mine.toml" in answer.text


def test_no_kit_and_too_many_are_refused(ask, short_kit):
    assert "No kit is chosen" in ask("/weigh", method="POST", data={}).text
    assert "No kit is chosen" in ask("/weigh", method="POST", data={"kit": "nobody"}).text
    many = [short_kit.replace('"short"', f'"short {n}"').encode() for n in range(MOST_KITS)]
    files = [("file", (f"{n}.toml", text, "text/plain")) for n, text in enumerate(many)]
    answer = ask("/weigh", method="POST", data={"kit": "use"}, files=files)
    assert f"{MOST_KITS + 1} kits are too many" in answer.text


def test_a_form_from_elsewhere_is_refused(ask):
    answer = ask("/weigh", method="POST", headers={"origin": "http://evil.example"}, data={})
    assert answer.status_code == 403


def test_a_kit_is_offered_once(ask):
    page = ask("/weigh").text
    assert page.count('type="checkbox"') == len(BUILT_IN_KITS)
