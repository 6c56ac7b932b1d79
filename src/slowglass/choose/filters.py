"""What a person wants on the list: kinds, constellations, hours, nothing twice."""

from __future__ import annotations

import difflib
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import date, datetime, time, timedelta
from zoneinfo import ZoneInfo

import numpy as np
import numpy.typing as npt

from slowglass.errors import UsageError

KINDS: dict[str, tuple[str, ...]] = {
    "planetary": ("planetary nebula",),
    "globular": ("globular cluster",),
    "open": ("open cluster", "cluster with nebula"),
    "cluster": ("open cluster", "cluster with nebula", "globular cluster"),
    "galaxy": ("galaxy", "galaxy pair", "galaxy triplet", "galaxy group"),
    "nebula": (
        "emission nebula", "reflection nebula", "nebula", "cluster with nebula",
        "supernova remnant", "planetary nebula",
    ),
    "emission": ("emission nebula", "nebula", "cluster with nebula"),
    "reflection": ("reflection nebula",),
    "remnant": ("supernova remnant",),
    "double": ("double star",),
    "asterism": ("star group",),
    "red": ("deep red star",),
    "star": ("double star", "deep red star", "asteroid"),
    "comet": ("comet",),
    "asteroid": ("asteroid",),
}  # fmt: skip
"""Words for kinds of objects, and the kinds they stand for."""

CONSTELLATIONS = (
    "And Andromeda|Ant Antlia|Aps Apus|Aqr Aquarius|Aql Aquila|Ara Ara|Ari Aries|Aur Auriga|"
    "Boo Bootes|Cae Caelum|Cam Camelopardalis|Cnc Cancer|CVn Canes Venatici|CMa Canis Major|"
    "CMi Canis Minor|Cap Capricornus|Car Carina|Cas Cassiopeia|Cen Centaurus|Cep Cepheus|"
    "Cet Cetus|Cha Chamaeleon|Cir Circinus|Col Columba|Com Coma Berenices|CrA Corona Australis|"
    "CrB Corona Borealis|Crv Corvus|Crt Crater|Cru Crux|Cyg Cygnus|Del Delphinus|Dor Dorado|"
    "Dra Draco|Equ Equuleus|Eri Eridanus|For Fornax|Gem Gemini|Gru Grus|Her Hercules|"
    "Hor Horologium|Hya Hydra|Hyi Hydrus|Ind Indus|Lac Lacerta|Leo Leo|LMi Leo Minor|Lep Lepus|"
    "Lib Libra|Lup Lupus|Lyn Lynx|Lyr Lyra|Men Mensa|Mic Microscopium|Mon Monoceros|Mus Musca|"
    "Nor Norma|Oct Octans|Oph Ophiuchus|Ori Orion|Pav Pavo|Peg Pegasus|Per Perseus|Phe Phoenix|"
    "Pic Pictor|Psc Pisces|PsA Piscis Austrinus|Pup Puppis|Pyx Pyxis|Ret Reticulum|Sge Sagitta|"
    "Sgr Sagittarius|Sco Scorpius|Scl Sculptor|Sct Scutum|Ser Serpens|Sex Sextans|Tau Taurus|"
    "Tel Telescopium|Tri Triangulum|TrA Triangulum Australe|Tuc Tucana|UMa Ursa Major|"
    "UMi Ursa Minor|Vel Vela|Vir Virgo|Vol Volans|Vul Vulpecula"
)
"""The 88 constellations with their abbreviations, International Astronomical Union 1922."""


@dataclass(frozen=True)
class Wanted:
    """Limits on a night's list; empty ones limit nothing.

    ``kinds`` are catalogue kinds, ``constellations`` three-letter names, ``between`` local
    clock times, ``photographed`` names of objects to leave out, ``names`` those to ask alone.
    """

    kinds: tuple[str, ...] = ()
    constellations: tuple[str, ...] = ()
    between: tuple[time, time] | None = None
    photographed: frozenset[str] = frozenset()
    names: frozenset[str] = frozenset()

    @classmethod
    def of(
        cls,
        *,
        kinds: Iterable[str] = (),
        constellations: Iterable[str] = (),
        between: str | None = None,
        photographed: Iterable[str] = (),
        names: Iterable[str] = (),
    ) -> Wanted:
        """The limits a person's words mean; UsageError for words that mean nothing here."""
        return cls(
            tuple(dict.fromkeys(kind for text in kinds for kind in kinds_meant(text))),
            tuple(constellation_meant(text) for text in constellations),
            None if between is None else hours_meant(between),
            frozenset(name.strip() for name in photographed if name.strip()),
            frozenset(name.strip() for name in names if name.strip()),
        )

    def words(self) -> str:
        """The limits as one says them, "" without any."""
        said = [", ".join(self.kinds), ", ".join(self.constellations)]
        if self.between is not None:
            said.append(f"from {self.between[0]:%H:%M} to {self.between[1]:%H:%M}")
        if self.photographed:
            said.append("not yet photographed")
        if self.names:
            said.append(", ".join(sorted(self.names)))
        return "; ".join(part for part in said if part)

    def mask(
        self,
        *,
        kinds: npt.NDArray[np.str_],
        constellations: npt.NDArray[np.str_],
        photographed_rows: Sequence[int] = (),
        named_rows: Sequence[int] = (),
    ) -> npt.NDArray[np.bool_]:
        """Which rows pass; ``photographed_rows`` are those that the names to leave out mean,
        ``named_rows`` those that the names to ask alone mean."""
        keep = np.ones(len(kinds), dtype=bool)
        if self.kinds:
            keep &= np.isin(kinds, self.kinds)
        if self.constellations:
            keep &= np.isin(constellations, self.constellations)
        keep[list(photographed_rows)] = False
        if self.names:
            keep &= np.isin(np.arange(len(kinds)), named_rows)
        return keep

    def window(
        self, night: date, begin: datetime, end: datetime, timezone: str
    ) -> tuple[datetime, datetime] | None:
        """The part of a night's window in the wanted hours; None when there is none."""
        if self.between is None:
            return begin, end
        zone = ZoneInfo(timezone)

        def moment(clock: time) -> datetime:
            # before noon belongs to the morning after
            day = night + timedelta(days=1) if clock.hour < 12 else night
            return datetime.combine(day, clock, tzinfo=zone)

        first, last = (moment(clock) for clock in self.between)
        if last <= first:
            last += timedelta(days=1)
        first, last = max(begin, first), min(end, last)
        return (first, last) if first < last else None


def kinds_meant(text: str) -> tuple[str, ...]:
    """Catalogue kinds a word stands for: "planetary", "galaxies", "red star"."""
    word = " ".join(text.casefold().split())
    single = word[:-3] + "y" if word.endswith("ies") else word.removesuffix("s")
    single = single.replace("nebulae", "nebula")
    every = {kind for kinds in KINDS.values() for kind in kinds}
    for name in (word, single):
        if name in KINDS:
            return KINDS[name]
        head, _, tail = name.partition(" ")
        if head in KINDS and tail in {"cluster", "nebula", "star", "remnant"}:
            return KINDS[head]
        if name in every:
            return (name,)
    raise UsageError(
        f"no kind of object is called “{text.strip()}”", f"give one of {', '.join(KINDS)}"
    )


def constellation_meant(text: str) -> str:
    """The three-letter name of a constellation given by it or by its full name, or a part."""
    table = dict(entry.split(" ", 1) for entry in CONSTELLATIONS.split("|"))
    word = "".join(c for c in text.casefold().replace("ö", "o") if c.isalnum())
    full = {short: name.casefold().replace(" ", "") for short, name in table.items()}
    for short, name in full.items():
        if word in (short.casefold(), name):
            return short
    starts = [short for short, name in full.items() if len(word) >= 3 and name.startswith(word)]
    if len(starts) == 1:
        return starts[0]
    near = difflib.get_close_matches(word, [*full.values(), *map(str.casefold, full)], n=1)
    alike = [s for s, name in full.items() if near and near[0] in (name, s.casefold())]
    meant = [f"{table[short]} ({short})" for short in starts or alike]
    raise UsageError(
        f"no constellation is called “{text.strip()}”",
        f"did you mean {' or '.join(meant)}?" if meant else "give a name such as Cyg or Cygnus",
    )


def hours_meant(text: str) -> tuple[time, time]:
    """Two clock times of "22:00-01:30" (a dash of any kind, or "to")."""
    plain = text.strip()
    for dash in ("–", "—", " to ", "−"):
        plain = plain.replace(dash, "-")
    parts = [part.strip() for part in plain.split("-")]
    try:
        first, last = (time.fromisoformat(p if ":" in p else f"{p}:00") for p in _padded(parts))
    except ValueError:
        raise UsageError(f"“{text}” is no span of hours", "write it as 22:00-01:30") from None
    if first == last or first.tzinfo or last.tzinfo:
        raise UsageError(f"“{text}” is no span of hours", "write it as 22:00-01:30")
    return first, last


def _padded(parts: Sequence[str]) -> list[str]:
    """Clock times with two digits of hours; anything but two of them is refused."""
    if len(parts) != 2:
        raise ValueError
    return [f"0{part}" if part[1:2] in ("", ":") else part for part in parts]
