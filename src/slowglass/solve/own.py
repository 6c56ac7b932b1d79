"""Handing a solved frame's own fainter stars to the store, and finding them again for a solve.

A frame may hand in stars only if the packaged and fetched stars alone place it at odds of
``ODDS_TO_GIVE_LOG10`` and its stars are sharp and round. So an own star never rests on other own
stars, and a solve that used them is never surer than the surest frame they come from.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path

import numpy as np
import numpy.typing as npt

from slowglass.errors import UnreadableFile
from slowglass.frame.detect import detect_stars
from slowglass.frame.image import Frame
from slowglass.frame.io import list_frames, read_frame
from slowglass.frame.stars import StarFlag, StarList
from slowglass.progress import Report, silent
from slowglass.sky.coords import unit_vectors
from slowglass.sky.own import OwnFrame, Sightings
from slowglass.sky.own_store import OwnStore
from slowglass.sky.store import Sky
from slowglass.solve.catalogue import SolveCatalogue
from slowglass.solve.deep import local_catalogue
from slowglass.solve.service import solve_stars
from slowglass.solve.store import open_solver
from slowglass.solve.types import Prior, Solution

Floats = npt.NDArray[np.float64]

ODDS_TO_GIVE_LOG10 = 4.0
"""One wrong frame in ten thousand, by the odds' own claim, which errs on the careful side."""
LEAST_MATCHED = 4
LONGEST_TRAIL = 1.5
"""Elongation beyond which centres of light say little of where the star was."""
WIDEST_PX = 12.0
LEAST_SNR = 10.0
MOST_SIGHTINGS = 400
LEAST_ERROR_ARCSEC = 0.1
BAND_ERROR_MAG = 0.25
"""Scatter between a camera's magnitudes and Gaia G that the colours of stars cause."""
CLEAR_OF_LISTED_ARCSEC = 5.0
"""Round a listed star its light, and what is seen of companions, may mislead."""


@dataclass(frozen=True)
class Contribution:
    """What a frame gave; ``stars`` 0 comes with the reason."""

    frame: str
    stars: int
    reason: str
    solution: Solution


def contribute(
    stars: StarList,
    width_px: int,
    height_px: int,
    sky: Sky,
    prior: Prior,
    *,
    frame: str,
    start_utc: datetime | None,
    store: OwnStore | None = None,
) -> Contribution:
    """The frame's own stars, kept under its name; handed in again they replace the former ones.

    The frame is solved without own stars first: only what the catalogues alone carry may give.
    """
    solution = solve_stars(stars, width_px, height_px, sky, prior, own_stars=False)
    reason = refusal(stars, solution)
    if reason:
        return Contribution(frame, 0, reason, solution)
    deeper = local_catalogue(sky, open_solver(sky), prior, width_px, height_px)
    catalogue = deeper or open_solver(sky)
    seen, faintest = sightings(stars, solution, catalogue, prior.epoch_year)
    if not len(seen):
        reason = "no star beyond those of the catalogue is bright and lone enough"
        return Contribution(frame, 0, reason, solution)
    assert solution.wcs is not None and solution.odds_log10 is not None
    origin = OwnFrame(
        name=frame,
        start_utc=start_utc,
        odds_log10=solution.odds_log10,
        fwhm_px=median_width_px(stars),
        faintest_mag=faintest,
        width_px=width_px,
        height_px=height_px,
        wcs=solution.wcs,
    )
    (store or OwnStore()).save(origin, seen)
    return Contribution(frame, len(seen), "", solution)


def median_width_px(stars: StarList) -> float:
    """Median FWHM of the measured stars, pixels; NaN without any."""
    measured = stars.fwhm_px[np.isfinite(stars.fwhm_px)]
    return float(np.median(measured)) if len(measured) else float("nan")


def refusal(stars: StarList, solution: Solution) -> str:
    """Why a frame may not hand in stars, or an empty text."""
    if not solution.solved:
        return f"not solved: {solution.reason}"
    odds = solution.odds_log10 or 0.0
    if odds < ODDS_TO_GIVE_LOG10:
        return f"its place is not sure enough: odds 10^{odds:.1f}, 10^{ODDS_TO_GIVE_LOG10:g} needed"
    if solution.matched < LEAST_MATCHED:
        return f"only {solution.matched} of its stars are listed, {LEAST_MATCHED} needed"
    width = median_width_px(stars)
    if not width <= WIDEST_PX:
        return (
            f"its stars are {width:.1f} px wide, {WIDEST_PX:g} at most: refocus"
            if np.isfinite(width)
            else "no star's width could be measured"
        )
    long = float(np.nanmedian(stars.elongation)) if np.isfinite(stars.elongation).any() else 1.0
    if long > LONGEST_TRAIL:
        return f"its stars are trailed: {long:.1f} times as long as wide, {LONGEST_TRAIL:g} at most"
    return ""


def sightings(
    stars: StarList, solution: Solution, catalogue: SolveCatalogue, epoch_year: float
) -> tuple[Sightings, float]:
    """The unlisted stars of a solved frame, and the magnitude to which it shows stars.

    A star's error is that of its centre joined with that of the solution at its place: σ of the
    matched stars times √(1/n + r²/Σr²), as for a straight line's prediction.
    """
    wcs, match = solution.wcs, solution.match
    assert wcs is not None and len(match) >= 2
    listed = match.star_index
    inst = -2.5 * np.log10(np.maximum(stars.flux_adu, 1e-30))
    zero_points = match.mag - inst[listed]
    zero_point = float(np.median(zero_points))
    scatter = 1.4826 * float(np.median(np.abs(zero_points - zero_point)))
    mag = inst + zero_point
    bar = int(StarFlag.SATURATED | StarFlag.EDGE | StarFlag.BLENDED)
    good = np.isfinite(stars.fwhm_px) & ((stars.flags & bar) == 0) & (stars.snr >= LEAST_SNR)
    width = median_width_px(stars)
    good &= (stars.fwhm_px > 0.6 * width) & (stars.fwhm_px < 1.5 * width) & (stars.flux_adu > 0)
    # A star as bright as the catalogue's that it lacks is no star: a planet, a flaw, an asteroid.
    good &= mag > catalogue.limit_mag
    good[listed] = False
    rows = np.flatnonzero(good)
    ra, dec = wcs.pixel_to_sky(stars.x_px[rows], stars.y_px[rows])
    clear = _clear_of_listed(ra, dec, catalogue, solution, epoch_year)
    rows, ra, dec = rows[clear][:MOST_SIGHTINGS], ra[clear], dec[clear]
    ra, dec = ra[:MOST_SIGHTINGS], dec[:MOST_SIGHTINGS]
    x, y = stars.x_px[listed], stars.y_px[listed]
    spread2 = float(np.sum((x - x.mean()) ** 2 + (y - y.mean()) ** 2))
    away2 = (stars.x_px[rows] - x.mean()) ** 2 + (stars.y_px[rows] - y.mean()) ** 2
    # Four numbers were fitted to 2 n: what they took up is given back.
    free = max(2.0 * len(match) - 4.0, 1.0) / (2.0 * len(match))
    axis = float(np.sqrt(np.mean(match.residual_arcsec**2) / 2.0 / free))
    of_fit = axis * np.sqrt(1.0 / len(match) + away2 / spread2)
    of_centre = stars.fwhm_px[rows] / 2.3548 / stars.snr[rows] * wcs.scale_arcsec_per_px
    sigma = np.sqrt(of_fit**2 + of_centre**2 + LEAST_ERROR_ARCSEC**2)
    mag_sigma = np.sqrt(
        scatter**2 / len(match) + (1.0857 / stars.snr[rows]) ** 2 + BAND_ERROR_MAG**2
    )
    seen = Sightings(
        ra, dec, sigma, mag[rows], mag_sigma, stars.x_px[rows].copy(), stars.y_px[rows].copy()
    )
    return seen, float(np.max(seen.g_mag)) if len(seen) else -99.0


def _clear_of_listed(
    ra: Floats, dec: Floats, catalogue: SolveCatalogue, solution: Solution, epoch_year: float
) -> npt.NDArray[np.bool_]:
    from scipy.spatial import cKDTree

    if not len(ra):
        return np.ones(0, dtype=bool)
    vectors = unit_vectors(ra, dec)
    centre = unit_vectors(solution.ra_deg or 0.0, solution.dec_deg or 0.0)
    radius = float(np.degrees(np.max(np.linalg.norm(vectors - centre, axis=1)))) * 1.02 + 0.02
    rows = catalogue.in_cone(solution.ra_deg or 0.0, solution.dec_deg or 0.0, radius)
    if not len(rows):
        return np.ones(len(ra), dtype=bool)
    there = unit_vectors(*catalogue.radec_at(rows, epoch_year))
    gap, _ = cKDTree(there).query(vectors)
    return np.asarray(gap > np.radians(CLEAR_OF_LISTED_ARCSEC / 3600.0))


def contribute_files(
    paths: Iterable[Path],
    sky: Sky,
    prior_of: Callable[[Frame], Prior],
    *,
    report: Report = silent,
) -> Iterator[Contribution]:
    """What each frame of some files and folders gave, as each is done.

    A file that cannot be read gives nothing and says why. Lights only: frames whose header says
    dark, flat or bias are passed over with that reason.
    """
    files = [file for path in paths for file in (list_frames(path) if path.is_dir() else [path])]
    for done, path in enumerate(files):
        report("own stars", done, len(files))
        nothing = Solution(False, "")
        try:
            frame = read_frame(path)
        except UnreadableFile as error:
            yield Contribution(path.name, 0, str(error), nothing)
            continue
        if frame.header.kind not in ("light", "unknown"):
            yield Contribution(path.name, 0, f"a {frame.header.kind} frame", nothing)
            continue
        yield contribute(
            detect_stars(frame).stars,
            frame.width_px,
            frame.height_px,
            sky,
            prior_of(frame),
            frame=path.name,
            start_utc=frame.header.start_utc,
        )
    report("own stars", len(files), len(files))
