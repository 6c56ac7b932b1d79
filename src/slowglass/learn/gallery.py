"""The finished pictures: looked for by object, place and words, shown small, put on a map."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import TYPE_CHECKING

from slowglass.errors import NothingUseful
from slowglass.learn.logbook.records import LoggedPicture
from slowglass.learn.skymap import Spot
from slowglass.sky.coords import separation_deg

if TYPE_CHECKING:
    from slowglass.learn.logbook.store import Logbook
    from slowglass.sky.store import Sky

SMALL_PX = 560
SHOWN = (".png", ".jpg", ".jpeg", ".tif", ".tiff")


def find_pictures(
    logbook: Logbook,
    *,
    object: str | None = None,
    near: tuple[float, float, float] | None = None,
    text: str = "",
) -> list[LoggedPicture]:
    """The finished pictures that answer every condition, the newest first.

    ``near`` is right ascension, declination and radius in degrees; ``text`` part of a caption or
    of a file's name.
    """
    found = logbook.all(LoggedPicture, object=object)
    if near is not None:
        ra, dec, radius = near
        found = [
            one
            for one in found
            if one.ra_deg is not None
            and one.dec_deg is not None
            and separation_deg(ra, dec, one.ra_deg, one.dec_deg) <= radius
        ]
    if text:
        wanted = text.casefold()
        found = [
            one
            for one in found
            if wanted in one.caption.casefold() or wanted in Path(one.file).name.casefold()
        ]
    return found[::-1]


def is_there(picture: LoggedPicture) -> bool:
    """Whether the picture's file can still be shown."""
    return Path(picture.file).suffix.lower() in SHOWN and Path(picture.file).is_file()


def names_of(pictures: Sequence[LoggedPicture], sky: Sky) -> dict[int | None, str]:
    """What to call each picture, by its number: the object's usual name, else the file's."""
    names = {}
    for one in pictures:
        thing = sky.objects.find(one.object) if one.object else None
        names[one.id] = thing.name if thing is not None else one.object or Path(one.file).stem
    return names


def spots_of(
    pictures: Sequence[LoggedPicture], names: Mapping[int | None, str], href: str = ""
) -> list[Spot]:
    """The pictures' places on the map; ``href`` with a picture's number behind it leads to it."""
    return [
        Spot(
            one.ra_deg,
            one.dec_deg,
            names[one.id],
            told=one.caption or names[one.id],
            href=f"{href}{one.id}" if href else "",
        )
        for one in pictures
        if one.ra_deg is not None and one.dec_deg is not None
    ]


def small_picture(picture: LoggedPicture) -> bytes:
    """The picture as a small JPEG; ``NothingUseful`` with the reason where there is none."""
    from slowglass.learn.fieldreport.pictures import picture_from_file

    found = picture_from_file(Path(picture.file), picture.caption, longest_px=SMALL_PX)
    if found.missing:
        raise NothingUseful(found.missing, "finish it again, or take the entry out of the lists")
    return found.jpeg
