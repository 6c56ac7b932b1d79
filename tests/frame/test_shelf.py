"""Pictures opened for looking at: memory bounded, read once, known again when the file changes."""

from __future__ import annotations

import os
import threading

import cv2
import numpy as np
import pytest

from slowglass.errors import UnreadableFile
from slowglass.frame import shelf as shelf_module
from slowglass.frame.adjust import Adjustment
from slowglass.frame.caption import Caption
from slowglass.frame.fits_io import write_fits
from slowglass.frame.picture_io import write_jpeg, write_png, write_tiff16
from slowglass.frame.shelf import Shelf, encode_quick, encode_tile, quick_look, stamp_of


@pytest.fixture
def frames(tmp_path):
    rng = np.random.default_rng(2)
    paths = []
    for k in range(4):
        picture = rng.normal(700.0, 12.0, (600, 900))
        paths.append(write_fits(tmp_path / f"f{k}.fits", picture, cards={}, dtype="uint16"))
    return paths


def test_the_oldest_go_when_memory_runs_out(frames):
    one = Shelf().open(frames[0]).pyramid.nbytes
    small = Shelf(most_bytes=2 * one)
    for path in frames:
        small.open(path)
    assert small.nbytes <= 2 * one
    assert small.open(frames[3]) is small.open(frames[3])
    least = Shelf(most_bytes=1)
    assert least.open(frames[0]) is least.open(frames[0])  # the newest stays, whatever its size


def test_many_who_ask_at_once_make_it_be_read_once(frames, monkeypatch):
    read = []
    gate = threading.Event()

    def slow(path, **options):
        read.append(path)
        gate.wait(5.0)
        return shelf_module_read(path, **options)

    shelf_module_read = shelf_module.read_frame
    monkeypatch.setattr(shelf_module, "read_frame", slow)
    shared, found = Shelf(), []
    askers = [
        threading.Thread(target=lambda: found.append(shared.open(frames[0]))) for _ in range(5)
    ]
    for asker in askers:
        asker.start()
    gate.set()
    for asker in askers:
        asker.join(10.0)
    assert len(read) == 1 and len(found) == 5 and len({id(f) for f in found}) == 1


def test_a_file_written_anew_has_another_stamp(frames):
    shared = Shelf()
    before = shared.open(frames[0])
    write_fits(frames[0], np.full((600, 900), 40.0), cards={}, dtype="uint16")
    os.utime(frames[0], ns=(1, 1))
    after = shared.open(frames[0])
    assert after.stamp != before.stamp == before.stamp
    assert after.pyramid.value(0, 0) == (40.0,)


def test_what_cannot_be_opened_says_so(tmp_path, monkeypatch):
    with pytest.raises(UnreadableFile, match="cannot be looked at"):
        stamp_of(tmp_path / "none.fits")
    (tmp_path / "text.fits").write_text("no picture at all")
    shared = Shelf()
    for _ in range(2):  # a failure leaves nothing behind
        with pytest.raises(UnreadableFile):
            shared.open(tmp_path / "text.fits")
    monkeypatch.setattr(shelf_module, "MOST_PIXELS", 100)
    large = write_fits(tmp_path / "large.fits", np.ones((20, 20)), cards={}, dtype="uint16")
    with pytest.raises(UnreadableFile, match="20 × 20 px are more"):
        shared.open(large)


def test_pictures_made_for_the_eye_are_shown_as_they_are(tmp_path):
    codes = np.random.default_rng(5).integers(0, 256, (300, 400, 3)).astype(np.uint8)
    caption = Caption("a picture")
    made = [
        write_png(tmp_path / "eight.png", codes, caption=caption),
        write_tiff16(tmp_path / "deep.tiff", codes.astype(np.uint16) * 257, caption=caption),
    ]
    for path in made:
        shown = Shelf().open(path)
        assert shown.pyramid.finished
        data, kind = encode_tile(shown, 0, 0, 0, 0)
        assert kind == "image/png"
        back = cv2.imdecode(np.frombuffer(data, np.uint8), cv2.IMREAD_UNCHANGED)[..., ::-1]
        assert np.array_equal(back, codes)
    jpeg = Shelf().open(write_jpeg(tmp_path / "small.jpg", codes, caption=caption))
    assert jpeg.pyramid.finished
    plain = write_tiff16(tmp_path / "linear.tiff", codes.astype(np.uint16) * 257)
    assert not Shelf().open(plain).pyramid.finished


def test_squares_travel_as_png_and_their_means_as_jpeg(frames):
    shown = Shelf().open(frames[0])
    kinds = [encode_tile(shown, level, 0, 0, 1)[1] for level in (0, 1)]
    assert kinds == ["image/png", "image/jpeg"]
    data, _ = encode_tile(shown, 1, 0, 0, 1)
    wanted = shelf_module.tile(shown.pyramid, 1, 0, 0, 1)
    back = cv2.imdecode(np.frombuffer(data, np.uint8), cv2.IMREAD_UNCHANGED)
    # what JPEG adds is under a tenth of the noise that is there
    assert np.abs(back.astype(int) - wanted).mean() < 0.1 * wanted.std()
    with pytest.raises(IndexError):
        encode_tile(shown, 7, 0, 0, 0)


def test_the_quick_look_brightens_with_its_hand(frames):
    shown = Shelf().open(frames[0])
    mean = [
        quick_look(shown, 500, Adjustment(brightness=b), grey=True).mean() for b in (-40, 0, 40)
    ]
    assert mean[0] < mean[1] < mean[2]
    assert encode_quick(shown, longest_px=500, by=Adjustment(), grey=False)[:2] == b"\xff\xd8"
