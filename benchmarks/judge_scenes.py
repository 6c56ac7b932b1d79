"""Short series with one known fault each, rendered star by star with the forecast's own kernels.

Truth for ``benchmarks/judge.py``: a field of random stars, a star image for each zone of the
frame (air, diffraction, focus, a pupil's spot diagram for aberrations, the mount's path), photon
and read noise. What the judge sees is what detection finds in these pictures; the places come
from a least-squares fit of the found stars, as a solved frame's do.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, replace
from itertools import count as count_up

import numpy as np

from slowglass.expose.kernels import stamp_stars
from slowglass.expose.psf import star_image
from slowglass.expose.sensor import make_frame, mosaic_bands, read_out, sensor_flaws
from slowglass.frame.detect import detect_stars
from slowglass.judge.measure import frame_pattern
from slowglass.judge.sample import Sample
from slowglass.kit.io import load_kit
from slowglass.kit.model import Kit
from slowglass.sky.wcs import TanWcs
from slowglass.solve.fit import fit_tan, residuals_px

WIDTH, HEIGHT = 720, 480
PIXEL_UM = 6.3
"""About 1.0 arcsec a pixel on the long 102: stars near 3.3 px wide in 3 arcsec air."""
ZONES = 5, 3
FRAMES = 5
REACH = 0.5 * math.hypot(WIDTH, HEIGHT)
PERIODS_S = (239.3, 478.7, 598.4, 662.8, 861.6)

Path = Callable[[np.ndarray], np.ndarray]


@dataclass
class Fault:
    """One frame's fault: a path (s to arcsec), blur and spots by place in the field (u, v)."""

    path: Path
    blur_px: Callable[[float, float], float] | None = None
    spot_px: Callable[[float, float], np.ndarray] | None = None
    turn_rad: float = 0.0
    pivot: tuple[float, float] = (0.0, 0.0)


@dataclass(frozen=True)
class Case:
    """A rendered series, the frame to judge, and what is wrong with it."""

    truth: str
    samples: tuple[Sample, ...]
    judged: int
    worm_period_s: float | None
    sharp_fwhm_px: float


def small_kit() -> Kit:
    """The scenario's tube and mount with a small monochrome sensor."""
    kit = load_kit("long 102")
    camera = kit.camera.model_copy(
        update={"width_px": WIDTH, "height_px": HEIGHT, "pixel_um": PIXEL_UM, "bayer": None}
    )
    return kit.model_copy(update={"camera": camera})


def pupil(count: int = 48, obstruction: float = 0.32) -> tuple[np.ndarray, np.ndarray]:
    """Points evenly spread over an obstructed pupil of radius 1 (a sunflower's spiral)."""
    k = np.arange(count) + 0.5
    radius = np.sqrt(obstruction**2 + (1.0 - obstruction**2) * k / count)
    angle = k * math.pi * (3.0 - math.sqrt(5.0))
    return radius * np.cos(angle), radius * np.sin(angle)


def render(kit: Kit, wcs: TanWcs, stars, fault: Fault, *, exposure_s, seeing, start, seed):
    """One frame (ADU) of the stars with the fault, and where its stars stand in it.

    ``start`` is s from the series' begin.
    """
    height, width = kit.camera.height_px, kit.camera.width_px
    reach = 0.5 * math.hypot(width, height)
    light = np.zeros((height, width), dtype=np.float32)
    x0, y0 = wcs.sky_to_pixel(stars[0], stars[1])
    true_x, true_y = x0.copy(), y0.copy()
    mosaic = mosaic_bands(kit.camera)
    inverse = np.linalg.inv(wcs.matrix) / 3600.0
    even = fault.blur_px is None and fault.spot_px is None and fault.turn_rad == 0.0
    steps = 48 if even or fault.turn_rad else 6
    t = start + (np.arange(steps) + 0.5) / steps * exposure_s
    motion = inverse @ fault.path(t).T  # px, steps
    across, down = (1, 1) if even else ZONES
    zone = (
        np.clip(x0 / width * across, 0, across - 1).astype(int)
        + np.clip(y0 / height * down, 0, down - 1).astype(int) * across
    )
    for z in np.unique(zone):
        cx = (z % across + 0.5) * width / across - 0.5
        cy = (z // across + 0.5) * height / down - 0.5
        u, v = (cx - (width - 1) / 2) / reach, (cy - (height - 1) / 2) / reach
        path = motion.copy()
        if fault.turn_rad:
            # The series turns evenly: position at time t about the pivot.
            angle = fault.turn_rad * (t / exposure_s)
            du, dv = (u - fault.pivot[0]) * reach, (v - fault.pivot[1]) * reach
            path = path + np.stack(
                [
                    du * (np.cos(angle) - 1) - dv * np.sin(angle),
                    du * np.sin(angle) + dv * (np.cos(angle) - 1),
                ]
            )
        if fault.spot_px is not None:
            spot = fault.spot_px(u, v)
            path = (path[:, :, None] + spot[:, None, :]).reshape(2, -1)
        mid = path.mean(axis=1)
        psf = star_image(
            kit.optics,
            scale_arcsec_per_px=kit.scale_arcsec_per_px,
            wavelengths_nm=(545.0,),
            seeing_arcsec=seeing,
            shake_arcsec=0.3,
            blur_px=fault.blur_px(u, v) if fault.blur_px else 0.0,
            path_px=(path[0] - mid[0], path[1] - mid[1]),
            half_px=32 if np.ptp(path, axis=1).max() < 25 else 64,
        )
        here = zone == z
        sx, sy = x0[here] + mid[0], y0[here] + mid[1]
        if fault.turn_rad:
            # Each star turns by its own arm: the zone's mean shift is not its own.
            angle = fault.turn_rad * (t / exposure_s)
            du = x0[here] - (width - 1) / 2 - fault.pivot[0] * reach
            dv = y0[here] - (height - 1) / 2 - fault.pivot[1] * reach
            c, s = np.cos(angle).mean() - 1, np.sin(angle).mean()
            drift = motion.mean(axis=1)
            sx, sy = x0[here] + drift[0] + du * c - dv * s, y0[here] + drift[1] + du * s + dv * c
        true_x[here], true_y[here] = sx, sy
        e = stars[2][here] * exposure_s
        stamp_stars(
            light,
            sx,
            sy,
            e[:, None],
            psf.stamp_radius_px(e).astype(np.float64),
            psf.table,
            psf.oversample,
            mosaic,
        )
    pixels = read_out(
        light,
        kit,
        exposure_s=exposure_s,
        flaws=sensor_flaws(kit.camera, kit.optics, 1),
        seed=seed,
        sky_e=np.array([0.8 * exposure_s]),
        vignetting=0.1,
    )
    frame = make_frame(
        pixels, kit, kind="light", exposure_s=exposure_s, start=None, step="benchmark scene"
    )
    frame = replace(frame, pixels=frame.pixels - np.float32(kit.camera.black_adu))
    return frame, (true_x, true_y)


def measure(frame, wcs, stars, where, *, start, exposure_s) -> Sample:
    """What judging sees of a rendered frame.

    ``where`` only names the found stars, as a solver does; the place, scale and angle are fitted
    to where detection found them.
    """
    found = detect_stars(frame)
    list_ = found.stars
    pattern = frame_pattern(frame, found)
    sample = Sample(
        mid_s=1.79e9 + start + 0.5 * exposure_s,
        exposure_s=exposure_s,
        width_px=frame.width_px,
        height_px=frame.height_px,
        fwhm_px=found.fwhm_px,
        hfd_px=found.hfd_px,
        pattern=pattern,
    )
    if len(list_) < 6:
        return sample
    away = np.hypot(
        list_.x_px[:, None] - where[0][None, :], list_.y_px[:, None] - where[1][None, :]
    )
    star = np.argmin(away, axis=1)
    good = (away[np.arange(len(star)), star] < 4.0) & (list_.snr > 15)
    if good.sum() < 5:
        return sample
    args = (list_.x_px[good], list_.y_px[good], stars[0][star[good]], stars[1][star[good]])
    fitted = fit_tan(
        *args,
        start=(wcs.ra0_deg, wcs.dec0_deg),
        centre=((frame.width_px - 1) / 2, (frame.height_px - 1) / 2),
        parity=wcs.parity,
    )
    rms = float(np.sqrt(np.mean(residuals_px(fitted, *args) ** 2))) * fitted.scale_arcsec_per_px
    return replace(
        sample,
        ra_deg=fitted.ra0_deg,
        dec_deg=fitted.dec0_deg,
        rotation_deg=fitted.rotation_deg,
        scale_arcsec_per_px=fitted.scale_arcsec_per_px,
        parity=fitted.parity,
        matched=int(good.sum()),
        rms_arcsec=max(rms, 0.05),
    )


TRUTHS = (
    "round", "drive", "polar axis", "wind", "slip",
    "focus", "tilt", "coma", "astigmatism", "field rotation",
)  # fmt: skip


def make_case(truth: str, seed: int, kit: Kit | None = None) -> Case:
    """A series of five frames in which the judged frame has the named fault."""
    kit = kit or small_kit()
    rng = np.random.default_rng([seed, TRUTHS.index(truth)])
    dec = float(rng.uniform(-20, 68))
    wcs = TanWcs.from_simple(
        ra_deg=40.0,
        dec_deg=dec,
        width_px=WIDTH,
        height_px=HEIGHT,
        scale_arcsec_per_px=kit.scale_arcsec_per_px,
        rotation_deg=float(rng.uniform(0, 360)),
        parity=1,
    )
    count = int(rng.integers(25, 90))
    ra, sky_dec = wcs.pixel_to_sky(
        rng.uniform(-40, WIDTH + 40, count), rng.uniform(-40, HEIGHT + 40, count)
    )
    rate = 10 ** rng.uniform(1.7, 3.6, count)
    stars = ra, sky_dec, rate
    exposure = float(rng.choice([20.0, 30.0, 45.0, 60.0]))
    cadence = exposure + float(rng.uniform(3, 15))
    seeing = float(rng.uniform(2.2, 4.2))
    width = math.hypot(seeing, 1.2)
    judged = int(rng.integers(2, FRAMES))
    period = float(rng.choice(PERIODS_S))
    faults = _faults(truth, rng, dec, exposure, cadence, width, judged, period, kit)
    samples = []
    for i in range(FRAMES):
        start = i * cadence
        frame, where = render(
            kit,
            wcs,
            stars,
            faults[i],
            exposure_s=exposure,
            seeing=seeing * float(np.exp(rng.normal(0, 0.05))),
            start=start,
            seed=seed * 10 + i,
        )
        samples.append(measure(frame, wcs, stars, where, start=start, exposure_s=exposure))
    known = period if rng.random() < 0.5 else None
    return Case(truth, tuple(samples), judged, known, width / kit.scale_arcsec_per_px)


def _still(rng, period) -> Path:
    """What every mount does a little: a swing of some tenths of an arcsecond and a slow drift."""
    size, phase = rng.uniform(0.1, 0.8), rng.uniform(0, 2 * np.pi)
    drift = rng.normal(0, 0.25 / 60.0, 2)

    def path(t):
        out = np.outer(t, drift)
        out[:, 0] += size * np.sin(2 * np.pi * t / period + phase)
        return out

    return path


def _variance(path: Path, start: float, exposure: float) -> float:
    """Excess variance of a path within one exposure along its main direction, arcsec²."""
    p = path(start + (np.arange(60) + 0.5) / 60 * exposure)
    ee, nn = p.var(axis=0)
    en = np.mean((p[:, 0] - p[:, 0].mean()) * (p[:, 1] - p[:, 1].mean()))
    return float(np.hypot(ee - nn, 2 * en))


def _faults(truth, rng, dec, exposure, cadence, width, judged, period, kit) -> list[Fault]:
    base = _still(rng, period)
    sigma2 = (width / 2.3548) ** 2
    least = 0.45 * sigma2  # E/T of about 0.2: an elongation of 1.22
    start = judged * cadence
    scale = kit.scale_arcsec_per_px
    plain = Fault(base)
    if truth == "round":
        return [plain] * FRAMES
    if truth == "drive":
        for tries in count_up():
            # Slow worms near the pole need a larger swing to be seen in a short exposure.
            swing = _swing(rng, base, dec, period, 1.15 ** (tries // 40))
            if least < _variance(swing, start, exposure) < 40 * sigma2:
                return [Fault(swing)] * FRAMES
    if truth == "polar axis":
        length = rng.uniform(1.0, 3.0) * width
        while True:
            hour = rng.uniform(0, 2 * np.pi)
            way = np.array([math.sin(math.radians(dec)) * math.cos(hour), math.sin(hour)])
            if np.hypot(*way) > 0.4:  # a small part of a large error shows as the other's
                break
        speed = way / np.hypot(*way) * length / exposure
        return [Fault(lambda t: base(t) + np.outer(t, speed))] * FRAMES
    if truth == "wind":
        gusty = [i == judged or rng.random() < 0.4 for i in range(FRAMES)]
        return [_gust(rng, base, sigma2, i * cadence, exposure) if g else plain
                for i, g in enumerate(gusty)]  # fmt: skip
    if truth == "slip":
        way = rng.uniform(0, 2 * np.pi)
        along = np.array([math.cos(way), math.sin(way)])
        if rng.random() < 0.6:
            share = rng.uniform(0.2, 0.8)
            q = rng.uniform(2.0, 8.0) * least
            jump = math.sqrt(q / (share * (1 - share)))
            moment = start + share * exposure
            path = lambda t: base(t) + np.outer(t > moment, jump * along)  # noqa: E731
        else:
            settle = rng.uniform(1.0, 3.0) * cadence
            unit = np.exp(-(start + np.linspace(0, exposure, 60)) / settle)
            size = math.sqrt(rng.uniform(1.2, 3.0) * least / unit.var())
            path = lambda t: base(t) + np.outer(-size * np.exp(-t / settle), along)  # noqa: E731
        return [Fault(path)] * FRAMES
    if truth == "focus":
        blur = rng.uniform(1.3, 3.0) * width / scale
        soft = Fault(base, blur_px=lambda u, v: blur)
        return [plain if i < judged else soft for i in range(FRAMES)]
    if truth == "tilt":
        way, most = rng.uniform(0, 2 * np.pi), rng.uniform(1.8, 3.2) * width / scale
        middle = rng.uniform(-0.5, 0.5)

        def blur_at(u, v):
            return abs(most * (u * math.cos(way) + v * math.sin(way) - middle))

        return [Fault(base, blur_px=blur_at)] * FRAMES
    if truth == "coma":
        cu, cv = rng.uniform(-0.25, 0.25, 2)
        size = rng.choice([-1, 1]) * rng.uniform(0.9, 1.8) * width / scale
        px, py = pupil()
        r2, twice = px**2 + py**2, 2 * np.arctan2(py, px)

        def comet(u, v):
            r, phi = math.hypot(u - cu, v - cv), math.atan2(v - cv, u - cu)
            along, across = size * r * r2 * (2 + np.cos(twice)), size * r * r2 * np.sin(twice)
            along = along - along.mean()
            return np.stack([along * math.cos(phi) - across * math.sin(phi),
                             along * math.sin(phi) + across * math.cos(phi)])  # fmt: skip

        return [Fault(base, spot_px=comet)] * FRAMES
    if truth == "astigmatism":
        cu, cv = rng.uniform(-0.2, 0.2, 2)
        # Tangential and sagittal focal surfaces bend 3 : 1; the focuser stands anywhere between.
        bend = rng.uniform(1.1, 2.0) * width / scale * (1 if rng.random() < 0.5 else -1)
        refocused = rng.choice([0.0, 1.0])
        px, py = pupil()

        def cross(u, v):
            r, phi = math.hypot(u - cu, v - cv), math.atan2(v - cv, u - cu)
            radial = bend * (1.0 if not refocused else 0.25) * r * r * px
            around = bend * (0.3 if not refocused else 1.0) * r * r * py
            return np.stack([radial * math.cos(phi) - around * math.sin(phi),
                             radial * math.sin(phi) + around * math.cos(phi)])  # fmt: skip

        return [Fault(base, spot_px=cross)] * FRAMES
    if truth == "field rotation":
        pivot = tuple(rng.uniform(-0.25, 0.25, 2))
        turn = rng.choice([-1, 1]) * rng.uniform(1.8, 3.5) * width / scale / REACH
        return [Fault(base, turn_rad=turn, pivot=pivot)] * FRAMES
    raise ValueError(truth)


def _swing(rng, base, dec, period, factor) -> Path:
    """A worm's swing with its second harmonic, at any phase."""
    size, phase = factor * rng.uniform(6, 28), rng.uniform(0, 2 * np.pi)
    second, other = rng.uniform(0, 0.25), rng.uniform(0, 2 * np.pi)
    cos_dec = math.cos(math.radians(dec))

    def path(t):
        out = base(t)
        turn = 2 * np.pi * t / period
        out[:, 0] += cos_dec * size * (np.sin(turn + phase) + second * np.sin(2 * turn + other))
        return out

    return path


def _gust(rng, base, sigma2, start, exposure) -> Fault:
    """Swings at some tenths of a hertz to some hertz about the place, mostly along one line."""
    way = rng.uniform(0, np.pi)
    along, across = (
        np.array([math.cos(way), math.sin(way)]),
        np.array([-math.sin(way), math.cos(way)]),
    )
    speeds, phases = rng.uniform(0.1, 1.5, 4), rng.uniform(0, 2 * np.pi, 4)
    sizes = rng.uniform(0.3, 1.0, 4)
    begin, last = start + rng.uniform(0, 0.4) * exposure, rng.uniform(0.3, 1.0) * exposure

    def swing(t, k=0):
        inside = np.exp(-np.clip(t - begin, 0, None) / last) * (t >= begin)
        return inside * sum(
            s * np.sin(2 * np.pi * f * t + p + k)
            for s, f, p in zip(sizes, speeds, phases, strict=True)
        )

    raw = swing(start + (np.arange(400) + 0.5) / 400 * exposure)
    size = math.sqrt(rng.uniform(2.5, 8.0) * 0.45 * sigma2 / max(raw.var(), 1e-9))
    share = rng.uniform(0.0, 0.35)

    def path(t):
        return (
            base(t)
            + np.outer(size * swing(t), along)
            + np.outer(share * size * swing(t, 1.7), across)
        )

    return Fault(path)
