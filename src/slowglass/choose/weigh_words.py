"""What a weighing comes to, said plainly: yes or no, where the kit wins and loses, and why."""

from __future__ import annotations

from slowglass.choose.compare import KitFacts
from slowglass.choose.weigh import ClassCount
from slowglass.kit.model import Kit, Site

DECENT_OBJECTS = 40
"""So many objects done well are a year of clear nights: then the answer is yes."""
STRONG_SHARE, WEAK_SHARE = 0.5, 0.2
QUICK_RATIO = 5.0
SLOW_RATIO = 8.0
WORDS = {
    "too low": "never clear the skyline in the dark",
    "too large": "are too large for the frame",
    "too small": "are no more than dots",
    "too faint": "are too faint",
    "mount": "would need a steadier mount",
}


def verdict_words(
    kit: Kit, site: Site, facts: KitFacts, classes: tuple[ClassCount, ...]
) -> tuple[bool, str, str, str]:
    """Whether it takes decent pictures, the verdict, where it wins and where it loses."""
    done = sum(count.done for count in classes)
    single = sum(count.one_exposure for count in classes)
    total = sum(count.total for count in classes)
    decent = done >= DECENT_OBJECTS
    if decent:
        verdict = (
            f"Yes. Over a year at {site.name} {kit.name} does {done} of {total} objects well, "
            f"{single} of them in a single exposure."
        )
    elif done:
        verdict = (
            f"Hardly. Over a year at {site.name} {kit.name} does only {done} of {total} objects "
            "well: the brightest are worth a try."
        )
    else:
        verdict = f"No. At {site.name} {kit.name} does none of {total} objects well."
    return decent, verdict, _wins(facts, classes), _loses(kit, facts, classes)


def _wins(facts: KitFacts, classes: tuple[ClassCount, ...]) -> str:
    strong = sorted((c for c in classes if c.share >= STRONG_SHARE), key=lambda c: -c.share)
    if not strong:
        best = max(classes, key=lambda c: c.share)
        if not best.done:
            return ""
        return f"Of those that come up it does best on {best.name}: {best.done} of {best.up}."
    told = _listed([f"{c.done} of {c.up} {c.name}" for c in strong])
    text = f"Of those that come up it wins on {told}."
    if any(c.name == "planetary nebulae" for c in strong):
        text += f" An object of 1′ is {60.0 / facts.scale_arcsec_per_px:.0f} pixels wide."
    return text


def _loses(kit: Kit, facts: KitFacts, classes: tuple[ClassCount, ...]) -> str:
    shared = sorted((c for c in classes if c.up), key=lambda c: c.share)
    weak = [_lost(c) for c in shared if c.share < WEAK_SHARE]
    middling = [_lost(c) for c in shared if WEAK_SHARE <= c.share < STRONG_SHARE]
    text = f"It loses on {'; on '.join(weak)}." if weak else ""
    if middling:
        text += f" In between: {'; '.join(middling)}."
    if facts.focal_ratio >= SLOW_RATIO:
        factor = (facts.focal_ratio / QUICK_RATIO) ** 2
        text += (
            f" At f/{facts.focal_ratio:.1f} a pixel takes {factor:.1f} times as long to fill from "
            f"a glow as at f/{QUICK_RATIO:g}: large faint nebulae are for quicker tubes."
        )
    if facts.limit == "tracking" and facts.time_cost > 1.5:
        text += (
            f" The mount binds: exposures of {facts.exposure_s:g} s cost {facts.time_cost:.1f} "
            "times the hours of an ideal night."
        )
    elif facts.limit == "read noise":
        text += (
            f" Read noise binds: even {facts.exposure_s:g} s cost {facts.time_cost:.1f} times the "
            "hours of an ideal night."
        )
    if kit.mount.driven == "none":
        text += f" Without a motor stars stay round for {facts.hold_s:.1f} s only."
    return text.strip()


def _lost(count: ClassCount) -> str:
    """What it does of a class, and the two commonest reasons for the rest."""
    reasons = sorted(
        ((n, word) for word, n in count.why.items() if word != "too low"), reverse=True
    )
    why = _listed([f"{n} {WORDS[word]}" for n, word in reasons[:2]])
    return f"{count.name}, {count.done} of {count.up} done: {why}"


def _listed(items: list[str]) -> str:
    return " and ".join([", ".join(items[:-1]), items[-1]] if len(items) > 1 else items)
