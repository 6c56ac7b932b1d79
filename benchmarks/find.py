"""Time and quality of finding: routes, sheets, and simulated hunts. Prints tables.

    python benchmarks/find.py [--quick]

A hunt starts up to 3° off at any declination between −75° and +75°, with any camera angle and
parity. Every turn by hand is off by an error along its axis on the sky, every wait by one second
(standard deviation), every camera turn by 10 % and 1.5°. Counted are the frames taken after the
first until the object is within 2′ of mid-frame, as seen in the frame's own solution, with the
camera within 3° of the wanted angle.
"""

from __future__ import annotations

import sys
import tempfile
import time
from collections.abc import Callable
from datetime import UTC, date, datetime
from pathlib import Path

import numpy as np

from slowglass.find.hunt import frame_angle_deg, hunt_step
from slowglass.find.service import find_route
from slowglass.kit.io import load_kit, load_site
from slowglass.kit.model import SIDEREAL_ARCSEC_S
from slowglass.sheets.plan import SheetWish
from slowglass.sheets.service import write_night
from slowglass.sky.coords import offset_point, separation_deg
from slowglass.sky.store import open_sky
from slowglass.sky.wcs import TanWcs

SIZE = (6000, 4000)
SCALE = 0.6188
MOST_FRAMES = 8
Error = Callable[[np.random.Generator, float], float]


def within(rng: np.random.Generator, size_deg: float) -> float:
    """Anything within 10 % and 3′, all alike likely."""
    return rng.uniform(-1, 1) * (0.1 * size_deg + 0.05)


def spread(rng: np.random.Generator, size_deg: float) -> float:
    """Normal, with 10 % and 3′ met by 95 of 100 turns."""
    return rng.normal() * (0.1 * size_deg + 0.05) / 2.0


def wide(rng: np.random.Generator, size_deg: float) -> float:
    """Normal, with a standard deviation of 10 % and 3′."""
    return rng.normal() * (0.1 * size_deg + 0.05)


def hunt(rng: np.random.Generator, error: Error) -> int:
    """Frames after the first until centred at the camera angle."""
    dec = float(np.degrees(np.arcsin(rng.uniform(np.sin(np.radians(-75)), np.sin(np.radians(75))))))
    target = ("target", float(rng.uniform(0, 360)), dec)
    away, angle = rng.uniform(0.2, 3.0), rng.uniform(0, 360)
    ra, dec = (float(x) for x in offset_point(target[1], target[2], angle, away))
    rotation, parity = float(rng.uniform(0, 360)), int(rng.choice([-1, 1]))
    wanted = float(rng.uniform(0, 180))
    for frames in range(MOST_FRAMES + 1):
        wcs = TanWcs.from_simple(
            ra_deg=ra,
            dec_deg=dec,
            width_px=SIZE[0],
            height_px=SIZE[1],
            scale_arcsec_per_px=SCALE,
            rotation_deg=rotation,
            parity=parity,
        )
        step = hunt_step(wcs, SIZE, target, camera_angle_deg=wanted)
        off = abs((frame_angle_deg(wcs, SIZE) - wanted + 90) % 180 - 90)
        if float(separation_deg(ra, dec, target[1], target[2])) <= 2 / 60 and off <= 3.0:
            return frames
        squeeze = np.cos(np.radians(dec))
        if step.ra_turn_deg:
            ra += step.ra_turn_deg + error(rng, abs(step.ra_turn_deg) * squeeze) / squeeze
        if step.dec_turn_deg:
            dec += step.dec_turn_deg + error(rng, abs(step.dec_turn_deg))
        if step.wait_s:
            ra += (step.wait_s + rng.normal()) * SIDEREAL_ARCSEC_S / 3600.0
        if step.camera_turn_deg:
            by = step.camera_turn_deg
            by += rng.uniform(-1, 1) * (0.1 * abs(by) + 1.5)
            # clockwise from behind lowers position angles on an unmirrored picture
            rotation += -by if parity > 0 else by
        ra %= 360.0
    return MOST_FRAMES + 1


def hunts(n: int) -> None:
    print(f"\nHunts: {n} each, share centred within so many frames after the first")
    print("| error of a turn | 1 | 2 | 3 | 4 | 5 | 6 |\n|---|---|---|---|---|---|---|")
    for name, error in (
        ("within 10 % + 3′, even", within),
        ("10 % + 3′ is two standard deviations", spread),
        ("10 % + 3′ is one standard deviation", wide),
    ):
        rng = np.random.default_rng(20261010)
        frames = np.array([hunt(rng, error) for _ in range(n)])
        shares = " | ".join(f"{np.mean(frames <= k):.1%}" for k in range(1, 7))
        print(f"| {name} | {shares} |")


def speed(quick: bool) -> None:
    kit, site, sky = load_kit("long 102"), load_site("Fig Tree Yard"), open_sky()
    when = datetime(2026, 10, 10, 20, 30, tzinfo=UTC)
    names = ["M15", "M57", "M31", "NGC 7662"]
    if not quick:
        names += ["M11", "M76", "NGC 6543", "M82", "NGC 457", "NGC 253", "M74", "M33", "M1", "M27"]
    find_route(kit, site, sky, "M13", when=when)
    spent = []
    for name in names:
        start = time.process_time()
        find_route(kit, site, sky, name, when=when)
        spent.append(time.process_time() - start)
    print(f"Route: median {np.median(spent):.3f} s, worst {max(spent):.3f} s of processor time")
    with tempfile.TemporaryDirectory() as folder:
        for name in names[:2] if quick else names[:4]:
            start = time.process_time()
            write_night(
                [name], Path(folder) / "sheet.pdf", kit, site, sky,
                night=date(2026, 10, 10), wish=SheetWish(),
            )  # fmt: skip
            print(f"Night sheet of {name}: {time.process_time() - start:.2f} s of processor time")


if __name__ == "__main__":
    quick = "--quick" in sys.argv
    speed(quick)
    hunts(200 if quick else 1000)
