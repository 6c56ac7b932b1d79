"""Star fields with known truth, sharing no code with the package's own fits."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from slowglass.frame.image import Frame, FrameHeader

TINT = {"R": 0.6, "G": 1.0, "B": 0.8}


@dataclass
class Scene:
    frame: Frame
    x: np.ndarray
    y: np.ndarray
    flux: np.ndarray


def profile(dx, dy, *, fwhm, beta, elongation=1.0, angle_deg=0.0):
    """Peak 1; geometric-mean FWHM; major axis at angle_deg from +x toward +y; beta None Gauss."""
    major, minor = fwhm * np.sqrt(elongation), fwhm / np.sqrt(elongation)
    t = np.radians(angle_deg)
    u = dx * np.cos(t) + dy * np.sin(t)
    v = -dx * np.sin(t) + dy * np.cos(t)
    if beta is None:
        sigma = 1.0 / (2.0 * np.sqrt(2.0 * np.log(2.0)))
        return np.exp(-0.5 * ((u / (major * sigma)) ** 2 + (v / (minor * sigma)) ** 2))
    core = 2.0 * np.sqrt(2.0 ** (1.0 / beta) - 1.0)
    return (1.0 + (u * core / major) ** 2 + (v * core / minor) ** 2) ** -beta


def make_scene(
    *,
    seed=0,
    fwhm=4.0,
    beta=4.765,
    elongation=1.0,
    angle_deg=0.0,
    bayer=None,
    size=(600, 800),
    stars=80,
    peaks=(200.0, 8000.0),
    sky=400.0,
    noise=10.0,
    gap=None,
    white=60000.0,
):
    """Stars on a jittered grid (no two closer than ``gap``), log-uniform peaks, Gaussian noise."""
    rng = np.random.default_rng(seed)
    height, width = size
    gap = gap or max(30.0, 6.0 * fwhm)
    columns, rows = int((width - 2 * gap) // gap), int((height - 2 * gap) // gap)
    cells = rng.permutation(columns * rows)[:stars]
    x = gap * (1.5 + cells % columns) + rng.uniform(-0.25, 0.25, cells.size) * gap
    y = gap * (1.5 + cells // columns) + rng.uniform(-0.25, 0.25, cells.size) * gap
    peak = np.exp(rng.uniform(np.log(peaks[0]), np.log(peaks[1]), cells.size))
    image = np.zeros(size)
    flux = np.empty(cells.size)
    half = int(np.ceil(7 * fwhm))
    for k in range(cells.size):
        c, r = round(x[k]), round(y[k])
        x0, x1 = max(0, c - half), min(width, c + half + 1)
        y0, y1 = max(0, r - half), min(height, r + half + 1)
        gy, gx = np.mgrid[y0:y1, x0:x1]
        stamp = peak[k] * profile(
            gx - x[k], gy - y[k], fwhm=fwhm, beta=beta, elongation=elongation, angle_deg=angle_deg
        )
        image[y0:y1, x0:x1] += stamp
        flux[k] = stamp.sum()
    image += sky
    if bayer is not None:
        tint = np.array([TINT[c] for c in bayer]).reshape(2, 2)
        image *= np.tile(tint, (height // 2, width // 2))
        flux *= tint.mean()
    image += rng.normal(0.0, noise, size)
    frame = Frame(
        pixels=np.minimum(image, white).astype(np.float32),
        header=FrameHeader(kind="light"),
        bayer=bayer,
        white_adu=white,
    )
    return Scene(frame, x, y, flux)


def matched(found, scene, within=1.5):
    """(index in found, index in truth) of the pairs closer than ``within`` pixels."""
    from scipy.spatial import cKDTree

    if len(found) == 0:
        return np.empty(0, int), np.empty(0, int)
    tree = cKDTree(np.column_stack([scene.x, scene.y]))
    distance, index = tree.query(np.column_stack([found.x_px, found.y_px]))
    near = distance < within
    return np.nonzero(near)[0], index[near]
