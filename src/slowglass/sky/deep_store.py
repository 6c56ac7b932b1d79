"""Where deeper stars live on disk: one file a tile, whole or not there at all.

A file's name says which tile it holds, to which magnitude and how many stars, so a listing of the
folder is the table of contents: ``tile-34-107-g1400-n5321.npz``.
"""

from __future__ import annotations

import os
import re
import shutil
import tempfile
import time
import zipfile
from dataclasses import dataclass, fields
from pathlib import Path

import numpy as np

from slowglass.errors import CatalogueMissing
from slowglass.sky.deep import BYTES_PER_STAR, COLUMN_TYPES, DeepStars, Tile
from slowglass.sky.store import data_folder

FORMAT = 1
_NAME = re.compile(r"tile-(\d{2})-(\d{3})-g(\d{4})-n(\d+)\.npz")
_LEFTOVER_S = 86400.0


@dataclass(frozen=True)
class StoredTile:
    """A finished tile: its file, the G magnitude it reaches, how many stars it holds."""

    tile: Tile
    to_mag: float
    stars: int
    path: Path


@dataclass(frozen=True)
class StoreSummary:
    """What a store holds."""

    folder: Path
    tiles: int
    stars: int
    megabytes: float
    area_deg2: float
    to_mag_least: float | None
    """Magnitude to which every stored tile reaches; None when there is none."""
    to_mag_most: float | None


def deep_folder() -> Path:
    """The store's folder: ``SLOWGLASS_DEEP`` if set, else beside the sky index."""
    chosen = os.environ.get("SLOWGLASS_DEEP")
    return Path(chosen) if chosen else data_folder() / f"deep-{FORMAT}"


class DeepStore:
    """The deeper stars in a folder, which need not exist."""

    def __init__(self, folder: Path | None = None) -> None:
        self.folder = deep_folder() if folder is None else Path(folder)

    def contents(self) -> dict[Tile, StoredTile]:
        """The finished tiles, each at the faintest magnitude there is a file for."""
        found: dict[Tile, StoredTile] = {}
        try:
            entries = list(os.scandir(self.folder))
        except OSError:
            return found
        for entry in entries:
            match = _NAME.fullmatch(entry.name)
            if match is None:
                continue
            band, step, hundredths, stars = (int(part) for part in match.groups())
            if _size_of(entry) < stars * BYTES_PER_STAR:
                continue  # cut short by a failing disk: fetched anew
            stored = StoredTile(Tile(band, step), hundredths / 100.0, stars, Path(entry.path))
            other = found.get(stored.tile)
            if other is None or other.to_mag < stored.to_mag:
                found[stored.tile] = stored
        return found

    def load(self, stored: StoredTile) -> DeepStars | None:
        """A tile's stars, or None when the file is damaged or gone."""
        try:
            with np.load(stored.path, allow_pickle=False) as archive:
                columns = {name: archive[name] for name in COLUMN_TYPES}
        except (OSError, ValueError, KeyError, EOFError, zipfile.BadZipFile):
            return None
        whole = all(
            columns[name].shape == (stored.stars,) and columns[name].dtype == kind
            for name, kind in COLUMN_TYPES.items()
        )
        return DeepStars(**columns) if whole else None

    def save(self, tile: Tile, to_mag: float, stars: DeepStars) -> StoredTile:
        """The tile as it is kept: written beside its place, then put there by one rename."""
        name = f"tile-{tile.name}-g{round(to_mag * 100):04d}-n{len(stars)}.npz"
        path = self.folder / name
        temporary: str | None = None
        try:
            self.folder.mkdir(parents=True, exist_ok=True)
            handle, temporary = tempfile.mkstemp(prefix=".tile-", dir=self.folder)
            with os.fdopen(handle, "wb") as file:
                np.savez(file, **{f.name: getattr(stars, f.name) for f in fields(stars)})
                file.flush()
                os.fsync(file.fileno())
            os.replace(temporary, path)
            temporary = None
        except OSError as error:
            raise CatalogueMissing(
                f"{path}: the tile cannot be written ({error.strerror or error})",
                "free some space, or set SLOWGLASS_DEEP to another folder; "
                "what is there already is kept",
            ) from error
        finally:
            if temporary is not None:
                Path(temporary).unlink(missing_ok=True)
        self._drop_others(tile, path)
        return StoredTile(tile, round(to_mag * 100) / 100.0, len(stars), path)

    def sweep(self) -> None:
        """Remove what killed runs left behind a day or more ago."""
        for path in self.folder.glob(".tile-*"):
            try:
                if path.stat().st_mtime < time.time() - _LEFTOVER_S:
                    path.unlink()
            except OSError:
                continue

    def summary(self) -> StoreSummary:
        """What the store holds."""
        tiles = self.contents().values()
        return StoreSummary(
            folder=self.folder,
            tiles=len(tiles),
            stars=sum(t.stars for t in tiles),
            megabytes=round(sum(t.stars for t in tiles) * BYTES_PER_STAR / 1e6, 2),
            area_deg2=round(sum(t.tile.area_deg2 for t in tiles), 1),
            to_mag_least=min((t.to_mag for t in tiles), default=None),
            to_mag_most=max((t.to_mag for t in tiles), default=None),
        )

    def forget(self) -> StoreSummary:
        """What the store held; it is gone now. Files that are not the store's stay."""
        held = self.summary()
        try:
            for path in [*self.folder.glob("tile-*.npz"), *self.folder.glob(".tile-*")]:
                path.unlink(missing_ok=True)
            if self.folder.is_dir() and not any(self.folder.iterdir()):
                self.folder.rmdir()
        except OSError as error:
            raise CatalogueMissing(
                f"{self.folder}: the deeper stars cannot be removed ({error.strerror})",
                "close other programs that use the folder and try again",
            ) from error
        return held

    def free_megabytes(self) -> float:
        """Free space on the disk the store is on (or will be), MB."""
        folder = self.folder
        while not folder.exists() and folder != folder.parent:
            folder = folder.parent
        return shutil.disk_usage(folder).free / 1e6

    def _drop_others(self, tile: Tile, keep: Path) -> None:
        for path in self.folder.glob(f"tile-{tile.name}-*.npz"):
            if path != keep:
                try:
                    path.unlink()
                except OSError:  # in use elsewhere: the deeper file counts
                    continue


def _size_of(entry: os.DirEntry[str]) -> int:
    try:
        return entry.stat().st_size
    except OSError:
        return -1
