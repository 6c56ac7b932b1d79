"""``slowglass sky add`` and ``sky forget --own``: faint stars of one's own frames."""

import pytest

from slowglass.expose.forecast import render_with_truth
from slowglass.frame.fits_io import write_fits
from slowglass.kit.io import load_kit, load_site
from slowglass.sky.own_store import OwnStore

PLACE = "300.0 35.0"


@pytest.fixture(scope="module")
def frames(sky, tmp_path_factory):
    """Two forecast frames of one field, 40″ apart, binned 2 × 2 on the chip."""
    folder = tmp_path_factory.mktemp("night")
    kit, site = load_kit("long 102"), load_site("Fig Tree Yard")
    small = {"width_px": 2200, "height_px": 1500, "pixel_um": 7.8, "bayer": None}
    kit = kit.model_copy(update={"camera": kit.camera.model_copy(update=small)})
    for name, east in (("a", 0.0), ("b", 40.0)):
        frame, _ = render_with_truth(
            kit, site, sky, (300.0, 35.0), exposure_s=20.0, faintest_mag=13.5, tracking=False,
            offset_arcsec=(east, 0.0), seed=ord(name), neighbours=False,
        )  # fmt: skip
        write_fits(folder / f"{name}.fits", frame.pixels, cards=frame.header.cards)
    return folder


def test_stars_are_kept_told_and_removed(slowglass, frames, deep_folder):
    told = ("--near", PLACE, "--radius", "2", "--scale", "1.24")
    first = slowglass("sky", "add", str(frames / "a.fits"), *told, "--json")
    assert first.code == 0
    (line,) = first.lines
    assert line["file"] == "a.fits"
    assert line["stars_kept"] > 20
    assert line["odds_log10"] > 4.0
    assert slowglass("sky", "--json").document["own"]["stars"] == 0
    both = slowglass("sky", "add", str(frames), *told)
    assert both.code == 0
    assert "a.fits" in both.out and "b.fits" in both.out
    held = slowglass("sky", "--json").document["own"]
    assert len(held["frames"]) == 2
    assert held["stars"] > 10
    assert f"{held['stars']} believed" in slowglass("sky").out
    unanswered = slowglass("sky", "forget", "--own")
    assert unanswered.code == 2 and "--yes" in unanswered.err
    far = slowglass("sky", "forget", "--own", "--around", "10 -60", "--yes", "--json")
    assert far.document["sightings_removed"] == 0
    one = slowglass("sky", "forget", "--own", "--frame", "a.fits", "--yes", "--json").document
    assert one["sightings_removed"] == line["stars_kept"]
    assert [f["name"] for f in one["own"]["frames"]] == ["b.fits"]
    assert "Removed" in slowglass("sky", "forget", "--own", "--yes").out
    assert OwnStore().summary().sightings == 0
    assert not deep_folder.exists()


def test_frames_that_give_nothing_say_why(slowglass, tmp_path):
    (tmp_path / "note.fits").write_text("no picture")
    outcome = slowglass("sky", "add", str(tmp_path / "note.fits"), "--json")
    assert outcome.code == 1
    (line,) = outcome.lines
    assert line["stars_kept"] == 0
    assert line["reason"]


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        (["--frame", "a.fits"], "Add --own"),
        (["--own", "--frame", "none.fits"], "no stars of a frame named none.fits"),
        (["--own", "--around", "Ringg Nebula"], "M57"),
    ],
)
def test_bad_usage(slowglass, arguments, words):
    outcome = slowglass("sky", "forget", *arguments, "--yes")
    assert outcome.code == 2
    assert words in outcome.err
