"""The exposure as every step sees it: pixels, unit, colour mosaic, and what the header said."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from datetime import datetime
from typing import Any, Literal

import numpy as np
import numpy.typing as npt

Kind = Literal["light", "dark", "flat", "bias", "unknown"]
Bayer = Literal["RGGB", "BGGR", "GRBG", "GBRG"]


@dataclass(frozen=True)
class FrameHeader:
    """What the file says about the exposure; ``None`` where it says nothing."""

    kind: Kind = "unknown"
    exposure_s: float | None = None
    start_utc: datetime | None = None
    """Start of the exposure, aware, UTC."""
    iso: int | None = None
    gain_e_per_adu: float | None = None
    read_noise_e: float | None = None
    temperature_c: float | None = None
    camera: str | None = None
    filter_name: str | None = None
    object_name: str | None = None
    focal_length_mm: float | None = None
    cards: Mapping[str, Any] = field(default_factory=dict)
    """The raw FITS or EXIF cards, for provenance and for the WCS of calibrated output."""


@dataclass(frozen=True)
class Frame:
    """One exposure.

    ``pixels`` is float32, (rows, columns) for a mosaic or monochrome sensor and
    (rows, columns, 3) in R, G, B order for a colour picture; ``[y, x]``, first row as stored in
    the file. A constant black level, where the file states one, is already subtracted (values
    may be negative). ``white_adu`` is the clipping level after that subtraction. ``unit`` is
    "adu" or "e".
    """

    pixels: npt.NDArray[np.float32]
    header: FrameHeader = FrameHeader()
    unit: Literal["adu", "e"] = "adu"
    bayer: Bayer | None = None
    """Colour of pixel [0, 0] and its neighbours, row by row; None when not a mosaic."""
    white_adu: float = 65535.0
    black_adu: float = 0.0
    """The black level that was subtracted on reading (for the record)."""
    path: str | None = None
    history: tuple[str, ...] = ()

    @property
    def width_px(self) -> int:
        """Columns."""
        return int(self.pixels.shape[1])

    @property
    def height_px(self) -> int:
        """Rows."""
        return int(self.pixels.shape[0])

    @property
    def is_colour(self) -> bool:
        """True for (rows, columns, 3) pixels."""
        return self.pixels.ndim == 3

    def with_step(self, step: str, **changes: Any) -> Frame:
        """A changed copy whose history names the step that made it."""
        return replace(self, history=(*self.history, step), **changes)
