import json
import os

import pytest

from slowglass.errors import UnreadableFile
from slowglass.learn.night import STEPS, load_night, save_night


def make(folder, **index):
    (folder / "plates").mkdir(exist_ok=True)
    (folder / "plates" / "a.jpg").write_bytes(b"picture")
    whole = {
        "frames": [{"id": "light-1", "name": "light-1.fits", "overlay": "o.json"}],
        "plates": {"a": "plates/a.jpg"},
        "outputs": {"a.jpg": "plates/a.jpg"},
        **index,
    }
    (folder / "o.json").write_text("{}")
    steps = {name: {} for name in STEPS} | {"verdicts": [{"file": "/x/light-1.fits", "stars": 3}]}
    return save_night(folder, whole, steps)


def test_what_was_saved_is_read_back(tmp_path):
    make(tmp_path)
    night = load_night(tmp_path)
    assert night.frames[0]["verdict"]["stars"] == 3
    assert night.plate("a").read_bytes() == b"picture"
    assert night.output("a.jpg") is not None
    assert night.overlay("light-1") == {}
    assert not list(tmp_path.glob(".*"))


def test_a_folder_without_an_index_holds_no_night(tmp_path):
    make(tmp_path)
    (tmp_path / "night.json").unlink()
    assert load_night(tmp_path) is None


@pytest.mark.parametrize("content", ["{", "[]", '{"format": 999}', '"x"'])
def test_a_damaged_index_is_an_error_with_a_cure(tmp_path, content):
    (tmp_path / "night.json").write_text(content)
    with pytest.raises(UnreadableFile, match="Make the night again"):
        load_night(tmp_path)


def test_a_missing_step_is_refused_before_anything_is_written(tmp_path):
    with pytest.raises(ValueError, match="choice"):
        save_night(tmp_path, {}, {})
    assert list(tmp_path.iterdir()) == []


@pytest.mark.parametrize(
    "path", ["../secret.jpg", "/etc/hostname", "plates/../../secret.jpg", "plates", "plates/none"]
)
def test_nothing_outside_the_folder_is_given_away(tmp_path, path):
    (tmp_path / "secret.jpg").write_bytes(b"secret")
    folder = tmp_path / "night"
    folder.mkdir()
    make(folder, plates={"a": path}, outputs={"a": path})
    night = load_night(folder)
    assert night.plate("a") is None
    assert night.output("a") is None
    assert night.plate("plates/a.jpg") is None


def test_a_link_that_leads_outside_is_not_followed(tmp_path):
    (tmp_path / "secret.jpg").write_bytes(b"secret")
    folder = tmp_path / "night"
    folder.mkdir()
    make(folder)
    (folder / "plates" / "a.jpg").unlink()
    os.symlink(tmp_path / "secret.jpg", folder / "plates" / "a.jpg")
    assert load_night(folder).plate("a") is None


def test_the_files_are_plain_json(tmp_path):
    make(tmp_path)
    assert json.loads((tmp_path / "night.json").read_text())["format"] == 1
