"""The light of a judged frame put together: its own measures, the catalogue, the kit, the air."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import asdict, dataclass, replace
from typing import TYPE_CHECKING

import numpy as np

from slowglass.expose.conditions import site_extinction_mag
from slowglass.expose.signal import (
    BLUE,
    GREEN,
    RED,
    SKY_BV,
    SUN_BV,
    WHITE,
    Band,
    bands,
    star_e_per_s,
)
from slowglass.frame.detect import Detection
from slowglass.frame.image import Frame
from slowglass.judge.prior import binning_of
from slowglass.judge.reach import measure_reach
from slowglass.judge.sky import (
    APERTURE_LOSS_MAG,
    G_TO_V_MAG,
    SkyLight,
    clear_stars,
    clipping,
    colour_planes,
    green_plane,
    sky_brightness,
    sky_level,
    star_rates,
    zero_point,
)
from slowglass.sky.coords import alt_az
from slowglass.sky.extinction import airmass, extinction_mag_per_airmass
from slowglass.solve.types import Solution

if TYPE_CHECKING:
    from slowglass.kit.model import Kit, Site
    from slowglass.sky.catalogue import Stars

USUAL_AIRMASS = 1.3
"""Of frames without a time or a site: 50° up."""
SAME_STAR_ARCSEC = 3.0
USUAL_BV = 0.8
"""B − V of a bright field star whose colour is not known: between the Sun and a red giant."""
USUAL_GAIN = 1.0
"""e⁻/ADU where nothing is stated: it only tells how much a faint star's own light is noise."""
V_NM = 545.0
SKY_SYSTEM_MAG = 0.05
"""Colours of sky and stars differ, and flats are not applied: no sky is known better."""
MOST_STARS = 120
USUAL_CORNER_LOSS = 0.18
"""Of a camera behind an unknown tube: what the kit model takes for granted."""
COLOUR_KNOWN_FROM = 3
"""With so many stars of known colour, those without are left out of red and blue."""
CLOUDED = 0.8
"""Below this share of the promised light the stars shine through cloud, the sky below it not."""
CLOUD_ERROR_MAG = 0.2


def measure_light(
    frame: Frame,
    detection: Detection,
    solution: Solution,
    catalogue: Stars | None,
    kit: Kit | None,
    site: Site | None,
) -> SkyLight:
    """Sky, zero point, transparency and clipping of one frame, as far as they can be told."""
    cores, shares = clipping(frame, detection)
    light = SkyLight(
        histogram_share=_finite(detection.sky_adu / frame.white_adu),
        clipped_stars=cores,
        clipped_pixels=shares,
    )
    exposure = frame.header.exposure_s
    plane, factor = green_plane(frame)
    level = sky_level(plane) if plane.size else math.nan
    own = kit is not None and (
        binning_of(frame.width_px, frame.height_px, kit.camera.width_px, kit.camera.height_px) == 1
    )
    level, known = _without_pedestal(frame, level, kit if own else None)
    light = replace(light, read_noise_share=_read_share(frame, level, known, kit if own else None))
    if not exposure:
        return replace(light, sky_reason="the exposure time is not stated")
    if solution.wcs is None or catalogue is None:
        return replace(light, sky_reason="the frame is unsolved: no star of known brightness")
    loss = kit.optics.corner_loss if own and kit is not None else USUAL_CORNER_LOSS
    reference = _reference(detection, solution, catalogue, frame)
    colours = bands(kit.camera) if own and kit is not None else (RED, GREEN, BLUE)
    middle = colours[len(colours) // 2]
    band = middle if factor == 2 or frame.is_colour else WHITE
    found = _zero_point(reference, plane, factor, band, detection.fwhm_px, exposure, loss)
    if found is None:
        return replace(light, sky_reason="too few clear catalogue stars agree on a zero point")
    zero, error, count = found
    zeros, errors = _zero_points(
        frame, reference, colours, (zero, error), detection.fwhm_px, exposure, loss
    )
    light = replace(
        light, zero_point_mag=zero, zero_point_error_mag=error, zero_point_stars=count,
        channel_zero_points_mag=zeros, channel_zero_errors_mag=errors,
        stated_gain_e_per_adu=frame.header.gain_e_per_adu,
    )  # fmt: skip
    air = _air_mag(frame, solution, site)
    if own and kit is not None:
        gain = frame.header.gain_e_per_adu or kit.camera.gain_e_per_adu
        shares = light_shares(kit, zeros, air_mag=air, gain_e_per_adu=gain)
        light = replace(light, transparency=shares.get("G", shares.get("L")),
                        channel_light=shares)  # fmt: skip
    air *= (V_NM / band.wavelength_nm) ** 1.5
    light = replace(
        light,
        **asdict(
            measure_reach(
                frame,
                detection,
                catalogue,
                solution.wcs,
                zero_point_mag=_mean_zero_point(zeros, colours),
                exposure_s=exposure,
                gain_e_per_adu=frame.header.gain_e_per_adu
                or (kit.camera.gain_e_per_adu if own and kit is not None else USUAL_GAIN),
            )
        ),
    )
    if not known:
        return replace(light, sky_reason="the black level is not known: judge camera raws, or "
                                         "name the kit")  # fmt: skip
    if not level > 0:
        return replace(light, sky_reason="the sky lies at the black level: nothing to measure")
    reason, system = "", SKY_SYSTEM_MAG
    if light.transparency is not None and light.transparency < CLOUDED:
        air -= 2.5 * math.log10(light.transparency)
        reason, system = "through cloud: the kit's own zero point was used", CLOUD_ERROR_MAG
    # The level is the whole frame's, darkened toward the corners; the zero point the middle's.
    level /= 1.0 - loss / 3.0
    sky = sky_brightness(level / exposure, zero, solution.wcs.scale_arcsec_per_px, air_mag=air)
    return replace(
        light,
        sky_mag_arcsec2=sky,
        sky_error_mag=math.hypot(error, system),
        sky_reason=reason,
    )


def light_loss_mag(light: SkyLight) -> float | None:
    """Magnitudes by which the stars are fainter than the kit predicts in clear air."""
    if light.transparency is None or not light.transparency > 0:
        return None
    return -2.5 * math.log10(light.transparency)


@dataclass(frozen=True, eq=False)
class _Reference:
    """Clear catalogue stars of a frame: places in pixels, V, B−V, distance² in half diagonals."""

    x_px: np.ndarray
    y_px: np.ndarray
    v_mag: np.ndarray
    bv: np.ndarray
    coloured: np.ndarray
    """Whether the catalogue knows the star's colour."""
    corner2: np.ndarray


def _reference(
    detection: Detection, solution: Solution, catalogue: Stars, frame: Frame
) -> _Reference | None:
    stars, match = detection.stars, solution.match
    if len(match) == 0 or not math.isfinite(detection.fwhm_px):
        return None
    rows = np.nonzero(clear_stars(stars, match.star_index))[0]
    rows = rows[np.argsort(match.mag[rows], kind="stable")][:MOST_STARS]
    if rows.size == 0:
        return None
    index = match.star_index[rows]
    x, y = stars.x_px[index], stars.y_px[index]
    v_mag = match.mag[rows] + G_TO_V_MAG
    bv, coloured = np.full(rows.size, USUAL_BV), np.zeros(rows.size, dtype=bool)
    if len(catalogue):
        apart = np.hypot(
            (catalogue.ra_deg[None, :] - match.ra_deg[rows][:, None])
            * np.cos(np.radians(match.dec_deg[rows]))[:, None],
            catalogue.dec_deg[None, :] - match.dec_deg[rows][:, None],
        )
        nearest = np.argmin(apart, axis=1)
        near = apart[np.arange(rows.size), nearest] * 3600.0 < SAME_STAR_ARCSEC
        known = near & np.isfinite(catalogue.v_mag[nearest])
        v_mag = np.where(known, catalogue.v_mag[nearest], v_mag)
        coloured = near & np.isfinite(catalogue.bv[nearest])
        bv = np.where(coloured, catalogue.bv[nearest], bv)
    half2 = ((frame.width_px - 1) / 2.0) ** 2 + ((frame.height_px - 1) / 2.0) ** 2
    off2 = (x - (frame.width_px - 1) / 2.0) ** 2 + (y - (frame.height_px - 1) / 2.0) ** 2
    return _Reference(x, y, v_mag, bv, coloured, off2 / half2)


def _zero_point(
    reference: _Reference | None,
    plane: np.ndarray,
    factor: int,
    band: Band,
    fwhm_px: float,
    exposure_s: float,
    corner_loss: float,
    *,
    shift_px: tuple[float, float] = (0.0, 0.0),
    coloured_only: bool = False,
) -> tuple[float, float, int] | None:
    """Zero point in the frame's middle of a star of the sky's colour, its error, stars."""
    if reference is None:
        return None
    rates = star_rates(
        plane,
        factor,
        reference.x_px - shift_px[0],
        reference.y_px - shift_px[1],
        fwhm_px=fwhm_px,
        exposure_s=exposure_s,
    ) * 10.0 ** (0.4 * APERTURE_LOSS_MAG)
    rates = rates / (1.0 - corner_loss * reference.corner2)
    if coloured_only and np.count_nonzero(reference.coloured) >= COLOUR_KNOWN_FROM:
        rates = np.where(reference.coloured, rates, np.nan)
    # Green is not V: a red star sends it less. The zero point is that of the sky's own colour.
    return zero_point(reference.v_mag + band.colour_mag_per_bv * (reference.bv - SKY_BV), rates)


def _zero_points(
    frame: Frame,
    reference: _Reference | None,
    colours: tuple[Band, ...],
    green: tuple[float, float],
    fwhm_px: float,
    exposure_s: float,
    corner_loss: float,
) -> tuple[dict[str, float], dict[str, float]]:
    """Zero points of the channels and their errors, by R, G, B, or L for one without colours."""
    planes = colour_planes(frame)
    if not planes or len(colours) != 3:
        return {"L": green[0]}, {"L": green[1]}
    zeros, errors = {"G": green[0]}, {"G": green[1]}
    for name, band in zip("RGB", colours, strict=True):
        if name == "G":
            continue
        found = _zero_point(
            reference, planes[name].pixels, planes[name].factor, band, fwhm_px, exposure_s,
            corner_loss, shift_px=planes[name].shift_px, coloured_only=True,
        )  # fmt: skip
        if found is not None:
            zeros[name], errors[name] = found[:2]
    return zeros, errors


def light_shares(
    kit: Kit, zeros: Mapping[str, float], *, air_mag: float, gain_e_per_adu: float
) -> dict[str, float]:
    """Light that arrived in each channel over what kit and clear air promise.

    ``zeros`` are zero points by R, G, B or L; ``air_mag`` what clear air takes from a star in V.
    """
    colours = bands(kit.camera)
    promised = star_e_per_s(0.0, kit.optics, kit.camera, light=SKY_BV, airmass=1.0,
                            extinction_mag=air_mag) / gain_e_per_adu  # fmt: skip
    names = "RGB" if len(colours) == 3 else "L"
    return {
        name: 10.0 ** (0.4 * zeros[name]) / float(rate)
        for name, rate in zip(names, promised, strict=True)
        if name in zeros
    }


def _mean_zero_point(zeros: dict[str, float], colours: tuple[Band, ...]) -> float:
    """Zero point of the mean of a mosaic's pixels for a star of the Sun's colour."""
    if "L" in zeros:
        return zeros["L"]
    term = {name: band.colour_mag_per_bv for name, band in zip("RGB", colours, strict=True)}
    weight = {"R": 0.25, "G": 0.5, "B": 0.25}
    # A channel without a zero point of its own is taken to send what green does.
    rates = {
        name: 10.0 ** (0.4 * (zeros.get(name, zeros["G"]) + term[name] * (SKY_BV - SUN_BV)))
        for name in weight
    }
    return 2.5 * math.log10(sum(weight[name] * rates[name] for name in weight))


def _without_pedestal(frame: Frame, level: float, kit: Kit | None) -> tuple[float, bool]:
    """(sky level above black, whether black is known); the dark current of the kit taken off."""
    known = frame.black_adu > 0
    if kit is None:
        return level, known
    if not known and frame.unit == "adu" and level > 0.9 * kit.camera.black_adu > 0:
        level, known = level - kit.camera.black_adu, True
    gain = frame.header.gain_e_per_adu or kit.camera.gain_e_per_adu
    return level - kit.camera.dark_e_per_s * (frame.header.exposure_s or 0.0) / gain, known


def _read_share(frame: Frame, level: float, known: bool, kit: Kit | None) -> float | None:
    noise, gain = frame.header.read_noise_e, frame.header.gain_e_per_adu
    if kit is not None:
        noise = kit.camera.read_noise_e if noise is None else noise
        gain = kit.camera.gain_e_per_adu if gain is None else gain
    if noise is None or gain is None or not known or not level > 0:
        return None
    return noise**2 / (noise**2 + level * gain)


def _air_mag(frame: Frame, solution: Solution, site: Site | None) -> float:
    """What clear air takes from a star in the frame, magnitudes."""
    air, extinction = USUAL_AIRMASS, extinction_mag_per_airmass()
    if site is not None:
        extinction = site_extinction_mag(site)
        if frame.header.start_utc is not None and solution.wcs is not None:
            altitude, _ = alt_az(
                solution.wcs.ra0_deg,
                solution.wcs.dec0_deg,
                latitude_deg=site.latitude_deg,
                longitude_deg=site.longitude_deg,
                unix_s=frame.header.start_utc.timestamp() + 0.5 * (frame.header.exposure_s or 0.0),
                apparent=True,
            )
            # Below 10° the place or the clock is likelier wrong than the frame that low.
            air = float(airmass(altitude)) if float(altitude) >= 10.0 else air
    return air * extinction


def _finite(value: float) -> float | None:
    return value if math.isfinite(value) else None
