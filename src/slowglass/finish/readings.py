"""What was read off each light, kept so that a broken run goes on and a second one is quicker.

One file a light: its header, sky, stars and lone pixels, named by the light's content and by the
masters and settings it was taken in with. Masters are kept likewise. A file that cannot be read
back counts as absent.
"""

from __future__ import annotations

import hashlib
import json
from dataclasses import asdict, fields, replace
from datetime import datetime
from pathlib import Path
from typing import Any

import numpy as np

from slowglass.errors import SlowglassError
from slowglass.finish.calibrate import Masters
from slowglass.finish.glance import Guide
from slowglass.finish.grade import Look
from slowglass.finish.lights import Light
from slowglass.finish.recipe import Recipe
from slowglass.finish.skyflat import Surface
from slowglass.frame.atomic import replacing
from slowglass.frame.image import Frame, FrameHeader
from slowglass.frame.stars import StarList

FORMAT = 2
"""Goes up with every change of what calibrating or looking at a light gives."""
MOST_BYTES = 1.5e9
"""Room that kept masters and readings may take; the longest unused go first."""
_STARS = [f.name for f in fields(StarList) if f.name != "flags"]
_ARRAYS = ("bias", "dark", "flat", "bad")


class Readings:
    """A folder of readings and masters."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self.known = 0
        """Lights that did not have to be looked at again."""

    def settings(self, masters: Masters, recipe: Recipe) -> str:
        """A name for all that decides how a light is taken in, its own pixels apart."""
        digest = hashlib.blake2b(digest_size=8)
        told = (FORMAT, recipe.calibrate.model_dump_json(), recipe.sky.flatten)
        digest.update(repr(told).encode())
        digest.update(repr((masters.dark_exposure_s, masters.dark_has_bias)).encode())
        digest.update(repr(masters.dark_temperature_c).encode())
        for name in _ARRAYS:
            array = getattr(masters, name)
            if array is not None:
                digest.update(name.encode())
                digest.update(np.ascontiguousarray(array).view(np.uint8).data)
        return digest.hexdigest()

    def keep(self, light: Light, note: str, guide: Guide | None) -> None:
        """Keep what was read off a light; a full disk only costs the next run its time."""
        assert light.shell is not None and light.look is not None
        shell = light.shell
        start = light.header.start_utc
        header = asdict(light.header) | {"start_utc": None if start is None else start.isoformat()}
        told = {
            "header": header,
            "unit": shell.unit,
            "bayer": shell.bayer,
            "white_adu": shell.white_adu,
            "black_adu": shell.black_adu,
            "history": shell.history,
            "look": asdict(light.look),
            "skies": [asdict(sky) for sky in light.skies],
            "note": note,
            "guide": None if guide is None else [guide.clip_adu, guide.light_scale],
        }
        columns = np.stack([getattr(light.stars, name) for name in _STARS])
        self._save(
            f"{light.name}.npz", told, stars=columns, flags=light.stars.flags, lone=light.lone
        )

    def recall(self, light: Light) -> tuple[str, Guide | None] | None:
        """Fill in what is known of a light; the note that was made, and the guide it can be.

        None where nothing is known.
        """
        found = self._load(f"{light.name}.npz")
        if found is None:
            return None
        told, arrays = found
        try:
            header = FrameHeader(**told["header"])
            if header.start_utc is not None:
                start = datetime.fromisoformat(str(header.start_utc))
                header = replace(header, start_utc=start)
            stars = StarList(
                **dict(zip(_STARS, arrays["stars"], strict=True)), flags=arrays["flags"]
            )
            look = Look(**told["look"])
            skies = tuple(
                Surface(
                    sky["width_px"],
                    sky["height_px"],
                    tuple((int(i), int(j)) for i, j in sky["powers"]),
                    tuple(sky["terms_adu"]),
                )
                for sky in told["skies"]
            )
            shell = Frame(
                np.empty((0, 0), dtype=np.float32),
                header,
                told["unit"],
                told["bayer"],
                told["white_adu"],
                told["black_adu"],
                str(light.path),
                tuple(told["history"]),
            )
            guide = None
            if told["guide"] is not None:
                guide = Guide(stars, look.fwhm_px, told["guide"][0], look, told["guide"][1])
            light.lone = arrays["lone"]
        except (KeyError, TypeError, ValueError):
            return None
        light.header, light.shell, light.stars = header, shell, stars
        light.look, light.skies = look, skies
        self.known += 1
        return str(told["note"]), guide

    def keep_masters(
        self, key: str, masters: Masters, notes: list[str], strange: dict[Path, str]
    ) -> None:
        """Keep masters under a name for the files and settings they came from."""
        told = {
            "exposure_s": masters.dark_exposure_s,
            "temperature_c": masters.dark_temperature_c,
            "has_bias": masters.dark_has_bias,
            "bad_counts": dict(masters.bad_counts),
            "notes": notes,
            "strange": {str(path): why for path, why in strange.items()},
        }
        arrays = {name: getattr(masters, name) for name in _ARRAYS}
        known = {name: array for name, array in arrays.items() if array is not None}
        self._save(f"masters-{key}.npz", told, **known)

    def recall_masters(self, key: str) -> tuple[Masters, list[str], dict[Path, str]] | None:
        """Masters kept under a name, with their notes, or None."""
        found = self._load(f"masters-{key}.npz")
        if found is None:
            return None
        told, arrays = found
        try:
            masters = Masters(
                arrays.get("bias"),
                arrays.get("dark"),
                told["exposure_s"],
                told["has_bias"],
                arrays.get("flat"),
                arrays["bad"],
                told["bad_counts"],
                told["temperature_c"],
            )
            return masters, list(told["notes"]), {Path(k): v for k, v in told["strange"].items()}
        except (KeyError, TypeError):
            return None

    def tidy(self) -> None:
        """Remove the longest unused files beyond ``MOST_BYTES``."""
        try:
            files = [(p, p.stat()) for p in self.folder.glob("*.npz")]
        except OSError:
            return
        files.sort(key=lambda entry: -entry[1].st_mtime)
        room = MOST_BYTES
        for path, stat in files:
            room -= stat.st_size
            if room < 0:
                path.unlink(missing_ok=True)

    def _save(self, name: str, told: dict[str, Any], **arrays: Any) -> None:
        text = np.frombuffer(json.dumps(told, default=str).encode(), dtype=np.uint8)
        try:
            with replacing(self.folder / name) as temporary, temporary.open("wb") as file:
                np.savez(file, told=text, **arrays)
        except (OSError, SlowglassError):
            return

    def _load(self, name: str) -> tuple[dict[str, Any], dict[str, Any]] | None:
        path = self.folder / name
        try:
            with path.open("rb") as file, np.load(file, allow_pickle=False) as kept:
                arrays = {key: kept[key] for key in kept.files}
            told = json.loads(arrays.pop("told").tobytes())
            path.touch()
        except Exception:  # absent, cut short or damaged: read anew
            return None
        return told, arrays
