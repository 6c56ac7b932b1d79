from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from frame_scene import make_scene

from slowglass.frame.image import Frame, FrameHeader
from slowglass.frame.kind import guess_kind, kind_from_name


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


def test_header_then_folder_then_name_then_content():
    frame = noise(0, 5, kind="flat", exposure_s=300.0)
    assert guess_kind(frame, "/x/darks/light_1.dng")[0] == "flat"
    frame = replace(frame, header=FrameHeader(exposure_s=300.0))
    assert guess_kind(frame, "/x/flats/light_1.dng") == ("flat", "it lies in the folder flats")
    assert guess_kind(frame, "/x/y/bias_1.dng") == ("bias", "its name says so")
    kind, why = guess_kind(frame, "/x/y/img_1.dng")
    assert kind == "dark" and "300 s" in why


def test_content():
    light = make_scene(seed=1).frame
    assert guess_kind(replace(light, header=FrameHeader()))[0] == "light"
    assert guess_kind(noise(0, 5, exposure_s=0.0))[0] == "bias"
    assert guess_kind(noise(2, 5, exposure_s=60.0))[0] == "dark"
    assert guess_kind(noise(7000, 60, exposure_s=2.0))[0] == "flat"
    kind, why = guess_kind(noise(400, 15, exposure_s=60.0))  # a clouded sky, or a dark with glow
    assert kind == "unknown" and "no stars" in why
