"""How often star lists are solved, how often wrongly, how fast; and are the odds honest?

    python benchmarks/solve_lists.py                 # table, some minutes
    python benchmarks/solve_lists.py --odds          # also the plot of docs/design/solve-odds.md

Lists come from the catalogue with 0.4 px of positional and 0.35 mag of brightness error, 1 %
missed and 0.5 spurious bright stars on average (tests/solve/star_fields.py), so they measure the
search and the decision alone. Times are processor seconds of matching, detection left out.
"""

from __future__ import annotations

import argparse
import resource
import sys
import time
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).parents[1] / "tests" / "solve"))

from star_fields import (
    HEIGHT,
    WIDTH,
    centre_error_px,
    photographed,
    random_wcs,
    rough_prior,
    star_list,
)

from slowglass.sky.store import open_sky
from slowglass.solve.service import solve_stars
from slowglass.solve.store import open_solver
from slowglass.solve.types import Prior

PRIORS = {
    "10°, scale ± 5 %": {"radius_deg": 10.0, "scale_tolerance": 0.05},
    "3°, scale ± 0.5 %": {"radius_deg": 3.0, "scale_tolerance": 0.005},
    "whole sky": {},
}
GROUPS = ((0, 1), (2, 2), (3, 3), (4, 4), (5, 5), (6, 8), (9, 19), (20, 10**9))


def run(sky, rng, scale, prior, *, shuffled=False):
    """(catalogue stars, right, solved, odds, seconds) of one list."""
    true = random_wcs(rng, scale)
    stars, listed = photographed(rng, open_solver(sky), true)
    if shuffled:
        n = len(stars)
        stars = star_list(rng.uniform(0, WIDTH, n), rng.uniform(0, HEIGHT, n), stars.flux_adu)
    told = rough_prior(rng, true, **prior) if prior else Prior(epoch_year=2024.0)
    started = time.process_time()
    found = solve_stars(stars, WIDTH, HEIGHT, sky, told)
    seconds = time.process_time() - started
    right = found.solved and not shuffled and centre_error_px(found.wcs, true) < 5.0
    return listed, right, found.solved, found.odds_log10, seconds


def table(sky, count, seed):
    for scale, field in ((0.62, "62′ × 41′"), (0.86, "86′ × 57′"), (3.0, "5°"), (12.0, "20°")):
        for name, prior in PRIORS.items():
            rng = np.random.default_rng(seed)
            rows = np.array([run(sky, rng, scale, prior)[:5] for _ in range(count)], dtype=object)
            print(f"\n{field}, {name}, {count} lists")
            print("  stars listed   lists   solved   wrong   median s   95 % s")
            for low, high in GROUPS:
                group = rows[(rows[:, 0] >= low) & (rows[:, 0] <= high)]
                if not len(group):
                    continue
                right, solved = group[:, 1].astype(bool), group[:, 2].astype(bool)
                seconds = group[:, 4].astype(float)
                label = f"{low}" if low == high else f"{low}–{high}" if high < 10**9 else f"≥ {low}"
                print(
                    f"  {label:>12}   {len(group):5d}   {100 * right.mean():5.1f} %"
                    f"   {int((solved & ~right).sum()):5d}   {np.median(seconds):8.4f}"
                    f"   {np.percentile(seconds, 95):6.3f}"
                )


def must_not_solve(sky, count, seed):
    print("\nlists that must not solve (right brightnesses, random places)")
    for name, prior in PRIORS.items():
        rng = np.random.default_rng(seed)
        n = count if prior else max(1, count // 4)
        rows = [run(sky, rng, 0.62, prior, shuffled=True) for _ in range(n)]
        odds = max(r[3] for r in rows if r[3] is not None)
        believed = sum(r[2] for r in rows)
        print(f"  {name:20s} {n:5d} lists, {believed} believed, highest odds 10^{odds:.1f}")


def odds_plot(sky, count, seed, path):
    """Observed share of right answers against the odds claimed, right or refused alike."""
    import matplotlib

    matplotlib.use("Agg")
    import matplotlib.pyplot as plt

    from slowglass.solve import service

    rng = np.random.default_rng(seed)
    catalogue = open_solver(sky)
    claims, rights = [], []
    while len(claims) < count:
        true = random_wcs(rng, 0.62)
        stars, listed = photographed(rng, catalogue, true)
        if not 2 <= listed <= 4:
            continue
        prior = rough_prior(
            rng, true, **PRIORS[("10°, scale ± 5 %", "3°, scale ± 0.5 %")[len(claims) % 2]]
        )
        image = service.image_stars(stars, WIDTH, HEIGHT)
        result = service.hunt(image, catalogue, prior)
        if result.best is None:
            continue
        claims.append(service.odds_against_all(result))
        rights.append(centre_error_px(result.best.wcs, true) < 5.0)
    claims, rights = np.array(claims), np.array(rights)
    edges = np.arange(-6.0, 7.0, 1.0)
    figure, axes = plt.subplots(figsize=(6.4, 4.0), layout="constrained")
    grid = np.linspace(-6, 6, 200)
    axes.plot(grid, 1 / (1 + 10**-grid), color="#7a6a4f", label="what the odds claim")
    print("\n  odds 10^      lists   right   claimed")
    for low in edges[:-1]:
        inside = (claims >= low) & (claims < low + 1.0)
        n, k = int(inside.sum()), int(rights[inside].sum())
        if n == 0:
            continue
        share = (k + 1) / (n + 2)
        error = np.sqrt(share * (1 - share) / (n + 3))
        claimed = float(np.mean(1 / (1 + 10 ** -claims[inside])))
        print(f"  {low:+.0f} … {low + 1:+.0f}   {n:7d}   {k:5d}   {n * claimed:7.1f}")
        axes.errorbar(claims[inside].mean(), k / n, yerr=error, fmt="o", color="#8c2f1b")
    axes.axvline(service.ODDS_NEEDED_LOG10, ls=":", color="#555555")
    axes.annotate(
        "believed from here", (service.ODDS_NEEDED_LOG10 + 0.1, 0.5), rotation=90, va="center"
    )
    axes.set(
        xlabel="claimed odds, log₁₀", ylabel="share of poses that were right",
        title=f"{count} frames with 2, 3 or 4 catalogue stars",
    )  # fmt: skip
    axes.errorbar([], [], yerr=[], fmt="o", color="#8c2f1b", label="observed")
    axes.legend(loc="upper left")
    figure.savefig(path, dpi=110)
    print(f"wrote {path}")


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--count", type=int, default=200)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--odds", action="store_true", help="only the plot of claimed odds")
    options = parser.parse_args()
    sky = open_sky()
    open_solver(sky)
    run(sky, np.random.default_rng(0), 0.62, {})  # compile the kernels
    if options.odds:
        path = Path(__file__).parents[1] / "docs" / "design" / "solve-odds.png"
        odds_plot(sky, options.count, options.seed, path)
        return
    table(sky, options.count, options.seed)
    must_not_solve(sky, options.count, options.seed)
    peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
    print(f"\npeak memory {peak:.0f} MB")


if __name__ == "__main__":
    main()
