"""A recipe repeats its picture to the bit in another process; colours are told by the profile."""

import io
import subprocess
import sys
from pathlib import Path

import cv2
import numpy as np
import pytest
from PIL import Image, ImageCms

from slowglass.finish.service import finish_path
from slowglass.frame.screen import srgb

REPEAT = """
import sys
from slowglass.finish.service import finish_path
finish_path(sys.argv[1], sys.argv[2], recipe=sys.argv[3])
"""


@pytest.fixture(scope="module")
def jpeg(tmp_path_factory):
    """A camera's JPEG of stars round a glow on a sloping red sky."""
    rng = np.random.default_rng(11)
    y, x = np.mgrid[0:400, 0:600]
    light = 70 * np.exp(-np.hypot(x - 320, (y - 180) / 0.7) / 25.0) + 60.0 + 0.05 * x
    for _ in range(70):
        flux, cx, cy = 10 ** rng.uniform(2.5, 4.3), rng.uniform(5, 595), rng.uniform(5, 395)
        light += flux / 20 * np.exp(-((x - cx) ** 2 + (y - cy) ** 2) / 6.4)
    rgb = light[..., None] * np.array([1.5, 1.0, 0.9]) + rng.normal(0, 4, (400, 600, 3))
    path = tmp_path_factory.mktemp("card") / "one.jpg"
    codes = np.rint(srgb(rgb / 1500.0) * 255).astype(np.uint8)
    cv2.imwrite(str(path), codes[..., ::-1], [cv2.IMWRITE_JPEG_QUALITY, 95])
    return path


@pytest.mark.parametrize("whole", [True, False])
def test_a_fresh_process_makes_the_same_bits(jpeg, tmp_path, whole):
    first = finish_path(jpeg, tmp_path / "first", whole=whole)
    command = [sys.executable, "-c", REPEAT, str(jpeg), str(tmp_path / "again"), first.recipe]
    subprocess.run(command, check=True, capture_output=True)
    for path in map(Path, first.outputs):
        if path.suffix in (".png", ".tiff", ".jpg"):
            again = path.with_name(path.name.replace("first", "again", 1))
            assert path.read_bytes() == again.read_bytes(), path.name
    for path in map(Path, first.outputs):
        if path.suffix not in (".png", ".tiff", ".jpg"):
            continue
        with Image.open(path) as picture:
            profile = ImageCms.ImageCmsProfile(io.BytesIO(picture.info["icc_profile"]))
        assert "sRGB" in ImageCms.getProfileDescription(profile), path.name
