"""What lights there are, and which of them belong together.

Camera raw files are only opened here; their pixels are read once, when they are calibrated.
Other files are read whole and their pixels kept.
"""

from __future__ import annotations

import threading
from collections import Counter
from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path

import numpy as np

from slowglass.errors import NothingUseful, SlowglassError
from slowglass.finish.calibrate import trim_overscan
from slowglass.finish.lights import Batch, Light
from slowglass.finish.masters import Wanted, middle
from slowglass.finish.store import FrameStore
from slowglass.finish.workers import each
from slowglass.frame.fingerprint import file_print
from slowglass.frame.image import Bayer, Frame
from slowglass.frame.io import open_raw, read_frame
from slowglass.progress import Report

READ_BYTES = 5e8
"""Memory that reading one file takes, its size not yet known: 24 megapixels take 300 MB."""
Shape = tuple[tuple[int, ...], Bayer | None, str]
"""Shape of the pixels, mosaic, camera ("" where not stated)."""


def survey(
    paths: Sequence[Path], store: FrameStore, report: Report
) -> tuple[list[Light], list[Batch]]:
    """Every light's header, and the batches they form, the largest first.

    Unreadable lights come back with their reason. Raises NothingUseful when no light can be
    read at all.
    """
    lights = _named(paths)
    shapes: dict[int, Shape] = {}
    raw: dict[tuple[tuple[int, int], str], tuple[tuple[int, ...], Bayer | None]] = {}
    lock = threading.Lock()

    def work(numbered: tuple[int, Light]) -> None:
        number, light = numbered
        try:
            opened = open_raw(light.path)
            if opened is not None:
                size, light.header = opened
                key = (size, light.header.camera or "")
                with lock:  # one of a kind is decoded, and tells the mosaic of the others
                    if key not in raw:
                        frame = read_frame(light.path)
                        raw[key] = frame.pixels.shape, frame.bayer
                shapes[number] = (*raw[key], key[1])
                return
            frame = trim_overscan(read_frame(light.path))[0]
        except SlowglassError as error:
            light.reason = unreadable(light, error)
            return
        keep_shell(light, frame)
        store.put(light.name, frame.pixels)
        shapes[number] = (frame.pixels.shape, frame.bayer, light.header.camera or "")

    for _ in each(work, list(enumerate(lights)), "reading", report, bytes_each=READ_BYTES):
        pass
    if not shapes:
        first = lights[0].reason if lights else "none"
        raise NothingUseful(f"none of the {len(lights)} lights can be read ({first})")
    store.room_for(len(shapes), max(int(np.prod(shape)) for shape, *_ in shapes.values()))
    return lights, _batches(lights, shapes)


def unreadable(light: Light, error: SlowglassError) -> str:
    """Why a light cannot be read, without its path."""
    return f"unreadable: {error.what.removeprefix(str(light.path)).lstrip(': ')}"


def keep_shell(light: Light, frame: Frame) -> None:
    """Remember all of a read frame but its pixels."""
    light.header = frame.header
    light.shell = replace(frame, pixels=np.empty((0, 0), dtype=np.float32))


def _named(paths: Sequence[Path]) -> list[Light]:
    """Lights named by what their files hold; copies of one file are numbered."""
    seen: Counter[str] = Counter()
    lights = []
    for path in paths:
        try:
            told = file_print(path)
        except OSError:
            told = "gone"
        seen[told] += 1
        lights.append(Light(path, f"light-{told}-{seen[told]}"))
    return lights


def _batches(lights: list[Light], shapes: dict[int, Shape]) -> list[Batch]:
    """The batches, largest first; each light is told which is its own.

    A light that does not state its camera belongs to the most numerous that fits.
    """
    count = Counter(shapes.values())
    members: dict[Shape, list[Light]] = {}
    for number, key in shapes.items():
        if not key[2]:
            fitting = [k for k in count if k[:2] == key[:2]]
            key = max(fitting, key=lambda k: count[k])
        members.setdefault(key, []).append(lights[number])
    batches = []
    ordered = sorted(members, key=lambda k: -len(members[k]))
    for shape, bayer, camera in ordered:
        own = members[shape, bayer, camera]
        headers = [light.header for light in own]
        batch = Batch(
            Wanted(
                shape,
                bayer,
                middle([h.exposure_s for h in headers]),
                Counter(h.iso for h in headers).most_common(1)[0][0],
                middle([h.temperature_c for h in headers]),
                middle([h.gain_e_per_adu for h in headers]),
                _usual_filter(own),
                camera or None,
            )
        )
        for light in own:
            light.own_batch = batch
        batches.append(batch)
    return batches


def _usual_filter(lights: list[Light]) -> str | None:
    """The filter most lights state; a light through another is left out here, with its reason."""
    stated = [
        light.header.filter_name
        for light in lights
        if not light.reason and light.header.filter_name
    ]
    if not stated:
        return None
    usual = Counter(name.strip().lower() for name in stated).most_common(1)[0][0]
    shown = next(name for name in stated if name.strip().lower() == usual)
    for light in lights:
        own = light.header.filter_name
        if not light.reason and own and own.strip().lower() != usual:
            light.reason = f"filter {own} where the series has {shown}: finish it by itself"
    return shown
