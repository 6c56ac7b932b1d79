"""Frames looked at: what lies under a point, where a picture's place comes from, what is kept."""

from __future__ import annotations

import json
import shutil
from dataclasses import replace

import numpy as np
import pytest
from astropy.io import fits
from astropy.wcs import WCS
from painted_sky import paint, save

from slowglass.errors import Cancelled
from slowglass.frame.fits_io import write_fits
from slowglass.frame.picture_io import write_png
from slowglass.frame.shelf import Shelf
from slowglass.judge.axis import turns_text
from slowglass.judge.folder import judged_folder, overlay_of_kept
from slowglass.judge.kept import Kept, KeptFrames
from slowglass.judge.marks import find_marks
from slowglass.judge.service import write_wcs_beside
from slowglass.judge.spot import gain_of, read_spot
from slowglass.judge.verdict import Verdict
from slowglass.judge.viewing import Viewing, judge_and_keep
from slowglass.kit.io import load_kit
from slowglass.sky.place import resolve_place
from slowglass.sky.sip import SipWcs
from slowglass.sky.wcs import TanWcs

SCALE = 2.475
BENT = {
    "CTYPE1": "RA---TAN-SIP", "CTYPE2": "DEC--TAN-SIP", "A_ORDER": 2, "B_ORDER": 2,
    "A_2_0": 2.4e-6, "A_1_1": -1.1e-6, "B_0_2": -1.9e-6, "B_1_1": 8.0e-7,
}  # fmt: skip


def straight(width=1500, height=1000):
    return TanWcs.from_simple(
        ra_deg=322.49, dec_deg=12.17, width_px=width, height_px=height,
        scale_arcsec_per_px=SCALE, rotation_deg=20.0, parity=1,
    )  # fmt: skip


@pytest.fixture
def mosaic(tmp_path):
    """A mosaic with bent coordinates in its header, and the cards."""
    picture = np.random.default_rng(1).normal(500.0, 8.0, (400, 600))
    picture[101, 202], picture[100, 202] = 16383.0, 777.0
    cards = {**straight(600, 400).to_header(), **BENT, "BAYERPAT": "RGGB", "EXPTIME": 30.0}
    return write_fits(tmp_path / "mosaic.fits", picture, cards=cards, dtype="uint16"), cards


@pytest.fixture
def viewing(tmp_path):
    return Viewing(KeptFrames(tmp_path / "kept"))


def test_the_sky_under_a_point_is_astropys(viewing, mosaic):
    """TAN with SIP out of the header, against astropy.wcs: a millionth of a pixel."""
    path, cards = mosaic
    shown = viewing.open(path)
    placed = viewing.place(shown)
    assert placed.words == "placed by its file’s header"
    theirs = WCS(fits.Header(cards))
    for x, y in np.random.default_rng(2).uniform((-0.5, -0.5), (599.5, 399.5), (40, 2)):
        spot = read_spot(shown, placed.wcs, x, y)
        ra, dec = theirs.all_pix2world(x, y, 0)
        apart = np.hypot((spot.ra_deg - ra) * np.cos(np.radians(dec)), spot.dec_deg - dec)
        assert apart * 3600.0 / SCALE < 1e-6


def test_the_value_under_a_point_is_the_files_with_its_colour(viewing, mosaic):
    shown = viewing.open(mosaic[0])
    spot = read_spot(shown, None, 202.49, 99.51, gain_e_per_adu=2.0)
    assert (spot.x, spot.y, spot.names, spot.values) == (202, 100, ("red",), (777.0,))
    assert spot.electrons == (1554.0,) and spot.light == "red 777 ADU = 1554 e⁻"
    assert spot.ra_deg is None and spot.ra == ""
    assert read_spot(shown, None, 202.5, 100.0).x == 203  # the next pixel begins half-way
    green = read_spot(shown, None, 202.0, 101.0)
    assert green.names == ("green",)
    outside = read_spot(shown, None, -0.51, 5.0)
    assert not outside.inside and outside.light == "outside the picture"


def test_a_clipped_pixel_says_so(viewing, tmp_path):
    picture = np.full((20, 20), 1000.0)
    picture[5, 6] = 65535.0
    shown = viewing.open(write_fits(tmp_path / "c.fits", picture, cards={}, dtype="uint16"))
    assert read_spot(shown, None, 6, 5).light == "65535 ADU, clipped"
    assert "clipped" not in read_spot(shown, None, 7, 5).light


def test_the_gain_is_the_headers_or_that_of_the_kits_camera(viewing, tmp_path, mosaic):
    kit = load_kit("long 102")
    shown = viewing.open(mosaic[0])
    assert gain_of(shown, kit) is None and gain_of(shown, None) is None
    camera = kit.camera.model_copy(update={"width_px": 600, "height_px": 400})
    own = kit.model_copy(update={"camera": camera})
    assert gain_of(shown, own) == kit.camera.gain_e_per_adu
    told = write_fits(tmp_path / "g.fits", np.ones((9, 9)), cards={"EGAIN": 0.7}, dtype="uint16")
    assert gain_of(viewing.open(told), own) == 0.7


def test_colours_of_a_finished_picture_are_shares_of_white(viewing, tmp_path):
    codes = np.full((40, 60, 3), (255, 188, 0), dtype=np.uint8)
    shown = viewing.open(write_png(tmp_path / "done.png", codes))
    spot = read_spot(shown, None, 3, 4, gain_e_per_adu=2.0)
    # IEC 61966-2-1: code 188 is 0.5029 of white
    assert spot.light == "red 100.0 %, green 50.3 %, blue 0.0 % of white, in linear light"
    assert spot.electrons is None


def test_the_place_comes_from_the_surest_source(viewing, tmp_path, mosaic):
    path, _ = mosaic
    shown = viewing.open(path)
    told = {
        "solved": True, "ra_deg": 10.0, "dec_deg": 20.0, "scale_arcsec_per_px": 3.0,
        "rotation_deg": 5.0, "parity": 1,
    }  # fmt: skip
    bare = write_fits(tmp_path / "bare.fits", np.ones((400, 600)), cards={}, dtype="uint16")
    assert viewing.place(viewing.open(bare)).wcs is None
    fresh = Viewing(viewing.kept)
    by_verdict = fresh.place(fresh.open(bare), verdict=told)
    assert by_verdict.wcs is not None and "without the lens’s distortion" in by_verdict.words
    saved = write_wcs_beside(path, straight(600, 400), 600, 400)
    fresh = Viewing(viewing.kept)
    assert fresh.place(shown).words == f"placed by {saved.name}"
    # judged meanwhile: the same viewing sees it at once
    viewing.place(shown)
    wcs = straight(600, 400)
    viewing.kept.put(path, Kept(Verdict(str(path), solved=True), wcs))
    placed = viewing.place(shown)
    assert placed.words == "placed by its own stars" and placed.wcs == wcs


def test_a_finished_picture_is_placed_by_the_linear_one_of_its_size(viewing, tmp_path):
    codes = np.zeros((40, 60, 3), dtype=np.uint8)
    picture = write_png(tmp_path / "M15.png", codes)
    cards = straight(60, 40).to_header()
    write_fits(tmp_path / "M15.fits", np.ones((40, 60)), cards=cards, dtype="float32")
    assert viewing.place(viewing.open(picture)).words == "placed by M15.fits"
    write_fits(tmp_path / "M15.fits", np.ones((41, 60)), cards=cards, dtype="float32")
    fresh = Viewing(viewing.kept)
    assert fresh.place(fresh.open(picture)).wcs is None
    by_cut = fresh.place(
        replace(fresh.open(picture), stamp="other"), finished=lambda path, size: straight(*size)
    )
    assert by_cut.words == "placed by the linear picture beside it"


def test_what_is_kept_comes_back_and_ends_with_the_file(tmp_path):
    path = write_fits(tmp_path / "f.fits", np.ones((9, 9)), cards={}, dtype="uint16")
    kept = KeptFrames(tmp_path / "kept")
    assert kept.get(path) is None and kept.mark(path) == 0
    base = straight()
    bent = SipWcs(
        base.ra0_deg, base.dec0_deg, base.crpix_x, base.crpix_y, base.cd,
        a=((2, 0, 1e-6),), b=((0, 2, -2e-6), (1, 1, 3e-7)), reach_px=700.0,
    )  # fmt: skip
    verdict = Verdict(str(path), stars=2, solved=True, ra_deg=1.0, dec_deg=2.0)
    kept.put(path, Kept(verdict, bent, ((1.5, 2.25, 3.0), (4.0, 5.0, 0.0)), "M15"))
    back = kept.get(path)
    assert back is not None and back.verdict == verdict and back.target == "M15"
    assert back.wcs == bent and back.stars == ((1.5, 2.25, 3.0), (4.0, 5.0, 0.0))
    listed = kept.get(path, stars=False)
    assert listed is not None and listed.stars == ()
    file = next(p for p in kept.folder.iterdir() if ".stars" not in p.name)
    file.write_text(file.read_text().replace('"format": 1', '"format": 0'))
    assert kept.get(path) is None
    file.write_text("{")
    assert kept.get(path) is None
    kept.put(path, Kept(verdict))
    write_fits(path, np.zeros((9, 9)), cards={"A": 1}, dtype="uint16")
    path.write_bytes(path.read_bytes() + bytes(2880))
    assert kept.get(path) is None


@pytest.fixture(scope="module")
def card(sky, tmp_path_factory):
    """Three lights near M11, a torn file, and a text with a frame's name."""
    folder = tmp_path_factory.mktemp("card")
    for k in range(3):
        painted = paint(sky, ra_deg=283.1, dec_deg=-6.0 + 0.002 * k, seed=k + 1)
        path = save(painted, folder / f"light_{k}.fits")
        with fits.open(path, mode="update") as parts:
            parts[0].header["DATE-OBS"] = f"2026-09-12T21:{k:02d}:00"
    whole = (folder / "light_0.fits").read_bytes()
    (folder / "torn.fits").write_bytes(whole[: len(whole) // 2])
    (folder / "notes.fits").write_text("no picture")
    return folder


@pytest.fixture(scope="module")
def judged(sky, card, tmp_path_factory):
    kept = KeptFrames(tmp_path_factory.mktemp("kept"))
    steps = []
    options = {"target": resolve_place("M11", sky), "scale_arcsec_per_px": SCALE}
    paths = sorted(card.glob("*.fits"))
    known = judge_and_keep(paths, kept, sky, report=lambda *step: steps.append(step), **options)
    return kept, paths, known, steps, options


def test_a_folder_is_judged_whole_whatever_is_in_it(judged):
    _, paths, known, steps, _ = judged
    assert [one.verdict.file for one in known] == [str(path) for path in paths]
    by_name = {path.stem: one.verdict for path, one in zip(paths, known, strict=True)}
    assert all(by_name[f"light_{k}"].solved for k in range(3))
    assert by_name["torn"].error and by_name["notes"].error
    assert steps[0] == ("judging", 0, 5) and steps[-1] == ("judged", 5, 5)
    assert all(one.target == "M11" for one in known)


def test_nothing_is_judged_twice_and_stopping_loses_nothing(sky, judged, tmp_path, card):
    kept, paths, known, _, options = judged
    lights = [path for path in paths if path.stem.startswith("light")]
    marks = [kept.mark(path) for path in lights]
    again = judge_and_keep(lights, kept, sky, **options)
    assert [kept.mark(path) for path in lights] == marks
    # NaN is unequal to itself: as JSON they are the same
    first = {one.verdict.file: one.verdict.to_json() for one in known}
    assert all(json.dumps(o.verdict.to_json()) == json.dumps(first[o.verdict.file]) for o in again)

    def stop(words, done, total):
        if done == 1:
            raise Cancelled

    mine = tmp_path / "mine"
    mine.mkdir()
    for path in lights[:2]:
        shutil.copy2(path, mine)
    copies = sorted(mine.glob("*.fits"))
    other = KeptFrames(tmp_path / "other")
    with pytest.raises(Cancelled):
        judge_and_keep(copies, other, sky, report=stop, **options)
    assert [other.mark(path) != 0 for path in copies] == [True, False]


def test_the_folder_is_told_like_a_night(sky, judged, card):
    kept, paths, *_ = judged
    found = judged_folder(card, paths, kept, target="M11")
    state = found.state
    assert found.to_judge == () and len(state.entries) == 5
    lights = [entry.name for entry in state.entries if entry.role == "light"]
    assert lights == ["light_0.fits", "light_1.fits", "light_2.fits"]
    assert state.trends is not None and len(state.trends.points) == 3
    assert state.say.text
    missing = judged_folder(card, paths, KeptFrames(card / "none"), target=None)
    assert missing.to_judge == tuple(paths) and missing.state.say.text == "Judge these frames"


def test_marks_over_a_frame_lie_where_the_sky_puts_them(sky, judged):
    kept, paths, _, _, options = judged
    path = next(path for path in paths if path.stem == "light_1")
    viewing = Viewing(kept, Shelf())
    shown = viewing.open(path)
    placed = viewing.place(shown)
    marks = viewing.marks(shown, placed, sky, options["target"])
    assert marks.placed == "placed by its own stars"
    assert len(marks.found) > 40 and len(marks.known) > 5
    found = np.array(marks.found)[:, :2]
    near = [np.hypot(*(found - np.array([x, y])).T).min() for x, y, _ in marks.known]
    assert np.median(near) < 1.0  # most catalogue stars were found, within a pixel
    assert marks.target is not None and marks.target_name == "M11"
    theirs = WCS(fits.Header(placed.wcs.to_header()))
    at = theirs.all_world2pix(options["target"].ra_deg, options["target"].dec_deg, 0)
    np.testing.assert_allclose(marks.target, at, atol=1e-3)
    json.dumps(marks.to_json(), allow_nan=False)
    overlay = overlay_of_kept(kept.get(path), sky, options["target"])
    assert overlay is not None and overlay.found and overlay.known


def test_without_a_place_only_the_stars_are_marked(sky, viewing, tmp_path):
    bare = write_fits(tmp_path / "bare.fits", np.ones((400, 600)), cards={}, dtype="uint16")
    shown = viewing.open(bare)
    kept = Kept(Verdict("x"), None, ((10.0, 20.0, 3.0),))
    marks = find_marks((600, 400), viewing.place(shown), sky, epoch_year=2026.7, kept=kept)
    assert marks.found == ((10.0, 20.0, 3.0),)
    assert marks.known == () and marks.north is None


@pytest.mark.parametrize(
    ("way", "turn", "words"),
    [(30, 60, "½ turn"), (-75, 60, "1 ¼ turns"), (2, 60, "a touch"), (60, 60, "1 turn"),
     (120, 60, "2 turns"), (8, 60, "⅛ turn")],
)  # fmt: skip
def test_turns_of_a_bolt_in_words(way, turn, words):
    assert turns_text(way, turn) == words
