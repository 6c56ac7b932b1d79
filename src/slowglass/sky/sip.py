"""TAN coordinates with the SIP polynomial distortion of lenses and reducers.

Source: Shupe et al. 2005, ASP Conference Series 347, 491 (the SIP convention).
"""

from __future__ import annotations

import math
import re
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt

from slowglass.sky.wcs import Floats, TanWcs, deproject_tan

Terms = tuple[tuple[int, int, float], ...]
"""(p, q, coefficient) of u^p v^q, with 2 ≤ p + q."""

_INVERSE_STEPS = 20


def polynomial(terms: Terms, u: Floats, v: Floats) -> Floats:
    """Value of a distortion polynomial at pixel offsets from the reference pixel."""
    total = np.zeros(np.broadcast(u, v).shape)
    for p, q, coefficient in terms:
        total = total + coefficient * u**p * v**q
    return np.asarray(total)


@dataclass(frozen=True)
class SipWcs(TanWcs):
    """A TAN solution whose pixel offsets are first bent by polynomials (A for x, B for y)."""

    a: Terms = ()
    b: Terms = ()
    reach_px: float = 0.0
    """Distance from the reference pixel to which the polynomials were fitted; beyond one and a
    half times this they are not followed, for a cubic soon runs wild."""

    def _bent(self, u: Floats, v: Floats) -> tuple[Floats, Floats]:
        r = np.hypot(u, v)
        limit = 1.5 * self.reach_px
        shrink = np.where(r > limit, limit / np.maximum(r, 1e-9), 1.0)
        us, vs = u * shrink, v * shrink
        return u + polynomial(self.a, us, vs), v + polynomial(self.b, us, vs)

    def pixel_to_sky(self, x_px: npt.ArrayLike, y_px: npt.ArrayLike) -> tuple[Floats, Floats]:
        """ICRS (ra, dec) in degrees of pixel positions."""
        u = np.asarray(x_px, dtype=np.float64) - self.crpix_x
        v = np.asarray(y_px, dtype=np.float64) - self.crpix_y
        f, g = self._bent(u, v)
        (a, b), (c, d) = self.cd
        return deproject_tan(a * f + b * g, c * f + d * g, self.ra0_deg, self.dec0_deg)

    def sky_to_pixel(self, ra_deg: npt.ArrayLike, dec_deg: npt.ArrayLike) -> tuple[Floats, Floats]:
        """Pixel (x, y) of sky positions, by fixed-point iteration; NaN on the far hemisphere."""
        x, y = super().sky_to_pixel(ra_deg, dec_deg)
        f, g = x - self.crpix_x, y - self.crpix_y
        u, v = f, g
        for _ in range(_INVERSE_STEPS):
            bent_u, bent_v = self._bent(u, v)
            step_u, step_v = f - bent_u, g - bent_v
            u, v = u + step_u, v + step_v
            if np.nanmax(np.hypot(step_u, step_v), initial=0.0) < 1e-7:
                break
        return u + self.crpix_x, v + self.crpix_y

    def to_header(self) -> dict[str, float | str | int]:
        """FITS WCS cards with the A and B polynomials, first pixel at (1, 1)."""
        cards = super().to_header()
        cards |= {"CTYPE1": "RA---TAN-SIP", "CTYPE2": "DEC--TAN-SIP"}
        for name, terms in (("A", self.a), ("B", self.b)):
            cards[f"{name}_ORDER"] = max((p + q for p, q, _ in terms), default=2)
            for p, q, coefficient in terms:
                cards[f"{name}_{p}_{q}"] = coefficient
        return cards


def bent_by_cards(wcs: TanWcs, cards: Mapping[str, Any]) -> TanWcs:
    """The solution with the A and B polynomials of its FITS cards, where they state any.

    They are followed everywhere, as the convention says; a damaged term leaves all out.
    """
    if "SIP" not in str(cards.get("CTYPE1", "")).upper():
        return wcs
    found: dict[str, list[tuple[int, int, float]]] = {"A": [], "B": []}
    for key, value in cards.items():
        match = re.fullmatch(r"([AB])_(\d)_(\d)", str(key))
        if match is None:
            continue
        try:
            coefficient = float(value)
        except (TypeError, ValueError):
            return wcs
        if not math.isfinite(coefficient):
            return wcs
        found[match[1]].append((int(match[2]), int(match[3]), coefficient))
    return SipWcs(
        wcs.ra0_deg, wcs.dec0_deg, wcs.crpix_x, wcs.crpix_y, wcs.cd,
        a=tuple(found["A"]), b=tuple(found["B"]), reach_px=math.inf,
    )  # fmt: skip
