"""Doubles, red stars and asteroids asked the four questions: what shows is a star, or two apart."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from slowglass.choose.answers import Holds, Shows
from slowglass.choose.framing import Fit
from slowglass.choose.star_sights import DOUBLE, RED, WIDEST_ARCSEC
from slowglass.choose.visibility import answer_for
from slowglass.expose.noise import APERTURE_FWHM, APERTURE_SHARE, snr
from slowglass.expose.signal import mosaic_mean, sky_e_per_px_s, star_e_per_s
from slowglass.expose.suggest import round_down_s
from slowglass.kit.model import Kit
from slowglass.kit.optics import PIXEL_BLUR_PX
from slowglass.sky.objects import SkyObject

Floats = npt.NDArray[np.float64]

FRAMES = 20
"""A star is bright: more exposures add nothing to see."""
SPLIT_FWHM, STEP_FWHM = 0.8, 0.3
"""Star widths between two equal stars at which they just part, and more for each magnitude of
difference (common practice, no source)."""
CLEAR_SPLIT = 3.0
PLAIN_MAG, LOST_MAG = 6.0, 9.5
"""Companions that are plain to see beside the first star, and those that get lost."""
DOUBLE_BEST, PLAIN_SHARE = 0.85, 0.7
"""What the finest pair is worth as a sight beside a nebula or cluster, and the share of it that
a pair of one colour keeps."""
RED_BEST, RED_LEAST, REDDEST_BV = 0.6, 0.35, 4.0
ASTEROID_BEST = 0.4
SHORTEST_S = (0.005, 0.01, 0.02, 0.05, 0.1, 0.2)


@dataclass(frozen=True)
class StarRates:
    """Electrons per second of whole stars and how long until the first fills a pixel, arrays."""

    first_e_s: Floats
    second_e_s: Floats
    """Of the companion; of a single star its own."""
    full_s: Floats
    sky_e_px_s: Floats
    fwhm_px: float


def star_rates(
    mag: Floats,
    bv: Floats,
    second_mag: Floats,
    second_bv: Floats,
    *,
    airmass: Floats,
    sky_mag_arcsec2: Floats,
    extinction_mag: float,
    fwhm_arcsec: float,
    kit: Kit,
) -> StarRates:
    """Light of pairs and single stars (companion NaN) with a kit, arrays (n,)."""
    fwhm_px = math.hypot(fwhm_arcsec / kit.scale_arcsec_per_px, PIXEL_BLUR_PX)
    spread = 1.133 * fwhm_px**2

    def rate(v: Floats, colour: Floats) -> Floats:
        above = star_e_per_s(v, kit.optics, kit.camera, light=colour)
        return np.asarray(above * 10.0 ** (-0.4 * extinction_mag * airmass)[:, None])

    first = rate(mag, bv)
    single = ~np.isfinite(second_mag)
    second = rate(np.where(single, mag, second_mag), np.where(single, bv, second_bv))
    sky = sky_e_per_px_s(sky_mag_arcsec2, kit.optics, kit.camera)
    full = kit.camera.saturation_e / (first.max(axis=1) / spread + sky.max(axis=1))
    return StarRates(
        mosaic_mean(first), mosaic_mean(second), full, np.asarray(mosaic_mean(sky)), fwhm_px
    )


def star_exposure_s(full_s: float, hold_s: float) -> float:
    """The customary exposure that neither fills the brighter star nor trails."""
    limit = min(full_s, hold_s)
    if limit >= 0.5:
        return round_down_s(limit)
    return max((s for s in SHORTEST_S if s <= limit), default=SHORTEST_S[0])


def companion_snr(rates: StarRates, exposure_s: npt.ArrayLike, kit: Kit) -> Floats:
    """Signal to noise of the companion (or the single star) in one exposure, array (n,)."""
    seconds = np.asarray(exposure_s, float)
    return snr(
        APERTURE_SHARE * rates.second_e_s * seconds,
        pixels=max(1.0, math.pi * (APERTURE_FWHM * rates.fwhm_px) ** 2),
        sky_e_per_px=rates.sky_e_px_s * seconds,
        dark_e_per_px=kit.camera.dark_e_per_s * seconds,
        read_noise_e=kit.camera.read_noise_e,
    )


def split_share(separation_arcsec: Floats, step_mag: Floats, fwhm_arcsec: float) -> Floats:
    """How far apart two stars look: below 1 they run together, 3 and more is plain."""
    return np.asarray(separation_arcsec / (fwhm_arcsec * (SPLIT_FWHM + STEP_FWHM * step_mag)))


def star_sight_score(
    kind: npt.NDArray[np.str_],
    mag: Floats,
    bv: Floats,
    second_mag: Floats,
    second_bv: Floats,
    separation_arcsec: Floats,
    *,
    companion: Floats,
    fwhm_arcsec: float,
) -> Floats:
    """What a sight each star makes, 0 to 1, arrays (n,): apart, bright, and in two colours.

    ``companion`` is the signal to noise of one exposure.
    """
    with np.errstate(invalid="ignore", divide="ignore"):
        split = split_share(separation_arcsec, second_mag - mag, fwhm_arcsec)
        apart = np.clip(np.log(split) / np.log(CLEAR_SPLIT), 0.0, 1.0)
        bright = np.clip((LOST_MAG - second_mag) / (LOST_MAG - PLAIN_MAG), 0.0, 1.0)
        colours = np.nan_to_num(np.clip(np.abs(second_bv - bv), 0.0, 1.0))
        double = DOUBLE_BEST * np.sqrt(apart * bright) * (PLAIN_SHARE + (1 - PLAIN_SHARE) * colours)
        red = RED_LEAST + (RED_BEST - RED_LEAST) * np.clip((bv - 2.0) / (REDDEST_BV - 2.0), 0, 1)
        lone = ASTEROID_BEST * np.clip((13.0 - mag) / 5.0, 0.0, 1.0)
    score = np.select([kind == DOUBLE, kind == RED], [double, red], default=lone)
    return np.asarray(np.nan_to_num(score) * np.clip(companion / 10.0, 0.0, 1.0))


def star_fit(obj: SkyObject, *, separation_arcsec: float | None, kit: Kit) -> Fit:
    """How a star or pair sits in the frame: always inside, and how large in pixels."""
    if separation_arcsec is None:
        return Fit("yes", 0.0, None, "a single star")
    px = separation_arcsec / kit.scale_arcsec_per_px
    short = 3600.0 * min(kit.field_width_deg, kit.field_height_deg)
    wide = " : a small pair in a wide frame" if separation_arcsec < WIDEST_ARCSEC / 4.0 else ""
    text = f"{separation_arcsec:.1f}″ apart, {px:.0f} px{wide}".replace(" :", ":")
    return Fit("yes" if separation_arcsec < short else "no", separation_arcsec / short, None, text)


def star_answers(
    obj: SkyObject,
    rates: StarRates,
    *,
    split: float | None,
    second_mag: float | None,
    hold_s: float,
    keeper_fraction: float,
    exposure_s: float,
    kit: Kit,
) -> tuple[Shows, Holds]:
    """Whether a star shows and holds; ``rates`` are arrays of one."""
    single = float(companion_snr(rates, exposure_s, kit)[0])
    total = single * math.sqrt(FRAMES * max(keeper_fraction, 0.0))
    full = float(rates.full_s[0])
    answer = answer_for(total)
    if second_mag is None:
        text = f"signal to noise {single:.0f} in one {exposure_s:g} s exposure"
    else:
        text = (
            f"signal to noise {single:.0f} of the companion of magnitude {second_mag:.1f} in one "
            f"{exposure_s:g} s exposure"
        )
        if split is not None and split < 1.0:
            answer = "no" if split < 0.7 else "barely"
            text += "; the two run together in this air"
        elif split is not None and split < 1.5:
            text += "; the two just part in steady air"
    if full < SHORTEST_S[0]:
        text += "; the brighter star fills its pixels in any exposure"
    elif full < 300.0:
        text += f"; the brighter star fills its pixels after {_seconds(full)}"
    minutes = max(1.0, FRAMES * (exposure_s + 2.0) / 60.0)
    held = "yes" if hold_s >= exposure_s else "barely"
    shows = Shows(answer, single, total, minutes, text, exposure_s, FRAMES)
    return shows, Holds(
        "yes" if held == "yes" else "barely",
        keeper_fraction,
        hold_s,
        f"{keeper_fraction:.0%} of {exposure_s:g} s exposures stay round at declination "
        f"{obj.dec_deg:+.0f}°",
        exposure_s,
    )


def _seconds(seconds: float) -> str:
    if seconds < 1.0:
        return f"{seconds:.2g} s"
    return f"{seconds:.0f} s" if seconds < 120 else f"{seconds / 60:.0f} min"


COLOURS = ((0.1, "blue-white"), (0.4, "white"), (0.8, "yellow"), (1.4, "orange"))


def colour_word(bv: float) -> str:
    """The colour a camera gives a star of a B−V, "" where it is not known."""
    if not math.isfinite(bv):
        return ""
    return next((word for end, word in COLOURS if bv < end), "red")


def star_looks(obj: SkyObject, *, bv: float, second_mag: float | None, second_bv: float) -> str:
    """What it is, as one says it aloud."""
    kind = obj.kind[0].upper() + obj.kind[1:]
    if second_mag is None:
        return f"{kind}, magnitude {obj.mag:.1f}" if obj.mag is not None else kind
    apart = (obj.major_arcmin or 0.0) * 60.0
    text = f"{kind}, magnitudes {obj.mag:.1f} and {second_mag:.1f}, {apart:.0f}″ apart"
    first, second = colour_word(bv), colour_word(second_bv)
    if first and second:
        text += f", both {first}" if first == second else f", {first} and {second}"
    return text


def star_praise(*, kind: str, split: float | None, exposure_s: float) -> str:
    """What speaks for it tonight."""
    frames = f"in exposures of {exposure_s:g} s"
    if kind == DOUBLE and split is not None:
        how = "stands wide apart" if split >= CLEAR_SPLIT else "splits" if split >= 1.0 else ""
        return f"{how} {frames}" if how else "too close for this air and scale"
    if kind == RED:
        return f"its colour shows {frames}"
    return f"a star that was elsewhere yesterday, shown {frames}"
