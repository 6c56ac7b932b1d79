"""The recipe: every number that shaped a picture, as a TOML file that makes it again.

Values left at None are chosen from the data; the recipe written beside a picture holds what
was chosen, so that repeating it repeats the picture and using it elsewhere carries the look.
"""

from __future__ import annotations

import tomllib
from pathlib import Path
from typing import Any, Literal

from pydantic import BaseModel, ConfigDict, Field, ValidationError

from slowglass.errors import ConfigError, UnreadableFile


class _Part(BaseModel):
    model_config = ConfigDict(frozen=True, extra="forbid")


class CalibrateStep(_Part):
    """Bias, dark, flat and bad pixels."""

    use_bias: bool = True
    use_dark: bool = True
    use_flat: bool = True
    flat_from_sky: bool = True
    pattern_from_lights: bool = True
    master_clip_sigma: float = Field(3.0, ge=1.5, le=10)
    hot_in_dark_sigma: float = Field(8.0, ge=3, le=50)
    lone_pixel_sigma: float = Field(6.0, ge=3, le=50)
    mend_specks: bool = True


class GradeStep(_Part):
    """Which frames are added: those that make the sum better, or all."""

    keep: Literal["best", "all"] = "best"
    fewest_stars_share: float = Field(0.3, ge=0, le=1)
    least_share: float = Field(0.1, ge=0, le=1)


class RegisterStep(_Part):
    """Finding each frame's place; ``freest`` is the last map that may be tried."""

    freest: Literal["similarity", "projective", "polynomial 2", "polynomial 3"] = "polynomial 3"
    scale_tolerance: float = Field(0.03, gt=0, le=0.2)
    faint_star_sigma_px: float = Field(2.5, ge=1, le=10)


class CombineStep(_Part):
    """Adding the frames up; the grid is as many times finer than the camera's as asked for."""

    reject: Literal["clip", "winsorised", "esd", "none"] = "clip"
    drizzle: Literal["auto", "yes", "no"] = "auto"
    pixfrac: float = Field(0.9, gt=0.2, le=1)
    finer: float | None = Field(None, ge=1, le=3)
    clip_low_sigma: float = Field(3.5, ge=1.5, le=20)
    clip_high_sigma: float = Field(3.5, ge=1.5, le=20)
    shape_tolerance: float = Field(0.15, ge=0, le=1)
    drop_trails: bool = True
    crop_to_common: bool = True


class SkyStep(_Part):
    """Taking the glow of the sky off: the surface's shape, or none to choose it by the sky.

    "smooth" goes as far as the open sky makes likely; the others are fixed forms.
    """

    flatten: bool = True
    shape: (
        Literal[
            "smooth",
            "constant",
            "plane",
            "curved",
            "vignette",
            "cubic",
            "edge glow",
            "stiff spline",
            "spline",
        ]
        | None
    ) = None


class ColourStep(_Part):
    """Factors on red, green and blue; how much further red and blue then go from green."""

    gains: tuple[float, float, float] | None = None
    spread: tuple[float, float] | None = None
    saturation: float = Field(1.25, ge=0, le=4)


class CutStep(_Part):
    """The part that is shown (columns and rows from and to), its turn, and whether flipped."""

    around_subject: bool = True
    north_up: bool = False
    box: tuple[int, int, int, int] | None = None
    turn_deg: float = Field(0.0, ge=-180, le=180)
    flip: bool = False


class DetailStep(_Part):
    """Strengths from 0 (off) to 1; absent ones follow the noise."""

    quiet: float | None = Field(None, ge=0, le=1)
    sharpen: float | None = Field(None, ge=0, le=1)
    local_contrast: float | None = Field(None, ge=0, le=1)
    smaller_stars: float = Field(0.0, ge=0, le=1)


class StretchStep(_Part):
    """From linear light to what a screen shows; levels in ADU above the sky."""

    sky_shade: float = Field(0.1, gt=0, lt=0.5)
    noise_shade: float = Field(0.025, gt=0, lt=0.2)
    highlight_shade: float = Field(0.93, gt=0.2, lt=1)
    black_adu: float | None = None
    white_adu: float | None = None
    softening_adu: float | None = Field(None, gt=0)


class Recipe(_Part):
    """All steps of one picture."""

    version: Literal[1] = 1
    calibrate: CalibrateStep = CalibrateStep()
    grade: GradeStep = GradeStep()
    register_frames: RegisterStep = Field(RegisterStep(), alias="register")
    combine: CombineStep = CombineStep()
    sky: SkyStep = SkyStep()
    colour: ColourStep = ColourStep()
    cut: CutStep = CutStep()
    detail: DetailStep = DetailStep()
    stretch: StretchStep = StretchStep()

    model_config = ConfigDict(frozen=True, extra="forbid", populate_by_name=True)


def recipe_text(recipe: Recipe, record: dict[str, Any]) -> str:
    """The recipe as commented TOML; ``record`` (what was done to which frame) goes last."""
    import tomlkit

    doc = tomlkit.document()
    doc.add(tomlkit.comment("How this picture was made. Give this file to --recipe to repeat it."))
    doc.add(tomlkit.comment("A value that is absent is chosen afresh from the frames."))
    values = recipe.model_dump(by_alias=True, exclude_none=True)
    doc.add("version", values.pop("version"))
    notes = {name: field.annotation.__doc__ for name, field in Recipe.model_fields.items()}
    notes["register"] = notes["register_frames"]
    for name, part in values.items():
        table = tomlkit.table()
        table.add(tomlkit.comment(str(notes[name])))
        for key, value in part.items():
            table.add(key, list(value) if isinstance(value, tuple) else value)
        doc.add(name, table)
    doc.add("record", tomlkit.item(record))
    return tomlkit.dumps(doc)


def parse_recipe(text: str, name: str = "recipe") -> Recipe:
    """The recipe a TOML text holds; its ``[record]`` is history and not read."""
    try:
        values = tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        raise ConfigError(
            f"{name}: not valid TOML ({error})", "mend or leave out the recipe"
        ) from (error)
    values.pop("record", None)
    try:
        return Recipe.model_validate(values)
    except ValidationError as error:
        faults = "; ".join(
            f"{'.'.join(str(p) for p in e['loc'])} = {e['input']!r}: {e['msg']}"
            for e in error.errors()
        )
        raise ConfigError(f"{name}: {faults}", "correct these values") from error


def load_recipe(path: Path | str) -> Recipe:
    """The recipe in a file."""
    try:
        text = Path(path).read_text(encoding="utf-8")
    except (OSError, UnicodeDecodeError) as error:
        raise UnreadableFile(path, f"cannot be read as a recipe ({error})") from error
    return parse_recipe(text, str(path))
