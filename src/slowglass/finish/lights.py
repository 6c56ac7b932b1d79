"""The lights of a picture, told apart by the camera that took them."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np

from slowglass.finish.badpixels import Index, recurring, repair
from slowglass.finish.calibrate import Plane
from slowglass.finish.geometry import Box
from slowglass.finish.grade import Look
from slowglass.finish.masters import Wanted
from slowglass.finish.skyflat import Surface
from slowglass.finish.store import FrameStore
from slowglass.frame.image import Bayer, Frame, FrameHeader
from slowglass.frame.stars import StarList


@dataclass
class Batch:
    """Lights of one size, mosaic and camera: they share calibration frames and bad pixels."""

    wanted: Wanted
    """What calibration frames must agree with."""
    bad: Index = field(default_factory=lambda: np.empty(0, dtype=np.int64))
    """Flat indices of pixels never to be trusted."""
    pattern: Plane | None = None
    """What stays on its pixels in all lights, ADU; taken off when a light is read."""
    has_dark: bool = False
    notes: list[str] = field(default_factory=list)
    """What a careful person would want to know of its calibration."""

    @property
    def width_px(self) -> int:
        """Columns."""
        return self.wanted.shape[1]

    @property
    def height_px(self) -> int:
        """Rows."""
        return self.wanted.shape[0]

    @property
    def bayer(self) -> Bayer | None:
        """The mosaic, None for plain sensors and developed pictures."""
        return self.wanted.bayer

    @property
    def channels(self) -> int:
        """1 for a plain sensor, 3 for a colour one."""
        return 1 if len(self.wanted.shape) == 2 and self.wanted.bayer is None else 3

    def told(self) -> str:
        """Size and kind in words."""
        kind = self.bayer or ("in colour" if self.channels == 3 else "without colour")
        return f"{self.width_px} × {self.height_px} px {kind}"


@dataclass
class Light:
    """One light through the work; ``reason`` says why it was left out, "" while it is in."""

    path: Path
    name: str
    """Names its content, not its place: a moved or renamed file is known again."""
    header: FrameHeader = field(default_factory=FrameHeader)
    shell: Frame | None = None
    """The frame as read, without its pixels."""
    own_batch: Batch | None = None
    stars: StarList = field(default_factory=StarList.empty)
    look: Look | None = None
    skies: tuple[Surface, ...] = ()
    lone: Index = field(default_factory=lambda: np.empty(0, dtype=np.int64))
    reason: str = ""

    @property
    def batch(self) -> Batch:
        """The batch it belongs to; every readable light has one."""
        assert self.own_batch is not None
        return self.own_batch


@dataclass(frozen=True)
class Series:
    """The lights that can be combined; the first batch has the reference frame's size."""

    lights: list[Light]
    batches: list[Batch]

    @property
    def kept(self) -> list[Light]:
        """Lights still in."""
        return [light for light in self.lights if not light.reason]

    @property
    def main(self) -> Batch:
        """The batch the reference frame comes from."""
        return self.batches[0]

    def of(self, batch: Batch) -> list[Light]:
        """Lights of a batch still in."""
        return [light for light in self.kept if light.own_batch is batch]


def find_bad_pixels(series: Series) -> None:
    """Note in each batch the pixels that stand alone in half of its lights."""
    for batch in series.batches:
        batch.bad = recurring([light.lone for light in series.of(batch)])


def mend(pixels: Plane, bad: Index, bayer: Bayer | None) -> None:
    """Fill in bad pixels and NaNs of one plane, or of each channel, in place."""
    if pixels.ndim == 2:
        repair(pixels, bad, bayer)
        return
    for c in range(pixels.shape[2]):
        pixels[..., c] = repair(np.ascontiguousarray(pixels[..., c]), bad, None)


def reader(store: FrameStore, light: Light) -> Callable[[Box], Plane]:
    """A function that gives any box of a kept light with its batch's bad pixels mended."""
    batch = light.batch
    rows, cols = np.divmod(batch.bad, batch.width_px)

    def read(box: Box) -> Plane:
        pixels = store.box(light.name, box)
        if batch.pattern is not None:
            pixels -= batch.pattern[box.y0 : box.y1, box.x0 : box.x1]
        first, last = np.searchsorted(rows, [box.y0, box.y1])
        here, across = rows[first:last], cols[first:last]
        inside = (across >= box.x0) & (across < box.x1)
        if inside.any():
            local = (here[inside] - box.y0) * box.width_px + across[inside] - box.x0
            mend(pixels, local, batch.bayer)
        return pixels

    return read
