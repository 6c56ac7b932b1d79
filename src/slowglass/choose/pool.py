"""Everything that may be offered on a night: catalogued objects, sights among the stars, comets."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from functools import lru_cache

import numpy as np
import numpy.typing as npt

from slowglass.choose.star_sights import DOUBLE, StarSights, star_sights
from slowglass.find.labels import catalogue_label, names_by_hip
from slowglass.sky.objects import SkyObject, name_key
from slowglass.sky.store import Sky
from slowglass.sky.wanderers import Wanderer, wanderer_object

Columns = dict[str, npt.NDArray]
GROUP = "star group"
GROUP_STARS_MAG = 10.0


@dataclass(frozen=True, eq=False)
class Pool:
    """Rows of catalogue objects, then of star sights, then of comets and asteroids.

    ``columns`` are those of the object catalogue, with ``bv``, ``second_mag``, ``second_bv`` and
    ``together`` of star sights (NaN for the rest).
    """

    columns: Columns
    sky: Sky
    sights: StarSights
    wanderers: tuple[Wanderer, ...] = ()

    def __len__(self) -> int:
        return len(self.columns["id"])

    def object(self, row: int, unix_s: float) -> SkyObject:
        """The object of a row; comets and asteroids where they stand at that moment."""
        catalogued = len(self.sky.objects)
        if row < catalogued:
            obj = self.sky.objects.get(str(self.columns["id"][row]))
            summed = float(self.columns["mag"][row])
            if obj.mag is None and np.isfinite(summed):
                return replace(obj, mag=summed, mag_source="stars")
            return obj
        i = row - catalogued
        if i >= len(self.sights):
            return wanderer_object(self.wanderers[i - len(self.sights)], unix_s)
        return self._sight(row, i)

    def rows_named(self, names: Iterable[str]) -> list[int]:
        """Rows of the things that names mean, by any of their names; unknown names mean none."""
        catalogued = len(self.sky.objects)
        ids = self.columns["id"]
        own = {
            name_key(str(self.columns[column][row])): row
            for column in ("id", "name")
            for row in range(catalogued, len(self))
        }
        row_of = {str(ids[row]): row for row in range(catalogued)}
        found = []
        for name in names:
            obj = self.sky.objects.find(name)
            row = own.get(name_key(name)) if obj is None else row_of[obj.id]
            if row is not None:
                found.append(row)
        return found

    def _sight(self, row: int, i: int) -> SkyObject:
        sights = self.sights
        double = sights.kind[i] == DOUBLE
        return SkyObject(
            id=str(self.columns["id"][row]),
            name=str(self.columns["name"][row]),
            common_names=(),
            kind=str(sights.kind[i]),
            constellation=str(sights.constellation[i]),
            ra_deg=float(sights.ra_deg[i]),
            dec_deg=float(sights.dec_deg[i]),
            major_arcmin=float(sights.separation_arcsec[i]) / 60.0 if double else None,
            position_angle_deg=float(sights.angle_deg[i]) if double else None,
            mag=float(sights.mag[i]),
            mag_source="V",
        )


def pool_of(sky: Sky, *, wanderers: Sequence[Wanderer] = (), unix_s: float = 0.0) -> Pool:
    """All there is to choose from; comets and asteroids stand where they are at that moment."""
    sights, fixed = _fixed(sky)
    if not wanderers:
        return Pool(fixed, sky, sights)
    found = [wanderer_object(w, unix_s) for w in wanderers]
    moving = {
        name: np.array([_value(obj, name) for obj in found], dtype=fixed[name].dtype.kind + "8")
        if fixed[name].dtype.kind == "f"
        else np.array([getattr(obj, name, False) for obj in found])
        for name in fixed
    }
    columns = {name: np.concatenate([fixed[name], moving[name]]) for name in fixed}
    return Pool(columns, sky, sights, tuple(wanderers))


def _value(obj: SkyObject, name: str) -> float:
    value = getattr(obj, name, None)
    return np.nan if value is None else float(value)


@lru_cache(maxsize=2)
def _fixed(sky: Sky) -> tuple[StarSights, Columns]:
    """What does not move: found once for an opened sky."""
    sights = star_sights(sky.stars)
    base = sky.objects.columns
    n, m = len(base["id"]), len(sights)
    names = names_by_hip(sky.named_stars)
    hips = sky.stars.column("hip")[sights.row].tolist()
    ids = sky.stars.column("source_id")[sights.row].tolist()
    labels = [catalogue_label(h, s) for h, s in zip(hips, ids, strict=True)]
    called = [names.get(h) or label for h, label in zip(hips, labels, strict=True)]
    added: Columns = {
        "id": np.array(labels, dtype=str),
        "name": np.array(called, dtype=str),
        "kind": sights.kind,
        "constellation": sights.constellation,
        "ra_deg": sights.ra_deg,
        "dec_deg": sights.dec_deg,
        "major_arcmin": sights.separation_arcsec / 60.0,
        "mag": sights.mag,
        "smooth": np.zeros(m, dtype=bool),
        "named": np.array([h in names for h in hips], dtype=bool),
    }
    columns: Columns = {
        name: np.concatenate([base[name], added.get(name, np.full(m, np.nan))]) for name in base
    }
    columns["mag"] = np.concatenate([_with_groups(sky, base), sights.mag])
    blank = np.full(n, np.nan)
    for name in ("bv", "second_mag", "second_bv", "together"):
        columns[name] = np.concatenate([blank, getattr(sights, name)])
    return sights, columns


def _with_groups(sky: Sky, base: Columns) -> npt.NDArray[np.float64]:
    """Magnitudes, those of asterisms without one summed from the stars inside their outline."""
    mag = base["mag"].copy()
    lacking = (base["kind"] == GROUP) & ~np.isfinite(mag) & np.isfinite(base["major_arcmin"])
    for i in np.flatnonzero(lacking):
        near = sky.stars.cone(
            float(base["ra_deg"][i]),
            float(base["dec_deg"][i]),
            float(base["major_arcmin"][i]) / 120.0,
            mag_limit=GROUP_STARS_MAG,
        )
        if len(near) >= 3:
            mag[i] = -2.5 * np.log10(np.sum(10.0 ** (-0.4 * near.mag)))
    return mag
