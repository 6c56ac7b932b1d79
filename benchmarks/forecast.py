"""Time a 24-megapixel forecast frame, wide fields, a strip, a dark and a preview, and memory.

Run ``python benchmarks/forecast.py [--quick]``; it prints a table. Budget: a
forecast in 4 s on two cores. The first frame after an installation also compiles the
inner loops, once.
"""

from __future__ import annotations

import resource
import sys
import time

import numpy as np

from slowglass.expose.calibration import render_dark
from slowglass.expose.conditions import conditions_at_altitude
from slowglass.expose.forecast import render_forecast
from slowglass.expose.plan import plan_exposure
from slowglass.expose.preview import preview_rgb
from slowglass.expose.strip import strip_pictures
from slowglass.kit.io import load_kit, load_site
from slowglass.sky.place import resolve_place
from slowglass.sky.store import open_sky

REPEAT = 1 if "--quick" in sys.argv[1:] else 3


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
    for focal_mm, aperture_mm in ((300.0, 60.0), (50.0, 25.0)):
        optics = kit.optics.model_copy(
            update={"focal_length_mm": focal_mm, "aperture_mm": aperture_mm}
        )
        wide = kit.model_copy(update={"optics": optics})
        target = sky.objects.get("M31")
        rows.append(
            (
                f"forecast {wide.field_width_deg:.0f}° wide, 60 s",
                *timed(
                    lambda wide=wide, target=target: render_forecast(
                        wide, site, sky, target, exposure_s=60.0
                    )
                ),
            )
        )
    place = resolve_place("M27", sky)
    rows.append(
        (
            "strip of M27, 1, 10, 60 frames",
            *timed(lambda: strip_pictures(kit, site, sky, place, exposure_s=60.0)),
        )
    )
    m27 = sky.objects.get("M27")
    conditions = conditions_at_altitude(site)
    rows.append(
        (
            "plan of M27",
            *timed(lambda: plan_exposure(kit, site, m27, seconds=60.0, conditions=conditions)),
        )
    )
    rows.append(("dark, 60 s", *timed(lambda: render_dark(kit, exposure_s=60.0))))
    rows.append(("preview", *timed(lambda: preview_rgb(frame))))
    print(f"{kit.camera.width_px} x {kit.camera.height_px} pixels   wall s   processor s")
    for name, wall, cpu in rows:
        print(f"{name:32s} {wall:7.2f} {cpu:10.3f}")
    print(f"peak memory {resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024:.0f} MB")


if __name__ == "__main__":
    main()
