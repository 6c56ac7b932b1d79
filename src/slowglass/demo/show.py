"""What the night's steps share, and the pairs of pictures the finish page sets side by side."""

from __future__ import annotations

import shutil
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
SQUARE_SHARE, CUT_SHARE = 0.24, 0.5
"""Sides of the shown squares and of the cut single frame, as shares of the frame's width."""


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


def show_single(night: Night, looks: list[Look], result: FinishResult) -> None:
    """One frame finished by the same recipe, and the same square of the combined picture.

    Only the middle of the single frame and its calibration frames is finished: a quarter of the
    work.
    """
    from slowglass.finish.service import finish_path

    root = night.folder.folder
    best = best_light(looks)
    files = [
        path
        for path in sorted((root / "frames").rglob("*.fits"))
        if path.parent.name != "lights" or path == Path(best.verdict.file)
    ]
    left, top = plates.cut_frames(
        files, root / "frames", root / "single" / "frames", plates.target_of(best), CUT_SHARE
    )
    single = finish_path(
        root / "single" / "frames",
        root / "single" / "one",
        recipe=Path(result.recipe),
        report=night.report,
    )
    x, y = plates.target_of(best)
    side = round(SQUARE_SHARE * looks[0].overlay.width_px)
    whole = plates.target_in_output(result, looks)
    for name, made, place, alt in (
        ("single", single, (x - left, y - top), "from one frame"),
        ("stack", result, whole, f"from {result.frames_used} frames"),
    ):
        jpeg = next(Path(p) for p in made.outputs if p.endswith(".jpg"))
        square = plates.square_of(plates.read_picture(jpeg), *place, side_px=side)
        night.keep(name, square, f"The middle of {scenario.TARGET}, {alt}.")
    shutil.rmtree(root / "single")


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
