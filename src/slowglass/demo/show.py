"""What the night's steps share, and the pairs of pictures the finish page sets side by side."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from slowglass.demo import plates, scenario
from slowglass.demo.folder import NightFolder
from slowglass.progress import Report

if TYPE_CHECKING:
    from slowglass.finish.types import FinishResult
    from slowglass.judge.look import Look
    from slowglass.workbench import Workbench

PICTURE_PX, SMALL_PX = 1600, 320
SQUARE_SHARE = 0.24
"""Side of the shown squares as a share of the frame's width."""


@dataclass
class Night:
    """What the steps hand to each other."""

    bench: Workbench
    folder: NightFolder
    report: Report
    plates: dict[str, str]
    sizes: dict[str, tuple[int, int]]
    alt: dict[str, str]

    def keep(self, name: str, picture: Any, alt: str) -> None:
        """Write a small picture that may be shown under a name."""
        from slowglass.frame.picture_io import write_jpeg

        path = self.folder.path("plates", f"{name}.jpg")
        write_jpeg(path, picture, quality=90)
        self.plates[name] = f"plates/{path.name}"
        self.sizes[name] = (int(picture.shape[1]), int(picture.shape[0]))
        self.alt[name] = alt


def best_light(looks: list[Look]) -> Look:
    """The sharpest keeper."""
    keepers = [look for look in looks[1:] if look.verdict.keeper] or looks[1:]
    return min(keepers, key=lambda look: look.verdict.fwhm_px or np.inf)


def show_single(night: Night, result: FinishResult) -> None:
    """One frame, and the same square of the combined picture."""
    pair = next(Path(p) for p in result.outputs if p.endswith("-one-and-all.jpg"))
    one, every = plates.halves_of(plates.read_picture(pair))
    night.keep("single", one, f"The middle of {scenario.TARGET}, from one frame.")
    night.keep(
        "stack", every, f"The middle of {scenario.TARGET}, from {result.frames_used} frames."
    )


def show_forecast(night: Night, looks: list[Look]) -> None:
    """The same square of the forecast and of the sharpest keeper, in the same stretch."""
    forecast = night.folder.folder / "test" / "forecast.fits"
    actual = Path(best_light(looks).verdict.file)
    pair = plates.matched_squares(
        [forecast, actual],
        [plates.centre_of(forecast), plates.target_of(best_light(looks))],
        share=SQUARE_SHARE,
    )
    for name, picture, alt in zip(
        ("forecast-square", "actual-square"),
        pair,
        ("as forecast", "on the sharpest frame"),
        strict=True,
    ):
        night.keep(name, picture, f"The middle of {scenario.TARGET} {alt}.")
