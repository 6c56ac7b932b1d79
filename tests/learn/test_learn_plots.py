"""The pictures of what was learned: right places, all formats, nothing half written."""

from __future__ import annotations

import pytest

from slowglass.errors import UsageError
from slowglass.learn.logbook.records import LoggedPicture
from slowglass.learn.plots import draw_picture_sky, draw_review
from slowglass.learn.review import summarise
from slowglass.learn.service import Lessons, learn_from


@pytest.mark.parametrize(
    ("suffix", "start"), [(".png", b"\x89PNG"), (".svg", b"<svg"), (".pdf", b"%PDF")]
)
def test_pictures_are_placed_on_the_sky_in_every_format(tmp_path, suffix, start):
    pictures = [
        LoggedPicture("m15.png", object="NGC7078", ra_deg=322.5, dec_deg=12.2),
        LoggedPicture("unplaced.png"),
    ]
    path = draw_picture_sky(pictures, {None: "M15"}, tmp_path / f"sky{suffix}")
    assert path.read_bytes().startswith(start)


def test_review_is_drawn(logged, history, sky, tmp_path):
    lessons = learn_from(logged, history.kit, history.site, sky)
    assert draw_review(lessons, tmp_path / "review.png").stat().st_size > 5000
    with pytest.raises(UsageError, match=r"\.png, \.svg or \.pdf"):
        draw_review(lessons, tmp_path / "review.gif")
    assert not (tmp_path / "review.gif").exists()


def test_nothing_is_no_picture(tmp_path):
    empty = Lessons((), (), (), summarise([]), ())
    with pytest.raises(UsageError, match="nothing to draw"):
        draw_review(empty, tmp_path / "review.png")
