"""Comets and asteroids a person keeps: their file of orbits, and each as an object to look at."""

from __future__ import annotations

import math
import os
from dataclasses import dataclass
from functools import lru_cache
from pathlib import Path

from slowglass.errors import UnreadableFile, UsageError
from slowglass.frame.atomic import replacing
from slowglass.kit.io import config_folder
from slowglass.sky.constellations import constellations_at
from slowglass.sky.coords import UNIX_EPOCH_JD
from slowglass.sky.objects import SkyObject, name_key
from slowglass.sky.orbits import Orbit, orbits_from_text, seen_from_earth

Wanderer = Orbit

COMA_KM = 100_000.0
"""Breadth of a typical comet's coma where it is still bright (common practice: 50 000 to
200 000 km); elements say nothing of it."""
AU_KM = 149_597_870.7
MOST_BYTES = 3_000_000
OLD_YEARS = 1.0
"""Elements this far from their epoch are told of: planets have pulled the body off its path."""


def orbits_file() -> Path:
    """Where the orbits a person keeps are."""
    return config_folder() / "orbits.txt"


def read_orbits(path: Path) -> tuple[Wanderer, ...]:
    """The orbits in a file, one body on a line."""
    try:
        if path.stat().st_size > MOST_BYTES:
            raise UnreadableFile(
                path, "is too large to keep", "copy the lines of the bodies you want into a file"
            )
        text = path.read_text(encoding="utf-8-sig")
    except UnicodeDecodeError:
        raise UnreadableFile(path, "is not UTF-8 text", "save it as UTF-8") from None
    except OSError as error:
        raise UnreadableFile(path, f"cannot be read ({error.strerror or error})") from None
    return orbits_from_text(text, source=str(path))


def keep_orbits(path: Path) -> tuple[Wanderer, ...]:
    """The orbits of a file, after it was copied to where they are kept; replaces what was there."""
    found = read_orbits(path)
    with replacing(orbits_file()) as temporary:
        temporary.write_bytes(path.read_bytes())
    return found


def forget_orbits() -> bool:
    """Remove the kept orbits; whether there were any."""
    try:
        orbits_file().unlink()
    except FileNotFoundError:
        return False
    except OSError as error:
        raise UsageError(
            f"cannot remove {orbits_file()}: {error.strerror}", "check the folder"
        ) from error
    return True


def kept_orbits() -> tuple[Wanderer, ...]:
    """The orbits a person keeps; none without a file."""
    try:
        stamp = os.stat(orbits_file())
    except OSError:
        return ()
    return _kept(orbits_file(), stamp.st_mtime_ns, stamp.st_size)


@lru_cache(maxsize=2)
def _kept(path: Path, _changed: int, _size: int) -> tuple[Wanderer, ...]:
    return read_orbits(path)


@dataclass(frozen=True)
class KeptBody:
    """A kept comet or asteroid as it is at a moment, with the age of its elements in years."""

    object: SkyObject
    aged_years: float


def kept_bodies(unix_s: float) -> tuple[KeptBody, ...]:
    """All kept comets and asteroids at a moment."""
    return tuple(KeptBody(wanderer_object(w, unix_s), aged_years(w, unix_s)) for w in kept_orbits())


def find_wanderer(text: str) -> Wanderer | None:
    """The kept body of a name: in full ("C/2020 F3 (…)", "(1) Ceres"), or any part of it."""
    key = name_key(text)
    if len(key) < 2:
        return None
    kept = {w: name_key(w.name) for w in kept_orbits()}
    for fits in (
        [w for w, name in kept.items() if name == key],
        [w for w in kept if key in {name_key(p) for p in _parts(w.name)}],
    ):
        if len(fits) == 1:
            return fits[0]
    return None


def aged_years(orbit: Wanderer, unix_s: float) -> float:
    """Years between the elements' epoch (or perihelion) and a moment: past one, take new ones."""
    epoch = orbit.perihelion_jd if orbit.epoch_jd is None else orbit.epoch_jd
    return abs(unix_s / 86400.0 + UNIX_EPOCH_JD - epoch) / 365.25


def _parts(name: str) -> list[str]:
    """Number, designation and proper name of a body's full name."""
    plain = name.replace("(", "|").replace(")", "|").replace("/", "|/|")
    pieces = [piece.strip() for piece in plain.split("|") if piece.strip()]
    whole = [name.split("(")[0].strip()]
    return [p for p in [*pieces, *whole] if p != "/" and not p.isdigit() and len(p) > 1]


def wanderer_object(orbit: Wanderer, unix_s: float) -> SkyObject:
    """The body as an object at a moment: place, magnitude, and a comet's typical coma."""
    seen = seen_from_earth(orbit, unix_s)
    ra, dec, mag = float(seen.ra_deg[0]), float(seen.dec_deg[0]), float(seen.mag[0])
    coma = None
    if orbit.kind == "comet":
        coma = math.degrees(COMA_KM / (float(seen.earth_au[0]) * AU_KM)) * 60.0
    return SkyObject(
        id=orbit.name,
        name=orbit.name,
        common_names=(),
        kind=orbit.kind,
        constellation=constellations_at(ra, dec)[0],
        ra_deg=ra,
        dec_deg=dec,
        major_arcmin=coma,
        minor_arcmin=coma,
        mag=mag if math.isfinite(mag) else None,
        mag_source="orbit" if math.isfinite(mag) else "",
    )
