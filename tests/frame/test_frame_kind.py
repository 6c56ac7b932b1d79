from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from frame_scene import make_scene

from slowglass.frame.image import Frame, FrameHeader
from slowglass.frame.kind import kind_by_sight, kind_from_content, kind_from_name


@pytest.mark.parametrize(
    ("name", "kind"),
    [
        ("lights", "light"),
        ("Darks_300s", "dark"),
        ("flats-L", "flat"),
        ("BIAS", "bias"),
        ("Flat_0007", "flat"),
        ("dark 12", "dark"),
        ("my_darks_300s", "dark"),
        ("flat darks", "dark"),
        ("darkflat_2", "dark"),
        ("offset 1", "bias"),
        ("twilight", "flat"),
        ("science", "light"),
        ("starlight", "unknown"),
        ("flatlands", "unknown"),
        ("darkness", "unknown"),
        ("M15 first night", "unknown"),
        ("2026-10-11", "unknown"),
    ],
)
def test_names(name, kind):
    assert kind_from_name(name) == kind


def noise(level, sigma, **header):
    pixels = np.random.default_rng(5).normal(level, sigma, (300, 400)).astype(np.float32)
    return Frame(pixels=pixels, header=FrameHeader(**header), white_adu=15871.0, black_adu=512.0)


def test_content():
    light = make_scene(seed=1).frame
    assert kind_from_content(replace(light, header=FrameHeader()))[0] == "light"
    assert kind_from_content(noise(0, 5, exposure_s=0.0))[0] == "bias"
    assert kind_from_content(noise(2, 5, exposure_s=60.0))[0] == "dark"
    assert kind_from_content(noise(7000, 60, exposure_s=2.0))[0] == "flat"
    kind, why = kind_from_content(
        noise(400, 15, exposure_s=60.0)
    )  # a clouded sky, or a dark with glow
    assert kind == "unknown" and "no stars" in why


def seen(frame, name, stars=0):
    """Kind of a frame without a word in its header, as a camera names it."""
    return kind_by_sight(replace(frame, path=f"/DCIM/100/{name}"), stars=stars)[0]


def test_what_a_frame_shows_outweighs_its_name():
    light = replace(make_scene(seed=1).frame, header=FrameHeader(exposure_s=60.0))
    assert seen(light, "dark_0007.dng", stars=80) == "unknown"  # judged as a light
    assert seen(noise(0, 5, exposure_s=60.0), "light_0007.dng") == "dark"
    assert seen(noise(0, 5, exposure_s=0.0002), "light_0007.dng") == "bias"
    assert seen(noise(7000, 60, exposure_s=0.4), "IMG_0007.dng") == "flat"


def test_even_light_in_a_long_exposure_is_a_flat_by_its_name_only():
    drowned = noise(7000, 60, exposure_s=20.0)
    assert seen(drowned, "IMG_0007.dng") == "unknown"
    assert seen(drowned, "flat_0007.dng") == "flat"


def test_names_count_where_the_picture_cannot_tell():
    glowing = noise(400, 15, exposure_s=60.0)
    assert seen(glowing, "IMG_0007.dng") == "unknown"
    assert seen(glowing, "dark_0007.dng") == "dark"


def test_a_wrong_word_in_the_header_yields_to_many_stars():
    light = replace(make_scene(seed=1).frame, header=FrameHeader(kind="dark", exposure_s=60.0))
    assert kind_by_sight(light, stars=80) == ("light", "80 stars, though the header says dark")
    assert kind_by_sight(noise(0, 5, kind="light", exposure_s=60.0), stars=0)[0] == "light"


def test_a_dark_over_an_unknown_pedestal_is_told_by_its_evenness():
    y, x = np.mgrid[-1:1:300j, -1:1:400j]
    closed = replace(noise(512, 5, exposure_s=60.0), black_adu=0.0)
    assert seen(closed, "IMG_0007.fits") == "dark"
    clouded = replace(closed, pixels=closed.pixels - (20 * (x**2 + y**2)).astype(np.float32))
    assert seen(clouded, "IMG_0007.fits") == "unknown"
