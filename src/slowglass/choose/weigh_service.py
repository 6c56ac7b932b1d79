"""Kits weighed at a site over a year: counts, best objects, costs, and what one change opens up."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, date, datetime
from typing import Any

import numpy as np

from slowglass.choose.compare import KitFacts, kit_facts
from slowglass.choose.framing import size_words
from slowglass.choose.pool import pool_of
from slowglass.choose.sift import members_of
from slowglass.choose.weigh import (
    CLASSES,
    GONE,
    NEVER,
    ONE_EXPOSURE,
    Bench,
    ClassCount,
    Outcome,
    best_of_year,
    count_classes,
    new_moon_nights,
    weigh,
    weighing_rows,
)
from slowglass.choose.weigh_words import verdict_words
from slowglass.errors import UsageError
from slowglass.find.hour import coming_night
from slowglass.kit.model import Kit, Site
from slowglass.progress import Report, silent
from slowglass.sky.store import Sky

BEST, BEST_OF_CLASS = 10, 3
EXAMPLES = 5
MOST_KITS = 6


@dataclass(frozen=True)
class BestObject:
    """One of a kit's finest objects of the year."""

    id: str
    title: str
    kind: str
    score: float
    exposure_s: float
    done: str
    """"in one exposure" or "in one night"."""
    text: str


@dataclass(frozen=True)
class Change:
    """What one change to the kit (or the site) would open up, and what it would cost."""

    name: str
    opens: int
    closes: int
    examples: tuple[str, ...]
    text: str


@dataclass(frozen=True)
class KitWeight:
    """One kit weighed: what it is, what it does, its best objects, and what would help."""

    facts: KitFacts
    classes: tuple[ClassCount, ...]
    objects: int
    done: int
    best: tuple[BestObject, ...]
    changes: tuple[Change, ...]
    decent: bool
    """Whether it takes decent pictures at all."""
    verdict: str
    wins: str
    loses: str

    def as_json(self) -> dict[str, Any]:
        """The weight with the names of the machine output."""
        plain = dict(vars(self))
        plain["classes"] = [
            {**vars(count), "done": count.done, "up": count.up, "share": round(count.share, 3)}
            for count in self.classes
        ]
        return plain


@dataclass(frozen=True)
class Weighing:
    """Kits side by side at one site."""

    site: str
    first_night: date
    kits: tuple[KitWeight, ...]
    text: str
    """What the comparison comes to; of a single kit, its verdict."""


def weigh_kits(
    kits: Sequence[Kit],
    site: Site,
    sky: Sky,
    *,
    first: date | None = None,
    report: Report = silent,
) -> Weighing:
    """One or more kits weighed over the year from ``first`` (or the coming night) on."""
    if not kits:
        raise UsageError("no kit to weigh", "name one or more kit files")
    if len(kits) > MOST_KITS:
        raise UsageError(f"{len(kits)} kits are too many to set side by side", f"take {MOST_KITS}")
    begin = coming_night(site, datetime.now(UTC)).date if first is None else first
    stages = 1 + len(kits)
    report("weigh: the year's skies", 0, stages)
    columns = weighing_rows(pool_of(sky).columns)
    nights = new_moon_nights(begin)
    bench = Bench(columns, best_of_year(columns, nights, site=site), members_of(columns, sky.stars))
    darker = site.model_copy(update={"sky_mag_arcsec2": min(22.0, site.sky_mag_arcsec2 + 1.0)})
    dark_bench = Bench(columns, best_of_year(columns, nights, site=darker), bench.members)
    weights = []
    for number, kit in enumerate(kits, 1):
        report(f"weigh: {kit.name}", number, stages)
        weights.append(_weight(kit, site, sky, bench, darker, dark_bench))
    report("weigh: done", stages, stages)
    found = tuple(weights)
    return Weighing(site.name, begin, found, _compared(found))


def _weight(
    kit: Kit, site: Site, sky: Sky, bench: Bench, darker: Site, dark_bench: Bench
) -> KitWeight:
    outcome = weigh(bench, kit=kit, site=site)
    classes = count_classes(bench.columns, outcome)
    done = sum(count.done for count in classes)
    facts = kit_facts(kit, site)
    decent, verdict, wins, loses = verdict_words(kit, site, facts, classes)
    changes = []
    for name, changed in possible_changes(kit):
        changes.append(_change(name, outcome, weigh(bench, kit=changed, site=site), bench))
    if darker.sky_mag_arcsec2 > site.sky_mag_arcsec2:
        name = f"a site {darker.sky_mag_arcsec2 - site.sky_mag_arcsec2:.1f} magnitudes darker"
        changes.append(_change(name, outcome, weigh(dark_bench, kit=kit, site=darker), bench))
    changes = [change for change in changes if change.opens or change.closes]
    changes.sort(key=lambda change: change.closes - change.opens)
    return KitWeight(
        facts,
        classes,
        sum(count.total for count in classes),
        done,
        tuple(_best(bench, outcome, sky)),
        tuple(changes),
        decent,
        verdict,
        wins,
        loses,
    )


def _best(bench: Bench, outcome: Outcome, sky: Sky) -> list[BestObject]:
    """The finest, no more than some of each class, so that the list shows the kit's range."""
    columns = bench.columns
    found: list[BestObject] = []
    seen: set[str] = set()
    of_class: Counter[str] = Counter()
    for i in np.argsort(-outcome.score, kind="stable").tolist():
        if len(found) == BEST or outcome.score[i] <= 0.0:
            break
        identity, kind = str(columns["id"][i]), str(columns["kind"][i])
        group = next(name for name, kinds in CLASSES.items() if kind in kinds)
        if identity in seen or of_class[group] == BEST_OF_CLASS:
            continue
        seen.add(identity)
        of_class[group] += 1
        major, minor = float(columns["major_arcmin"][i]), float(columns["minor_arcmin"][i])
        exposure = float(outcome.measures.exposure_s[i])
        how = "in one exposure" if outcome.done[i] == ONE_EXPOSURE else "in one night"
        single = float(outcome.measures.snr_single[i])
        found.append(
            BestObject(
                identity,
                sky.objects.get(identity).title,
                str(columns["catalogued"][i]),
                round(float(outcome.score[i]), 3),
                exposure,
                how,
                f"{size_words(major, minor if minor > 0 else major)}, signal to noise "
                f"{single:.0f} in one exposure of {exposure:.0f} s",
            )
        )
    return found


def possible_changes(kit: Kit) -> list[tuple[str, Kit]]:
    """Single changes worth weighing for a kit, each with the kit as it would be."""

    def with_part(part: str, **changes: Any) -> Kit:
        own = getattr(kit, part)
        return kit.model_copy(update={part: own.model_copy(update=changes)})

    optics, camera, mount = kit.optics, kit.camera, kit.mount
    found: list[tuple[str, Kit]] = []
    if optics.focal_ratio > 5.0:
        reduced = optics.model_copy(
            update={
                "focal_length_mm": 0.63 * optics.focal_length_mm,
                "transmission": 0.95 * optics.transmission,
            }
        )
        found.append(("a 0.63× reducer", kit.model_copy(update={"optics": reduced})))
    if camera.width_px * camera.pixel_um < 33_000.0:
        scale = 36_000.0 / (camera.width_px * camera.pixel_um)
        larger = {
            "width_px": round(camera.width_px * scale),
            "height_px": round(camera.height_px * scale),
        }
        found.append(("a sensor 36 mm wide", with_part("camera", **larger)))
    if camera.read_noise_e > 1.5 or camera.quantum_efficiency < 0.7:
        quiet = {
            "read_noise_e": min(1.3, camera.read_noise_e),
            "quantum_efficiency": max(0.8, camera.quantum_efficiency),
            "dark_e_per_s": min(0.005, camera.dark_e_per_s),
        }
        found.append(("a quieter, more sensitive camera", with_part("camera", **quiet)))
    if mount.driven == "none":
        motor = {"driven": "ra", "periodic_error_arcsec": 20.0, "polar_error_arcmin": 15.0}
        found.append(("a motor on the polar axis", with_part("mount", **motor)))
        return found
    if mount.polar_error_arcmin > 3.0:
        found.append(("the polar axis within 2′", with_part("mount", polar_error_arcmin=2.0)))
    if mount.periodic_error_arcsec > 2.0:
        half = mount.periodic_error_arcsec / 2.0
        found.append(("half the worm's error", with_part("mount", periodic_error_arcsec=half)))
        steady = {"periodic_error_arcsec": 0.5, "polar_error_arcmin": 1.0}
        found.append(("a mount that corrects itself on a star", with_part("mount", **steady)))
    return found


def _change(name: str, before: Outcome, after: Outcome, bench: Bench) -> Change:
    gained = np.flatnonzero((before.done == NEVER) & (after.done != NEVER))
    lost = np.flatnonzero((before.done != NEVER) & (after.done == NEVER))
    order = gained[np.argsort(-after.score[gained], kind="stable")]
    examples = tuple(dict.fromkeys(bench.columns["name"][order].tolist()))[:EXAMPLES]
    text = f"{name} opens {len(gained)} objects"
    if examples:
        text += f", {', '.join(examples)} first"
    if len(lost):
        reasons = [GONE[i] for i in after.why[lost].tolist()]
        commonest = max(set(reasons), key=reasons.count)
        text += f"; {len(lost)} would be lost, most of them {commonest}"
    return Change(name, len(gained), len(lost), examples, text)


def _compared(kits: tuple[KitWeight, ...]) -> str:
    if len(kits) == 1:
        return kits[0].verdict
    ranked = sorted(kits, key=lambda k: -k.done)
    top, rest = ranked[0], ranked[1:]
    parts = [f"{top.facts.name} does most: {top.done} of {top.objects} objects."]
    for other in rest:
        better = _classes_ahead(other, top)
        many = f"{other.done}" if other.done < top.done else "as many"
        line = f"{other.facts.name} does {many}"
        line += f", yet is ahead in {better}." if better else "."
        parts.append(line)
    quick = min(kits, key=lambda k: k.facts.surface_minutes)
    sharp = min(kits, key=lambda k: k.facts.detail_minutes)
    if quick is not sharp:
        parts.append(
            f"For faint glows {quick.facts.name} needs least time; for small detail "
            f"{sharp.facts.name} does."
        )
    else:
        parts.append(f"{quick.facts.name} needs least time for faint glows and for small detail.")
    priced = {kit.facts.name: kit.done / kit.facts.price for kit in kits if kit.facts.price}
    if len(priced) == len(kits):
        parts.append(f"For its price {max(priced, key=priced.__getitem__)} does most.")
    return " ".join(parts)


def _classes_ahead(kit: KitWeight, other: KitWeight) -> str:
    ahead = [
        mine.name
        for mine, theirs in zip(kit.classes, other.classes, strict=True)
        if mine.done > theirs.done
    ]
    return " and ".join([", ".join(ahead[:-1]), ahead[-1]] if len(ahead) > 1 else ahead)
