"""Judging files: read, assess, write the solution beside the frame."""

from __future__ import annotations

import time
from collections.abc import Iterable, Iterator
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Unpack
from zoneinfo import ZoneInfo

from slowglass.errors import UnreadableFile
from slowglass.frame.atomic import replacing
from slowglass.frame.io import WCS_SUFFIX, list_frames, read_frame
from slowglass.judge.prior import teaches
from slowglass.judge.verdict import Verdict
from slowglass.progress import Report, silent

if TYPE_CHECKING:
    from slowglass.judge.assess import JudgeOptions
    from slowglass.sky.store import Sky
    from slowglass.sky.wcs import TanWcs


def judge_file(
    path: Path | str,
    sky: Sky,
    *,
    write_wcs: bool = False,
    **options: Unpack[JudgeOptions],
) -> Verdict:
    """One frame judged: where it points, how good it is, what to do next.

    Without ``near`` the whole sky is searched. Without ``scale_arcsec_per_px`` the kit's scale is
    used, if the frame has the kit's size (or is binned from it). ``write_wcs`` saves the
    solution beside the frame. Raises ``UnreadableFile``.
    """
    from slowglass.judge.assess import assess_frame  # loads the numeric libraries, once

    started = time.perf_counter()
    path = Path(path)
    site = options.get("site")
    frame = read_frame(path, clock_zone=ZoneInfo(site.timezone) if site is not None else UTC)
    assessed = assess_frame(frame, sky, now_utc=datetime.now(UTC), **options)
    verdict = replace(assessed.verdict, file=str(path))
    if write_wcs and assessed.solution.wcs is not None:
        saved = write_wcs_beside(path, assessed.solution.wcs, frame.width_px, frame.height_px)
        verdict = replace(verdict, wcs_file=str(saved))
    return replace(verdict, seconds=round(time.perf_counter() - started, 3))


def judge_paths(
    paths: Iterable[Path | str],
    sky: Sky,
    *,
    write_wcs: bool = False,
    report: Report = silent,
    **options: Unpack[JudgeOptions],
) -> Iterator[Verdict]:
    """A verdict for every frame, folders opened up, one at a time as they come.

    The last surely placed one helps where the next has too few stars (see ``priors_of_series``).
    What cannot be read (or is missing, or is a folder without pictures) gives a verdict with
    ``error`` set, so that one bad file does not stop the rest.
    """
    files: list[Path] = []
    faults: list[Verdict] = []
    for path in paths:
        try:
            files.extend(_pictures(Path(path)))
        except UnreadableFile as error:
            faults.append(unreadable_verdict(Path(path), error, 0.0))
    yield from faults
    for done, file in enumerate(files):
        report(file.name, done, len(files))
        started = time.perf_counter()
        try:
            verdict = judge_file(file, sky, write_wcs=write_wcs, **options)
        except UnreadableFile as error:
            yield unreadable_verdict(file, error, time.perf_counter() - started)
            continue
        if teaches(verdict):
            options["earlier"] = verdict
        yield verdict
    report("judged", len(files), len(files))


def write_wcs_beside(path: Path, wcs: TanWcs, width_px: int, height_px: int) -> Path:
    """Save a header-only FITS file with the solution; the path it went to.

    ``M15_001.fits.gz`` gets ``M15_001.wcs.fits``. An older one is replaced.
    """
    from astropy.io import fits

    out = path.with_name(_stem(path) + WCS_SUFFIX)
    header = fits.Header()
    for key, value in wcs.to_header().items():
        header[key] = value
    header["EQUINOX"] = 2000.0
    header["COMMENT"] = f"World coordinates of {path.name}, {width_px} x {height_px} px"
    with replacing(out) as temporary:
        fits.PrimaryHDU(header=header).writeto(temporary, overwrite=True)
    return out


def _stem(path: Path) -> str:
    name = path.name
    for compressed in (".gz", ".fz", ".bz2"):
        name = name.removesuffix(compressed)
    return name.rsplit(".", 1)[0] if "." in name else name


def _pictures(path: Path) -> list[Path]:
    if not path.exists():
        raise UnreadableFile(path, "there is no such file or folder", "check the spelling")
    if not path.is_dir():
        return [path]
    found = list_frames(path)
    if not found:
        raise UnreadableFile(
            path, "this folder holds no pictures", "name a folder with FITS, raw or image files"
        )
    return found


def unreadable_verdict(path: Path, error: UnreadableFile, seconds: float) -> Verdict:
    """The verdict on a file that cannot be read: its fault, and the cure as the instruction."""
    return Verdict(
        file=str(path),
        reason=str(error),
        reasons=("the file cannot be read",),
        error=str(error),
        instruction=error.cure[:1].upper() + error.cure[1:] or "Leave this file out",
        seconds=round(seconds, 3),
    )
