"""Chosen folders: what may be looked into, and that nothing else can be reached."""

from __future__ import annotations

import os
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from slowglass.errors import UsageError
from slowglass.web import roots as roots_module
from slowglass.web.app import create_app
from slowglass.web.roots import Roots

links = pytest.mark.skipif(os.name == "nt", reason="links need a privilege there")


@pytest.fixture
def place(tmp_path):
    """A chosen folder, a secret beside it."""
    tmp_path = tmp_path.resolve()
    inside = tmp_path / "chosen"
    for name in ("lights/a.fits", "lights/b.CR3", "lights/deep/c.tif", "lights/notes.txt",
                 "darks/.hidden.fits", ".secret/d.fits", "own.fits"):  # fmt: skip
        path = inside / name
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_bytes(b"x")
    (tmp_path / "chosen-too").mkdir()
    (tmp_path / "secret.fits").write_bytes(b"x")
    return tmp_path


@pytest.fixture
def roots(place):
    return Roots([place / "chosen"])


def test_what_is_inside_is_found(roots, place):
    inside = place / "chosen"
    assert roots.resolve(str(inside)) == inside
    assert roots.file(str(inside / "lights" / "a.fits")) == inside / "lights" / "a.fits"
    assert roots.folder(str(inside / "lights" / "deep" / "..")) == inside / "lights"
    with pytest.raises(UsageError, match="is a file"):
        roots.folder(str(inside / "own.fits"))
    with pytest.raises(UsageError, match="is not a file"):
        roots.file(str(inside))
    with pytest.raises(UsageError, match="not there any more"):
        roots.resolve(str(inside / "gone.fits"))


@pytest.mark.parametrize(
    "text",
    ["", ".", "chosen", "/", "/etc/passwd", "~", "{}/chosen/../secret.fits", "{}/chosen-too",
     "{}/chosen/../chosen-too", "{}", "{}/chosen/\0", "{}/chosen/lights/../../secret.fits",
     "file://{}/chosen", "{}/nowhere", "x" * 5000, "/" + "x" * 5000, "\\\\host\\share"],
)  # fmt: skip
def test_what_is_outside_is_refused_alike_whether_there_or_not(roots, place, text):
    with pytest.raises(UsageError, match="outside the folders"):
        roots.resolve(text.replace("{}", str(place)))


@links
def test_no_link_leads_out(roots, place):
    inside = place / "chosen"
    (inside / "out").symlink_to(place)
    (inside / "out.fits").symlink_to(place / "secret.fits")
    (inside / "round").symlink_to(inside / "round")
    (inside / "in").symlink_to(inside / "lights")
    for text in ("out", "out/secret.fits", "out.fits", "round", "out/chosen-too"):
        with pytest.raises(UsageError, match="outside the folders"):
            roots.resolve(str(inside / text))
    assert roots.resolve(str(inside / "in" / "a.fits")) == inside / "lights" / "a.fits"
    listing = roots.listing(str(inside))
    assert [f.name for f in listing.folders] == ["darks", "lights"]
    assert listing.pictures == 1


@links
def test_a_chosen_link_is_the_folder_it_means(place):
    (place / "link").symlink_to(place / "chosen")
    roots = Roots([place / "link"])
    assert roots.folders == (place / "chosen",)
    assert roots.resolve(str(place / "link" / "own.fits")) == place / "chosen" / "own.fits"


PARTS = st.sampled_from(["..", ".", "lights", "deep", "chosen", "secret.fits", "a.fits", "", "out"])


@given(st.lists(PARTS, max_size=9))
def test_whatever_the_way_it_ends_inside_or_is_refused(tmp_path_factory, parts):
    base = tmp_path_factory.getbasetemp().resolve() / "roots-property"
    inside = base / "chosen"
    (inside / "lights" / "deep").mkdir(parents=True, exist_ok=True)
    (inside / "lights" / "a.fits").write_bytes(b"x")
    (base / "secret.fits").write_bytes(b"x")
    if os.name != "nt" and not (inside / "out").exists():
        (inside / "out").symlink_to(base)
    text = "/".join([str(inside), *parts])
    try:
        found = Roots([inside]).resolve(text)
    except UsageError:
        return
    assert found.is_relative_to(inside)
    assert found == Path(os.path.realpath(text))


@given(st.text(max_size=60))
def test_no_text_whatever_reaches_out(tmp_path_factory, text):
    base = tmp_path_factory.getbasetemp().resolve() / "roots-text"
    base.mkdir(exist_ok=True)
    for whole in (text, f"{base}/{text}"):
        try:
            found = Roots([base]).resolve(whole)
        except UsageError:
            continue
        assert found.is_relative_to(base)


def test_folders_are_listed_with_their_pictures(roots, place, monkeypatch):
    inside = place / "chosen"
    top = roots.listing()
    assert (top.address, top.parent) == ("", None)
    assert [(f.name, f.pictures) for f in top.folders] == [("chosen", 4)]
    listing = roots.listing(str(inside))
    assert [(f.name, f.pictures) for f in listing.folders] == [("darks", 0), ("lights", 3)]
    assert (listing.pictures, listing.parent) == (1, "")
    deep = roots.listing(str(inside / "lights" / "deep"))
    assert deep.trail[0] == ("chosen", str(inside))
    assert [name for name, _ in deep.trail] == ["chosen", "lights", "deep"]
    assert deep.parent == str(inside / "lights")
    monkeypatch.setattr(roots_module, "MOST_COUNTED", 2)
    assert roots.listing(str(inside)).folders[1].many


def test_a_root_that_comes_later_counts_from_then_on(tmp_path):
    roots = Roots([tmp_path / "later"])
    assert roots.listing().folders == ()
    (tmp_path / "later").mkdir()
    assert [f.name for f in roots.listing().folders] == ["later"]


def test_the_page_of_folders_leads_to_a_choice(workbench, place, send):
    app = create_app(workbench, folder=place / "night", frames=[place / "chosen"])
    page = send(app, "/folders?for=frames_folder&back=/judge").text
    assert "chosen" in page
    assert "4 pictures" in page
    inside = send(app, "/folders", params={"at": str(place / "chosen"), "back": "/judge"})
    assert "Use this folder" in inside.text
    assert 'value="/judge"' in inside.text
    assert "secret" not in inside.text
    outside = send(app, "/folders", params={"at": str(place)})
    assert outside.status_code == 400
    assert "secret.fits" not in outside.text
    assert send(app, "/folders?for=passwords").status_code == 400
    # the current directory is not looked into
    assert str(Path.cwd()) not in page


def test_without_a_folder_the_page_says_how_to_choose_one(workbench, tmp_path, send):
    app = create_app(workbench, folder=tmp_path / "none")
    assert "slowglass serve --frames FOLDER" in send(app, "/folders").text
