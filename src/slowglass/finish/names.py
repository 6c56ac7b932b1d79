"""Where the outputs go, decided before any work is done."""

from __future__ import annotations

import os
from dataclasses import dataclass
from pathlib import Path

from slowglass.errors import UsageError
from slowglass.frame.io import is_image_name

KNOWN = (".fits", ".fit", ".fts", ".tiff", ".tif", ".png", ".jpg", ".jpeg", ".recipe.toml", ".toml")


@dataclass(frozen=True)
class Names:
    """The output folder and the stem that all outputs share."""

    folder: Path
    stem: str

    def _with(self, suffix: str) -> Path:
        return self.folder / f"{self.stem}{suffix}"

    @property
    def fits(self) -> Path:
        """The linear picture."""
        return self._with(".fits")

    @property
    def tiff(self) -> Path:
        """16-bit picture for the eye."""
        return self._with(".tiff")

    @property
    def png(self) -> Path:
        """8-bit picture for the eye, lossless."""
        return self._with(".png")

    @property
    def jpeg(self) -> Path:
        """8-bit picture for the eye, small."""
        return self._with(".jpg")

    @property
    def recipe(self) -> Path:
        """The recipe that repeats it."""
        return self._with(".recipe.toml")

    @property
    def maps(self) -> Path:
        """How sure each pixel of the linear picture is."""
        return self._with("-maps.fits")

    @property
    def labelled(self) -> Path:
        """The picture with grid, names and scale."""
        return self._with("-labelled.jpg")

    @property
    def pair(self) -> Path:
        """One frame beside all of them."""
        return self._with("-one-and-all.jpg")

    @property
    def report(self) -> Path:
        """The page about the picture."""
        return self._with("-report.html")

    @property
    def every(self) -> tuple[Path, ...]:
        """All outputs."""
        return (
            self.fits,
            self.maps,
            self.tiff,
            self.png,
            self.jpeg,
            self.labelled,
            self.pair,
            self.report,
            self.recipe,
        )


def choose_names(source: Path, out: Path) -> Names:
    """Output names for ``-o OUT``: a stem, with or without a suffix, or an existing folder.

    ``source`` is the folder of frames, or one frame, which no output may replace.

    A stem is the user's own choice and its files are replaced. In a folder the stem is ours,
    the input folder's name, and numbered so that nothing is replaced. Outputs inside the input
    folder are refused.
    """
    if not source.exists():
        raise UsageError(
            f"{source}: no such folder or frame", "name the folder of frames, or one frame"
        )
    ours = out.is_dir() or str(out).endswith(("/", os.sep))
    target = out.resolve()
    if ours:
        names = Names(target, _stem(source.name) if source.is_file() else source.name or "picture")
    else:
        names = Names(target.parent, _stem(target.name))
    if source.is_dir() and (names.folder == source or source in names.folder.parents):
        raise UsageError(
            f"{names.fits} lies inside the folder of frames {source}",
            "choose an output outside it, so that no frame can ever be touched",
        )
    if not ours and source in names.every:
        raise UsageError(f"the output would replace the frame {source}", "choose another name")
    if ours:
        names = free_names(names.folder, names.stem)
    for path in names.every:
        if path.is_dir():
            raise UsageError(f"{path} is a folder", "choose another output name")
    return names


def free_names(folder: Path, stem: str) -> Names:
    """Names that no file has yet: the stem's, or numbered ones."""
    names, number = Names(folder, stem), 2
    while any(path.exists() for path in names.every):
        names = Names(folder, f"{stem}-{number}")
        number += 1
    return names


def _stem(name: str) -> str:
    """The name without a suffix of pictures."""
    if name.lower().endswith(".gz"):
        name = name[:-3]
    for suffix in KNOWN:
        if name.lower().endswith(suffix) and len(name) > len(suffix):
            return name[: -len(suffix)]
    if is_image_name(Path(name)):
        return Path(name).stem
    return name
