"""What a field report says, before anybody lays it out."""

from __future__ import annotations

import tomllib
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING

from slowglass.errors import ConfigError, NothingUseful
from slowglass.frame.atomic import replacing
from slowglass.learn.fieldreport.pictures import ReportPicture, object_pictures
from slowglass.learn.groups import groups_of
from slowglass.learn.logbook.records import LoggedNote, LoggedPicture, Night
from slowglass.learn.review import GroupReview, review_groups
from slowglass.learn.shared import Shared
from slowglass.progress import Report, silent

if TYPE_CHECKING:
    from slowglass.kit.model import Kit, Site
    from slowglass.learn.logbook.store import Logbook
    from slowglass.sky.store import Sky

WELL, FAIRLY = 50.0, 20.0
"""Signal to noise of the kept frames together: a good picture, a fair one (common practice, no
source)."""


@dataclass(frozen=True)
class ObjectPart:
    """One object of the report. ``caption`` is the person's to change."""

    key: str
    title: str
    kind: str
    caption: str
    facts: tuple[tuple[str, str], ...]
    worked: tuple[str, ...]
    failed: tuple[str, ...]
    pictures: tuple[ReportPicture, ...]


@dataclass(frozen=True)
class FieldReport:
    """A whole report, ready for any layout. ``opening`` is the person's to change."""

    title: str
    opening: str
    kit: tuple[tuple[str, str], ...]
    place: tuple[tuple[str, str], ...]
    objects: tuple[ObjectPart, ...]
    classes: tuple[tuple[str, str], ...]
    """Verdict for each class of object."""
    notes: tuple[str, ...]


def make_report(
    logbook: Logbook,
    kit: Kit,
    site: Site,
    sky: Sky,
    *,
    evening: str | None = None,
    exact_place: bool = False,
    report: Report = silent,
) -> FieldReport:
    """The report of a night, or with ``evening`` None of all the kit's nights at the site.

    The site's coordinates are blurred to a whole degree unless ``exact_place``.
    """
    groups = groups_of(logbook, kit=kit.name, site=site.name)
    groups = [g for g in groups if evening is None or g.night.evening == evening]
    if not groups:
        when = f" on {evening}" if evening else ""
        raise NothingUseful(
            f"the logbook has no light frames of {kit.name} at {site.name}{when}",
            "log a night first: slowglass learn log FOLDER",
        )
    reviews = review_groups(groups, kit, site, Shared(sky))
    by_object: dict[str, list[GroupReview]] = {}
    for review in reviews:
        by_object.setdefault(review.group.object, []).append(review)
    parts = []
    for done, (name, mine) in enumerate(by_object.items()):
        report(f"report: {name}", done, len(by_object))
        parts.append(_object_part(logbook, name, mine, kit, site, sky))
    report("report", len(by_object), len(by_object))
    evenings = sorted({g.night.evening for g in groups})
    # A garden's name may give it away as its coordinates would.
    title = f"{kit.name} at {site.name}" if exact_place else kit.name
    when = evenings[0] if len(evenings) == 1 else f"{evenings[0]} to {evenings[-1]}"
    frames = sum(r.measured.frames for r in reviews)
    kept = sum(sum(f.keeper for f in g.frames) for g in groups)
    return FieldReport(
        title=f"{title}, {when}",
        opening=f"{_count(len(by_object), 'object')}, {_count(frames, 'frame')}, {kept} kept.",
        kit=kit_facts(kit),
        place=place_facts(site, exact=exact_place),
        objects=tuple(parts),
        classes=class_verdicts(reviews, sky),
        notes=_notes(logbook, evenings),
    )


def kit_facts(kit: Kit) -> tuple[tuple[str, str], ...]:
    """The kit in plain physics, with its price where the kit file states one."""
    tube, camera, mount = kit.optics, kit.camera, kit.mount
    rows = [
        ("Telescope", f"{tube.aperture_mm:g} mm, {tube.focal_length_mm:g} mm (f/"
                      f"{tube.focal_ratio:.1f})"),
        ("Camera", f"{camera.width_px} × {camera.height_px} px of {camera.pixel_um:g} µm"),
        ("Field", f"{kit.field_width_deg * 60:.0f}′ × {kit.field_height_deg * 60:.0f}′, "
                  f"{kit.scale_arcsec_per_px:.2f}″ a pixel"),
        ("Mount", "motor in right ascension, not guided" if mount.driven == "ra" else "no motor"),
    ]  # fmt: skip
    if kit.price is not None:
        rows.append(("Cost", f"{kit.price:g}"))
    return tuple(rows)


def place_facts(site: Site, *, exact: bool) -> tuple[tuple[str, str], ...]:
    """The site; coordinates to a whole degree unless ``exact``, so that no garden is found."""
    places = 4 if exact else 0
    north = "N" if site.latitude_deg >= 0 else "S"
    east = "E" if site.longitude_deg >= 0 else "W"
    where = (
        f"{abs(site.latitude_deg):.{places}f}° {north}, "
        f"{abs(site.longitude_deg):.{places}f}° {east}"
    )
    return (
        ("Place", where if exact else f"about {where}"),
        ("Sky", f"{site.sky_mag_arcsec2:.1f} mag/arcsec² at the zenith"),
        ("Seeing", f"usually {site.seeing_arcsec:.1f}″"),
    )


def class_verdicts(reviews: Sequence[GroupReview], sky: Sky) -> tuple[tuple[str, str], ...]:
    """What each class of object came to, in a line."""
    kinds: dict[str, list[tuple[str, float]]] = {}
    for review in reviews:
        thing = sky.objects.get(review.group.object)
        total = _total_snr(review)
        if total is not None:
            kinds.setdefault(thing.kind, []).append((thing.name, total))
    rows = []
    for kind, found in sorted(kinds.items()):
        best = max(total for _, total in found)
        word = "does well" if best >= WELL else "fair" if best >= FAIRLY else "too faint so far"
        names = ", ".join(f"{name} (S/N {total:.0f})" for name, total in found)
        rows.append((kind, f"{word}: {names}"))
    return tuple(rows)


def with_captions(found: FieldReport, path: Path) -> FieldReport:
    """The report with the captions of a TOML file; the file is made where there is none.

    An unknown or missing key is no fault: objects come and go between two makings.
    """
    if not path.exists():
        write_captions(found, path)
        return found
    try:
        values = tomllib.loads(path.read_text(encoding="utf-8-sig"))
    except (tomllib.TOMLDecodeError, UnicodeDecodeError, OSError) as error:
        raise ConfigError(f"{path} cannot be read: {error}", "correct that line") from None
    captions = values.get("captions", {})
    texts = {"title": values.get("title", found.title), "opening": values.get("opening", "")}
    bad = [key for key, text in {**texts, **_mapping(captions, path)}.items()
           if not isinstance(text, str)]  # fmt: skip
    if bad:
        raise ConfigError(f"{path}: {bad[0]} is not a text", "put it in quotes")
    objects = tuple(replace(p, caption=captions.get(p.key, p.caption)) for p in found.objects)
    return replace(found, **texts, objects=objects)


def write_captions(found: FieldReport, path: Path) -> Path:
    """Path of the file of title, opening and captions, made for editing."""
    import tomlkit

    document = tomlkit.document()
    document.add(tomlkit.comment("Change these texts and make the report again."))
    document.add("title", found.title)
    document.add("opening", found.opening)
    captions = tomlkit.table()
    for part in found.objects:
        captions.add(part.key, part.caption)
    document.add("captions", captions)
    with replacing(path) as temporary:
        temporary.write_text(tomlkit.dumps(document), encoding="utf-8")
    return path


def _mapping(value: object, path: Path) -> Mapping[str, object]:
    if not isinstance(value, Mapping):
        raise ConfigError(f"{path}: captions is not a block", "write it as [captions]")
    return value


def _object_part(
    logbook: Logbook,
    name: str,
    reviews: Sequence[GroupReview],
    kit: Kit,
    site: Site,
    sky: Sky,
) -> ObjectPart:
    thing = sky.objects.get(name)
    finished = logbook.all(LoggedPicture, object=name)
    review = max(reviews, key=lambda r: r.measured.frames)
    measured, predicted = review.measured, review.predicted
    total = _total_snr(review)
    facts = [
        ("Frames", f"{measured.frames} × {review.group.exposure_s:g} s, "
                   f"{sum(f.keeper for f in review.group.frames)} kept"),
    ]  # fmt: skip
    if predicted.snr is not None:
        got = "–" if measured.snr is None else f"{measured.snr:.0f}"
        facts.append(("S/N of one frame", f"predicted {predicted.snr:.0f}, measured {got}"))
    if total is not None:
        facts.append(("S/N of the kept frames together", f"{total:.0f}"))
    if measured.fwhm_arcsec is not None:
        facts.append(("Stars", f"{measured.fwhm_arcsec:.1f}″ wide"))
    worked, failed = _for_and_against(review)
    return ObjectPart(
        key=name,
        title=thing.title,
        kind=thing.kind,
        caption=f"{thing.title}, {thing.kind} in {thing.constellation}.",
        facts=tuple(facts),
        worked=worked,
        failed=failed,
        pictures=object_pictures(
            thing, review, finished[-1] if finished else None, kit=kit, site=site, sky=sky
        ),
    )


def _for_and_against(review: GroupReview) -> tuple[tuple[str, ...], tuple[str, ...]]:
    """What went as well as promised or better, and what did not."""
    well, badly = [], []
    for row in review.rows:
        ratio = row.ratio
        if ratio is None or row.in_magnitudes:
            continue
        better = ratio if row.quantity != "Star width (FWHM)" else 1.0 / ratio
        if better >= 0.95:
            well.append(row.quantity.lower())
    for miss in review.misses:
        if miss.factor < 1:
            badly.append(miss.text)
    lines = [f"as promised or better: {', '.join(well)}"] if well else []
    return tuple(lines), tuple(badly)


def _total_snr(review: GroupReview) -> float | None:
    kept = sum(f.keeper for f in review.group.frames)
    single = review.measured.snr
    return None if single is None or kept == 0 else single * kept**0.5


def _count(number: int, word: str) -> str:
    return f"{number} {word}" if number == 1 else f"{number} {word}s"


def _notes(logbook: Logbook, evenings: Sequence[str]) -> tuple[str, ...]:
    nights = {n.id: n.evening for n in logbook.all(Night)}
    return tuple(
        f"{nights[note.night_id]}: {note.text}"
        for note in logbook.all(LoggedNote)
        if nights.get(note.night_id) in evenings
    )
