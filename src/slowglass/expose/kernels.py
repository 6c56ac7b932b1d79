"""The inner loops of the forecast: stamping stars, adding surfaces, drawing photons.

Random numbers come from a counter (pixel index and seed through SplitMix64; Steele, Lea & Flood
2014, OOPSLA), so the picture does not depend on how many threads drew it.
"""

# Compiled functions take whatever arrays they are compiled for.
# mypy: disable-error-code="no-untyped-def"

from __future__ import annotations

import math
from statistics import NormalDist

import numpy as np
from numba import njit, prange

_GOLDEN = np.uint64(0x9E3779B97F4A7C15)
_MIX1 = np.uint64(0xBF58476D1CE4E5B9)
_MIX2 = np.uint64(0x94D049BB133111EB)
_QUANTILE = np.array([0.0] + [NormalDist().inv_cdf(i / 4096.0) for i in range(1, 4096)] + [0.0])
"""Normal quantiles at steps of 1/4096 (the two ends are never used)."""
_TAIL = -float(_QUANTILE[8])
_INVERSE = np.array([0.0] + [1.0 / k for k in range(1, 200)])


@njit(cache=True, inline="always")
def _bits(counter, seed):
    z = (counter + np.uint64(1)) * _GOLDEN + seed
    z = (z ^ (z >> np.uint64(30))) * _MIX1
    z = (z ^ (z >> np.uint64(27))) * _MIX2
    return z ^ (z >> np.uint64(31))


@njit(cache=True, inline="always")
def _normal(bits):
    """A standard normal: quantiles from a table, the outer 1/512 on each side apart."""
    place = np.int64(bits >> np.uint64(52))
    if 8 <= place < 4088:
        part = np.float64(bits & np.uint64(0xFFFFFFFFFFFFF)) * 2.220446049250313e-16
        low = _QUANTILE[place]
        return low + part * (_QUANTILE[place + 1] - low)
    # Marsaglia 1964 (Technometrics 6, 101): the tail beyond the table, by rejection.
    state = bits
    sign = -1.0 if place < 8 else 1.0
    while True:
        state = _bits(state, np.uint64(1))
        u = (np.float64(state >> np.uint64(11)) + 0.5) * 1.1102230246251565e-16
        state = _bits(state, np.uint64(2))
        v = (np.float64(state >> np.uint64(11)) + 0.5) * 1.1102230246251565e-16
        x = -math.log(u) / _TAIL
        if -2.0 * math.log(v) > x * x:
            return sign * (_TAIL + x)


@njit(cache=True, inline="always")
def _poisson(mean, bits):
    """Exact by inversion below 30; above, the normal with Cornish-Fisher's skew term."""
    if mean <= 0.0:
        return 0.0
    if mean < 30.0:
        u = (np.float64(bits >> np.uint64(11)) + 0.5) * 1.1102230246251565e-16
        p = math.exp(-mean)
        total = p
        k = 0
        while u > total and k < 199:
            k += 1
            p *= mean * _INVERSE[k]
            total += p
        return np.float64(k)
    z = _normal(bits)
    return max(0.0, math.floor(mean + math.sqrt(mean) * z + (z * z - 1.0) / 6.0 + 0.5))


@njit(cache=True)
def stamp_stars(light, x, y, star_e, radius, table, oversample, mosaic):
    """Add stars to ``light``: electrons (stars, bands), table (bands, n, n), mosaic (2, 2)."""
    height, width = light.shape
    centre = table.shape[1] // 2
    last = table.shape[1] - 2
    for i in range(x.size):
        r = radius[i]
        x0, y0 = x[i], y[i]
        top, bottom = max(0, math.ceil(y0 - r)), min(height - 1, math.floor(y0 + r))
        left, right = max(0, math.ceil(x0 - r)), min(width - 1, math.floor(x0 + r))
        for row in range(top, bottom + 1):
            dy = row - y0
            v = dy * oversample + centre
            iv = math.floor(v)
            if iv < 0 or iv > last:
                continue
            gv = v - iv
            for column in range(left, right + 1):
                dx = column - x0
                if dx * dx + dy * dy > r * r:
                    continue
                u = dx * oversample + centre
                iu = math.floor(u)
                if iu < 0 or iu > last:
                    continue
                gu = u - iu
                band = mosaic[row & 1, column & 1]
                layer = table[band]
                value = (1.0 - gv) * ((1.0 - gu) * layer[iv, iu] + gu * layer[iv, iu + 1]) + gv * (
                    (1.0 - gu) * layer[iv + 1, iu] + gu * layer[iv + 1, iu + 1]
                )
                light[row, column] += star_e[i, band] * value


@njit(cache=True, parallel=True, error_model="numpy")
def fill_surface(
    stamp, left, top, inverse, profile, reach, tile, tile_scale, strength, angular, arms
):
    """Light of a radial profile on a tilted disc, relative, for every pixel of ``stamp``.

    ``inverse`` (2, 3) takes (column, row, 1) to disc coordinates u, v in arcsec, in which the
    profile depends on the radius alone; ``profile`` is sampled at reach·(i/(n−1))². ``tile`` is
    a periodic pattern of mean 1, blended in by ``strength``; ``angular`` = (cos, sin) amplitudes
    of a two-armed modulation; ``arms`` = (contrast, cotangent of the pitch, phase, inner radius)
    of a logarithmic spiral.
    """
    n = profile.size
    size = tile.shape[0]
    for row in prange(stamp.shape[0]):
        for column in range(stamp.shape[1]):
            px, py = column + left, row + top
            u = inverse[0, 0] * px + inverse[0, 1] * py + inverse[0, 2]
            v = inverse[1, 0] * px + inverse[1, 1] * py + inverse[1, 2]
            r2 = u * u + v * v
            if r2 >= reach * reach:
                continue
            radius = math.sqrt(r2)
            place = math.sqrt(radius / reach) * (n - 1)
            i = min(int(place), n - 2)
            value = profile[i] + (place - i) * (profile[i + 1] - profile[i])
            if strength > 0.0:
                tu, tv = u * tile_scale, v * tile_scale
                iu, iv = math.floor(tu), math.floor(tv)
                gu, gv = tu - iu, tv - iv
                a, b, c, d = iu % size, (iu + 1) % size, iv % size, (iv + 1) % size
                noise = (1 - gv) * ((1 - gu) * tile[c, a] + gu * tile[c, b]) + gv * (
                    (1 - gu) * tile[d, a] + gu * tile[d, b]
                )
                value *= 1.0 + strength * (noise - 1.0)
            if r2 > 0.0 and (angular[0] != 0.0 or angular[1] != 0.0):
                cos2, sin2 = (u * u - v * v) / r2, 2.0 * u * v / r2
                value *= 1.0 + angular[0] * cos2 + angular[1] * sin2
            if arms[0] > 0.0 and radius > 0.0:
                turn = 2.0 * (math.atan2(v, u) - arms[1] * math.log(radius / arms[3])) + arms[2]
                inward = radius / arms[3]
                begun = 1.0 - math.exp(-inward * inward)
                value *= 1.0 + arms[0] * begun * (
                    0.75 * math.cos(turn) + 0.25 * math.cos(2.0 * turn)
                )
            stamp[row, column] = value


@njit(cache=True, parallel=True, error_model="numpy")
def add_surface(light, stamp, left, top, object_e, mosaic):
    """Add ``stamp`` (shares of the whole) times electrons per band to ``light``."""
    height, width = light.shape
    for row in prange(stamp.shape[0]):
        y = row + top
        if y < 0 or y >= height:
            continue
        for column in range(stamp.shape[1]):
            x = column + left
            if 0 <= x < width:
                light[y, x] += object_e[mosaic[y & 1, x & 1]] * stamp[row, column]


@njit(cache=True, parallel=True, error_model="numpy")
def add_streak(light, x0, y0, cos_a, sin_a, streak_e, sigma_px, mosaic):
    """Add a straight line through (x0, y0), electrons per pixel of length in each band."""
    norm = 1.0 / (sigma_px * math.sqrt(2.0 * math.pi))
    for row in prange(light.shape[0]):
        for column in range(light.shape[1]):
            away = ((row - y0) * cos_a - (column - x0) * sin_a) / sigma_px
            if abs(away) < 6.0:
                light[row, column] += (
                    streak_e[mosaic[row & 1, column & 1]] * norm * math.exp(-0.5 * away * away)
                )


@njit(cache=True, inline="always")
def _mote_shade(row, column, motes):
    shade = 1.0
    for k in range(motes.shape[0]):
        dy = row - motes[k, 1]
        outer = motes[k, 2]
        if abs(dy) > outer * 1.3:
            continue
        dx = column - motes[k, 0]
        if abs(dx) > outer * 1.3:
            continue
        r = math.sqrt(dx * dx + dy * dy)
        edge = 0.12 * outer
        outside = 1.0 / (1.0 + math.exp((r - outer) / edge * 4.0))
        inside = 1.0 / (1.0 + math.exp((motes[k, 3] - r) / edge * 4.0))
        shade *= 1.0 - motes[k, 4] * outside * inside
    return shade


@njit(cache=True, parallel=True, error_model="numpy")
def expose(
    light,
    sky_e,
    gradient,
    vignetting,
    motes,
    dark_e,
    hot_start,
    hot_column,
    hot_e,
    full_well_e,
    read_noise_e,
    gain_e_per_adu,
    black_adu,
    white_adu,
    seed,
    noisy,
    mosaic,
):
    """Turn electrons wanted into ADU read, in place.

    ``sky_e`` per band at the centre, changed by the ``gradient`` (x, y) per pixel; ``vignetting``
    is the loss in the corner; ``hot_start`` (rows + 1) indexes hot pixels sorted by row.
    """
    height, width = light.shape
    cx, cy = 0.5 * (width - 1), 0.5 * (height - 1)
    corner2 = cx * cx + cy * cy
    read_seed = _bits(np.uint64(0x5EED), seed)
    for row in prange(height):
        near = 0
        for k in range(motes.shape[0]):
            if abs(row - motes[k, 1]) <= motes[k, 2] * 1.3:
                near += 1
        close = np.empty((near, 5))
        near = 0
        for k in range(motes.shape[0]):
            if abs(row - motes[k, 1]) <= motes[k, 2] * 1.3:
                close[near] = motes[k]
                near += 1
        next_hot, end_hot = hot_start[row], hot_start[row + 1]
        dy = row - cy
        for column in range(width):
            dx = column - cx
            through = 1.0 - vignetting * (dx * dx + dy * dy) / corner2
            if near:
                through *= _mote_shade(row, column, close)
            sky = sky_e[mosaic[row & 1, column & 1]] * max(
                0.0, 1.0 + gradient[0] * dx + gradient[1] * dy
            )
            mean = (light[row, column] + sky) * through + dark_e
            if next_hot < end_hot and hot_column[next_hot] == column:
                mean += hot_e[next_hot]
                next_hot += 1
            if noisy:
                counter = np.uint64(row * width + column)
                charge = _poisson(mean, _bits(counter, seed))
                charge = min(charge, full_well_e)
                charge += read_noise_e * _normal(_bits(counter, read_seed))
                adu = math.floor(charge / gain_e_per_adu + black_adu + 0.5)
            else:
                adu = min(mean, full_well_e) / gain_e_per_adu + black_adu
            light[row, column] = min(max(adu, 0.0), white_adu)
