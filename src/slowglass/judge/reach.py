"""How faint a frame reaches: by its noise, and by the catalogue stars that show and that do not."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from slowglass.expose.noise import faintest_mag
from slowglass.frame.detect import Detection
from slowglass.frame.image import Frame
from slowglass.frame.stars import StarList
from slowglass.sky.catalogue import Stars
from slowglass.sky.wcs import TanWcs

Floats = npt.NDArray[np.float64]

SEEN_SNR = 5.0
FALL_MAG = 0.2
"""How softly stars fade away: noise of a fifth makes a star at the limit brighter or fainter."""
FEWEST_EACH = 6
"""So many seen and so many unseen stars near the limit tell where it lies."""
NEAR_LIMIT_MAG = 1.5
SAME_PLACE_FWHM = 1.0
EDGE_SHARE = 0.01
STEP_MAG = 0.5
LISTED_MAG = 0.5
"""Colours and apertures shift the end of a list of stars that was cut by this much at most."""


@dataclass(frozen=True)
class Reach:
    """The faintest stars of a frame, V magnitudes; None where it cannot be told."""

    faintest_mag: float | None = None
    """A star of five times the noise in its best aperture."""
    half_seen_mag: float | None = None
    """Where half of the catalogue's stars are found; None where the catalogue ends too early."""
    catalogue_stars: int = 0
    """Catalogue stars in the frame, clear of its edge."""
    catalogue_seen: int = 0
    catalogue_to_mag: float | None = None
    """The faintest of them."""
    catalogue_by_mag: tuple[tuple[float, int, int], ...] = ()
    """By half magnitudes: fainter end, stars in the frame, stars found."""


def measure_reach(
    frame: Frame,
    detection: Detection,
    catalogue: Stars,
    wcs: TanWcs,
    *,
    zero_point_mag: float,
    exposure_s: float,
    gain_e_per_adu: float,
) -> Reach:
    """How faint a solved frame reaches.

    ``zero_point_mag`` is V of a star of 1 ADU a second in the mean of the colours. Catalogue
    stars beyond the end of a list of stars that was cut count as neither seen nor missed.
    """
    faintest = faintest_mag(
        10.0 ** (0.4 * zero_point_mag) * gain_e_per_adu,
        exposure_s,
        detection.fwhm_px,
        background_e_per_px=(detection.sky_rms_adu * gain_e_per_adu) ** 2,
        read_noise_e=0.0,
        wanted_snr=SEEN_SNR,
    )
    mag, seen = catalogue_seen(frame, detection.stars, catalogue, wcs, fwhm_px=detection.fwhm_px)
    if detection.found > len(detection.stars) > 0:
        weakest = float(np.min(detection.stars.flux_adu)) / exposure_s
        listed = mag < zero_point_mag - 2.5 * math.log10(weakest) - LISTED_MAG
        mag, seen = mag[listed], seen[listed]
    return Reach(
        faintest_mag=faintest if math.isfinite(faintest) else None,
        half_seen_mag=half_seen_mag(mag, seen),
        catalogue_stars=int(mag.size),
        catalogue_seen=int(np.count_nonzero(seen)),
        catalogue_to_mag=float(np.max(mag)) if mag.size else None,
        catalogue_by_mag=_by_mag(mag, seen),
    )


def catalogue_seen(
    frame: Frame, stars: StarList, catalogue: Stars, wcs: TanWcs, *, fwhm_px: float
) -> tuple[Floats, npt.NDArray[np.bool_]]:
    """(V magnitude, whether it was found) of each catalogue star in the frame."""
    from scipy.spatial import KDTree

    x, y = wcs.sky_to_pixel(catalogue.ra_deg, catalogue.dec_deg)
    width, height = frame.width_px, frame.height_px
    edge = EDGE_SHARE * max(width, height)
    inside = (x > edge) & (x < width - 1 - edge) & (y > edge) & (y < height - 1 - edge)
    v = np.where(np.isfinite(catalogue.v_mag), catalogue.v_mag, catalogue.mag)[inside]
    if not np.any(inside) or len(stars) == 0:
        return v, np.zeros(v.size, dtype=np.bool_)
    tree = KDTree(np.column_stack([stars.x_px, stars.y_px]))
    apart, _ = tree.query(np.column_stack([x[inside], y[inside]]))
    return v, np.asarray(apart <= max(3.0, SAME_PLACE_FWHM * fwhm_px))


def _by_mag(mag: Floats, seen: npt.NDArray[np.bool_]) -> tuple[tuple[float, int, int], ...]:
    step = np.ceil(mag / STEP_MAG).astype(int)
    return tuple(
        (float(n * STEP_MAG), int(np.sum(step == n)), int(np.sum(seen & (step == n))))
        for n in np.unique(step)
    )


def half_seen_mag(mag: Floats, seen: npt.NDArray[np.bool_]) -> float | None:
    """Magnitude at which half of the stars are found: the likeliest step of a fixed softness.

    None where fewer than six found and six missed stars lie within 1.5 magnitudes of it.
    """
    if np.count_nonzero(seen) < FEWEST_EACH or np.count_nonzero(~seen) < FEWEST_EACH:
        return None
    steps = np.arange(float(np.min(mag)), float(np.max(mag)) + 1e-9, 0.02)
    # A share of a few per cent is lost at any brightness: doubles, edges of haloes.
    chance = 0.02 + 0.96 / (1.0 + np.exp((mag[None, :] - steps[:, None]) / FALL_MAG))
    likely = np.sum(np.log(np.where(seen[None, :], chance, 1.0 - chance)), axis=1)
    best = float(steps[int(np.argmax(likely))])
    near = np.abs(mag - best) <= NEAR_LIMIT_MAG
    told = (
        np.count_nonzero(near & seen) >= FEWEST_EACH
        and np.count_nonzero(near & ~seen) >= FEWEST_EACH
    )
    return best if told else None
