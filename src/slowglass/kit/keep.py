"""A kit or site kept in a file, edited or made anew, without losing what stood there before."""

from __future__ import annotations

import re
from pathlib import Path

from slowglass.errors import SlowglassError
from slowglass.kit.io import load_kit, load_site, write_kit, write_site
from slowglass.kit.model import Kit, Site

MOST_NUMBERS = 1000


def keep(record: Kit | Site, path: Path, *, editing: str = "") -> tuple[Path, Path | None]:
    """(the record's file, where what it held before went), both written; None with no need.

    ``editing`` names the kit or site whose changed version this is. A file that holds another
    one, or that cannot be read, is first set aside beside it, under a name of its own. The
    person's own comments in the file stay.
    """
    aside: Path | None = None
    if path.is_file():
        present = _name_in(path, record)
        if present is None or present not in (record.name, editing):
            aside = _set_aside(path, present or "unreadable")
    if isinstance(record, Kit):
        return write_kit(record, path, replace=True, editing=editing), aside
    return write_site(record, path, replace=True, editing=editing), aside


def _name_in(path: Path, record: Kit | Site) -> str | None:
    try:
        return (load_kit(path) if isinstance(record, Kit) else load_site(path)).name
    except SlowglassError:
        return None


def _set_aside(path: Path, name: str) -> Path:
    """A free name beside the file, such as ``kit-long-102.toml``; the file is copied there."""
    slug = re.sub(r"[^a-z0-9]+", "-", name.casefold()).strip("-") or "earlier"
    for number in range(1, MOST_NUMBERS):
        more = "" if number == 1 else f"-{number}"
        other = path.with_name(f"{path.stem}-{slug}{more}{path.suffix}")
        if not other.exists():
            other.write_bytes(path.read_bytes())
            return other
        if other.read_bytes() == path.read_bytes():
            return other
    raise FileExistsError(path)
