"""Time the sky index: building it, a cold process to its first answer, cones, alt-az.

Run ``python benchmarks/sky.py``; it prints a table. Budgets are those the design promises.
"""

from __future__ import annotations

import resource
import subprocess
import sys
import tempfile
import time
from datetime import date
from pathlib import Path

import numpy as np

from slowglass.sky.coords import alt_az
from slowglass.sky.night import night_of
from slowglass.sky.store import open_sky

FIRST_ANSWER = (
    "from slowglass.sky.store import open_sky; "
    "s = open_sky(); print(len(s.stars.cone(83.8, -5.4, 5.0)))"
)


def best(call, *, repeat: int) -> float:
    """Median wall time of a call in milliseconds."""
    times = []
    for _ in range(repeat):
        begin = time.perf_counter()
        call()
        times.append(time.perf_counter() - begin)
    return float(np.median(times)) * 1e3


def main() -> None:
    rows: list[tuple[str, float, str]] = []
    with tempfile.TemporaryDirectory() as folder:
        rows.append(("build the index", best(lambda: open_sky(Path(folder)), repeat=1), ""))
    sky = open_sky()
    command = [sys.executable, "-c", FIRST_ANSWER]
    cold = best(lambda: subprocess.run(command, check=True, capture_output=True), repeat=5)
    rows.append(("process start to first answer", cold, "1500"))
    rows.append(("open (every byte checked)", best(open_sky, repeat=5), ""))

    rng = np.random.default_rng(1)
    places = list(zip(rng.uniform(0, 360, 300), rng.uniform(-90, 90, 300), strict=True))

    def cones(radius_deg: float, epoch_year: float) -> float:
        turn = iter(places)
        return best(
            lambda: sky.stars.cone(*next(turn), radius_deg, epoch_year=epoch_year), repeat=300
        )

    rows.append(("cone 0.7°", cones(0.7, 2016.0), ""))
    rows.append(("cone 5°", cones(5.0, 2016.0), "5"))
    rows.append(("cone 5°, epoch 2026.9", cones(5.0, 2026.9), "5"))
    rows.append(("cone 20°", cones(20.0, 2016.0), ""))
    rows.append(
        ("all stars to G 6.5", best(lambda: sky.stars.brightest(mag_limit=6.5), repeat=20), "")
    )
    rows.append(("an object by name", best(lambda: sky.objects.get("M15"), repeat=50), ""))
    columns = sky.objects.columns
    times = 1.8e9 + np.arange(100) * 300.0
    rows.append(
        (
            "alt-az, 13 371 objects × 100 moments",
            best(
                lambda: alt_az(
                    columns["ra_deg"][:, None], columns["dec_deg"][:, None],
                    latitude_deg=44.2, longitude_deg=0.62, unix_s=times[None, :],
                ),
                repeat=3,
            ),
            "",
        )
    )  # fmt: skip
    day = date(2026, 11, 25)
    rows.append(
        ("one night", best(lambda: night_of(44.2, 0.62, "Europe/Paris", day), repeat=5), "")
    )

    print(f"{'what':<40}{'ms':>10}{'budget':>9}")
    for what, ms, budget in rows:
        print(f"{what:<40}{ms:>10.2f}{budget:>9}")
    peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
    print(f"\npeak memory {peak:.0f} MB (building included)")


if __name__ == "__main__":
    main()
