"""Every camera's lights calibrated by its own masters."""

from __future__ import annotations

import hashlib
from collections import Counter
from collections.abc import Mapping
from pathlib import Path

from slowglass.finish.align import Aligned
from slowglass.finish.calibrate import Masters
from slowglass.finish.geometry import scale_of
from slowglass.finish.intake import take_in
from slowglass.finish.lights import Batch, Light, Series
from slowglass.finish.masters import Wanted, build_masters
from slowglass.finish.readings import Readings
from slowglass.finish.recipe import CalibrateStep, Recipe
from slowglass.finish.store import FrameStore
from slowglass.frame.fingerprint import file_print
from slowglass.frame.image import Kind
from slowglass.progress import Report

Files = Mapping[Kind, list[Path]]


def take_in_all(
    lights: list[Light],
    batches: list[Batch],
    files: Files,
    recipe: Recipe,
    store: FrameStore,
    readings: Readings,
    notes: list[str],
    report: Report,
) -> tuple[Series, Counter[str]]:
    """The series of all lights, calibrated batch by batch; bad pixels by kind.

    Batches that lose all of their lights are left out; the most numerous comes first.
    """
    counts: Counter[str] = Counter()
    left: Files = files
    strange: dict[Path, str] = {}
    for batch in batches:
        masters, told, strange = _masters(
            left, batch.wanted, recipe.calibrate, store, readings, report
        )
        left = {kind: [path for path in paths if path in strange] for kind, paths in left.items()}
        members = [light for light in lights if light.own_batch is batch]
        take_in(batch, members, masters, recipe, store, readings, report)
        batch.has_dark = masters.dark is not None
        prefix = "" if len(batches) == 1 else f"{batch.told()}: "
        batch.notes = [prefix + note for note in told + batch.notes]
        counts.update(masters.bad_counts)
    kinds = {path: kind for kind, paths in files.items() for path in paths}
    notes += [f"{kinds[path]} {path.name} left out: {why}" for path, why in strange.items()]
    if readings.known:
        notes.append(f"{readings.known} of {len(lights)} lights were known from an earlier run")
    series = Series(lights, batches)
    used = [batch for batch in batches if series.of(batch)]
    return Series(lights, sorted(used, key=lambda batch: -len(series.of(batch)))), counts


def _masters(
    files: Files,
    wanted: Wanted,
    step: CalibrateStep,
    store: FrameStore,
    readings: Readings,
    report: Report,
) -> tuple[Masters, list[str], dict[Path, str]]:
    """Masters from the files, or from an earlier run that had the same."""
    digest = hashlib.blake2b(f"{wanted}{step.model_dump_json()}".encode(), digest_size=12)
    count = 0
    for kind in ("bias", "dark", "flat"):
        for path in files[kind]:
            try:
                digest.update(f"{kind}{path}{file_print(path)}".encode())
            except OSError:
                digest.update(b"gone")
            count += 1
    known = readings.recall_masters(digest.hexdigest()) if count else None
    if known is None:
        known = build_masters(files, wanted, step, store, report)
        if count:
            readings.keep_masters(digest.hexdigest(), *known)
    return known


def told_of_cameras(aligned: Aligned) -> list[str]:
    """How frames were calibrated, and how those of other cameras or sizes joined, in words."""
    batches = {id(light.batch): light.batch for light in aligned.lights}
    notes = [note for batch in batches.values() for note in batch.notes]
    main = aligned.reference.own_batch
    colour = any(light.batch.channels == 3 for light in aligned.lights)
    for batch in batches.values():
        if batch is main:
            continue
        own = [light for light in aligned.lights if light.own_batch is batch]
        scale = scale_of(aligned.placed[own[0].name].where) / aligned.finer
        verb = "light of another camera joins" if len(own) == 1 else "lights of another camera join"
        told = f"{len(own)} {verb} ({batch.told()}): its pixels are {scale:.2f} of the reference's"
        if colour and batch.channels == 1:
            told += "; without colour, it adds to the brightness only"
        notes.append(told)
    return notes
