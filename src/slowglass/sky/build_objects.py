"""Turn the packaged OpenNGC database into our object rows and name index.

The database's angles are radians and its axes arcminutes, the minor one often absent. Records
marked non-existent are dropped, duplicates become names of what they duplicate.
"""

from __future__ import annotations

import re
import sqlite3
from pathlib import Path
from typing import Any

import numpy as np

from slowglass.errors import CatalogueMissing
from slowglass.sky.globulars import HARRIS_V_MAG
from slowglass.sky.objects import name_key

KINDS = {
    "*": "star",
    "**": "double star",
    "*Ass": "star group",
    "OCl": "open cluster",
    "GCl": "globular cluster",
    "Cl+N": "cluster with nebula",
    "G": "galaxy",
    "GPair": "galaxy pair",
    "GTrpl": "galaxy triplet",
    "GGroup": "galaxy group",
    "PN": "planetary nebula",
    "HII": "emission nebula",
    "EmN": "emission nebula",
    "DrkN": "dark nebula",
    "Neb": "nebula",
    "RfN": "reflection nebula",
    "SNR": "supernova remnant",
    "Nova": "nova",
    "Other": "other",
}

TYPICAL_BV = {
    "galaxy": 0.76,
    "galaxy pair": 0.76,
    "galaxy triplet": 0.76,
    "galaxy group": 0.76,
    "globular cluster": 0.72,
    "open cluster": 0.37,
    "planetary nebula": 0.80,
    "star": 0.44,
    "double star": 0.61,
}
"""Median B−V of a kind's OpenNGC rows (edition of 2026-05-01) that have both; others 0.2."""
OTHER_BV = 0.2

POSSIBLE_BV = {
    "galaxy": (-0.3, 1.5),
    "galaxy pair": (-0.3, 1.5),
    "galaxy triplet": (-0.3, 1.5),
    "galaxy group": (-0.3, 1.5),
    "globular cluster": (0.0, 2.0),
    # Oxygen lines make planetaries bright by eye and faint in blue, or the reverse.
    "planetary nebula": (-1.2, 3.5),
}
OTHER_POSSIBLE_BV = (-0.8, 2.5)


def visual_magnitude(
    kind: str, v_mag: float | None, b_mag: float | None
) -> tuple[float | None, str, bool]:
    """(V magnitude, its source, doubtful) from catalogued V and B.

    V is taken as it stands if B agrees or is absent; B alone gives V through the kind's typical
    colour. If B−V is impossible for the kind: a galaxy's B is kept (its V is then mostly of the
    nucleus: NGC 253 has V 11.11, B 7.94); a globular too red takes the mean of V and
    B − typical (its V is then too bright and its B too faint, by about as much); all others
    keep V (M15 has B 3.0).
    """
    typical = TYPICAL_BV.get(kind, OTHER_BV)
    if v_mag is None:
        return (None, "", False) if b_mag is None else (round(b_mag - typical, 2), "B", False)
    if b_mag is None:
        return v_mag, "V", False
    low, high = POSSIBLE_BV.get(kind, OTHER_POSSIBLE_BV)
    if low <= b_mag - v_mag <= high:
        return v_mag, "V", False
    if kind.startswith("galaxy"):
        return round(b_mag - typical, 2), "B", True
    if kind == "globular cluster" and b_mag - v_mag > high:
        return round((v_mag + b_mag - typical) / 2.0, 2), "mean", True
    return v_mag, "V", True


def mean_surface_brightness(
    mag: float | None, major_arcmin: float | None, minor_arcmin: float | None
) -> float | None:
    """Magnitude per square arcsecond of a total magnitude spread over the catalogued ellipse."""
    if mag is None or not major_arcmin:
        return None
    area = np.pi / 4.0 * major_arcmin * (minor_arcmin or major_arcmin) * 3600.0
    return round(float(mag + 2.5 * np.log10(area)), 2)


def read_objects(database: Path) -> tuple[list[dict[str, Any]], dict[str, int]]:
    """(object rows, name key → row number) of the OpenNGC database."""
    if not database.is_file():
        raise CatalogueMissing(f"{database} is absent", "reinstall pyongc")
    try:
        connection = sqlite3.connect(f"{database.resolve().as_uri()}?mode=ro", uri=True)
        try:
            connection.row_factory = sqlite3.Row
            raw = connection.execute("SELECT * FROM objects ORDER BY name").fetchall()
            other = connection.execute("SELECT name, identifier FROM objIdentifiers").fetchall()
        finally:
            connection.close()
    except sqlite3.Error as error:
        raise CatalogueMissing(f"{database}: {error}", "reinstall pyongc") from error

    rows: list[dict[str, Any]] = []
    row_of: dict[str, int] = {}
    for record in raw:
        if record["type"] in ("Dup", "NonEx") or record["ra"] is None:
            continue
        row_of[record["name"]] = len(rows)
        rows.append(_object_row(record))
    target = {name: name for name in row_of}
    for record in raw:
        if record["type"] == "Dup":
            goal = _duplicate_of(record)
            if goal in row_of:
                target[record["name"]] = goal

    aliases: dict[str, int] = {}
    for row_number, row in enumerate(rows):
        aliases[name_key(row["id"])] = row_number
    for row_number, row in enumerate(rows):
        aliases[name_key(row["name"])] = row_number
    for name, goal in target.items():
        aliases.setdefault(name_key(spaced(name)), row_of[goal])
    for name, identifier in other:
        if name in target and identifier.strip():
            aliases.setdefault(name_key(identifier), row_of[target[name]])
    # A common name shared by parts of one thing belongs to the brightest of them.
    by_light = sorted(range(len(rows)), key=lambda i: (_faintness(rows[i]), i))
    for row_number in by_light:
        for common in rows[row_number]["common_names"]:
            aliases.setdefault(name_key(common), row_number)
        for alias in rows[row_number]["aliases"]:
            aliases.setdefault(name_key(alias), row_number)
    return rows, aliases


def _faintness(row: dict[str, Any]) -> tuple[bool, float]:
    # Messier's are what people mean: "Eagle Nebula" is M16, not its brightest knot.
    return (not row["name"].startswith("M"), 99.0 if row["mag"] is None else row["mag"])


def spaced(identifier: str) -> str:
    """A catalogue number as people write it: "NGC0253" → "NGC 253", "Mel022" → "Mel 22"."""
    match = re.fullmatch(r"([A-Za-z]+)0*(\d+)(.*)", identifier)
    return f"{match[1]} {match[2]}{match[3]}" if match else identifier


def _plain_id(identifier: str) -> str:
    """Our id of an object: the catalogue's, with no padding zeros ("NGC0253" → "NGC253")."""
    return spaced(identifier).replace(" ", "", 1)


def _duplicate_of(record: sqlite3.Row) -> str:
    if record["ngc"]:
        return f"NGC{record['ngc']}"
    if record["ic"]:
        return f"IC{record['ic']}"
    if record["messier"] == "101":
        return "NGC5457"
    return ""


FIRST_NAMES = {
    "NGC0253": "Sculptor Galaxy",
    "NGC0457": "Owl Cluster",
    "NGC0650": "Little Dumbbell Nebula",
    "NGC1976": "Orion Nebula",
    "NGC2632": "Beehive Cluster",
    "NGC3031": "Bode's Galaxy",
    "NGC5457": "Pinwheel Galaxy",
    "NGC6618": "Omega Nebula",
    "NGC6705": "Wild Duck Cluster",
    "NGC6960": "Western Veil",
    "NGC7662": "Blue Snowball",
}
"""Names in wide use that OpenNGC lacks, or puts after a rarer one; ours go first."""

GREEK = {
    "chi": "Chi", "eta": "Eta", "gam": "Gamma", "kappa": "Kappa", "lam": "Lambda",
    "omega": "Omega", "omi": "Omicron", "rho": "Rho", "tet": "Theta",
}  # fmt: skip


def _common_names(record: sqlite3.Row) -> list[str]:
    """Common names in title case, Greek letters spelt out, the best known first."""
    first = [FIRST_NAMES[record["name"]]] if record["name"] in FIRST_NAMES else []
    listed = [c for c in (record["commonnames"] or "").split(",") if c.strip()]
    return list(dict.fromkeys(first + [_tidy_common(c) for c in listed]))


def _tidy_common(name: str) -> str:
    plain = re.sub(r"^the\s+", "", name.strip())
    head, _, rest = plain.partition(" ")
    plain = f"{GREEK.get(head, head)} {rest}".strip()
    # A lone small letter is a star's own name: "h Persei".
    if not re.match(r"[a-z]\b", plain):
        plain = plain[:1].upper() + plain[1:]
    return re.sub(r"\bnebula$", "Nebula", plain)


def _object_row(record: sqlite3.Row) -> dict[str, Any]:
    kind = KINDS.get(record["type"], "other")
    mag, source, doubtful = visual_magnitude(kind, record["vmag"], record["bmag"])
    if record["name"] in HARRIS_V_MAG:
        mag, source, doubtful = HARRIS_V_MAG[record["name"]], "Harris", False
    major, minor = record["majax"] or None, record["minax"] or None
    name = f"M{int(record['messier'])}" if record["messier"] else spaced(record["name"])
    ids = [i.strip() for i in (record["identifiers"] or "").split(",") if i.strip()]
    if record["messier"] and not record["name"].startswith("M0"):
        ids.insert(0, spaced(record["name"]))
    constellation = "Ser" if record["const"] in ("Se1", "Se2") else record["const"] or ""
    return {
        "id": _plain_id(record["name"]),
        "name": name,
        "common_names": _common_names(record),
        "kind": kind,
        "constellation": constellation,
        "ra_deg": float(np.degrees(record["ra"])) % 360.0,
        "dec_deg": float(np.degrees(record["dec"])),
        "major_arcmin": major,
        "minor_arcmin": minor,
        "position_angle_deg": None if record["pa"] is None else float(record["pa"]),
        "mag": mag,
        "surface_brightness_mag_arcsec2": mean_surface_brightness(mag, major, minor),
        "mag_source": source,
        "mag_doubtful": doubtful,
        "smooth": bool(re.match(r"c?E|S[AB]*0(?!-?a)|SAB0", record["hubble"] or "")),
        "hubble": (record["hubble"] or "").strip(),
        "aliases": ids,
    }
