"""The folders into which the pages may look, and nothing else of the disk."""

from __future__ import annotations

import os
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from pathlib import Path

from slowglass.errors import UsageError
from slowglass.frame.io import is_image_name

MOST_COUNTED = 5000
"""Files looked at to count a folder's pictures; more than that is "many"."""
CURE = "choose one on the page of folders, or start with --frames and that folder"


@dataclass(frozen=True)
class Subfolder:
    """A folder to choose: its name, its address, and the pictures in it and below."""

    name: str
    address: str
    pictures: int
    many: bool
    """True when counting was given up: there are at least as many."""


@dataclass(frozen=True)
class Listing:
    """What a folder holds, as a person chooses among folders."""

    address: str
    """"" above the roots."""
    name: str
    parent: str | None
    """Address of the folder above, "" for the list of roots, None there."""
    trail: tuple[tuple[str, str], ...]
    """Name and address of the folders from the root down to this one."""
    folders: tuple[Subfolder, ...]
    pictures: int
    """Pictures in this very folder."""
    trouble: str = ""

    @property
    def total(self) -> int:
        """Pictures in this folder and all below."""
        return self.pictures + sum(folder.pictures for folder in self.folders)

    @property
    def many(self) -> bool:
        """True when there are more than were counted."""
        return any(folder.many for folder in self.folders)


class Roots:
    """The chosen folders. An address is the whole path of a file or folder as text."""

    def __init__(self, folders: Iterable[Path]) -> None:
        self._folders = tuple(dict.fromkeys(_absolute(folder) for folder in folders))

    @property
    def folders(self) -> tuple[Path, ...]:
        """The chosen folders that are there now, with no link in their paths."""
        found = (folder.resolve() for folder in self._folders)
        return tuple(dict.fromkeys(folder for folder in found if folder.is_dir()))

    def resolve(self, text: str) -> Path:
        """The file or folder of an address, with no link in its path.

        ``UsageError`` when it lies outside the chosen folders, by ``..`` or a link too, and when
        it is not there.
        """
        try:
            path = Path(text)
            real = path.resolve() if path.is_absolute() else None
        except (OSError, ValueError, RuntimeError):  # a loop of links, a null, a name too long
            real = None
        if real is None or self._root_of(real) is None:
            raise UsageError(f"“{text[:200]}” is outside the folders to look into", CURE)
        if not real.exists():
            raise UsageError(f"“{text[:200]}” is not there any more", "choose another")
        return real

    def folder(self, text: str) -> Path:
        """The folder of an address; ``UsageError`` for a file too."""
        path = self.resolve(text)
        if not path.is_dir():
            raise UsageError(f"“{text[:200]}” is a file", "choose the folder it is in")
        return path

    def file(self, text: str) -> Path:
        """The file of an address; ``UsageError`` for a folder too."""
        path = self.resolve(text)
        if not path.is_file():
            raise UsageError(f"“{text[:200]}” is not a file", "choose a picture")
        return path

    def listing(self, text: str = "") -> Listing:
        """The folders below an address, with their pictures counted; "" lists the roots."""
        if not text:
            folders = tuple(self._subfolder(folder) for folder in self.folders)
            return Listing("", "Folders", None, (), folders, 0)
        here = self.folder(text)
        root = self._root_of(here)
        assert root is not None
        steps = [here, *here.parents]
        down = [*reversed(steps[: steps.index(root) + 1])]
        trouble, inside, pictures = "", [], 0
        try:
            with os.scandir(here) as entries:
                for entry in entries:
                    if _is_open_folder(entry):
                        inside.append(Path(entry.path))
                    elif _is_picture(entry):
                        pictures += 1
        except OSError as error:
            trouble = f"{here} cannot be read: {error.strerror or error}"
        return Listing(
            address=str(here),
            name=here.name or str(here),
            parent="" if here == root else str(here.parent),
            trail=tuple((step.name or str(step), str(step)) for step in down),
            folders=tuple(self._subfolder(path) for path in sorted(inside)),
            pictures=pictures,
            trouble=trouble,
        )

    def _root_of(self, real: Path) -> Path | None:
        inside = [root for root in self.folders if real.is_relative_to(root)]
        return min(inside, key=lambda root: len(root.parts), default=None)

    @staticmethod
    def _subfolder(path: Path) -> Subfolder:
        pictures = looked_at = 0
        for entry in _below(path):
            looked_at += 1
            pictures += _is_picture(entry)
            if looked_at >= MOST_COUNTED:
                break
        return Subfolder(
            path.name or str(path), str(path), pictures, many=looked_at >= MOST_COUNTED
        )


def _below(folder: Path) -> Iterator[os.DirEntry[str]]:
    """Everything in a folder and below it that is no link and not hidden."""
    left = [str(folder)]
    while left:
        try:
            with os.scandir(left.pop()) as entries:
                for entry in entries:
                    yield entry
                    if _is_open_folder(entry):
                        left.append(entry.path)
        except OSError:  # gone meanwhile, or not ours to read
            continue


def _is_open_folder(entry: os.DirEntry[str]) -> bool:
    return not entry.name.startswith(".") and entry.is_dir(follow_symlinks=False)


def _is_picture(entry: os.DirEntry[str]) -> bool:
    return entry.is_file(follow_symlinks=False) and is_image_name(Path(entry.name))


def _absolute(folder: Path) -> Path:
    return Path(os.path.abspath(folder.expanduser()))
