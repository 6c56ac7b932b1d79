"""Write docs/design/messier-routes.md: the hop to each Messier object from both example sites.

    python builders/messier_routes.py

Each object is taken at its best moment of the year's darkness: the middle of the night of the
month in which it culminates highest, or not at all where it never clears the skyline.
"""

from __future__ import annotations

from datetime import UTC, date, datetime
from functools import lru_cache
from pathlib import Path

import numpy as np

from slowglass.find.hour import darkest_window, moments_between, site_night, windows
from slowglass.find.result import Route
from slowglass.find.service import route_to
from slowglass.kit.io import load_kit, load_site
from slowglass.kit.model import Site
from slowglass.sky.place import resolve_place
from slowglass.sky.store import Sky, open_sky

PAGE = Path(__file__).resolve().parents[1] / "docs" / "design" / "messier-routes.md"
KIT, SITES = "long 102", ("Fig Tree Yard", "Karri Flat")
HEAD = """# Routes to the 110 Messier objects

Written by `builders/messier_routes.py` with the kit *long 102* (eyepiece field 57.7′, longest leg
51.9′) from both example sites, without Moon, each object at its highest in a dark night of its best
month of 2026. *Anchor*: the star one starts at; *moves*: the number of legs; *worst*: the largest
ambiguity of a place walked over (0 unique in its surroundings, 0.5 one twin, 0.67 two). A dash:
never clear of the skyline in darkness.

"""


@lru_cache(maxsize=4)
def dark_windows(site: Site) -> list[tuple[datetime, datetime]]:
    """Darkness of the new-moon nights of 2026."""
    found = [darkest_window(site_night(site, night)) for night in NEW_MOONS]
    return [window for window in found if window is not None]


def best_moment(site: Site, ra_deg: float, dec_deg: float) -> datetime | None:
    """Highest moment in the darkness of the new-moon nights of a year, or None if never up."""
    best: tuple[float, datetime] | None = None
    for window in dark_windows(site):
        up = windows(ra_deg, dec_deg, moments_between(*window), site=site)
        if up.minutes_up[0] > 0 and (best is None or up.altitude_deg[0] > best[0]):
            best = float(up.altitude_deg[0]), datetime.fromtimestamp(float(up.unix_s[0]), UTC)
    return None if best is None else best[1]


# New moons of 2026 (US Naval Observatory, Phases of the Moon), to the day.
NEW_MOONS = [
    date(2026, m, d)
    for m, d in (
        (1, 18), (2, 17), (3, 19), (4, 17), (5, 16), (6, 15), (7, 14), (8, 12), (9, 11), (10, 10),
        (11, 9), (12, 9),
    )
]  # fmt: skip


def routes(site: Site, sky: Sky) -> dict[int, Route | None]:
    """The route to each object at its best, None for one that is never up."""
    kit = load_kit(KIT)
    found: dict[int, Route | None] = {}
    for number in range(1, 111):
        place = resolve_place(f"M{number}", sky)
        when = best_moment(site, place.ra_deg, place.dec_deg)
        found[number] = None if when is None else route_to(kit, site, sky, place, when=when)
    return found


def row(route: Route | None) -> str:
    """The cells of one site: anchor, moves, worst ambiguity."""
    if route is None:
        return "– | – | –"
    if not route.legs:
        return "no hop | – | –"
    anchor = (
        route.anchor_title
        if route.anchor_title == route.anchor
        else (f"{route.anchor} ({route.anchor_mag:.1f})")
    )
    return f"{anchor} | {len(route.legs)} | {route.worst_ambiguity:.2f}"


def summary(name: str, found: dict[int, Route | None]) -> str:
    """One site in a sentence."""
    walked = [r for r in found.values() if r is not None and r.legs]
    up = sum(r is not None for r in found.values())
    legs = np.array([len(r.legs) for r in walked])
    worst = np.array([r.worst_ambiguity for r in walked])
    stops = np.array([leg.ambiguity for r in walked for leg in r.legs[:-1]])
    return (
        f"- {name}: {up} clear the skyline, {len(walked)} have a hop; moves: median "
        f"{np.median(legs):.0f}, nine in ten up to {np.percentile(legs, 90):.0f}, most "
        f"{legs.max()}; "
        f"worst ambiguity: median {np.median(worst):.2f}, most {worst.max():.2f}; places without a "
        f"twin (below 0.3): {np.mean(stops < 0.3):.0%} of {len(stops)}.\n"
    )


def page() -> str:
    """The whole page."""
    sky = open_sky()
    tables = {name: routes(load_site(name), sky) for name in SITES}
    text = HEAD + "".join(summary(name, found) for name, found in tables.items()) + "\n"
    text += "| | " + " | ".join(f"{name}: anchor | moves | worst" for name in SITES) + " |\n"
    text += "|---|" + "---|---:|---:|" * len(SITES) + "\n"
    for number in range(1, 111):
        cells = " | ".join(row(tables[name][number]) for name in SITES)
        text += f"| M{number} | {cells} |\n"
    return text


if __name__ == "__main__":
    PAGE.write_text(page(), encoding="utf-8")
