"""What would pay most for this person's own frames, with the arithmetic shown."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np

from slowglass.kit.model import Kit, Site
from slowglass.learn.groups import Group, GroupMeasures, Prediction

if TYPE_CHECKING:
    from slowglass.learn.shared import Shared
    from slowglass.sky.store import Sky

BETWEEN_FRAMES_S = 5.0
"""Writing the file and letting the mirror settle between exposures (common practice, no source)."""
GOOD_POLAR_ARCMIN = 2.0
"""What bolts reach with an hour's patience (common practice, no source)."""
EXPOSURES_S = (5.0, 10.0, 15.0, 20.0, 30.0, 45.0, 60.0, 90.0, 120.0, 180.0)
REDUCER = 0.63
MOST_GROUPS = 40
"""The newest object-nights: habits change, and each costs a dozen predictions."""
SEPARATE_STARS = ("open cluster", "asterism", "double star", "red star")
"""Their signal to noise is a star's: it does not compare with that of a glow."""
LEAST_GAIN = 0.03
"""Less than three per cent is not worth a change."""


@dataclass(frozen=True)
class Advice:
    """One change: what it multiplies the signal to noise of an hour by, and how that comes."""

    change: str
    factor: float
    sums: str
    groups: int
    """On so many of the logged object-nights it rests."""

    @property
    def gain_percent(self) -> float:
        """Gain in signal to noise for the same time, per cent."""
        return 100.0 * (self.factor - 1.0)

    def to_json(self) -> dict[str, Any]:
        """A JSON-serialisable mapping."""
        return {
            "change": self.change, "gain_percent": round(self.gain_percent, 1),
            "sums": self.sums, "groups": self.groups,
        }  # fmt: skip


@dataclass(frozen=True)
class _Row:
    group: Group
    measured: GroupMeasures
    now: Prediction


def advise(groups: Sequence[Group], kit: Kit, site: Site, shared: Shared) -> tuple[Advice, ...]:
    """Changes that would have paid on the logged nights, the best first.

    Gains are in signal to noise for the same time at the telescope, the median over the
    newest groups.
    The kit and site should be the corrected ones: advice is only as good as they are.
    """
    rows = []
    for group in groups[-MOST_GROUPS:]:
        now = shared.predict(group, kit, site)
        rows.append(_Row(group, group.measures(predicted_fwhm_arcsec=now.fwhm_arcsec), now))
    if not rows:
        return ()
    found = [
        _polar(rows, kit, site, shared),
        _exposure(rows, kit, site, shared),
        _focus(rows),
        _darker(rows, site),
        _reducer(rows, kit, site, shared),
        *_classes(rows, shared.sky),
    ]
    told = [a for a in found if a is not None and a.factor > 1.0 + LEAST_GAIN]
    return tuple(sorted(told, key=lambda a: -a.factor))


def _rate(p: Prediction, exposure_s: float) -> float:
    """Signal to noise gathered in a second of the night, squared root of frames counted in."""
    return (p.snr or 0.0) * math.sqrt(p.keeper_fraction / (exposure_s + BETWEEN_FRAMES_S))


def _polar(rows: Sequence[_Row], kit: Kit, site: Site, shared: Shared) -> Advice | None:
    now = kit.mount.polar_error_arcmin
    if kit.mount.driven != "ra" or now <= 1.5 * GOOD_POLAR_ARCMIN:
        return None
    mount = kit.mount.model_copy(update={"polar_error_arcmin": GOOD_POLAR_ARCMIN})
    better = kit.model_copy(update={"mount": mount})
    pairs = []
    for row in rows:
        then = shared.predict(row.group, better, site)
        pairs.append((row.now.keeper_fraction, then.keeper_fraction))
    ratio = float(np.median([math.sqrt(max(b, 0.01) / max(a, 0.01)) for a, b in pairs]))
    before, after = (float(np.median([p[i] for p in pairs])) for i in (0, 1))
    return Advice(
        f"Set the polar axis to {GOOD_POLAR_ARCMIN:g}′ (now {now:.0f}′)",
        ratio,
        f"kept frames {before:.0%} → {after:.0%}; signal to noise grows with the root: "
        f"√({after:.2f}/{max(before, 0.01):.2f}) = {ratio:.2f}",
        len(rows),
    )


def _exposure(rows: Sequence[_Row], kit: Kit, site: Site, shared: Shared) -> Advice | None:
    gains, best_s = [], []
    for row in rows:
        if not row.now.snr:
            continue
        rates = {
            s: _rate(_at_exposure(row, s, kit, site, shared), s)
            for s in sorted({*EXPOSURES_S, row.group.exposure_s})
        }
        best = max(rates, key=rates.__getitem__)
        if rates[row.group.exposure_s] <= 0.0:
            continue  # with this mount nothing of that length is kept: told by the review
        gains.append(rates[best] / rates[row.group.exposure_s])
        best_s.append(best)
    if not gains:
        return None
    used = float(np.median([r.group.exposure_s for r in rows]))
    best = float(np.median(best_s))
    factor = float(np.median(gains))
    word = "longer" if best > used else "shorter"
    return Advice(
        f"Expose {best:.0f} s instead of {used:.0f} s",
        factor,
        f"read noise, lost frames and {BETWEEN_FRAMES_S:g} s between frames together favour "
        f"{word} exposures: signal to noise an hour × {factor:.2f}",
        len(gains),
    )


def _at_exposure(row: _Row, exposure_s: float, kit: Kit, site: Site, shared: Shared) -> Prediction:
    group = Group(row.group.night, row.group.object, exposure_s, row.group.frames, None)
    return shared.predict(group, kit, site)


def _focus(rows: Sequence[_Row]) -> Advice | None:
    widths = np.array(
        [f.fwhm_arcsec for r in rows for f in r.group.frames if f.fwhm_arcsec and f.keeper]
    )
    if widths.size < 10:
        return None
    usual, best = float(np.median(widths)), float(np.percentile(widths, 10))
    factor = usual / best
    return Advice(
        "Focus again whenever the stars grow",
        factor,
        f"your sharpest tenth of frames has stars of {best:.1f}″, the usual one {usual:.1f}″; "
        f"a star's signal to noise goes as 1/width: {usual:.1f}/{best:.1f} = {factor:.2f} "
        "(stars; not smooth objects)",
        len(rows),
    )


def _darker(rows: Sequence[_Row], site: Site) -> Advice | None:
    gains, brighter = [], []
    for row in rows:
        measured = row.measured.sky_mag_arcsec2
        p = row.now
        if measured is None or not p.object_e_per_px:
            continue
        excess = site.sky_mag_arcsec2 - measured
        brighter.append(excess)
        fixed = p.object_e_per_px + p.dark_e_per_px + p.read_noise_e**2
        sky_now = p.sky_e_per_px * 10.0 ** (0.4 * (p.sky_mag_arcsec2 - measured))
        sky_then = sky_now * 10.0 ** (-0.4 * max(0.0, excess))
        gains.append(math.sqrt((fixed + sky_now) / (fixed + sky_then)))
    if not gains:
        return None
    factor, excess = float(np.median(gains)), float(np.median(brighter))
    return Advice(
        "Take objects higher up or at a darker hour",
        factor,
        f"your frames' sky was {excess:.1f} mag/arcsec² brighter than this site's zenith without "
        f"Moon; with that sky the noise falls by {factor:.2f}",
        len(gains),
    )


def _reducer(rows: Sequence[_Row], kit: Kit, site: Site, shared: Shared) -> Advice | None:
    tube = kit.optics.model_copy(
        update={"focal_length_mm": max(50.0, kit.optics.focal_length_mm * REDUCER)}
    )
    shorter = kit.model_copy(update={"optics": tube})
    gains = []
    for row in rows:
        if not row.now.snr:
            continue
        then = shared.predict(row.group, shorter, site)
        if not then.snr:
            continue
        # The same patch of sky: signal to noise in a disc of one width goes as the width.
        same = (then.snr / then.fwhm_arcsec) / (row.now.snr / row.now.fwhm_arcsec)
        kept = max(then.keeper_fraction, 0.01) / max(row.now.keeper_fraction, 0.01)
        gains.append(same * math.sqrt(kept))
    if not gains:
        return None
    factor = float(np.median(gains))
    return Advice(
        f"A focal reducer of {REDUCER:g}× (f/{tube.focal_ratio:.1f})",
        factor,
        f"each pixel gathers {1 / REDUCER**2:.1f} times the light over the same read noise, and "
        f"trails shrink: signal to noise of the same patch of sky × {factor:.2f}; finest detail "
        "is lost in turn",
        len(gains),
    )


def _classes(rows: Sequence[_Row], sky: Sky) -> list[Advice]:
    """The class of object that has paid best, against the usual one."""
    by_kind: dict[str, list[float]] = {}
    for row in rows:
        snr = row.measured.snr
        kept = row.measured.keeper_fraction
        kind = sky.objects.get(row.group.object).kind
        if not snr or kept is None or kind in SEPARATE_STARS:
            continue
        rate = snr * math.sqrt(kept / (row.group.exposure_s + BETWEEN_FRAMES_S))
        by_kind.setdefault(kind, []).append(rate)
    if len(by_kind) < 2:
        return []
    middle = {kind: float(np.median(rates)) for kind, rates in by_kind.items()}
    best = max(middle, key=middle.__getitem__)
    usual = float(np.median([rate for rates in by_kind.values() for rate in rates]))
    hour = math.sqrt(3600.0)
    return [
        Advice(
            f"More objects of the class “{best}”",
            middle[best] / usual,
            f"an hour gave them a signal to noise of {middle[best] * hour:.0f}, your usual object "
            f"{usual * hour:.0f}",
            len(by_kind[best]),
        )
    ]
