"""Colour from the stars, whose colours are known.

Catalogue stars tell what the camera's red, green and blue mean: along the stellar locus each
ratio, in magnitudes, goes straight with B−V (checked by its scatter). The fit gives factors
that make a Sun-like star white, and a spread that gives all other stars the colours a screen
should show for them: those of black bodies of their temperature (Ballesteros 2012, EPL 97,
34008), the Sun's taken as white. With few or no known stars the middle star is taken as white.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from slowglass.expose.signal import BLUE, GREEN, RED, SUN_BV, photon_rates

Floats = npt.NDArray[np.float64]
Picture = npt.NDArray[np.float32]

FEWEST = 8
"""Below this many stars one odd star would colour the picture."""
FEWEST_KNOWN = 3
SLOPE_DOUBT = 0.15
"""How far a camera's colour slopes stray from those of usual dye filters (magnitudes a B−V)."""
STAR_DOUBT_MAG = 0.03
"""Scatter of real stars about the locus: reddening, metals, companions."""
COLD_BV, HOT_BV = 1.7, -0.05
"""Where black bodies stop being a fair likeness of stars."""
MOST_SPREAD = 1.0


@dataclass(frozen=True)
class StarColours:
    """Light of stars in red, green and blue, (n, 3), with errors, and catalogue B−V (n,)."""

    flux_adu: Floats
    error_adu: Floats
    bv: Floats


@dataclass(frozen=True)
class ColourFit:
    """What turns the camera's colours into a screen's.

    ``gains`` go on red, green and blue; then red and blue move ``spread`` times further from
    green. ``rms_mag`` is the scatter of the stars' B−V, read off the calibrated colours,
    about the catalogue's; NaN without catalogue.
    """

    gains: tuple[float, float, float] = (1.0, 1.0, 1.0)
    spread: tuple[float, float] = (0.0, 0.0)
    how: str = "none"
    """"catalogue", "stars" (the middle star white) or "none"."""
    stars: int = 0
    rms_mag: float = float("nan")
    slope_mag_per_bv: tuple[float, float] = (0.0, 0.0)
    """Change with B−V of 2.5 log(red/green) and 2.5 log(blue/green) of the camera's light."""

    def bv_of(self, flux_adu: npt.ArrayLike) -> Floats:
        """B−V of stars from their camera light (n, 3); NaN without a catalogue fit."""
        flux = np.asarray(flux_adu, dtype=np.float64) * np.asarray(self.gains)
        slope = np.asarray(self.slope_mag_per_bv)
        if not slope.any():
            return np.full(len(flux), np.nan)
        with np.errstate(invalid="ignore", divide="ignore"):
            ratio = 2.5 * np.log10(flux[:, [0, 2]] / flux[:, [1]])
        return np.asarray(SUN_BV + ratio @ slope / float(slope @ slope), dtype=np.float64)


def fit_colour(stars: StarColours) -> ColourFit:
    """The best fit the stars allow: by the catalogue, else the middle star white, else none.

    Stars below 10 σ in any channel are left out. NaN never enters.
    """
    with np.errstate(invalid="ignore"):
        good = (np.isfinite(stars.flux_adu) & (stars.flux_adu > 10 * stars.error_adu)).all(axis=1)
    known = good & np.isfinite(stars.bv) & (stars.bv > HOT_BV - 0.25) & (stars.bv < COLD_BV + 0.1)
    if known.sum() >= FEWEST_KNOWN:
        return _by_catalogue(stars.flux_adu[known], stars.error_adu[known], stars.bv[known])
    if good.sum() >= FEWEST:
        flux = stars.flux_adu[good]
        red = float(np.exp(np.median(np.log(flux[:, 1] / flux[:, 0]))))
        blue = float(np.exp(np.median(np.log(flux[:, 1] / flux[:, 2]))))
        return ColourFit((red, 1.0, blue), _spread(usual_slopes()), "stars", int(good.sum()))
    return ColourFit()


def usual_slopes() -> tuple[float, float]:
    """Change of 2.5 log(red/green) and 2.5 log(blue/green) with B−V for usual dye filters."""
    hot, cold = photon_rates(0.0, np.array([0.2, 1.2]), (RED, GREEN, BLUE))
    change = 2.5 * np.log10(cold[[0, 2]] / cold[1] * hot[1] / hot[[0, 2]])
    return float(change[0]), float(change[1])


def _by_catalogue(flux: Floats, error: Floats, bv: Floats) -> ColourFit:
    colour = bv - SUN_BV
    zero, slope = [], []
    weights = []
    for channel, usual in zip((0, 2), usual_slopes(), strict=True):
        ratio = 2.5 * np.log10(flux[:, channel] / flux[:, 1])
        noise = 1.0857 * np.hypot(error[:, channel] / flux[:, channel], error[:, 1] / flux[:, 1])
        z, k, weight = _locus(colour, ratio, np.hypot(noise, STAR_DOUBT_MAG), usual)
        zero.append(z)
        slope.append(k)
        weights.append(weight)
    gains = (float(10 ** (-0.4 * zero[0])), 1.0, float(10 ** (-0.4 * zero[1])))
    slopes = (slope[0], slope[1])
    fit = ColourFit(gains, _spread(slopes), "catalogue", len(bv), float("nan"), slopes)
    sure = np.minimum(*weights) > 0.3
    rest = (fit.bv_of(flux) - bv)[sure]
    free = max(len(rest) - 2, 1)
    rms = float(np.sqrt(np.sum(rest**2) / free)) if len(rest) else float("nan")
    return ColourFit(gains, fit.spread, "catalogue", len(bv), rms, slopes)


def _locus(
    colour: Floats, ratio: Floats, noise: Floats, usual: float
) -> tuple[float, float, Floats]:
    """Zero point, slope and weights (0–1) of the line; few stars lean on the usual slope."""
    slope = usual
    zero = float(np.median(ratio - slope * colour))
    weight = np.ones(len(colour))
    for _ in range(15):
        rest = ratio - zero - slope * colour
        # Tukey's bisquare (c = 4.685 σ): variables and wrong matches count for nothing
        scale = np.maximum(noise, 1.4826 * float(np.median(np.abs(rest))))
        weight = np.clip(1.0 - (rest / (4.685 * scale)) ** 2, 0.0, None) ** 2
        w = weight / noise**2
        prior = 1.0 / SLOPE_DOUBT**2
        normal = np.array(
            [[w.sum(), (w * colour).sum()], [(w * colour).sum(), (w * colour**2).sum() + prior]]
        )
        target = np.array([(w * ratio).sum(), (w * colour * ratio).sum() + prior * usual])
        if normal[0, 0] <= 0:
            break
        zero, slope = (float(v) for v in np.linalg.solve(normal, target))
    return zero, slope, weight


def _spread(slopes: tuple[float, float]) -> tuple[float, float]:
    """How far red and blue must move from green for stars to show their screen colours."""
    bv = np.linspace(0.0, 1.5, 16)
    camera = 10 ** (0.4 * np.outer(bv - SUN_BV, slopes))
    screen = star_screen_colours(bv)
    wanted = screen[:, [0, 2]] / screen[:, [1]]
    out = []
    for c in range(2):
        away = camera[:, c] - 1.0
        best = float(away @ (wanted[:, c] - camera[:, c]) / (away @ away))
        out.append(float(np.clip(best, -0.3, MOST_SPREAD)))
    return out[0], out[1]


def star_temperature_k(bv: npt.ArrayLike) -> Floats:
    """Temperature of a star in K from B−V (Ballesteros 2012), held within −0.05…1.7."""
    x = 0.92 * np.clip(np.asarray(bv, dtype=np.float64), HOT_BV, COLD_BV)
    return np.asarray(4600.0 * (1.0 / (x + 1.7) + 1.0 / (x + 0.62)), dtype=np.float64)


def blackbody_screen(temperature_k: npt.ArrayLike) -> Floats:
    """Linear sRGB of black bodies, brightest channel 1, (..., 3).

    Planck's law through the CIE 1931 matching functions as fitted by Wyman, Sloan & Shirley
    2013 (J. Computer Graphics Techniques 2, 2), then the sRGB matrix of IEC 61966-2-1.
    """
    nm = np.arange(380.0, 781.0, 5.0)
    kelvin = np.asarray(temperature_k, dtype=np.float64)[..., None]
    light = nm**-5.0 / np.expm1(1.438777e7 / (nm * kelvin))
    x = _lobe(nm, 1.056, 599.8, 37.9, 31.0) + _lobe(nm, 0.362, 442.0, 16.0, 26.7)
    x += _lobe(nm, -0.065, 501.1, 20.4, 26.2)
    y = _lobe(nm, 0.821, 568.8, 46.9, 40.5) + _lobe(nm, 0.286, 530.9, 16.3, 31.1)
    z = _lobe(nm, 1.217, 437.0, 11.8, 36.0) + _lobe(nm, 0.681, 459.0, 26.0, 13.8)
    rgb = (light @ np.stack([x, y, z], axis=1)) @ _XYZ_TO_SRGB.T
    rgb = np.maximum(rgb, 0.0)
    return np.asarray(rgb / rgb.max(axis=-1, keepdims=True), dtype=np.float64)


_XYZ_TO_SRGB = np.array(
    [[3.2406, -1.5372, -0.4986], [-0.9689, 1.8758, 0.0415], [0.0557, -0.2040, 1.0570]]
)


def _lobe(nm: Floats, height: float, middle: float, left: float, right: float) -> Floats:
    width = np.where(nm < middle, left, right)
    return np.asarray(height * np.exp(-0.5 * ((nm - middle) / width) ** 2), dtype=np.float64)


def star_screen_colours(bv: npt.ArrayLike) -> Floats:
    """Linear sRGB of stars of a B−V, the Sun's colour taken as white, (..., 3)."""
    sun = blackbody_screen(star_temperature_k(SUN_BV))
    return np.asarray(blackbody_screen(star_temperature_k(bv)) / sun, dtype=np.float64)


def apply_colour(picture: Picture, gains: tuple[float, ...], spread: tuple[float, ...]) -> Picture:
    """The picture in a screen's linear red, green and blue; a plain picture is returned as is."""
    if picture.ndim == 2:
        return picture
    out = picture * np.asarray(gains, dtype=np.float32)
    for c, more in ((0, spread[0]), (2, spread[1])):
        if more:
            out[..., c] += np.float32(more) * (out[..., c] - out[..., 1])
    return np.asarray(out, dtype=np.float32)
