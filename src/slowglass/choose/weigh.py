"""What a kit is good for: every object at its best of the year, done in one exposure, in one
night, or never, and why.
"""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass, fields
from datetime import UTC, date, datetime, timedelta

import numpy as np
import numpy.typing as npt

from slowglass.choose.evening import BestMoments, best_moments
from slowglass.choose.framing import COMFORTABLE
from slowglass.choose.light import NEBULOUS_CORE_AXIS
from slowglass.choose.rank import (
    BEST_SNR,
    BEST_WHOLE_SNR,
    UNNAMED,
    WORTHLESS_SNR,
    WORTHLESS_WHOLE_SNR,
    shows_score,
)
from slowglass.choose.sift import (
    FAINTEST_MAG,
    SMALLEST_ARCMIN,
    Measures,
    measure,
    typical_hold_s,
)
from slowglass.choose.visibility import GOOD_SNR
from slowglass.expose.conditions import site_extinction_mag
from slowglass.expose.plan import WANTED_SNR, star_width_arcsec
from slowglass.expose.profile import (
    ASSUMED_MAG_ARCSEC2,
    ASSUMED_OTHER_MAG_ARCSEC2,
    NEBULOUS,
)
from slowglass.find.hour import darkest_window, moments_between, site_night
from slowglass.kit.model import Kit, Site
from slowglass.sky.ephemeris import moon_phase_angle_deg

Floats = npt.NDArray[np.float64]
Columns = dict[str, npt.NDArray]

EMISSION = "emission nebula"
CLASSES: dict[str, tuple[str, ...]] = {
    "planetary nebulae": ("planetary nebula",),
    "globular clusters": ("globular cluster",),
    "open clusters": ("open cluster", "star group"),
    "galaxies": ("galaxy",),
    "emission nebulae": (EMISSION, "nebula", "supernova remnant"),
    "reflection nebulae": ("reflection nebula",),
}
"""Classes of objects and the catalogue's kinds in them. A cluster with nebula counts twice: its
stars among the clusters, its glow among the nebulae."""
NEBULA_SHARE_MAG = 0.75
"""The glow of a cluster with nebula is taken as half of its light, as in the exposure model."""
FEWEST_PX, FEWEST_MEMBERS = 24.0, 10.0
"""Pixels an object must span, or members a cluster must show, to be more than a dot in a picture
(common practice, no source)."""
DECENT_SHOWS = 0.6
"""Of detail and whole together, as the list of a night scores them: a decent picture."""
GONE = ("too low", "too large", "too small", "too faint", "mount")
"""Why an object is never done well: it does not clear the skyline in the dark; its outline does
not fit the frame; it is a dot; its light is lost in the noise of a night's best two hours; or it
is lost only because the mount does not hold for long enough."""
ONE_EXPOSURE, ONE_NIGHT, NEVER = 0, 1, 2


@dataclass(frozen=True, eq=False)
class Bench:
    """The objects to weigh with and the best they come to in the year at a site, kit aside.

    ``columns`` and ``best`` are parallel; ``best.minutes_up`` is 0 for what never comes up.
    """

    columns: Columns
    best: BestMoments
    members: Floats


@dataclass(frozen=True, eq=False)
class Outcome:
    """Per object of the bench, arrays (n,): done in one exposure, one night or never; why never
    (index into ``GONE``, −1 for done); and how fine a picture it makes, 0 for none."""

    done: npt.NDArray[np.int64]
    why: npt.NDArray[np.int64]
    score: Floats
    measures: Measures


@dataclass(frozen=True)
class ClassCount:
    """One class of objects with one kit."""

    name: str
    total: int
    one_exposure: int
    one_night: int
    never: int
    why: dict[str, int]

    @property
    def done(self) -> int:
        """Objects done well at all."""
        return self.one_exposure + self.one_night

    @property
    def up(self) -> int:
        """Objects that clear the skyline in the dark at all."""
        return self.total - self.why.get("too low", 0)

    @property
    def share(self) -> float:
        """Of those that come up: what is not the kit's fault is not counted against it."""
        return self.done / self.up if self.up else 0.0


def weighing_rows(columns: Columns) -> Columns:
    """The rows to weigh with: known size, and a magnitude or one typical of their kind.

    Nebulae without a magnitude count with the mean brightness that the exposure plan takes for
    them: leaving them out would flatter every kit.
    """
    known = {kind for kinds in CLASSES.values() for kind in kinds}
    kinds, major = columns["kind"], columns["major_arcmin"]
    minor = np.where(np.isfinite(columns["minor_arcmin"]), columns["minor_arcmin"], major)
    nebula = np.isin(kinds, [*CLASSES["emission nebulae"], *CLASSES["reflection nebulae"]])
    mean = np.select(
        [kinds == kind for kind in ASSUMED_MAG_ARCSEC2],
        list(ASSUMED_MAG_ARCSEC2.values()),
        default=ASSUMED_OTHER_MAG_ARCSEC2,
    )
    with np.errstate(invalid="ignore", divide="ignore"):
        typical = mean - 2.5 * np.log10(np.pi / 4.0 * major * minor * 3600.0)
    mag = np.where(nebula & ~np.isfinite(columns["mag"]), typical, columns["mag"])
    good = np.isin(kinds, [*known, NEBULOUS]) & (major >= SMALLEST_ARCMIN) & np.isfinite(mag)
    good &= mag <= FAINTEST_MAG
    rows = np.flatnonzero(good)
    both = np.flatnonzero(good & (kinds == NEBULOUS))
    index = np.concatenate([rows, both])
    out = {name: values[index] for name, values in columns.items()}
    out["mag"] = mag[index]
    out["catalogued"] = kinds[index]
    kind = kinds[index].copy()
    kind[: len(rows)][kinds[rows] == NEBULOUS] = "open cluster"
    kind[len(rows) :] = EMISSION
    out["kind"] = kind
    out["mag"][len(rows) :] += NEBULA_SHARE_MAG
    out["core"] = np.concatenate([np.zeros(len(rows), bool), np.ones(len(both), bool)])
    return out


def new_moon_nights(first: date, days: int = 365) -> tuple[date, ...]:
    """Evenings nearest to each new Moon of the days from ``first`` on."""
    start = datetime(first.year, first.month, first.day, 21, tzinfo=UTC).timestamp()
    phase = moon_phase_angle_deg(start + np.arange(-1, days + 1) * 86400.0)
    dark = np.flatnonzero((phase[1:-1] >= phase[:-2]) & (phase[1:-1] > phase[2:]))
    return tuple(first + timedelta(days=int(d)) for d in dark)


def best_of_year(columns: Columns, nights: tuple[date, ...], *, site: Site) -> BestMoments:
    """The best moments of each row over the moonless nights: each row's finest night."""
    extinction = site_extinction_mag(site)
    names = [field.name for field in fields(BestMoments)]
    kept = {name: np.zeros(len(columns["kind"])) for name in names}
    worth = np.zeros(len(columns["kind"]))
    for night in nights:
        window = darkest_window(site_night(site, night))
        if window is None:
            continue
        moments = moments_between(*window)
        slice_min = (window[1] - window[0]).total_seconds() / 60.0 / len(moments)
        found = best_moments(columns["ra_deg"], columns["dec_deg"], moments, slice_min, site=site)
        merit = -extinction * found.airmass + 0.5 * found.sky_mag_arcsec2
        gain = np.where(found.minutes_up > 0, found.session_min * 10.0 ** (0.8 * merit), 0.0)
        # what never comes up still needs finite numbers
        better = (gain > worth) | (kept["airmass"] == 0.0)
        worth = np.maximum(worth, gain)
        kept = {name: np.where(better, getattr(found, name), kept[name]) for name in names}
    return BestMoments(**kept)


def weigh(bench: Bench, *, kit: Kit, site: Site) -> Outcome:
    """What becomes of every object of the bench with a kit."""
    columns, best = bench.columns, bench.best
    fwhm = star_width_arcsec(kit, site)
    hold = typical_hold_s(columns["dec_deg"], kit=kit, site=site, fwhm_arcsec=fwhm)
    unheld = np.full(len(hold), np.inf)
    held = measure(columns, best, hold, bench.members, kit=kit, site=site, fwhm_arcsec=fwhm)
    free = measure(columns, best, unheld, bench.members, kit=kit, site=site, fwhm_arcsec=fwhm)

    up = best.minutes_up > 0
    core_fits = columns["core"] & (held.fraction * NEBULOUS_CORE_AXIS <= COMFORTABLE)
    fits = (held.fraction <= COMFORTABLE) | core_fits
    across_px = columns["major_arcmin"] * 60.0 / kit.scale_arcsec_per_px
    large_enough = np.where(
        held.stars_only, bench.members >= FEWEST_MEMBERS, across_px >= FEWEST_PX
    )
    decent, decent_free = (_decent(found, columns["smooth"]) for found in (held, free))
    good = up & fits & large_enough & decent
    # bright enough, yet no picture: too few star widths
    speck = held.snr_total >= WANTED_SNR
    why = np.select(
        [~up, ~fits, ~large_enough, decent_free, speck],
        [GONE.index(word) for word in ("too low", "too large", "too small", "mount", "too small")],
        default=GONE.index("too faint"),
    )
    single = held.snr_single >= GOOD_SNR
    done = np.where(good, np.where(single, ONE_EXPOSURE, ONE_NIGHT), NEVER)
    score = np.where(good, _fineness(held, best.altitude_deg, columns["named"]), 0.0)
    return Outcome(done, np.where(good, -1, why), score, held)


def _decent(found: Measures, smooth: npt.NDArray[np.bool_]) -> npt.NDArray[np.bool_]:
    shows = shows_score(found.snr_total, found.parts, stars=found.stars_only, smooth=smooth)
    return np.asarray(shows >= DECENT_SHOWS)


def _fineness(found: Measures, altitude_deg: Floats, named: npt.NDArray[np.bool_]) -> Floats:
    """How fine a picture each makes, without an upper end: the list's score would not part the
    best from each other."""
    whole = found.snr_total * np.sqrt(np.maximum(found.parts, 0.0) / 100.0)
    with np.errstate(divide="ignore"):
        detail = np.log(np.maximum(found.snr_total, WORTHLESS_SNR) / WORTHLESS_SNR)
        weight = np.log(np.maximum(whole, WORTHLESS_WHOLE_SNR) / WORTHLESS_WHOLE_SNR)
    ends = np.log(BEST_SNR / WORTHLESS_SNR) * np.log(BEST_WHOLE_SNR / WORTHLESS_WHOLE_SNR)
    lift = np.sqrt(np.sin(np.radians(np.maximum(altitude_deg, 0.0))))
    return np.asarray(np.sqrt(detail * weight / ends) * lift * np.where(named, 1.0, UNNAMED))


def count_classes(columns: Columns, outcome: Outcome) -> tuple[ClassCount, ...]:
    """Objects of each class by what becomes of them."""
    counts = []
    for name, kinds in CLASSES.items():
        rows = np.isin(columns["kind"], kinds)
        done, why = outcome.done[rows], outcome.why[rows]
        lost = Counter(GONE[i] for i in why[why >= 0].tolist())
        counts.append(
            ClassCount(
                name,
                int(rows.sum()),
                int((done == ONE_EXPOSURE).sum()),
                int((done == ONE_NIGHT).sum()),
                int((done == NEVER).sum()),
                {word: lost[word] for word in GONE if lost[word]},
            )
        )
    return tuple(counts)
