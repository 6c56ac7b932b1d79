"""What sliders say, as a recipe: every move is a departure from what the picture asked for itself.

The sky keeps its shade while brightness and contrast move, and has a slider of its own. The recipe
that comes out holds plain levels, so that it makes the same picture anywhere.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import asdict, dataclass, fields
from typing import Any

from slowglass.errors import UsageError
from slowglass.finish.recipe import CutStep, Recipe, StretchStep
from slowglass.frame.stretch import Stretch

LEAST_WHITE = 1e-6
BRIGHTEST_SKY = 0.45


@dataclass(frozen=True)
class Slider:
    """One slider: its field of ``Moves``, words, range and step."""

    name: str
    label: str
    low: float
    high: float
    step: float
    help: str
    percent: bool = False
    """Shown as per cent rather than as it is."""


SLIDERS = (
    Slider("darkness", "Darkness of the sky", -2.0, 3.0, 0.05, "halvings of its shade"),
    Slider("brightness", "Brightness", -3.0, 3.0, 0.05, "doublings of the light"),
    Slider("faint", "Faint light", -4.0, 4.0, 0.1, "how steeply it rises above the sky"),
    Slider("saturation", "Colour", 0.0, 3.0, 0.05, "spread of the colours", percent=True),
    Slider("quiet", "Quieter noise", 0.0, 1.0, 0.02, "what the measured noise explains", True),
    Slider("sharpen", "Sharper detail", 0.0, 1.0, 0.02, "the stars’ own blur taken back", True),
    Slider("smaller_stars", "Smaller stars", 0.0, 1.0, 0.02, "stars shrunk, nebulae kept", True),
    Slider("local_contrast", "Local contrast", 0.0, 1.0, 0.02, "structure in the object", True),
)


@dataclass(frozen=True)
class Moves:
    """Where the sliders stand; None leaves what the picture asked for."""

    darkness: float | None = None
    brightness: float | None = None
    faint: float | None = None
    saturation: float | None = None
    quiet: float | None = None
    sharpen: float | None = None
    smaller_stars: float | None = None
    local_contrast: float | None = None
    around_subject: bool | None = None
    north_up: bool | None = None

    def __post_init__(self) -> None:
        for slider in SLIDERS:
            value = getattr(self, slider.name)
            if value is not None and not slider.low <= value <= slider.high:
                raise UsageError(
                    f"{slider.label.lower()} {value:g} is outside {slider.low:g} to {slider.high:g}"
                )

    @classmethod
    def read(cls, values: Mapping[str, Any]) -> Moves:
        """The moves of plain values or of a form's texts; "" and absent ones are None."""
        found: dict[str, Any] = {}
        for field in fields(cls):
            value = values.get(field.name)
            if value is None or value == "":
                continue
            if field.name in ("around_subject", "north_up"):
                found[field.name] = value in (True, "yes")
                continue
            try:
                found[field.name] = float(value)
            except (TypeError, ValueError) as error:
                raise UsageError(f"{field.name} “{value}” is not a number") from error
        return cls(**found)

    def told(self) -> dict[str, Any]:
        """Those that are not None, as plain values."""
        return {name: value for name, value in asdict(self).items() if value is not None}


def start_of(recipe: Recipe) -> dict[str, float]:
    """Where each slider stands for a filled recipe that nobody moved."""
    detail = recipe.detail
    return {
        "darkness": 0.0,
        "brightness": 0.0,
        "faint": 0.0,
        "saturation": recipe.colour.saturation,
        "quiet": detail.quiet or 0.0,
        "sharpen": detail.sharpen or 0.0,
        "smaller_stars": detail.smaller_stars,
        "local_contrast": detail.local_contrast or 0.0,
    }


def moved(recipe: Recipe, moves: Moves, *, sky_adu: float) -> Recipe:
    """A filled recipe with the sliders' moves; ``sky_adu`` is the level of the sky.

    The cut is left open where it moves.
    """
    detail = {
        name: getattr(moves, name)
        for name in ("quiet", "sharpen", "smaller_stars", "local_contrast")
        if getattr(moves, name) is not None
    }
    changes: dict[str, Any] = {"cut": _cut(recipe.cut, moves)}
    if moves.darkness or moves.brightness or moves.faint:
        changes["stretch"] = _levels(recipe.stretch, moves, sky_adu)
    if detail:
        changes["detail"] = recipe.detail.model_copy(update=detail)
    if moves.saturation is not None:
        changes["colour"] = recipe.colour.model_copy(update={"saturation": moves.saturation})
    return recipe.model_copy(update=changes)


def _levels(step: StretchStep, moves: Moves, sky_adu: float) -> StretchStep:
    """Levels in which brightness scales all light above the sky, whose shade moves by itself."""
    black, white, soft = step.black_adu, step.white_adu, step.softening_adu
    assert black is not None and white is not None and soft is not None
    before = Stretch((black,), soft, white - black)
    shade = float(before.shade(max(sky_adu - black, 0.0)))
    shade = min(shade * 2.0 ** -(moves.darkness or 0.0), BRIGHTEST_SKY)
    scale = 2.0 ** -(moves.brightness or 0.0)
    above = max((white - sky_adu) * scale, LEAST_WHITE * soft)
    soft *= scale * 2.0 ** -(moves.faint or 0.0)
    low, high = 0.0, 20.0 * (above + soft)
    for _ in range(60):
        middle = 0.5 * (low + high)
        dark = float(Stretch((0.0,), soft, middle + above).shade(middle)) < shade
        low, high = (middle, high) if dark else (low, middle)
    return step.model_copy(
        update={
            "black_adu": sky_adu - high,
            "white_adu": sky_adu + above,
            "softening_adu": soft,
        }
    )


def _cut(step: CutStep, moves: Moves) -> CutStep:
    around = step.around_subject if moves.around_subject is None else moves.around_subject
    north = step.north_up if moves.north_up is None else moves.north_up
    if (around, north) == (step.around_subject, step.north_up):
        return step
    return CutStep(around_subject=around, north_up=north)
