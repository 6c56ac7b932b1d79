"""A picture looked at, in words: its facts, what is marked on it, the frames beside it."""

from __future__ import annotations

from pathlib import Path, PurePath
from typing import TYPE_CHECKING
from urllib.parse import urlencode

from slowglass.errors import SlowglassError
from slowglass.frame.io import is_image_name
from slowglass.web.present import number

if TYPE_CHECKING:
    from slowglass.frame.shelf import Shown
    from slowglass.judge.marks import Marks
    from slowglass.judge.spot import Spot
    from slowglass.learn.night import NightRecord
    from slowglass.sky.place import Place
    from slowglass.web.notebook import Notebook

MOST_ROWS = 40


def view_address(path: PurePath | str) -> str:
    """The address of the page that shows a picture in full size."""
    return "/view?" + urlencode({"of": str(path)})


def target_of(book: Notebook) -> Place | None:
    """What the frames are meant to show: the desk's target, the night's or the watch's."""
    night, watching = book.night(), book.watching
    name = book.desk.state.target
    if not name and watching is not None:
        name = watching.state.target or ""
    if not name and night is not None:
        name = night.index["target"]["name"]
    try:
        return book.workbench.place(name) if name else None
    except SlowglassError:  # a target of another edition's catalogue
        return None


def night_frame(night: NightRecord, frame_id: str) -> Path | None:
    """The file of a frame of the night's record; None where it is not in its folder."""
    frame = next((f for f in night.frames if f["id"] == frame_id), None)
    if frame is None:
        return None
    root, told = night.folder.resolve(), Path(frame["verdict"]["file"])
    for path in (told, *sorted(root.rglob(told.name))):  # the folder may have been moved
        if path.is_file() and path.resolve().is_relative_to(root):
            return path.resolve()
    return None


def neighbours(path: Path) -> tuple[Path | None, Path | None, int, int]:
    """The pictures before and after one in its folder, by name, its place there and their count."""
    try:
        names = sorted(one.name for one in path.parent.iterdir() if is_image_name(one))
    except OSError:
        names = []
    if path.name not in names:
        return None, None, 1, 1
    place = names.index(path.name)
    before = path.with_name(names[place - 1]) if place else None
    after = path.with_name(names[place + 1]) if place + 1 < len(names) else None
    return before, after, place + 1, len(names)


def facts_rows(shown: Shown, marks: Marks, middle: Spot) -> list[tuple[str, str]]:
    """What is known of the picture, name and words."""
    header, pyramid = shown.header, shown.pyramid
    colours = "colour mosaic" if pyramid.bayer else "colour" if pyramid.channels == 3 else "grey"
    rows = [("Size", f"{shown.width_px} × {shown.height_px} px, {colours}")]
    if header.exposure_s is not None:
        rows.append(
            ("Exposure", number(header.exposure_s, 0 if header.exposure_s >= 1 else 3, "s"))
        )
    if not pyramid.finished:
        levels = ", ".join(number(level, 1) for level in pyramid.sky)
        rows.append(("Sky level", f"{levels} {'e⁻' if shown.unit == 'e' else 'ADU'}"))
    rows.append(("Middle pixel", middle.light))
    if middle.ra:
        rows.append(("Middle of the picture", f"{middle.ra}, {middle.dec}"))
    if marks.scale_arcsec_per_px:
        rows.append(("Scale", number(marks.scale_arcsec_per_px, 3, "″") + " per pixel"))
    rows.append(("Coordinates", marks.placed))
    return rows


def mark_rows(marks: Marks) -> list[tuple[str, str, str]]:
    """What is marked, name, kind and place in pixels: target, objects, the brightest stars."""
    rows = []
    if marks.target is not None:
        rows.append((marks.target_name, "the target", _place(*marks.target)))
    rows += [(one.name, one.kind, _place(one.x_px, one.y_px)) for one in marks.objects]
    brightest = sorted(marks.known, key=lambda star: star[2])
    rows += [("", f"star of magnitude {number(m, 1)}", _place(x, y)) for x, y, m in brightest]
    return rows[:MOST_ROWS]


def _place(x: float, y: float) -> str:
    return f"{x:.0f}, {y:.0f}".replace("-", "−")
