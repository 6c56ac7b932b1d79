"""The solver's catalogue on disk: built once beside the sky index, memory-mapped after."""

from __future__ import annotations

import os
import shutil
import tempfile
from pathlib import Path

import numpy as np

from slowglass.errors import CatalogueMissing
from slowglass.frame.freed import give_back_freed
from slowglass.progress import Report, silent
from slowglass.sky.catalogue import EPOCH_YEAR
from slowglass.sky.store import Sky
from slowglass.solve.catalogue import SolveCatalogue, build_catalogue
from slowglass.solve.grid import SkyGrid
from slowglass.solve.index import Depth

FORMAT = 3
LIMIT_MAG = 10.0
"""Gaia G to which the packaged catalogue is complete."""
_GRID = ("vectors", "mag", "cell_first", "order")
_DEPTH = ("star", "neighbours", "packed", "cell_first")


_opened: dict[Path, SolveCatalogue] = {}
"""Catalogues this process has open, by the folder of their sky."""


def open_solver(sky: Sky, *, report: Report = silent) -> SolveCatalogue:
    """The solver's catalogue for an opened sky; builds it at first use (some five seconds)."""
    if sky.folder not in _opened:
        index = sky.folder / f"solve-{FORMAT}"
        catalogue = _load(index)
        if catalogue is None:
            give_back_freed()  # what building the sky itself has left
            _build(index, sky, report)
            give_back_freed()
            catalogue = _load(index)
        if catalogue is None:
            raise CatalogueMissing(
                f"the solver's index {index} cannot be read back", "check the disk, or delete it"
            )
        _opened[sky.folder] = catalogue
    return _opened[sky.folder]


def _build(index: Path, sky: Sky, report: Report) -> None:
    report("solver index", 0, 2)
    column = sky.stars.column
    built = build_catalogue(
        ra_deg=np.asarray(column("ra_deg"), dtype=np.float64),
        dec_deg=np.asarray(column("dec_deg"), dtype=np.float64),
        mag=np.asarray(column("mag"), dtype=np.float64),
        pm_ra_mas_yr=np.asarray(column("pm_ra_mas"), dtype=np.float64),
        pm_dec_mas_yr=np.asarray(column("pm_dec_mas"), dtype=np.float64),
        epoch_year=EPOCH_YEAR,
        limit_mag=LIMIT_MAG,
    )
    report("solver index", 1, 2)
    try:
        temporary = Path(tempfile.mkdtemp(prefix=".solve-", dir=index.parent))
        try:
            for name in _GRID:
                np.save(temporary / f"{name}.npy", getattr(built.grid, name))
            np.save(temporary / "motion.npy", built.motion.astype(np.float64))
            for level, depth in enumerate(built.depths):
                for name in _DEPTH:
                    np.save(temporary / f"depth{level:02d}-{name}.npy", getattr(depth, name))
            (temporary / "complete").write_text(str(len(built.depths)), encoding="utf-8")
            if index.exists() and _load(index) is None:
                shutil.rmtree(index, ignore_errors=True)
            if not index.exists():
                os.rename(temporary, index)
        finally:
            shutil.rmtree(temporary, ignore_errors=True)
    except OSError as error:
        if _load(index) is None:
            raise CatalogueMissing(
                f"{index.parent}: the solver's index cannot be written ({error.strerror})",
                "set SLOWGLASS_DATA to a folder that can",
            ) from error
    report("solver index", 2, 2)


def _load(index: Path) -> SolveCatalogue | None:
    """The catalogue, or None when the folder is absent or incomplete."""
    try:
        levels = int((index / "complete").read_text(encoding="utf-8"))

        def column(name: str) -> np.ndarray:
            mapped = np.load(index / f"{name}.npy", mmap_mode="r", allow_pickle=False)
            return mapped.view(np.ndarray)

        grid = SkyGrid(*(column(name) for name in _GRID))
        depths = tuple(
            Depth(*(column(f"depth{level:02d}-{name}") for name in _DEPTH))
            for level in range(levels)
        )
        return SolveCatalogue(grid, column("motion"), depths, EPOCH_YEAR, LIMIT_MAG)
    except (OSError, ValueError):
        return None
