"""Which file in a folder is a light, a dark, a flat or a bias.

The header's word counts first, then the names of the folders the file lies in, then the file's
own name, then what the pixels look like. One exception: programs often write "light" whatever
is exposed, so a folder that says otherwise overrules that one word.
"""

from __future__ import annotations

import re
import warnings
from pathlib import Path

import numpy as np

from slowglass.errors import SlowglassError
from slowglass.finish.grade import SHARPEST_STAR_PX
from slowglass.frame.header import frame_header
from slowglass.frame.image import Frame, Kind
from slowglass.frame.io import FITS_SUFFIXES, list_frames, read_frame
from slowglass.frame.kind import kind_from_content, kind_from_name
from slowglass.progress import Report


def header_kind(path: Path) -> Kind:
    """What a FITS header says, read without the pixels; "unknown" for other files."""
    if not any(s.lower() in FITS_SUFFIXES for s in path.suffixes[-2:]):
        return "unknown"
    from astropy.io import fits

    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")
            header = fits.getheader(path)
            return frame_header({k: v for k, v in header.items() if k}).kind
    except Exception:  # damaged: reading the frame itself will say how
        return "unknown"


def stated_kind(path: Path, root: Path) -> Kind:
    """What header, folders (nearest first) and file name say; "unknown" if none says a thing."""
    header = header_kind(path)
    folder: Kind = "unknown"
    for parent in path.relative_to(root).parents:
        if parent.name:
            folder = kind_from_name(parent.name)
            if folder != "unknown":
                break
    if header in ("unknown", "light") and folder != "unknown":
        return folder
    if header != "unknown":
        return header
    return kind_from_name(re.sub(r"(\.[A-Za-z]+)+$", "", path.name))


def sort_folder(
    root: Path, report: Report, *, calibration: bool = False
) -> tuple[dict[Kind, list[Path]], list[str]]:
    """Every frame below ``root`` by kind, and notes on the ones that had to be guessed.

    What nothing states is read and judged by its pixels; an unreadable file of unknown kind
    counts as a light, so that it is named among the rejected. In a folder of ``calibration``
    frames its own name counts too, and starless frames are never taken for faint lights.
    """
    files: dict[Kind, list[Path]] = {"light": [], "dark": [], "flat": [], "bias": []}
    guessed: dict[Kind, int] = {}
    paths = list_frames(root)
    for k, path in enumerate(paths):
        report("sorting", k, len(paths))
        kind = stated_kind(path, root.parent if calibration else root)
        if kind == "unknown":
            try:
                kind = kind_from_pixels(read_frame(path))
            except SlowglassError:
                kind = "light"
            else:
                guessed[kind] = guessed.get(kind, 0) + 1
        files[kind].append(path)
    if not calibration and not files["light"] and guessed.get("dark"):
        # Starless and unlabelled, yet all there is: very faint lights, or nothing at all.
        files["light"], files["dark"] = files["dark"], []
        guessed = {"light": len(files["light"])}
    notes = []
    if guessed:
        told = ", ".join(f"{count} {kind}" for kind, count in sorted(guessed.items()))
        notes.append(f"kind told from the pixels alone: {told}")
    return files, notes


def kind_from_pixels(frame: Frame) -> Kind:
    """The kind that the pixels suggest, decided also where they leave doubt.

    In doubt a frame that is nearly empty and shows no three stars is a dark, any other a light.
    """
    from slowglass.frame.detect import detect_stars

    kind, _ = kind_from_content(frame)
    if kind != "unknown":
        return kind
    level = float(np.median(frame.pixels[::7, ::5]))
    if frame.header.exposure_s is None or level > 0.05 * max(frame.white_adu, 1.0):
        return "light"
    found = detect_stars(frame, max_stars=50).stars
    stars = int((found.fwhm_px > SHARPEST_STAR_PX).sum())  # hot pixels are narrower or unmeasured
    return "light" if stars >= 3 else "dark"
