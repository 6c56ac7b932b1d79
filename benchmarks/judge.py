"""Time of judging one 24-megapixel camera raw, beside reading it and bare detection on it.

Run: ``python benchmarks/judge.py``. The floor is reading the file and one pass of sep
(background, extraction) over its 2 × 2 means: what no judge can do without.
"""

from __future__ import annotations

import tempfile
import time
from collections.abc import Callable
from datetime import UTC, datetime
from pathlib import Path

import numpy as np

from slowglass.expose.forecast import render_forecast
from slowglass.frame.bayer import luminance
from slowglass.frame.dng_io import write_dng
from slowglass.frame.io import read_frame
from slowglass.judge.service import judge_file
from slowglass.kit.io import load_kit, load_site
from slowglass.sky.place import resolve_place
from slowglass.sky.store import open_sky


def best_of(work: Callable[[], object], times: int = 3) -> tuple[float, float]:
    """The shortest of some runs: seconds on the clock, and of processor time."""
    clock, busy = [], []
    for _ in range(times):
        start, started = time.perf_counter(), time.process_time()
        work()
        clock.append(time.perf_counter() - start)
        busy.append(time.process_time() - started)
    return min(clock), min(busy)


def main() -> None:
    """Render, write, time."""
    import sep

    sky, kit, site = open_sky(), load_kit("long 102"), load_site("Fig Tree Yard")
    place = resolve_place("M11", sky)
    frame = render_forecast(
        kit, site, sky, place.object, exposure_s=30, when=datetime(2026, 9, 12, 21, tzinfo=UTC)
    )
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "light.dng"
        mosaic = np.clip(np.round(frame.pixels), 0, 16383).astype(np.uint16)
        write_dng(path, mosaic, bayer="RGGB", black_adu=512, white_adu=16383)

        def bare() -> None:
            plane, _ = luminance(read_frame(path))
            background = sep.Background(plane)
            sep.extract(plane - background.back(), 5.0, err=background.globalrms)

        rows = {
            "read": lambda: read_frame(path),
            "read + bare sep (floor)": bare,
            "judged, near M11, kit's scale": lambda: judge_file(
                path, sky, near=place, kit=kit, site=site
            ),
            "judged, whole sky, kit's scale": lambda: judge_file(path, sky, kit=kit, site=site),
            "judged, whole sky, nothing known": lambda: judge_file(path, sky),
        }
        for name, work in rows.items():
            clock, busy = best_of(work)
            print(f"{name:36s} {clock:6.2f} s, {busy:6.2f} s of processor", flush=True)


if __name__ == "__main__":
    main()
