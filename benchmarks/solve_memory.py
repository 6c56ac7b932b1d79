"""Peak memory of a solve, from the file to the answer, each in a process of its own.

    python benchmarks/solve_memory.py

Frames of the scenario's whole 24-megapixel sensor with its colour mosaic are drawn in another
process, then read, searched for stars and solved. MB are 10⁶ bytes of resident memory, pages of the
star index that the search has touched included.
"""

from __future__ import annotations

import argparse
import json
import os
import subprocess
import sys
import tempfile
import time

PLACE = (300.0, 25.0)
FIELDS = {"62′ × 41′": (102.0, 1300.0, 14.5), "20° × 13°": (25.0, 66.4, 10.5)}
"""Aperture and focal length in mm, and the faintest stars drawn."""
AWAY = (120.0, -40.0)
CASES = (
    ("62′ × 41′", "10°, ± 5 %", PLACE, False),
    ("62′ × 41′", "whole sky", None, False),
    ("62′ × 41′", "wrong pointing", AWAY, False),
    ("20° × 13°", "10°, ± 5 %", PLACE, False),
    ("20° × 13°", "whole sky", None, False),
    ("62′ × 41′", "whole sky, first use ever", None, True),
)
"""Field, what is told, the pointing told, and whether index and code are yet to be made."""


def draw(field: str, path: str) -> None:
    """A frame of the field as 16-bit FITS."""
    from slowglass.expose.forecast import render_forecast
    from slowglass.expose.service import write_frame
    from slowglass.kit.io import load_kit, load_site
    from slowglass.sky.store import open_sky

    aperture_mm, focal_length_mm, faintest_mag = FIELDS[field]
    kit = load_kit("long 102")
    optics = {"aperture_mm": aperture_mm, "focal_length_mm": focal_length_mm}
    kit = kit.model_copy(update={"optics": kit.optics.model_copy(update=optics)})
    frame = render_forecast(
        kit, load_site("Fig Tree Yard"), open_sky(), PLACE, exposure_s=20.0, seed=1,
        faintest_mag=faintest_mag,
    )  # fmt: skip
    write_frame(path, frame)


def solve(field: str, path: str, place: tuple[float, float] | None) -> dict:
    """Whether the frame is solved, in what processor time, and the peak memory after each step."""
    from slowglass.finish.memory import peak_memory_mb
    from slowglass.frame.detect import detect_stars
    from slowglass.frame.io import read_frame
    from slowglass.sky.store import open_sky
    from slowglass.solve.service import solve_stars
    from slowglass.solve.types import Prior

    sky = open_sky()
    frame = read_frame(path)
    detection = detect_stars(frame)
    stars, width, height = detection.stars, frame.width_px, frame.height_px
    before_mb = peak_memory_mb()
    prior = Prior()
    if place is not None:
        scale = 206.265 * 3.9 / FIELDS[field][1]
        prior = Prior(*place, radius_deg=10.0, scale_arcsec_per_px=scale)
    started = time.process_time()
    found = solve_stars(stars, width, height, sky, prior)
    return {
        "solved": found.solved,
        "seconds": time.process_time() - started,
        "before_mb": before_mb,
        "peak_mb": peak_memory_mb(),
    }


def _apart(*arguments: str, **environment: str) -> str:
    """What this file prints when run anew with these arguments."""
    done = subprocess.run(
        [sys.executable, __file__, *arguments], env=os.environ | environment,
        check=True, capture_output=True, text=True,
    )  # fmt: skip
    return done.stdout


def memory_table() -> float:
    """Print the peak memory of every case; returns the highest, MB."""
    print("\npeak memory of one 24-megapixel frame, a process each\n")
    print("| field | told | answer | processor s | MB, stars found | MB, all |")
    print("|---|---|---|---|---|---|")
    highest = 0.0
    with tempfile.TemporaryDirectory() as folder:
        for field in FIELDS:
            _apart("--draw", field, "--file", f"{folder}/{field[:2]}.fits")
        for field, told, place, anew in CASES:
            fresh = {}
            if anew:
                fresh = {
                    "SLOWGLASS_DATA": f"{folder}/data", "NUMBA_CACHE_DIR": f"{folder}/compiled"
                }  # fmt: skip
            at = [] if place is None else ["--at", *map(str, place)]
            told_of = _apart("--solve", field, "--file", f"{folder}/{field[:2]}.fits", *at, **fresh)
            row = json.loads(told_of)
            highest = max(highest, row["peak_mb"])
            print(
                f"| {field} | {told} | {'solved' if row['solved'] else 'refused'} "
                f"| {row['seconds']:.2f} | {row['before_mb']:.0f} | {row['peak_mb']:.0f} |",
                flush=True,
            )
    return highest


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--draw", metavar="FIELD", help="draw a frame of it into --file")
    parser.add_argument("--solve", metavar="FIELD", help="solve the frame of it in --file")
    parser.add_argument("--file")
    parser.add_argument("--at", type=float, nargs=2, metavar=("RA", "DEC"), help="with --solve")
    options = parser.parse_args()
    if options.draw:
        draw(options.draw, options.file)
    elif options.solve:
        place = None if options.at is None else tuple(options.at)
        print(json.dumps(solve(options.solve, options.file, place)))
    else:
        print(f"\nhighest {memory_table():.0f} MB")


if __name__ == "__main__":
    main()
