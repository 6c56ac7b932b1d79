"""The forecast frame: the exposure a kit will take, rendered photon by photon.

What goes in: every star of the catalogue in its colour and the right number of fainter ones,
the object, the sky with its slope to the horizon, dimming by air and cloud, the star image
(:mod:`psf`) drawn along the mount's path (:mod:`way`), vignetting, dust, the colour mosaic,
photon noise, dark current, hot pixels, read noise, full well and converter. What does not:
distortion, dispersion by the air, internal reflections, blooming.
"""

from __future__ import annotations

from dataclasses import replace
from datetime import datetime
from typing import TYPE_CHECKING, Any

import numpy as np
import numpy.typing as npt

from slowglass.expose.conditions import Conditions, conditions_at, conditions_at_altitude
from slowglass.expose.options import ForecastOptions, ForecastTruth, check_options
from slowglass.expose.psf import half_peak_width_px, star_image, surface_kernel
from slowglass.expose.scene import Scene, gather, render_part
from slowglass.expose.sensor import (
    make_frame,
    mosaic_bands,
    read_out,
    sensor_flaws,
)
from slowglass.expose.signal import bands, sky_e_per_px_s, star_e_per_s
from slowglass.expose.tracking import SHAKE_FACTOR
from slowglass.expose.way import Ways
from slowglass.frame.image import Frame
from slowglass.kit.model import Kit, Site
from slowglass.kit.optics import FWHM_PER_SIGMA
from slowglass.sky.coords import epoch_year
from slowglass.sky.objects import SkyObject
from slowglass.sky.place import Place
from slowglass.sky.wcs import TanWcs, deproject_tan

if TYPE_CHECKING:
    from slowglass.sky.store import Sky

Floats = npt.NDArray[np.float64]
Target = SkyObject | Place | tuple[float, float]

SATELLITE_ARCSEC_S = 1500.0
"""Speed across the sky of a satellite 700 km up, high in the sky."""


def render_forecast(
    kit: Kit,
    site: Site,
    sky: Sky,
    target: Target,
    *,
    exposure_s: float,
    when: datetime | None = None,
    options: ForecastOptions | None = None,
    **changes: Any,
) -> Frame:
    """The exposure as the camera would store it: mosaic ADU, black level included.

    ``target`` is an object, a place, or (ra, dec) in ICRS degrees. ``when`` is the UTC start;
    without it the target stands at 50° on the meridian and no Moon shines. Further keywords
    change single fields of ``options``.
    """
    return render_with_truth(
        kit, site, sky, target, exposure_s=exposure_s, when=when, options=options, **changes
    )[0]


def render_with_truth(
    kit: Kit,
    site: Site,
    sky: Sky,
    target: Target,
    *,
    exposure_s: float,
    when: datetime | None = None,
    options: ForecastOptions | None = None,
    **changes: Any,
) -> tuple[Frame, ForecastTruth]:
    """The forecast frame (see :func:`render_forecast`) and the truth behind it."""
    o = replace(options or ForecastOptions(), **changes)
    check_options(exposure_s, when, o)
    ra, dec, obj, name = _aim(target)
    conditions = _conditions(site, ra, dec, when, o)
    camera = kit.camera
    centre_ra, centre_dec = deproject_tan(
        o.offset_arcsec[0] / 3600.0, o.offset_arcsec[1] / 3600.0, ra, dec
    )
    wcs = TanWcs.from_simple(
        ra_deg=float(centre_ra),
        dec_deg=float(centre_dec),
        width_px=camera.width_px,
        height_px=camera.height_px,
        scale_arcsec_per_px=kit.scale_arcsec_per_px,
        rotation_deg=o.rotation_deg,
        parity=-1 if kit.optics.reflections % 2 else 1,
    )
    margin_px = 160.0
    radius = np.hypot(camera.width_px / 2 + margin_px, camera.height_px / 2 + margin_px)
    scene = gather(
        sky,
        wcs.ra0_deg,
        wcs.dec0_deg,
        float(radius * kit.scale_arcsec_per_px / 3600.0),
        target=obj,
        epoch_year=2016.0 if when is None else epoch_year(when),
        faintest_mag=o.faintest_mag,
        neighbours=o.neighbours,
    )
    ways = Ways(kit, site, wcs, exposure_s, conditions, o)
    path = ways.at_centre
    light, star_e, xy, fwhm = _collect(kit, site, scene, wcs, ways, exposure_s, conditions, o)
    sky_e = (
        sky_e_per_px_s(conditions.sky_mag_arcsec2, kit.optics, camera)
        * exposure_s
        * (2.0 - o.transparency)
    )
    flaws = sensor_flaws(camera, kit.optics, o.camera_seed)
    if not o.dust:
        flaws = replace(flaws, motes=flaws.motes[:0])
    pixels = read_out(
        light,
        kit,
        exposure_s=exposure_s,
        flaws=flaws,
        seed=o.seed,
        sky_e=sky_e,
        gradient_per_px=conditions.sky_rise_per_px(wcs.matrix),
        vignetting=kit.optics.corner_loss if o.vignetting is None else o.vignetting,
        noise=o.noise,
    )
    extra: dict[str, Any] = {"OBJECT": name} if name else {}
    if o.write_wcs:
        extra |= wcs.to_header()
    frame = make_frame(
        pixels,
        kit,
        kind="light",
        exposure_s=exposure_s,
        start=when,
        temperature_c=site.temperature_c,
        extra=extra,
        step=f"forecast of {exposure_s:g} s with seed {o.seed}",
    )
    inside = (
        (xy[0] > -0.5)
        & (xy[0] < camera.width_px - 0.5)
        & (xy[1] > -0.5)
        & (xy[1] < camera.height_px - 0.5)
    )
    truth = ForecastTruth(
        wcs=wcs,
        x_px=xy[0][inside],
        y_px=xy[1][inside],
        stars=scene.stars.take(inside),
        star_e=star_e[inside],
        fwhm_px=fwhm,
        path_px=path,
        sky_e=sky_e,
        conditions=conditions,
        flaws=flaws,
        objects=tuple(found for found, _ in scene.objects),
    )
    return frame, truth


def _aim(target: Target) -> tuple[float, float, SkyObject | None, str]:
    if isinstance(target, SkyObject):
        return target.ra_deg, target.dec_deg, target, target.name
    if isinstance(target, Place):
        return target.ra_deg, target.dec_deg, target.object, target.name
    return float(target[0]), float(target[1]), None, ""


def _conditions(
    site: Site, ra: float, dec: float, when: datetime | None, o: ForecastOptions
) -> Conditions:
    if when is not None:
        return conditions_at(site, ra, dec, when, sky_mag=o.sky_mag_arcsec2)
    altitude = {} if o.altitude_deg is None else {"altitude_deg": o.altitude_deg}
    return conditions_at_altitude(site, sky_mag=o.sky_mag_arcsec2, **altitude)


def _collect(
    kit: Kit,
    site: Site,
    scene: Scene,
    wcs: TanWcs,
    ways: Ways,
    exposure_s: float,
    conditions: Conditions,
    o: ForecastOptions,
) -> tuple[npt.NDArray[np.float32], Floats, tuple[Floats, Floats], float]:
    """(electrons wanted, electrons of each star, star places, width of the star image)."""
    from slowglass.expose.kernels import add_surface, stamp_stars

    camera, stars = kit.camera, scene.stars
    mosaic = mosaic_bands(camera)
    air: dict[str, float] = {
        "airmass": conditions.airmass,
        "extinction_mag": conditions.extinction_mag,
    }
    factor = exposure_s * o.transparency
    star_e = factor * star_e_per_s(stars.mag, kit.optics, camera, light=stars.bv, **air)
    x, y = wcs.sky_to_pixel(stars.ra_deg, stars.dec_deg)
    light = np.zeros((camera.height_px, camera.width_px), dtype=np.float32)
    fwhm = 0.0
    for zone, path, piece in ways.pieces():
        part = len(piece[0]) / len(path[0])
        mid_x, mid_y = float(piece[0].mean()), float(piece[1].mean())
        psf = star_image(
            kit.optics,
            scale_arcsec_per_px=kit.scale_arcsec_per_px,
            wavelengths_nm=tuple(band.wavelength_nm for band in bands(camera)),
            seeing_arcsec=o.seeing_arcsec or site.seeing_arcsec,
            shake_arcsec=SHAKE_FACTOR[site.wind] * kit.mount.shake_arcsec,
            blur_px=o.blur_px,
            path_px=(piece[0] - mid_x, piece[1] - mid_y) if len(path[0]) > 1 else None,
        )
        near = np.flatnonzero(
            zone.holds(x, y)
            & (x + mid_x > -psf.half_px)
            & (x + mid_x < camera.width_px + psf.half_px)
            & (y + mid_y > -psf.half_px)
            & (y + mid_y < camera.height_px + psf.half_px)
        )
        stamp_stars(
            light,
            x[near] + mid_x,
            y[near] + mid_y,
            star_e[near] * part,
            psf.stamp_radius_px(star_e[near].max(axis=1) * part).astype(np.float64),
            psf.table,
            psf.oversample,
            mosaic,
        )
        if not zone.central:
            continue
        fwhm = max(fwhm, half_peak_width_px(psf))
        kernel = surface_kernel(psf)
        for obj, model in scene.objects:
            for smooth in model.smooth:
                made = render_part(
                    smooth,
                    wcs,
                    obj.ra_deg,
                    obj.dec_deg,
                    width_px=camera.width_px,
                    height_px=camera.height_px,
                    kernel=kernel,
                )
                if made is None:
                    continue
                stamp, left, top = made
                whole = (
                    factor
                    * part
                    * star_e_per_s(model.mag, kit.optics, camera, light=smooth.light, **air)
                )
                add_surface(light, stamp, left + round(mid_x), top + round(mid_y), whole, mosaic)
    if o.satellite_mag is not None:
        _satellite(kit, light, fwhm, o.satellite_mag, o)
    return light, star_e, (x, y), fwhm


def _satellite(
    kit: Kit, light: npt.NDArray[np.float32], fwhm: float, mag: float, o: ForecastOptions
) -> None:
    from slowglass.expose.kernels import add_streak

    rng = np.random.default_rng([o.seed, 0x5A7])
    angle = rng.uniform(0.0, np.pi)
    height, width = light.shape
    px_per_s = SATELLITE_ARCSEC_S / kit.scale_arcsec_per_px
    per_px = star_e_per_s(mag, kit.optics, kit.camera) * o.transparency / px_per_s
    add_streak(
        light,
        float(width * rng.uniform(0.25, 0.75)),
        float(height * rng.uniform(0.25, 0.75)),
        float(np.cos(angle)),
        float(np.sin(angle)),
        per_px,
        max(fwhm, 1.0) / FWHM_PER_SIGMA,
        mosaic_bands(kit.camera),
    )
