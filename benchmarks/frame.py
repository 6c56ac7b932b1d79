"""Time and peak memory of star detection on a 24-megapixel mosaic, beside bare sep on it.

Run: ``python benchmarks/frame.py``
"""

from __future__ import annotations

import resource
import tempfile
import time
from collections.abc import Callable
from pathlib import Path

import numpy as np

from slowglass.frame.bayer import luminance
from slowglass.frame.detect import detect_stars
from slowglass.frame.dng_io import write_dng
from slowglass.frame.io import read_frame


def mosaic(height: int = 4000, width: int = 6000, stars: int = 800) -> np.ndarray:
    """A uint16 RGGB sky with stars of FWHM 5 px and 2 in 10 000 pixels hot."""
    rng = np.random.default_rng(7)
    tint = np.tile(np.array([[0.6, 1.0], [1.0, 0.8]]), (height // 2, width // 2))
    scene = np.full((height, width), 300.0)
    r = np.arange(-15, 16)
    for x, y, u in zip(
        rng.uniform(20, width - 20, stars),
        rng.uniform(20, height - 20, stars),
        rng.uniform(1e-3, 1, stars),
        strict=True,
    ):
        peak = min(60.0 * u**-1.0, 20000.0)
        i, j = round(y), round(x)
        square = (r[:, None] + i - y) ** 2 + (r[None] + j - x) ** 2
        scene[i - 15 : i + 16, j - 15 : j + 16] += peak * (1 + 0.157 * square / 6.25) ** -4.765
    scene = scene * tint + 512 + rng.normal(0, 14, scene.shape)
    hot = rng.integers(0, scene.size, int(2e-4 * scene.size))
    scene.ravel()[hot] += rng.exponential(1500, hot.size)
    return np.clip(scene, 0, 16383).astype(np.uint16)


def best_of(work: Callable[[], object], times: int = 3) -> float:
    spans = []
    for _ in range(times):
        start = time.perf_counter()
        work()
        spans.append(time.perf_counter() - start)
    return min(spans)


def main() -> None:
    import rawpy
    import sep

    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "frame.dng"
        write_dng(path, mosaic(), bayer="RGGB", black_adu=512, white_adu=16383)

        def bare_read() -> None:
            with rawpy.imread(str(path)) as raw:
                raw.raw_image_visible.copy()

        frame = read_frame(path)
        picture, _ = luminance(frame)

        def bare_sep() -> None:
            sky = sep.Background(picture)
            sep.extract(picture - sky.back(), 2.0, err=sky.globalrms)

        read, base_read = best_of(lambda: read_frame(path)), best_of(bare_read)
        ours, base = best_of(lambda: detect_stars(frame)), best_of(bare_sep)
        found = detect_stars(frame)
    print(f"read   {read:6.2f} s   bare rawpy {base_read:6.2f} s   ratio {read / base_read:.2f}")
    print(f"detect {ours:6.2f} s   bare sep   {base:6.2f} s   ratio {ours / base:.2f}")
    print(f"{found.found} stars, FWHM {found.fwhm_px:.2f} px, {found.hot_pixels} hot pixels")
    print(f"peak memory {resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024:.0f} MB")


if __name__ == "__main__":
    main()
