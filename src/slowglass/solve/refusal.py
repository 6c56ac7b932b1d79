"""Why a frame stays unsolved: what was tried, the likeliest cause with its evidence, the cure."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np

from slowglass.frame.stars import StarList
from slowglass.solve.types import Prior

Cause = Literal["", "scale", "pointing", "trailed", "few seen", "thin catalogue", "unknown"]

NEARBY_DEG = 0.25
THIN = 7.0
"""Catalogue stars to a frame, on average, below which one frame in twelve or more holds less than
four (Poisson: 8 % at 7)."""
FEW_SEEN = 8
LONG = 1.8
"""Elongation from which trailing is named, if the stars agree on its direction."""
AGREED = 0.8
LEAST_MEASURED = 5


@dataclass(frozen=True)
class Elsewhere:
    """A pose outside the prior that the stars do fit."""

    odds_log10: float
    scale_arcsec_per_px: float
    ra_deg: float
    dec_deg: float
    away_deg: float
    """From the place given."""


@dataclass(frozen=True)
class Attempt:
    """What is known when a solve ends without an answer."""

    prior: Prior
    seen: int
    limit_mag: float
    """To which the catalogue is complete."""
    packaged_only: bool
    """No fetched stars reach the whole cone."""
    expected: float | None = None
    """Catalogue stars in such a frame on average round the place given."""
    at_pointing: int | None = None
    matched: int | None = None
    """Of the best pose, with its odds; None when there was no pose."""
    odds_log10: float | None = None
    odds_needed_log10: float = 1.0
    elongation: float | None = None
    """Of stars that agree on the direction of their length; None where they are round."""
    elsewhere: Elsewhere | None = None


def common_elongation(stars: StarList) -> float | None:
    """Major over minor axis of trailed stars; None of stars that are round or at odds."""
    good = np.isfinite(stars.elongation) & np.isfinite(stars.elongation_angle_deg)
    if np.count_nonzero(good) < LEAST_MEASURED:
        return None
    ratio = stars.elongation[good]
    turn = np.exp(2j * np.radians(stars.elongation_angle_deg[good]))
    agreed = float(np.abs(np.mean(turn)))
    middle = float(np.median(ratio))
    return middle if middle >= LONG and agreed >= AGREED else None


def explain(attempt: Attempt) -> tuple[Cause, str]:
    """The likeliest cause, and a line that says what was tried, why it failed and what to do."""
    cause, reasons = _reasons(attempt)
    return cause, "; ".join([_tried(attempt), *reasons])


def _tried(a: Attempt) -> str:
    if a.seen < 2:
        return f"{a.seen} star{'' if a.seen == 1 else 's'} seen, at least 2 needed"
    prior = a.prior
    where = (
        f"within {prior.cone_radius_deg:g}° of the given pointing"
        if prior.has_pointing
        else "over the whole sky"
    )
    if prior.scale_arcsec_per_px is not None:
        where += (
            f" at {prior.scale_arcsec_per_px:.4g}″ per pixel ± {100 * prior.scale_tolerance:.2g} %"
        )
    if a.odds_log10 is None:
        return f"no pose of the {a.seen} stars seen fits the catalogue {where}"
    return (
        f"the best pose found {where} matches only {a.matched} stars of {a.seen} seen: "
        f"odds 10^{a.odds_log10:.1f}, 10^{a.odds_needed_log10:g} needed"
    )


def _reasons(a: Attempt) -> tuple[Cause, list[str]]:
    if a.elsewhere is not None:
        return _fits_elsewhere(a, a.elsewhere)
    found: list[tuple[Cause, str]] = []
    if a.elongation is not None:
        found.append(
            (
                "trailed",
                f"the stars are trailed, {a.elongation:.1f} times as long as wide: expose shorter "
                "or steady the mount",
            )
        )
    missing = a.expected is not None and a.expected >= THIN and a.seen < 0.6 * a.expected
    if a.seen < 2 or missing:
        of = f" where the catalogue has {a.expected:.0f}" if missing else ""
        seen = f"{a.seen} stars seen{of}: " if missing else ""
        found.append(
            ("few seen", f"{seen}cloud, dew, soft focus or too short an exposure; expose longer, "
             "refocus, or wait for the clouds to pass")
        )  # fmt: skip
    if a.prior.has_pointing and a.expected is None:
        found.append(
            (
                "thin catalogue" if (a.at_pointing or 0) < THIN else "unknown",
                f"the catalogue, complete to magnitude {a.limit_mag:.4g}, holds {a.at_pointing} "
                f"stars within {NEARBY_DEG:g}° of the very place given",
            )
        )
    if a.expected is not None and a.expected < THIN:
        found.append(("thin catalogue", _thin(a)))
    elif a.seen < FEW_SEEN and not missing and a.seen >= 2:
        found.append(("few seen", "few stars seen: expose longer, refocus, or check for clouds"))
    elif not found or a.expected is None:
        found.append(("unknown", _open_question(a)))
    return found[0][0], [text for _, text in found]


def _fits_elsewhere(a: Attempt, there: Elsewhere) -> tuple[Cause, list[str]]:
    sure = f"(odds 10^{there.odds_log10:.0f})"
    if there.away_deg > a.prior.cone_radius_deg:
        return "pointing", [
            f"the stars fit {there.away_deg:.1f}° from the given pointing {sure}, at "
            f"{there.ra_deg:.2f} {there.dec_deg:+.2f}: give that place, or widen the radius"
        ]
    return "scale", [
        f"the stars fit at {there.scale_arcsec_per_px:.4g}″ per pixel {sure}: the scale given is "
        "off; give that one"
    ]


def _thin(a: Attempt) -> str:
    text = (
        f"the catalogue, complete to magnitude {a.limit_mag:.4g}, holds {a.expected:.1f} stars in "
        f"such a frame on average here, {a.at_pointing} round the very place given; where it "
        "holds less than four, a closer pointing (smaller radius), an exact scale or a known "
        "camera angle is needed, and with none no frame can be placed"
    )
    if a.packaged_only:
        text += "; slowglass sky deepen fetches fainter stars for such frames, once, online"
    return text


def _open_question(a: Attempt) -> str:
    scaled = a.prior.scale_arcsec_per_px is not None
    if a.prior.has_pointing and scaled:
        return "widen the radius, or leave the scale out, if either may be wrong"
    if a.prior.has_pointing:
        return (
            "a frame that holds fewer than five of them cannot be placed without its pixel scale: "
            "give it, or widen the radius if the pointing may be wrong"
        )
    if scaled:
        return "give a rough pointing, or leave the scale out if it may be wrong"
    return (
        "frames under half a degree often hold less than the five catalogue stars this needs: "
        "give a rough pointing and the pixel scale"
    )
