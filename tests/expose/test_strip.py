"""The strip: noise that falls with the frames, one object, honest refusals."""

from __future__ import annotations

import math

import cv2
import numpy as np
import pytest

from slowglass.errors import UsageError
from slowglass.expose.service import expose_object
from slowglass.expose.strip import CAPTION_PX, stack_frames, strip_pictures
from slowglass.sky.place import resolve_place


def test_a_stacks_noise_falls_as_the_root_of_its_frames(mono_kit):
    """Poisson and read noise: variance (m + R²)/n."""
    mean = np.full((500, 500), 40.0, dtype=np.float32)
    gain = mono_kit.camera.gain_e_per_adu
    for count in (1, 10, 60):
        e = stack_frames(mean, mono_kit, count, seed=1).pixels.astype(float) * gain
        variance = (40.0 + mono_kit.camera.read_noise_e**2) / count
        # Five standard errors over 250 000 pixels.
        assert e.mean() == pytest.approx(40.0, abs=5 * math.sqrt(variance / e.size))
        assert e.var() == pytest.approx(variance, rel=5 * math.sqrt(2 / e.size))


def test_three_pictures_of_the_same_sky_grow_smoother(sky, full_kit, site):
    place = resolve_place("M27", sky)
    pictures = strip_pictures(full_kit, site, sky, place, exposure_s=60.0)
    assert len({picture.shape for picture in pictures}) == 1
    corner = [picture[:60, :60].astype(float).std() for picture in pictures]
    assert corner[0] > 1.5 * corner[1] > 1.5 * corner[2]
    middle = [p[p.shape[0] // 2 - 20 :, :][:40].mean() for p in pictures]
    # The nebula is as bright in all.
    assert max(middle) - min(middle) < 15.0
    assert all(picture.mean() < 110.0 for picture in pictures)


def test_strip_and_frame_are_written_together(sky, kit, site, tmp_path):
    plan = expose_object(
        kit, site, sky, "M57", seconds=20.0, out=tmp_path / "m57.fits", strip=tmp_path / "s.png"
    )
    assert [path.rsplit("/", 1)[1] for path in plan.outputs] == ["m57.fits", "s.png"]
    picture = cv2.imread(plan.outputs[1])
    assert picture.shape[1] > 3 * (picture.shape[0] - CAPTION_PX)


def test_a_place_without_object_has_a_strip_too(sky, kit, site, tmp_path):
    plan = expose_object(kit, site, sky, "20h 30m +40d", seconds=10.0, strip=tmp_path / "s.png")
    assert plan.seen_arcmin is None and plan.parts == ()


def test_misuse_is_refused(sky, kit, site, tmp_path):
    with pytest.raises(UsageError, match="strip is written as PNG"):
        expose_object(kit, site, sky, "M57", seconds=20.0, strip=tmp_path / "s.jpg")
    with pytest.raises(UsageError, match="strip of no frames"):
        strip_pictures(kit, site, sky, resolve_place("M57", sky), exposure_s=20.0, counts=(0, 1))
