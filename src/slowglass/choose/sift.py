"""The whole catalogue against one night, in arrays: who is up, and how well each would do."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from slowglass.choose.evening import BestMoments, best_moments
from slowglass.choose.framing import frame_fraction
from slowglass.choose.light import (
    core_axes_arcmin,
    light_in_stars,
    member_count,
    parts_to_see,
    shape_of,
    typical_bright_part,
)
from slowglass.choose.rank import UNNAMED, fits_score, holds_score, reach_score, shows_score
from slowglass.choose.star_detail import (
    SHORTEST_S,
    companion_snr,
    star_rates,
    star_sight_score,
)
from slowglass.choose.star_sights import DOUBLE, STAR_KINDS
from slowglass.choose.visibility import (
    capped_snr,
    light_rates,
    single_snr,
    total_snr,
    uneven_cap,
    wanted_exposure_s,
)
from slowglass.expose.conditions import site_extinction_mag
from slowglass.expose.measure import told_of_a_star
from slowglass.expose.noise import sky_limited_s
from slowglass.expose.session import LONGEST_SESSION_MIN
from slowglass.expose.tracking import (
    GUSTS_PER_HOUR,
    HOLD_SHARE,
    keeper_curve,
    trail_tolerance_arcsec,
)
from slowglass.find.hour import LOWEST_ALT_DEG
from slowglass.find.route import estimate_legs
from slowglass.kit.model import Kit, Site
from slowglass.sky.catalogue import StarCatalogue
from slowglass.sky.coords import unit_vectors

Floats = npt.NDArray[np.float64]

SESSION_MIN = LONGEST_SESSION_MIN
"""The longest an object is photographed in one night before the next one has its turn."""
LONGEST_EXPOSURE_S = 300.0
FAINTEST_MAG = 13.0
SMALLEST_ARCMIN = 0.15
"""Objects under 9″ look like stars."""


@dataclass(frozen=True)
class Sifted:
    """Candidates that come up tonight, arrays (n,), best first.

    ``rows`` index the pool. Hold times are interpolated over declination and hop
    legs estimated from distance: good enough to order the list, refined for its top.
    """

    rows: npt.NDArray[np.int64]
    moments: BestMoments
    hold_time_s: Floats
    hop_legs: Floats
    members: Floats
    score: Floats
    considered: int


def sift(
    columns: dict[str, npt.NDArray],
    *,
    kit: Kit,
    site: Site,
    moments_s: Floats,
    slice_min: float,
    fwhm_arcsec: float,
    anchors: Floats,
    max_leg_deg: float,
    stars: StarCatalogue,
    wanted: npt.NDArray[np.bool_] | None = None,
) -> Sifted:
    """Every row of a pool ranked for a night; ``anchors`` are unit vectors (k, 3) of
    naked-eye stars, ``stars`` are looked up for the members of clusters, ``wanted`` rows alone
    are considered when given."""
    kinds, dec = columns["kind"], columns["dec_deg"]
    worth = np.isin(kinds, [k for k in np.unique(kinds) if shape_of(str(k)) is not None])
    worth &= columns["major_arcmin"] >= SMALLEST_ARCMIN
    # the catalogue's own doubles come without separation and mostly without magnitude
    worth |= np.isin(kinds, STAR_KINDS) & ((kinds != DOUBLE) | np.isfinite(columns["second_mag"]))
    worth &= np.isfinite(columns["mag"]) & (columns["mag"] <= FAINTEST_MAG)
    if wanted is not None:
        worth &= wanted
    considered = int(worth.sum())
    worth &= 90.0 - np.abs(site.latitude_deg - dec) >= LOWEST_ALT_DEG
    rows = np.flatnonzero(worth)

    driven = kit.mount.driven == "ra"
    best = best_moments(
        columns["ra_deg"][rows],
        dec[rows],
        moments_s,
        slice_min,
        site=site,
        stand=kit.stand if driven else None,
    )
    up = best.minutes_up > 0
    rows, best = rows[up], best.take(up)
    hold = typical_hold_s(dec[rows], kit=kit, site=site, fwhm_arcsec=fwhm_arcsec)
    legs = nearest_anchor_legs(
        unit_vectors(columns["ra_deg"][rows], dec[rows]), anchors, max_leg_deg
    )
    members, sight = np.zeros(len(rows)), np.zeros(len(rows))
    lone = np.isin(kinds[rows], STAR_KINDS)
    for at, judge in ((np.flatnonzero(~lone), _deep_sights), (np.flatnonzero(lone), _star_sights)):
        sight[at], members[at] = judge(
            {name: values[rows[at]] for name, values in columns.items()},
            best.take(at),
            hold[at],
            kit=kit,
            site=site,
            fwhm_arcsec=fwhm_arcsec,
            stars=stars,
        )
    score = (
        sight
        * reach_score(best.altitude_deg, best.minutes_up, legs, best.wait_h)
        * np.where(columns["named"][rows] | lone, 1.0, UNNAMED)
    )
    order = np.argsort(-score, kind="stable")
    return Sifted(
        rows[order],
        best.take(order),
        hold[order],
        legs[order],
        members[order],
        score[order],
        considered,
    )


@dataclass(frozen=True)
class Measures:
    """What a kit makes of deep-sky rows at their moments, arrays (n,).

    ``fraction`` and ``core_fraction`` are shares of the frame (inf without a core), ``parts`` the
    separate things a picture shows, ``wanted_s`` the exposure that read noise asks for.
    """

    exposure_s: Floats
    snr_single: Floats
    snr_total: Floats
    wanted_s: Floats
    parts: Floats
    fraction: Floats
    core_fraction: Floats
    stars_only: npt.NDArray[np.bool_]

    def sight(self, hold_s: Floats, smooth: npt.NDArray[np.bool_]) -> Floats:
        """What fits, shows and holds are worth together, 0 to 1."""
        return np.asarray(
            fits_score(self.fraction, self.core_fraction, core_apart=self.stars_only)
            * shows_score(self.snr_total, self.parts, stars=self.stars_only, smooth=smooth)
            * holds_score(hold_s, self.wanted_s)
        )


def members_of(columns: dict[str, npt.NDArray], stars: StarCatalogue) -> Floats:
    """Members to see of rows that are clusters of stars, 0 for the rest, array (n,)."""
    members = np.zeros(len(columns["kind"]))
    for i, kind in enumerate(columns["kind"].tolist()):
        if told_of_a_star(kind):
            members[i] = member_count(
                stars,
                ra_deg=float(columns["ra_deg"][i]),
                dec_deg=float(columns["dec_deg"][i]),
                major_arcmin=float(columns["major_arcmin"][i]),
                mag=float(columns["mag"][i]),
                light_in_stars=light_in_stars(kind),
            )
    return members


def measure(
    columns: dict[str, npt.NDArray],
    best: BestMoments,
    hold_s: Floats,
    members: Floats,
    *,
    kit: Kit,
    site: Site,
    fwhm_arcsec: float,
) -> Measures:
    """Deep-sky rows measured at their best moments with a kit that holds for ``hold_s``."""
    kinds, major = columns["kind"], columns["major_arcmin"]
    minor = np.where(np.isfinite(columns["minor_arcmin"]), columns["minor_arcmin"], major)
    n = len(kinds)
    exposure, single_of, snr_total = np.zeros(n), np.zeros(n), np.zeros(n)
    wanted, parts, core = np.zeros(n), np.zeros(n), np.full(n, np.inf)
    for kind in np.unique(kinds):
        at = np.flatnonzero(kinds == kind)
        part = typical_bright_part(str(kind), columns["mag"][at], major[at], minor[at])
        rates = light_rates(
            part,
            sky_mag_arcsec2=best.sky_mag_arcsec2[at],
            airmass=best.airmass[at],
            extinction_mag=site_extinction_mag(site),
            fwhm_arcsec=fwhm_arcsec,
            kit=kit,
        )
        wanted[at] = wanted_exposure_s(rates)
        enough = np.array(
            [sky_limited_s(kit.camera.read_noise_e, float(b)) for b in rates.background_px_e_s]
        )
        exposure[at] = np.clip(np.minimum(enough, hold_s[at]), 0.5, LONGEST_EXPOSURE_S)
        single = single_snr(rates, exposure[at])
        photons = total_snr(
            single, exposure[at], np.full(len(at), HOLD_SHARE), best.session_min[at]
        )
        single_of[at], snr_total[at] = single, capped_snr(photons, uneven_cap(rates))
        parts[at] = parts_to_see(
            part,
            single,
            major_arcmin=major[at],
            minor_arcmin=minor[at],
            fwhm_arcsec=fwhm_arcsec,
            members=members[at],
        )
        axes = core_axes_arcmin(str(kind), major[at], minor[at])
        if axes is not None:
            core[at] = frame_fraction(*axes, *_frame_arcmin(kit))
    return Measures(
        exposure,
        single_of,
        snr_total,
        wanted,
        parts,
        frame_fraction(major, minor, *_frame_arcmin(kit)),
        core,
        np.array([told_of_a_star(str(kind)) for kind in kinds], dtype=bool),
    )


def _deep_sights(
    columns: dict[str, npt.NDArray],
    best: BestMoments,
    hold: Floats,
    *,
    kit: Kit,
    site: Site,
    fwhm_arcsec: float,
    stars: StarCatalogue,
) -> tuple[Floats, Floats]:
    """What fits, shows and holds are worth together, and the members of clusters; arrays (n,)."""
    members = members_of(columns, stars)
    found = measure(columns, best, hold, members, kit=kit, site=site, fwhm_arcsec=fwhm_arcsec)
    return found.sight(hold, columns["smooth"]), members


def _star_sights(
    columns: dict[str, npt.NDArray],
    best: BestMoments,
    hold: Floats,
    *,
    kit: Kit,
    site: Site,
    fwhm_arcsec: float,
    stars: StarCatalogue,
) -> tuple[Floats, Floats]:
    """The same of doubles, red stars and asteroids; they have no members."""
    light = {name: columns[name] for name in ("mag", "bv", "second_mag", "second_bv")}
    rates = star_rates(
        **light,
        airmass=best.airmass,
        sky_mag_arcsec2=best.sky_mag_arcsec2,
        extinction_mag=site_extinction_mag(site),
        fwhm_arcsec=fwhm_arcsec,
        kit=kit,
    )
    exposure = np.clip(np.minimum(rates.full_s, hold), SHORTEST_S[0], LONGEST_EXPOSURE_S)
    sight = star_sight_score(
        columns["kind"],
        **light,
        separation_arcsec=columns["major_arcmin"] * 60.0,
        companion=companion_snr(rates, exposure, kit),
        fwhm_arcsec=fwhm_arcsec,
    )
    return sight, np.zeros(len(sight))


def typical_hold_s(dec_deg: Floats, *, kit: Kit, site: Site, fwhm_arcsec: float) -> Floats:
    """Hold times in seconds on the meridian, interpolated over a grid of declinations."""
    grid = np.linspace(-90.0, 90.0, 13)
    tolerance = trail_tolerance_arcsec(fwhm_arcsec)
    held = [
        keeper_curve(
            kit.mount,
            tolerance_arcsec=tolerance,
            dec_deg=float(d),
            latitude_deg=site.latitude_deg,
            gusts_per_hour=GUSTS_PER_HOUR[site.wind],
        ).hold_time_s()
        for d in grid
    ]
    return np.interp(dec_deg, grid, held)


def nearest_anchor_legs(vectors: Floats, anchors: Floats, max_leg_deg: float) -> Floats:
    """Estimated legs from the nearest of the anchors to each place, arrays of unit vectors."""
    if not len(anchors):
        return np.full(len(vectors), 20.0)
    nearest = np.max(vectors @ anchors.T, axis=1)
    away_deg = np.degrees(np.arccos(np.clip(nearest, -1.0, 1.0)))
    return estimate_legs(away_deg, max_leg_deg).astype(np.float64)


def _frame_arcmin(kit: Kit) -> tuple[float, float]:
    sides = kit.field_width_deg * 60.0, kit.field_height_deg * 60.0
    return max(sides), min(sides)
