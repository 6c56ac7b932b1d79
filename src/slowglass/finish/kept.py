"""What the linear FITS keeps beside the pixels, so that the picture can be worked on later.

Extension STARS lists the stars found, ONEFRAME holds a part of one frame alone, FACTS is a
JSON text in bytes: noise, coordinates, subject, story and the filled recipe. With them the same
light goes through the same steps to the same bits, without the frames.
"""

from __future__ import annotations

import json
import warnings
from dataclasses import asdict, dataclass, fields, replace
from datetime import datetime
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt

from slowglass.documents import document
from slowglass.errors import UnreadableFile
from slowglass.finish.combined import FoundStars, NoiseModel, Picture
from slowglass.finish.geometry import Box
from slowglass.finish.gradient import Outline
from slowglass.finish.known import Scene
from slowglass.finish.recipe import Recipe
from slowglass.finish.story import Advice, Story
from slowglass.frame.stars import StarList
from slowglass.sky.wcs import TanWcs

FORMAT = 1
CURE = "finish the frames again; pictures finished by this version can be worked on"


@dataclass(frozen=True)
class Facts:
    """All of a finished picture but its pixels."""

    shape: tuple[int, int]
    """Rows and columns of the linear picture."""
    scene: Scene
    story: Story
    recipe: Recipe
    """Filled in: it makes the picture as it was finished."""
    record: dict[str, Any]
    notes: tuple[str, ...]
    square: Box | None
    """The square of which one frame is kept too; None when there was only one."""


def extensions_of(facts: Facts, one: Picture | None) -> list[Any]:
    """The extensions (astropy HDUs) that follow the linear picture; ``one`` is the single frame
    ``around`` the square."""
    from astropy.io import fits

    every, sound = facts.scene.stars.every, facts.scene.stars.sound
    columns = [
        fits.Column(f.name, "J" if f.name == "flags" else "D", array=getattr(every, f.name))
        for f in fields(StarList)
    ]
    is_sound = np.isin(_places(every), _places(sound))
    columns.append(fits.Column("sound", "L", array=is_sound))
    text = json.dumps(_told(facts), ensure_ascii=False)
    made = [fits.BinTableHDU.from_columns(columns, name="STARS")]
    made.append(fits.ImageHDU(np.frombuffer(text.encode("utf-8"), np.uint8), name="FACTS"))
    if one is not None:
        square = np.moveaxis(one, 2, 0) if one.ndim == 3 else one
        made.append(fits.ImageHDU(np.ascontiguousarray(square), name="ONEFRAME"))
    return made


def _places(stars: StarList) -> npt.NDArray[np.complex128]:
    return np.asarray(stars.x_px + 1j * stars.y_px)


def _told(facts: Facts) -> dict[str, Any]:
    scene, start = facts.scene, facts.story.start_utc
    story = {**asdict(facts.story), "start_utc": None if start is None else start.isoformat()}
    return {
        "format": FORMAT,
        "shape": list(facts.shape),
        "fwhm_px": scene.stars.fwhm_px,
        "noise": asdict(scene.noise),
        "wcs": None if scene.wcs is None else asdict(scene.wcs),
        "subject": None if scene.subject is None else asdict(scene.subject),
        "subject_kind": scene.subject_kind,
        "subject_name": scene.subject_name,
        "story": story,
        "recipe": facts.recipe.model_dump(mode="json", by_alias=True),
        "record": document(facts.record),
        "notes": list(facts.notes),
        "square": None if facts.square is None else asdict(facts.square),
    }


def read_facts(path: Path) -> Facts:
    """The facts of a finished linear FITS; ``UnreadableFile`` for any other file."""
    from astropy.io import fits

    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")
            with fits.open(path, memmap=True) as hdus:
                told = json.loads(np.asarray(hdus["FACTS"].data).tobytes().decode("utf-8"))
                table = hdus["STARS"].data
                columns: dict[str, Any] = {
                    f.name: np.array(
                        table[f.name], dtype=np.int32 if f.name == "flags" else np.float64
                    )
                    for f in fields(StarList)
                }
                sound = np.array(table["sound"], dtype=bool)
        if told["format"] != FORMAT:
            raise ValueError(f"format {told['format']}")
        return _facts(told, StarList(**columns), sound)
    except FileNotFoundError as error:
        raise UnreadableFile(path, "no picture finished here any more", CURE) from error
    except Exception as error:  # a file of any other make fails in many ways
        raise UnreadableFile(path, "no picture finished here, or damaged", CURE) from error


def _facts(told: dict[str, Any], every: StarList, sound: npt.NDArray[np.bool_]) -> Facts:
    stars = FoundStars(every, every.take(np.flatnonzero(sound)), told["fwhm_px"])
    noise = NoiseModel(**{key: tuple(value) for key, value in told["noise"].items()})
    wcs = told["wcs"]
    if wcs is not None:
        rows = wcs["cd"]
        wcs = TanWcs(**{**wcs, "cd": (tuple(rows[0]), tuple(rows[1]))})
    subject = None if told["subject"] is None else Outline(**told["subject"])
    scene = Scene(stars, noise, wcs, subject=subject)
    scene = replace(scene, subject_kind=told["subject_kind"], subject_name=told["subject_name"])
    story = told["story"]
    start, field = story["start_utc"], story["field_arcmin"]
    story = Story(
        **{
            **story,
            "start_utc": None if start is None else datetime.fromisoformat(start),
            "field_arcmin": None if field is None else (field[0], field[1]),
            "advice": tuple(Advice(**one) for one in story["advice"]),
        }
    )
    square = None if told["square"] is None else Box(**told["square"])
    recipe = Recipe.model_validate(told["recipe"])
    rows, columns = told["shape"]
    notes = tuple(told["notes"])
    return Facts((rows, columns), scene, story, recipe, told["record"], notes, square)


def read_light(path: Path, box: Box | None = None) -> Picture:
    """The linear picture, or a rectangle of it, float32 as it was written.

    (rows, columns) or (rows, columns, 3). Of a rectangle no more than that is read.
    """
    return _read(path, 0, box)


def read_one(path: Path) -> Picture:
    """One frame alone, ``around`` the square that is compared."""
    return _read(path, "ONEFRAME", None)


def _read(path: Path, name: int | str, box: Box | None) -> Picture:
    from astropy.io import fits

    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        with fits.open(path, memmap=True) as hdus:
            data = hdus[name].data
            if box is not None:
                data = data[..., box.y0 : box.y1, box.x0 : box.x1]
            if data.ndim == 3:
                data = np.moveaxis(data, 0, 2)
            return np.array(data, dtype=np.float32, order="C")
