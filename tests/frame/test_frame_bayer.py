from __future__ import annotations

import numpy as np
import pytest
from frame_scene import profile

from slowglass.frame.bayer import binned, demosaic, full_resolution, luminance
from slowglass.frame.image import Frame

PATTERNS = ["RGGB", "BGGR", "GRBG", "GBRG"]


@pytest.mark.filterwarnings("ignore::DeprecationWarning")
@pytest.mark.filterwarnings("ignore::UserWarning")
@pytest.mark.parametrize("pattern", PATTERNS)
def test_demosaic_equals_the_published_method(pattern):
    """Against an independent implementation of Malvar, He & Cutler 2004, edges aside."""
    import astropy.visualization  # noqa: F401  (before colour, whose stand-in breaks it)
    from colour_demosaicing import demosaicing_CFA_Bayer_Malvar2004

    mosaic = np.random.default_rng(1).uniform(0, 1000, (40, 52)).astype(np.float32)
    ours = demosaic(mosaic, pattern)
    theirs = demosaicing_CFA_Bayer_Malvar2004(mosaic.astype(float), pattern)
    np.testing.assert_allclose(ours[3:-3, 3:-3], theirs[3:-3, 3:-3], atol=2e-3)


@pytest.mark.parametrize("pattern", PATTERNS)
def test_a_flat_colour_comes_back_edges_included(pattern):
    rgb = {"R": 120.0, "G": 340.0, "B": 90.0}
    mosaic = np.empty((18, 22), np.float32)
    for i, c in enumerate(pattern):
        mosaic[i // 2 :: 2, i % 2 :: 2] = rgb[c]
    out = demosaic(mosaic, pattern)
    np.testing.assert_allclose(out, np.broadcast_to([120.0, 340.0, 90.0], out.shape), rtol=1e-5)


def test_a_star_keeps_its_flux_in_every_colour():
    gy, gx = np.mgrid[0:64, 0:64]
    ratio = []
    for fx, fy in np.random.default_rng(2).uniform(-1, 1, (40, 2)):
        star = profile(gx - 32 - fx, gy - 32 - fy, fwhm=3.5, beta=None)
        out = demosaic(star.astype(np.float32), "RGGB")
        ratio.append(out.sum(axis=(0, 1)) / star.sum())
    np.testing.assert_allclose(ratio, 1.0, atol=1e-3)


@pytest.mark.parametrize("pattern", PATTERNS)
def test_luminance_of_a_mosaic(pattern):
    mosaic = np.arange(8 * 11, dtype=np.float32).reshape(8, 11)
    grey, factor = luminance(Frame(pixels=mosaic, bayer=pattern))
    assert factor == 2 and grey.shape == (4, 5)
    expected = mosaic[:, :10].reshape(4, 2, 5, 2).mean(axis=(1, 3))
    np.testing.assert_allclose(grey, expected, rtol=1e-6)


def test_luminance_of_mono_and_colour():
    mono = np.ones((4, 5), np.float32)
    grey, factor = luminance(Frame(pixels=mono))
    assert factor == 1 and np.shares_memory(grey, mono)
    colour = np.dstack([mono, 2 * mono, 6 * mono])
    grey, factor = luminance(Frame(pixels=colour))
    assert factor == 1 and (grey == 3.0).all()


def test_binned_positions_return_to_full_resolution():
    image = np.zeros((40, 60), np.float32)
    image[20:24, 32:36] = 1.0  # centred on (33.5, 21.5)
    small = binned(image, 4)
    y, x = np.unravel_index(small.argmax(), small.shape)
    assert (full_resolution(x, 4), full_resolution(y, 4)) == (33.5, 21.5)
