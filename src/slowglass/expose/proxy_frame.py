"""An exposure on the proxy: the mount's paths, the noise of one frame and of many, the pictures."""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

import numpy as np
import numpy.typing as npt

from slowglass.expose.conditions import Conditions
from slowglass.expose.preview import sun_white
from slowglass.expose.proxy import Floats, Light, Path, ProxyLight
from slowglass.expose.strip import SATURATION, levels_over
from slowglass.expose.tracking import field_path_arcsec, trail_tolerance_arcsec
from slowglass.frame.stretch import Stretch, to_8bit
from slowglass.kit.model import Site

PHASES, STEPS = 36, 32
"""Worm phases and moments at which paths are followed."""
MOST_KEPT = 9
"""Paths that stand for all those of keepers."""


@dataclass(frozen=True, eq=False)
class Trails:
    """Paths of one exposure over the worm's phases: a usual one, and those of keepers."""

    usual: Path
    kept: list[Path]
    """A few that stand for all; the steadiest one where none is kept."""
    any_kept: bool


def paths_px(
    light: ProxyLight,
    site: Site,
    conditions: Conditions,
    *,
    exposure_s: float,
    phases_rad: npt.ArrayLike,
    steps: int = STEPS,
) -> tuple[list[Path], Floats]:
    """Paths of an exposure in proxy pixels, each of mean 0, and their lengths in arcsec."""
    phases = np.atleast_1d(np.asarray(phases_rad, dtype=np.float64))
    east, north = field_path_arcsec(
        (np.arange(steps) + 0.5) * (exposure_s / steps),
        light.kit.mount,
        dec_deg=light.wcs.dec0_deg,
        hour_angle_deg=conditions.hour_angle_deg,
        latitude_deg=site.latitude_deg,
        phase_rad=phases,
    )
    east, north = (
        np.broadcast_to(east, (phases.size, steps)),
        np.broadcast_to(north, (phases.size, steps)),
    )
    # the middles of so many steps span that much less than the exposure
    grown = steps / (steps - 1.0)
    lengths = grown * np.hypot(np.ptp(east, axis=1), np.ptp(north, axis=1))
    to_px = np.linalg.inv(light.wcs.matrix * 3600.0)
    x = to_px[0, 0] * east + to_px[0, 1] * north
    y = to_px[1, 0] * east + to_px[1, 1] * north
    x = x - x.mean(axis=1, keepdims=True)
    y = y - y.mean(axis=1, keepdims=True)
    return [(x[i], y[i]) for i in range(phases.size)], lengths


def trails(
    light: ProxyLight,
    site: Site,
    conditions: Conditions,
    *,
    exposure_s: float,
    star_width_arcsec: float,
) -> Trails:
    """The path of a usual exposure (middle length of all worm phases), and those of keepers."""
    paths, lengths = paths_px(
        light,
        site,
        conditions,
        exposure_s=exposure_s,
        phases_rad=np.arange(PHASES) * (2.0 * np.pi / PHASES),
    )
    order = np.argsort(lengths, kind="stable")
    kept = order[lengths[order] <= trail_tolerance_arcsec(star_width_arcsec)]
    some = (
        kept[np.unique(np.linspace(0, len(kept) - 1, MOST_KEPT).round().astype(int))]
        if len(kept)
        else order[:1]
    )
    return Trails(paths[order[PHASES // 2]], [paths[i] for i in some], len(kept) > 0)


def expected_e(
    light: ProxyLight, paths: list[Path], *, exposure_s: float, hot: bool, even: bool = False
) -> Light:
    """Electrons a sensor pixel expects, (rows, columns, bands); ``even`` has vignetting undone."""
    at = light.inner
    camera = light.kit.camera
    sky = light.slope[at][..., None] * light.sky_e_per_s.astype(np.float32)
    current = np.float32(camera.dark_e_per_s)
    out = light.trailed(paths)[at] + sky
    through = light.through[at][..., None]
    if even:
        out += current / through
    else:
        out = out * through + current
    if hot:
        out += light.hot_e_per_s[at]
    return np.minimum(out * np.float32(exposure_s), np.float32(camera.saturation_e))


def with_noise(
    light: ProxyLight, mean_e: Light, *, frames: float, seed: int, even: bool = False
) -> Light:
    """The mean of ``frames`` exposures that expect ``mean_e`` electrons.

    Mean, variance and skew are those of Poisson light and a normal read-out with rounding, over
    all the sensor's pixels in a proxy pixel; ``even`` is as for :func:`expected_e`. The numbers
    are fixed, so the grain stands still while a slider moves.
    """
    camera = light.kit.camera
    through = light.through[light.inner][..., None] if even else np.float32(1.0)
    count = (light.pixels_per_band * frames).astype(np.float32)
    read2 = np.float32(camera.read_noise_e**2 + camera.gain_e_per_adu**2 / 12.0)
    collected = mean_e * through
    variance = (collected + read2) / count
    z = _grain(mean_e.shape, seed)
    drawn = np.sqrt(variance) * z + collected / count**2 / (6.0 * variance) * (z * z - 1.0)
    out = np.clip(collected + drawn, None, np.float32(camera.saturation_e))
    return np.asarray(out / through, dtype=np.float32)


@lru_cache(maxsize=6)
def _grain(shape: tuple[int, ...], seed: int) -> Light:
    """Normal numbers, the same for every picture of a size."""
    return np.random.default_rng([seed, 0x6A1]).standard_normal(shape, dtype=np.float32)


def pictures(
    light: ProxyLight, path: Trails, *, exposure_s: float, kept: float, seed: int = 0
) -> tuple[npt.NDArray[np.uint8], npt.NDArray[np.uint8]]:
    """8-bit pictures of a usual frame and of ``kept`` averaged keepers, one stretch for both.

    Both have vignetting undone and the sky's slope taken off, as finished pictures have; the
    frame keeps its hot pixels.
    """
    one_e = expected_e(light, [path.usual], exposure_s=exposure_s, hot=True, even=True)
    all_e = expected_e(light, path.kept, exposure_s=exposure_s, hot=False, even=True)
    frame = with_noise(light, one_e, frames=1.0, seed=seed, even=True)
    stack = with_noise(light, all_e, frames=max(kept, 1.0), seed=seed + 1, even=True)
    sky_e = (light.sky_e_per_s * exposure_s).astype(np.float32)
    sloping = (light.slope[light.inner][..., None] - np.float32(1.0)) * sky_e
    levels = _levels(light, all_e - sloping, exposure_s, kept)
    return _shown(light, frame - sloping, levels), _shown(light, stack - sloping, levels)


def _levels(light: ProxyLight, mean_e: Light, exposure_s: float, kept: float) -> Stretch:
    """The strip's stretch for a number of frames between one and all; its noise is known."""
    camera = light.kit.camera
    background = light.sky_e_per_s * exposure_s + camera.dark_e_per_s * exposure_s
    count = light.pixels_per_band * np.sqrt(max(kept, 1.0))
    sigma = np.sqrt((background + camera.read_noise_e**2) / count) * _white(light)
    return levels_over(_balanced(light, mean_e), float(sigma.mean()))


def _white(light: ProxyLight) -> Floats:
    """Factors on the bands that make a Sun-like star white."""
    return sun_white() if light.kit.camera.bayer else np.ones(1)


def _balanced(light: ProxyLight, e: Light) -> Light:
    white = np.float32(light.kit.camera.saturation_e)
    out = np.minimum(e * _white(light).astype(np.float32), white)
    return out if out.shape[2] == 3 else np.repeat(out, 3, axis=2)


def _shown(light: ProxyLight, e: Light, levels: Stretch) -> npt.NDArray[np.uint8]:
    return to_8bit(_balanced(light, e), levels, saturation=SATURATION)
