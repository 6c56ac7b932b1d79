"""Deep-sky objects as records, found by any of their names or by place."""

from __future__ import annotations

import difflib
import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import cached_property
from typing import Any

import numpy as np
import numpy.typing as npt

from slowglass.errors import UsageError
from slowglass.sky.coords import separation_deg, unit_vectors


@dataclass(frozen=True)
class SkyObject:
    """One deep-sky object; angles ICRS degrees, sizes arcminutes, magnitudes V.

    ``mag_source`` says where ``mag`` comes from: "V" as catalogued; "B" from blue and a colour
    typical of the kind; "mean" when V and B contradict each other and both count; "Harris" for
    globulars whose catalogued V is wrong; "" with no magnitude. ``mag_doubtful`` marks a
    magnitude whose catalogued V and B cannot both be true. ``smooth`` marks elliptical and
    lenticular galaxies, which show no structure.
    """

    id: str
    name: str
    common_names: tuple[str, ...]
    kind: str
    constellation: str
    ra_deg: float
    dec_deg: float
    major_arcmin: float | None = None
    minor_arcmin: float | None = None
    position_angle_deg: float | None = None
    mag: float | None = None
    surface_brightness_mag_arcsec2: float | None = None
    mag_source: str = ""
    mag_doubtful: bool = False
    smooth: bool = False
    hubble: str = ""
    """A galaxy's type as catalogued ("Sb", "SBc", "E3"), "" when not."""
    aliases: tuple[str, ...] = ()

    @property
    def named(self) -> bool:
        """Whether observers call it by a Messier number or a name of its own."""
        return _named(self.name, self.common_names)

    @property
    def title(self) -> str:
        """Name with the first common name: "M57 (Ring Nebula)"."""
        return f"{self.name} ({self.common_names[0]})" if self.common_names else self.name


def _named(name: str, common_names: Sequence[str]) -> bool:
    return bool(common_names) or (name[0] == "M" and name[1:].isdigit())


def name_key(text: str) -> str:
    """A name boiled down for comparing: case, spaces, punctuation and leading zeros dropped."""
    plain = text.casefold().replace("’", "'").strip()
    plain = re.sub(r"^the\s+", "", plain)
    plain = re.sub(r"^messier\s*(?=\d)", "m", plain)
    # A sign counts only before a number and not glued to a word ("MCG -02-01-031").
    plain = re.sub(r"(?<=[a-z])[-+]|[-+](?![0-9])", "", plain.replace("−", "-"))
    plain = re.sub(r"[^0-9a-zà-ž+-]+", "", plain)
    return re.sub(r"(?<![0-9])0+(?=[0-9])", "", plain)


class ObjectCatalogue:
    """All objects, in catalogue order, with a name index."""

    def __init__(self, rows: Sequence[Mapping[str, Any]], aliases: Mapping[str, int]) -> None:
        self._rows = rows
        self._aliases = aliases
        self._made: dict[int, SkyObject] = {}

    def __len__(self) -> int:
        return len(self._rows)

    def _object(self, index: int) -> SkyObject:
        made = self._made.get(index)
        if made is None:
            row = dict(self._rows[index])
            row["common_names"] = tuple(row["common_names"])
            row["aliases"] = tuple(row["aliases"])
            made = self._made[index] = SkyObject(**row)
        return made

    def all(self) -> tuple[SkyObject, ...]:
        """Every object, in the order of :attr:`columns`."""
        return tuple(self._object(i) for i in range(len(self._rows)))

    @cached_property
    def columns(self) -> dict[str, npt.NDArray]:
        """Arrays of the numeric and text fields, NaN where unknown; do not write to them."""
        numeric = (
            "ra_deg", "dec_deg", "major_arcmin", "minor_arcmin", "position_angle_deg", "mag",
            "surface_brightness_mag_arcsec2",
        )  # fmt: skip
        out: dict[str, npt.NDArray] = {
            name: np.array(
                [np.nan if row[name] is None else row[name] for row in self._rows], dtype=float
            )
            for name in numeric
        }
        for name in ("id", "name", "kind", "constellation"):
            out[name] = np.array([row[name] for row in self._rows], dtype=str)
        out["smooth"] = np.array([row["smooth"] for row in self._rows], dtype=bool)
        out["named"] = np.array(
            [_named(row["name"], row["common_names"]) for row in self._rows], dtype=bool
        )
        return out

    @cached_property
    def _vectors(self) -> npt.NDArray[np.float64]:
        return unit_vectors(self.columns["ra_deg"], self.columns["dec_deg"])

    def find(self, name: str) -> SkyObject | None:
        """The object of a name, or None. A common name may be cut short if only one fits."""
        key = name_key(name)
        if not key:
            return None
        index = self._aliases.get(key)
        if index is None and not any(c.isdigit() for c in key):
            fits = set(self._starting(key)) if len(key) >= 4 else set()
            if not fits and len(key) >= 5:
                fits = {i for alias, i in self._aliases.items() if key in alias}
            if len(fits) == 1:
                index = fits.pop()
        return None if index is None else self._object(index)

    def _starting(self, key: str) -> list[int]:
        """Rows with a name that begins with a key, shortest name first."""
        fits = [(len(a), a, i) for a, i in self._aliases.items() if a.startswith(key)]
        return list(dict.fromkeys(i for _, _, i in sorted(fits)))

    def get(self, name: str) -> SkyObject:
        """The object of a name ("M15", "ngc 7078", "Cat's Eye Nebula"); else UsageError."""
        found = self.find(name)
        if found is None:
            near = self.suggestions(name)
            cure = (
                f"did you mean {', '.join(near)}?" if near else "give a Messier, NGC or IC number"
            )
            raise UsageError(f"no object called “{name.strip()}”", cure)
        return found

    def suggestions(self, name: str, *, n: int = 3) -> list[str]:
        """Up to n titles of objects whose names resemble the given one."""
        key = name_key(name)
        close = difflib.get_close_matches(key, self._aliases.keys(), n=3 * n, cutoff=0.6)
        rows = [self._aliases[alias] for alias in close]
        if len(key) >= 3 and not any(c.isdigit() for c in key):
            rows = self._starting(key)[:n] + rows
        titles = dict.fromkeys(self._object(row).title for row in rows)
        return list(titles)[:n]

    def near(self, ra_deg: float, dec_deg: float, radius_deg: float) -> tuple[SkyObject, ...]:
        """Objects whose centres lie within a radius, nearest first."""
        gap = self._vectors - unit_vectors(ra_deg, dec_deg)
        chord2 = (2.0 * np.sin(np.radians(min(radius_deg, 180.0)) / 2.0)) ** 2
        rows = np.flatnonzero(np.sum(gap**2, axis=1) <= chord2)
        away = separation_deg(
            ra_deg, dec_deg, self.columns["ra_deg"][rows], self.columns["dec_deg"][rows]
        )
        return tuple(self._object(int(i)) for i in rows[np.argsort(away, kind="stable")])
