"""Mapped files let go between frames, so that a night's watch stays small on a laptop."""

from __future__ import annotations

import gc
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    import numpy as np


def let_go_of_files() -> None:
    """Unload the pages of read-only mapped files (the star index); touching loads them again.

    90 MB after a search, and some milliseconds for the next one: the system still holds the
    files as long as it has room.
    """
    import mmap

    if hasattr(mmap, "MADV_DONTNEED"):
        for mapped in _mapped_for_reading():
            mapped._mmap.madvise(mmap.MADV_DONTNEED)  # type: ignore[attr-defined]


def _mapped_for_reading() -> tuple[np.memmap, ...]:
    """The arrays mapped from files now; catalogues open when they are first needed."""
    import numpy as np

    return tuple(
        thing
        for thing in gc.get_objects()
        if isinstance(thing, np.memmap)
        and thing.mode == "r"  # a written copy of a page would be lost
        and getattr(thing, "_mmap", None) is not None
    )
