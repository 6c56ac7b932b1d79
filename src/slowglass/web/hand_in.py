"""Forms that may bring a file: read whole, the file cut off where it grows too large.

A form of another kind than multipart holds no file. What is typed stays readable when a file is too
large, as long as its field comes last in the form.
"""

from __future__ import annotations

import os
import re
import shutil
from collections.abc import Iterable
from dataclasses import dataclass
from pathlib import Path

from starlette.datastructures import FormData, UploadFile
from starlette.formparsers import MultiPartException, MultiPartParser
from starlette.requests import Request

from slowglass.errors import UsageError
from slowglass.frame.atomic import replacing
from slowglass.frame.io import is_image_name

LARGEST_TEXT_BYTES = 200_000
MEGABYTE = 1_000_000
MOST_LOOKED_AT = 5000
"""Files looked at for the newest pictures: a card of a year's nights would take seconds."""


@dataclass(frozen=True)
class HandedIn:
    """The texts of a form, and the file that came with them or why it is not taken."""

    texts: dict[str, str]
    lists: dict[str, list[str]]
    """Every value of a name, for names that come more than once."""
    file: UploadFile | None
    complaint: str
    form: FormData
    """To be closed when the file is done with."""


class _CappedParser(MultiPartParser):
    """A parser that goes on to the end of a form but keeps no more of it than so many bytes."""

    most_bytes = 0
    taken = 0

    def on_part_data(self, data: bytes, start: int, end: int) -> None:
        self.taken += end - start
        if self.taken <= self.most_bytes:
            super().on_part_data(data, start, end)


async def handed_in(request: Request, *, most_bytes: int, file_name: str = "file") -> HandedIn:
    """What a form sends, with at most so many bytes of file."""
    complaint = ""
    if request.headers.get("content-type", "").startswith("multipart/"):
        parser = _CappedParser(
            request.headers, request.stream(), max_files=1, max_part_size=LARGEST_TEXT_BYTES
        )
        parser.most_bytes = most_bytes + LARGEST_TEXT_BYTES
        try:
            form = await parser.parse()
        except MultiPartException as error:
            raise UsageError(f"the form could not be read: {error.message}") from error
        if parser.taken > parser.most_bytes:
            complaint = f"the file is larger than {most_bytes // MEGABYTE} MB"
    else:
        form = await request.form()
    return _sorted_out(form, file_name, complaint)


def _sorted_out(form: FormData, file_name: str, complaint: str) -> HandedIn:
    texts: dict[str, str] = {}
    lists: dict[str, list[str]] = {}
    file: UploadFile | None = None
    for key, value in form.multi_items():
        if isinstance(value, UploadFile):
            if key == file_name and value.filename:
                file = value
            continue
        texts[key] = value.replace("\r\n", "\n")
        lists.setdefault(key, []).append(texts[key])
    return HandedIn(texts, lists, None if complaint else file, complaint, form)


def keep_picture(file: UploadFile, folder: Path) -> Path:
    """Where a handed-in picture is kept, under its own name made harmless; alone in its folder."""
    name = Path((file.filename or "").replace("\\", "/")).name
    name = re.sub(r"[^\w.() -]", "_", name).lstrip(".")[-100:]
    if not is_image_name(Path(name)):
        raise UsageError(
            f"“{(file.filename or '')[:80]}” has no name of a picture",
            "hand in camera raw, FITS, TIFF, PNG or JPEG",
        )
    path = folder / name
    if folder.is_dir():
        for earlier in folder.iterdir():
            earlier.unlink(missing_ok=True)
    with replacing(path) as temporary, temporary.open("wb") as out:
        shutil.copyfileobj(file.file, out, MEGABYTE)
    return path


def newest_pictures(folders: Iterable[Path], *, most: int) -> list[Path]:
    """The pictures written last in folders and below, newest first; hidden folders are left out."""
    found: list[tuple[float, Path]] = []
    looked_at = 0
    for folder in folders:
        for place, inner, names in os.walk(folder):
            inner[:] = [name for name in inner if not name.startswith(".")]
            for name in names:
                looked_at += 1
                path = Path(place) / name
                if is_image_name(path):
                    try:
                        found.append((path.stat().st_mtime, path))
                    except OSError:  # gone meanwhile
                        continue
            if looked_at > MOST_LOOKED_AT:
                break
    return [path for _, path in sorted(found, reverse=True)[:most]]
