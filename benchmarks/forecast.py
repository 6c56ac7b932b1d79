"""Time a 24-megapixel forecast frame, a dark and a preview, and the memory they take.

Run ``python benchmarks/forecast.py``; it prints a table. Budget: a forecast in 4 s on two cores.
The first frame after an installation also compiles the inner loops, once.
"""

from __future__ import annotations

import resource
import time

import numpy as np

from slowglass.expose.calibration import render_dark
from slowglass.expose.forecast import render_forecast
from slowglass.expose.preview import preview_rgb
from slowglass.kit.io import load_kit, load_site
from slowglass.sky.store import open_sky

REPEAT = 3


def timed(call) -> tuple[float, float]:
    """Median wall and processor seconds of a call."""
    wall, cpu = [], []
    for _ in range(REPEAT):
        begin, used = time.perf_counter(), time.process_time()
        call()
        wall.append(time.perf_counter() - begin)
        cpu.append(time.process_time() - used)
    return float(np.median(wall)), float(np.median(cpu))


def main() -> None:
    kit, site, sky = load_kit("long 102"), load_site("Fig Tree Yard"), open_sky()
    begin = time.perf_counter()
    frame = render_forecast(kit, site, sky, sky.objects.get("M15"), exposure_s=60.0)
    rows = [("first forecast (may compile)", time.perf_counter() - begin, float("nan"))]
    for name in ("M15", "NGC 253"):
        target = sky.objects.get(name)
        rows.append(
            (
                f"forecast of {name}, 60 s",
                *timed(
                    lambda target=target: render_forecast(kit, site, sky, target, exposure_s=60.0)
                ),
            )
        )
    rows.append(("dark, 60 s", *timed(lambda: render_dark(kit, exposure_s=60.0))))
    rows.append(("preview", *timed(lambda: preview_rgb(frame))))
    print(f"{kit.camera.width_px} x {kit.camera.height_px} pixels   wall s   processor s")
    for name, wall, cpu in rows:
        print(f"{name:32s} {wall:7.2f} {cpu:10.2f}")
    print(f"peak memory {resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024:.0f} MB")


if __name__ == "__main__":
    main()
