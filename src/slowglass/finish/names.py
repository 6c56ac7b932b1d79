"""Where the outputs go, decided before any work is done."""

from __future__ import annotations

import os
from dataclasses import dataclass
from pathlib import Path

from slowglass.errors import UsageError

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
    def every(self) -> tuple[Path, ...]:
        """All outputs."""
        return self.fits, self.tiff, self.png, self.jpeg, self.recipe


def choose_names(folder: Path, out: Path) -> Names:
    """Output names for ``-o OUT``: a stem, with or without a suffix, or an existing folder.

    A stem is the user's own choice and its files are replaced. In a folder the stem is ours,
    the input folder's name, and numbered so that nothing is replaced. Outputs inside the input
    folder are refused.
    """
    if not folder.is_dir():
        raise UsageError(f"{folder} is not a folder", "name the folder that holds the frames")
    ours = out.is_dir() or str(out).endswith(("/", os.sep))
    target = out.resolve()
    if ours:
        names = Names(target, folder.name or "picture")
    else:
        stem = target.name
        for suffix in KNOWN:
            if stem.lower().endswith(suffix) and len(stem) > len(suffix):
                stem = stem[: -len(suffix)]
                break
        names = Names(target.parent, stem)
    if names.folder == folder or folder in names.folder.parents:
        raise UsageError(
            f"{names.fits} lies inside the folder of frames {folder}",
            "choose an output outside it, so that no frame can ever be touched",
        )
    number = 2
    first = names.stem
    while ours and any(p.exists() for p in names.every):
        names = Names(names.folder, f"{first}-{number}")
        number += 1
    for path in names.every:
        if path.is_dir():
            raise UsageError(f"{path} is a folder", "choose another output name")
    return names
