"""How often frames are solved, how often wrongly, how fast, from pixels to answer.

    python benchmarks/solve.py                 # 4000 frames, an hour of processor time
    python benchmarks/solve.py --frames 200    # a tenth of it and less
    python benchmarks/solve.py --quick

(a) forecast frames of five fields at random places, (b) frames that must not solve, (c) the real
frames, each also turned, mirrored, cropped, binned, degraded (where their folder is present).
Frames are drawn by the program's own renderer for the scenario's sensor binned 3 × 3 and without
its colour mosaic, to keep the drawing short; detection and matching are those of the program.
Times are processor seconds of matching, detection left out. ``solve_memory.py``, run along,
measures the memory of a solve; ``solve_lists.py`` the honesty of the odds. How far it is goes to
stderr.
"""

from __future__ import annotations

import argparse
import sys
import tempfile
import time
from collections import Counter, defaultdict
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
from solve_memory import memory_table
from solve_scenes import (
    CHANGES,
    FIELDS,
    KINDS,
    Photographer,
    Scene,
    changed,
    place_bound,
    without_sky,
)

sys.path.insert(0, str(Path(__file__).parents[1] / "builders"))

from real_frames import centre_error_px as real_error_px
from real_frames import frames_folder, solve_cases, stripped_copy

from slowglass.expose.forecast import render_with_truth
from slowglass.frame.detect import detect_stars
from slowglass.frame.io import read_frame
from slowglass.frame.stars import StarFlag
from slowglass.kit.io import load_kit, load_site
from slowglass.sky.place import resolve_place
from slowglass.sky.store import open_sky
from slowglass.sky.wcs import deproject_tan
from slowglass.solve.service import solve_stars
from slowglass.solve.store import open_solver
from slowglass.solve.types import Prior

PRIORS = {
    "10°, scale ± 5 %": (10.0, 0.05, 4, 0.99),
    "3°, scale ± 0.5 %": (3.0, 0.005, 3, 0.97),
    "whole sky": (None, None, 6, 0.98),
}
"""Radius, scale tolerance; catalogue stars from which the goal counts, the goal."""
WRONG_PX = 5.0
TOLD_EVERY = 50
NOISE_FITS = 20
GROUPS = ((0, 1), (2, 2), (3, 3), (4, 4), (5, 5), (6, 8), (9, 19), (20, 10**9))
LATITUDES = ((0, 10), (10, 40), (40, 91))


@dataclass(frozen=True)
class Answer:
    """What one solve gave."""

    scene: Scene
    prior: str
    solved: bool
    error_px: float
    seconds: float
    odds: float

    @property
    def wrong(self) -> bool:
        return self.solved and not self.error_px < WRONG_PX


def told(rng, truth, name) -> Prior:
    """A prior that holds the truth, which may lie near its edge."""
    radius, tolerance, _, _ = PRIORS[name]
    if radius is None:
        return Prior()
    away, direction = rng.uniform(0, 0.95 * radius), rng.uniform(0, 2 * np.pi)
    ra, dec = deproject_tan(
        away * np.cos(direction), away * np.sin(direction), truth.ra0_deg, truth.dec0_deg
    )
    return Prior(
        ra_deg=float(ra),
        dec_deg=float(dec),
        radius_deg=radius,
        scale_arcsec_per_px=truth.scale_arcsec_per_px * (1 + 0.9 * tolerance * rng.uniform(-1, 1)),
        scale_tolerance=tolerance,
    )


def ask(scene: Scene, name: str, prior: Prior, sky, *, right: bool = True) -> Answer:
    """Solve a scene; ``right`` False says that any solution is a wrong one."""
    started = time.process_time()
    found = solve_stars(scene.stars, scene.width_px, scene.height_px, sky, prior)
    seconds = time.process_time() - started
    error = np.inf
    if found.solved and right:
        x, y = (scene.width_px - 1) / 2, (scene.height_px - 1) / 2
        error = float(np.hypot(*np.subtract(
            scene.truth.sky_to_pixel(*found.wcs.pixel_to_sky(x, y)), (x, y)
        )))  # fmt: skip
    odds = -99.0 if found.odds_log10 is None else found.odds_log10
    return Answer(scene, name, found.solved, error, seconds, odds)


def forecast_frames(sky, count: int, seed: int) -> tuple[list[Answer], list[Scene]]:
    """Every field's frames asked with every prior."""
    answers, scenes = [], []
    for number, field in enumerate(FIELDS):
        photographer = Photographer(sky, field)
        for k in range(count // len(FIELDS)):
            scene = photographer.take(seed * 100_000 + number * 10_000 + k)
            rng = np.random.default_rng([seed, number, k])
            for name in PRIORS:
                # A refusal over the whole sky is slow: a fifth of those expected will do.
                if name != "whole sky" or scene.listed >= 5 or k % 5 == 0:
                    answers.append(ask(scene, name, told(rng, scene.truth, name), sky))
            scenes.append(scene)
            how_far("frames", len(scenes), count, sum(a.wrong for a in answers))
    return answers, scenes


def how_far(what: str, done: int, count: int, wrong: int) -> None:
    """A line on stderr now and then."""
    if done % TOLD_EVERY == 0:
        used = time.process_time()
        print(f"{done} of {count} {what}, {wrong} wrong, {used:.0f} s", file=sys.stderr, flush=True)


def must_not_solve(sky, scenes: list[Scene], count: int, seed: int) -> dict[str, list[Answer]]:
    """Five ways of asking what has no answer; every sixteenth over the whole sky."""
    rng = np.random.default_rng([seed, 99])
    found = defaultdict(list)
    few = count // 5
    for kind in ("noise alone", "artefacts", "stars at random places"):
        for k in range(few):
            stars, width, height = without_sky(kind, rng)
            scene = Scene(kind, "", stars, width, height, None, 0, 0.0)
            prior, name = Prior(), "whole sky"
            if k % 16:
                name = list(PRIORS)[k % 2]
                radius, tolerance, _, _ = PRIORS[name]
                prior = Prior(
                    ra_deg=float(rng.uniform(0, 360)),
                    dec_deg=float(np.degrees(np.arcsin(rng.uniform(-1, 1)))), radius_deg=radius,
                    scale_arcsec_per_px=float(rng.choice([1.24, 1.86, 2.6, 9.0])),
                    scale_tolerance=tolerance,
                )  # fmt: skip
            found[kind].append(ask(scene, name, prior, sky, right=False))
            how_far(kind, k + 1, few, sum(a.wrong for a in found[kind]))
    for k, scene in enumerate(scenes[:: max(1, len(scenes) // few)][:few]):
        name = list(PRIORS)[k % 2]
        prior = told(rng, scene.truth, name)
        off = float(rng.choice([0.6, 0.8, 1.25, 1.6]))
        wrong = replace(prior, scale_arcsec_per_px=prior.scale_arcsec_per_px * off)
        found["wrong scale"].append(ask(scene, name, wrong, sky, right=False))
        ra = (scene.truth.ra0_deg + rng.uniform(60, 300)) % 360.0
        outside = replace(prior, ra_deg=float(ra), dec_deg=float(rng.uniform(-50, 50)))
        found["pointing outside the prior"].append(ask(scene, name, outside, sky, right=False))
        wrongs = [a for kind in ("wrong scale", "pointing outside the prior") for a in found[kind]]
        how_far("misled", k + 1, few, sum(a.wrong for a in wrongs))
    return found


def real_frames(sky, seed: int) -> None:
    """Each real frame of known place, changed in every way of ``CHANGES``."""
    folder = frames_folder()
    if folder is None:
        print("\n(c) the folder of real frames is not there: left out")
        return
    print("\n(c) real frames: solved of asked, by change\n")
    print("| frame | told | " + " | ".join(CHANGES) + " | wrong |")
    print("|---|---|" + "---|" * (len(CHANGES) + 1))
    wrong_of_all = asked_of_all = 0
    plain = [c for c in solve_cases(folder) if c.rearrange.__name__ == "as_it_is"]
    for case in plain:
        options = dict(case.options)
        cells, wrong = [], 0
        with tempfile.TemporaryDirectory() as place:
            frame = read_frame(stripped_copy(folder / case.file, Path(place) / "frame.fits"))
        for change, (_, _, grown) in CHANGES.items():
            rng = np.random.default_rng([seed, len(cells)])
            picture = changed(frame, change, rng)
            stars = detect_stars(picture).stars
            prior = Prior(epoch_year=2000.0)
            if "near" in options:
                where = resolve_place(options["near"], sky)
                scale = options.get("scale_arcsec_per_px")
                prior = Prior(
                    ra_deg=where.ra_deg, dec_deg=where.dec_deg, radius_deg=options["radius_deg"],
                    scale_arcsec_per_px=None if scale is None else scale * grown,
                    epoch_year=2000.0,
                )  # fmt: skip
            answer = solve_stars(stars, picture.width_px, picture.height_px, sky, prior)
            asked_of_all += 1
            if answer.solved:
                # Half a pixel lies between the centres of an odd frame and of its even bins.
                off = (
                    np.inf if case.truth is None
                    else real_error_px(case.truth, answer.ra_deg, answer.dec_deg)
                )  # fmt: skip
                wrong += off > WRONG_PX
            cells.append("solved" if answer.solved else "–")
        wrong_of_all += wrong
        print(f"| {case.name} | {case.prior_text} | {' | '.join(cells)} | {wrong} |", flush=True)
    print(f"\n{asked_of_all} solves of real frames, {wrong_of_all} wrong")


def against_photon_noise(sky, count: int, bayer: str | None) -> None:
    """Residual rms of fits over what photon noise alone leaves, unsaturated matched stars.

    A fit of p parameters to n stars leaves √(1 − p / 2n) of the noise. Frames of 5 s, in which
    few stars are saturated, of pixels twice the scenario's, with its colour mosaic or without.
    """
    kit, site = load_kit("long 102"), load_site("Fig Tree Yard")
    camera = {"width_px": 3000, "height_px": 2000, "pixel_um": 7.8, "bayer": bayer}
    kit = kit.model_copy(update={"camera": kit.camera.model_copy(update=camera)})
    ratios, each, by_star = [], [], []
    for seed in range(count):
        place = (290.0 + 2.0 * seed) % 360.0, 10.0 + 2.0 * seed
        frame, truth = render_with_truth(
            kit, site, sky, place, exposure_s=5.0, faintest_mag=14.0, seed=seed
        )
        stars = detect_stars(frame).stars
        scale = truth.wcs.scale_arcsec_per_px
        prior = Prior(ra_deg=place[0], dec_deg=place[1], radius_deg=2.0, scale_arcsec_per_px=scale)
        found = solve_stars(stars, 3000, 2000, sky, prior)
        match = found.match
        if match is None:
            continue
        bad = int(StarFlag.SATURATED | StarFlag.BLENDED | StarFlag.EDGE)
        clear = (stars.flags[match.star_index] & bad) == 0
        if np.count_nonzero(clear) < 8:
            continue
        index = match.star_index[clear]
        bound = place_bound(truth, kit, site, 5.0)(stars.x_px[index], stars.y_px[index])
        free = 1.0 - 6 / (2.0 * len(match))
        residual = match.residual_arcsec[clear] / found.wcs.scale_arcsec_per_px
        ratios.append(np.sqrt(np.mean(residual**2) / free / np.mean(bound**2)))
        by_star.append(np.sqrt(np.mean((residual / bound) ** 2) / free))
        # The median of a two-dimensional normal error is 0.8326 of its rms.
        each.extend(residual / bound / np.sqrt(free) / 0.8326)
    if ratios:
        print(
            f"\nresidual over the photon-noise bound, {bayer or 'no'} mosaic, {len(ratios)} fits: "
            f"median {np.median(ratios):.2f}, worst {np.max(ratios):.2f}; "
            f"median star {np.median(each):.2f}; each star against its own bound: "
            f"median {np.median(by_star):.2f}, worst {np.max(by_star):.2f}"
        )


def share(answers: list[Answer]) -> str:
    """Solved rightly of asked."""
    right = sum(a.solved and not a.wrong for a in answers)
    return f"{right} of {len(answers)}" if answers else "–"


def report_forecast(answers: list[Answer]) -> None:
    print("\n(a) forecast frames: solved rightly of asked, by catalogue stars and latitude")
    for name in PRIORS:
        mine = [a for a in answers if a.prior == name]
        print(f"\ntold: {name}\n")
        heads = [f"|b| {low}–{min(high, 90)}°" for low, high in LATITUDES]
        print(f"| catalogue stars | {' | '.join(heads)} | all | wrong | median s | 95 % s |")
        print("|---|" + "---|" * (len(heads) + 4))
        for low, high in GROUPS:
            group = [a for a in mine if low <= a.scene.listed <= high]
            if not group:
                continue
            label = f"{low}" if low == high else f"{low}–{high}" if high < 10**9 else f"≥ {low}"
            cells = [
                share([a for a in group if b0 <= abs(a.scene.latitude_deg) < b1])
                for b0, b1 in LATITUDES
            ]
            seconds = [a.seconds for a in group]
            wrong = sum(a.wrong for a in group)
            print(
                f"| {label} | {' | '.join(cells)} | {share(group)} | {wrong} "
                f"| {np.median(seconds):.3f} | {np.percentile(seconds, 95):.2f} |"
            )
    print("\n| told | goal | " + " | ".join(f.name for f in FIELDS) + " | all | wrong (any) |")
    print("|---|---|" + "---|" * (len(FIELDS) + 2))
    for name, (_, _, least, goal) in PRIORS.items():
        mine = [a for a in answers if a.prior == name and a.scene.listed >= least]
        cells = [share([a for a in mine if a.scene.field == f.name]) for f in FIELDS]
        rate = sum(a.solved and not a.wrong for a in mine) / max(1, len(mine))
        wrong = sum(a.wrong for a in answers if a.prior == name)
        print(
            f"| {name}, ≥ {least} stars | {100 * goal:.0f} % | {' | '.join(cells)} "
            f"| {100 * rate:.2f} % | {wrong} |"
        )
    print("\n| frames | " + " | ".join(PRIORS) + " | centre error px, median |")
    print("|---|" + "---|" * (len(PRIORS) + 1))
    for kind in KINDS:
        mine = [a for a in answers if a.scene.kind == kind]
        cells = [
            share([a for a in mine if a.prior == name and a.scene.listed >= least])
            for name, (_, _, least, _) in PRIORS.items()
        ]
        errors = [a.error_px for a in mine if a.solved] or [np.nan]
        print(f"| {kind} | {' | '.join(cells)} | {np.median(errors):.3f} |")
    for name in PRIORS:
        solved = [a.seconds for a in answers if a.prior == name and a.solved]
        refused = [a.seconds for a in answers if a.prior == name and not a.solved] or [np.nan]
        print(
            f"matching, {name}: solved median {np.median(solved):.3f} s, 95 % "
            f"{np.percentile(solved, 95):.3f} s; refused median {np.median(refused):.2f} s, "
            f"95 % {np.percentile(refused, 95):.2f} s, longest {np.max(refused):.1f} s"
        )


def report_refusals(found: dict[str, list[Answer]]) -> None:
    print("\n(b) frames that must not solve\n")
    print("| frames | asked | with pose weighed | believed | highest odds | median s | 95 % s |")
    print("|---|---|---|---|---|---|---|")
    for kind, answers in found.items():
        seconds = [a.seconds for a in answers]
        weighed = [a.odds for a in answers if a.odds > -99.0]
        highest = f"10^{max(weighed):.1f}" if weighed else "–"
        print(
            f"| {kind} | {len(answers)} | {len(weighed)} | {sum(a.solved for a in answers)} "
            f"| {highest} | {np.median(seconds):.3f} | {np.percentile(seconds, 95):.2f} |"
        )


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--frames", type=int, default=2000, help="of each of (a) and (b)")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--quick", action="store_true", help="100 frames of each")
    options = parser.parse_args()
    count = 100 if options.quick else options.frames
    sky = open_sky()
    open_solver(sky)
    started = time.process_time()
    answers, scenes = forecast_frames(sky, count, options.seed)
    report_forecast(answers)
    sys.stdout.flush()
    report_refusals(must_not_solve(sky, scenes, count, options.seed))
    missed = Counter(
        (a.prior, a.scene.kind) for a in answers
        if not a.solved and a.scene.listed >= PRIORS[a.prior][2]
    )  # fmt: skip
    print("\nnot solved though stars enough:", dict(missed) or "none")
    for bayer in (None, "RGGB"):
        against_photon_noise(sky, NOISE_FITS, bayer)
    real_frames(sky, options.seed)
    print(f"\nhighest {memory_table():.0f} MB")
    print(f"\n{time.process_time() - started:.0f} processor seconds in all")


if __name__ == "__main__":
    main()
