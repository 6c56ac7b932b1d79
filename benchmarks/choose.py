"""How long choosing takes: a night's list, a year for one object, two kits weighed.

    python benchmarks/choose.py [--quick]

Prints processor and wall seconds, the median of some runs after a first one that opens the sky.
"""

from __future__ import annotations

import statistics
import sys
import time
from collections.abc import Callable
from datetime import date

from slowglass.choose.service import choose_tonight
from slowglass.choose.weigh_service import weigh_kits
from slowglass.choose.year_service import plan_year
from slowglass.kit.io import load_kit, load_site
from slowglass.sky.store import open_sky

NIGHT = date(2026, 10, 10)


def timed(work: Callable[[], object], runs: int) -> tuple[float, float]:
    """Median processor and wall seconds of some runs."""
    spent, passed = [], []
    for _ in range(runs):
        cpu, wall = time.process_time(), time.perf_counter()
        work()
        spent.append(time.process_time() - cpu)
        passed.append(time.perf_counter() - wall)
    return statistics.median(spent), statistics.median(passed)


def main() -> None:
    """Print the table."""
    runs = 2 if "--quick" in sys.argv else 7
    kit, site, sky = load_kit("long 102"), load_site("Fig Tree Yard"), open_sky()
    optics = kit.optics.model_copy(update={"aperture_mm": 80.0, "focal_length_mm": 400.0})
    short = kit.model_copy(update={"name": "short 80", "optics": optics})
    tasks: dict[str, Callable[[], object]] = {
        "a night's list of 20": lambda: choose_tonight(kit, site, sky, night=NIGHT),
        "a year of M57": lambda: plan_year(kit, site, sky, "M57", first=NIGHT),
        "two kits weighed": lambda: weigh_kits([kit, short], site, sky, first=NIGHT),
    }
    print(f"{'task':24s} {'first':>8s} {'processor':>10s} {'wall':>8s}")
    for name, work in tasks.items():
        first, _ = timed(work, 1)
        cpu, wall = timed(work, runs)
        print(f"{name:24s} {first:7.2f}s {cpu:9.2f}s {wall:7.2f}s")


if __name__ == "__main__":
    main()
