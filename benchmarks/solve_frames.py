"""How often whole forecast frames are solved, from raw pixels: detection and matching together.

    python benchmarks/solve_frames.py --count 120

Frames of the scenario's field (62′ × 41′) at random places and camera angles, binned 2 × 2 to
keep the rendering short, of six kinds: plain 30 s, trailed 240 s, defocused by 30 px, in full
moonlight, through cloud that lets a tenth through, crossed by a satellite. Times are processor
seconds of matching alone.
"""

from __future__ import annotations

import argparse
import time
from collections import defaultdict

import numpy as np

from slowglass.expose.forecast import render_with_truth
from slowglass.frame.detect import detect_stars
from slowglass.kit.io import load_kit, load_site
from slowglass.kit.optics import scale_arcsec_per_px
from slowglass.sky.store import open_sky
from slowglass.sky.wcs import deproject_tan
from slowglass.solve.service import solve_stars
from slowglass.solve.store import open_solver
from slowglass.solve.types import Prior

WIDTH, HEIGHT = 3000, 2000
KINDS = {
    "plain 30 s": {},
    "trailed 240 s": {"exposure_s": 240.0},
    "defocused 30 px": {"blur_px": 30.0},
    "full moonlight": {"sky_mag_arcsec2": 16.5},
    "thick cloud": {"transparency": 0.1},
    "satellite": {"satellite_mag": 3.0},
}
PRIORS = {
    "10°, scale ± 5 %, ≥ 4 stars": (10.0, 0.05, 4),
    "3°, scale ± 0.5 %, ≥ 3 stars": (3.0, 0.005, 3),
    "whole sky, ≥ 6 stars": (None, None, 6),
}
WRONG_PX = 5.0


def prior_for(rng, ra, dec, scale, radius, tolerance):
    if radius is None:
        return Prior()
    away, direction = rng.uniform(0, 0.9 * radius), rng.uniform(0, 2 * np.pi)
    near = deproject_tan(away * np.cos(direction), away * np.sin(direction), ra, dec)
    return Prior(
        ra_deg=float(near[0]),
        dec_deg=float(near[1]),
        radius_deg=radius,
        scale_arcsec_per_px=scale * (1 + 0.8 * tolerance * rng.uniform(-1, 1)),
        scale_tolerance=tolerance,
    )


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--count", type=int, default=120)
    parser.add_argument("--seed", type=int, default=1)
    options = parser.parse_args()
    sky, site, kit = open_sky(), load_site("Fig Tree Yard"), load_kit("long 102")
    catalogue = open_solver(sky)
    camera = kit.camera.model_copy(update={"width_px": WIDTH, "height_px": HEIGHT, "pixel_um": 7.8})
    kit = kit.model_copy(update={"camera": camera})
    scale = scale_arcsec_per_px(7.8, kit.optics.focal_length_mm)
    rng = np.random.default_rng(options.seed)
    rows = defaultdict(list)
    for k in range(options.count):
        kind = list(KINDS)[k % len(KINDS)]
        ra, dec = rng.uniform(0, 360), float(np.degrees(np.arcsin(rng.uniform(-1, 1))))
        frame, truth = render_with_truth(
            kit, site, sky, (ra, dec), rotation_deg=float(rng.uniform(0, 360)), seed=k,
            faintest_mag=15.5, **({"exposure_s": 30.0} | KINDS[kind]),
        )  # fmt: skip
        stars = detect_stars(frame).stars
        x, y = truth.wcs.sky_to_pixel(*catalogue.radec_at(catalogue.in_cone(ra, dec, 0.7), 2016.0))
        listed = int(np.sum((x > 2) & (y > 2) & (x < WIDTH - 3) & (y < HEIGHT - 3)))
        for name, (radius, tolerance, least) in PRIORS.items():
            prior = prior_for(rng, ra, dec, scale, radius, tolerance)
            started = time.process_time()
            found = solve_stars(stars, WIDTH, HEIGHT, sky, prior)
            seconds = time.process_time() - started
            error = np.nan
            if found.solved:
                centre = found.wcs.pixel_to_sky((WIDTH - 1) / 2, (HEIGHT - 1) / 2)
                px, py = truth.wcs.sky_to_pixel(*centre)
                error = float(np.hypot(px - (WIDTH - 1) / 2, py - (HEIGHT - 1) / 2))
            rows[kind, name].append((listed >= least, found.solved, error, seconds))
    print("| frames | told | with enough stars | solved | wrong (any) | error px | median s |")
    print("|---|---|---|---|---|---|---|")
    for (kind, name), results in rows.items():
        enough = [r for r in results if r[0]]
        wrong = sum(r[2] > WRONG_PX for r in results if r[1])
        errors = [r[2] for r in enough if r[1]]
        error = f"{np.median(errors):.3f}" if errors else "–"
        seconds = f"{np.median([r[3] for r in enough]):.4f}" if enough else "–"
        solved = sum(r[1] for r in enough)
        print(f"| {kind} | {name} | {len(enough)} | {solved} | {wrong} | {error} | {seconds} |")


if __name__ == "__main__":
    main()
