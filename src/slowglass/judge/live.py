"""The live stack: the running mean of the keepers, on a small picture, in bounded memory.

Its own small mean rather than the finishing room's combination: that one needs all frames at
once, darks and flats, and minutes; this one has to grow in a fraction of a second after each
exposure, while the next one runs, and only has to show what there is already. It is a picture
to look at. What is measured is measured on the frames themselves, at full size
(:mod:`slowglass.judge.live_enough`).

Memory: 4 bytes × 3 colours × 2 (mean and squared deviations) + 2 for the count a pixel: 16 MB
at 960 × 640, whatever the number of frames.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from pathlib import Path

import numpy as np
import numpy.typing as npt

from slowglass.frame.atomic import replacing
from slowglass.frame.bayer import colour_index
from slowglass.frame.image import Frame
from slowglass.frame.preview import shrink
from slowglass.frame.stars import StarList
from slowglass.frame.stretch import measure_stretch, to_8bit
from slowglass.judge.live_align import align_by_stars, align_by_wcs, better, on_proxies
from slowglass.sky.wcs import TanWcs

Picture = npt.NDArray[np.float32]
Floats = npt.NDArray[np.float64]

LONGEST_PX = 960
STARS_KEPT = 120
FEWEST_TO_CLIP = 4
CLIP_SIGMAS = 5.0
"""A satellite on one frame is left out from the fifth frame on (Welford's running variance
tells how far pixels usually stray)."""


@dataclass(frozen=True)
class LiveFrame:
    """What the stack needs of a frame: a small picture, sky at zero, and where its stars are."""

    name: str
    picture: Picture
    width_px: int
    height_px: int
    stars_px: Floats
    wcs: TanWcs | None
    exposure_s: float | None

    @property
    def shrunk(self) -> float:
        """Full-resolution pixels a picture pixel covers along a side."""
        return self.width_px / self.picture.shape[1]


def live_frame(
    name: str, frame: Frame, stars: StarList, wcs: TanWcs | None, *, longest_px: int = LONGEST_PX
) -> LiveFrame:
    """A frame made ready for the stack."""
    small = colour_picture(frame, longest_px)
    small -= np.median(small.reshape(-1, small.shape[2]), axis=0)
    positions = np.column_stack([stars.x_px, stars.y_px])[:STARS_KEPT]
    return LiveFrame(
        name, small, frame.width_px, frame.height_px, positions, wcs, frame.header.exposure_s
    )


def colour_picture(frame: Frame, longest_px: int) -> Picture:
    """The frame shrunk, (rows, columns, 3) in R, G, B or (rows, columns, 1) without colour.

    A mosaic's colours are shrunk one by one, so that no full-size colour picture is made.
    """
    if frame.bayer is None:
        small = shrink(frame.pixels, longest_px)
        return small if small.ndim == 3 else small[..., None]
    rows, columns = frame.height_px // 2 * 2, frame.width_px // 2 * 2
    cell = colour_index(frame.bayer)
    planes: list[Picture] = []
    for colour in range(3):
        phases = [(r, c) for r in (0, 1) for c in (0, 1) if cell[r, c] == colour]
        parts = [shrink(frame.pixels[r:rows:2, c:columns:2], longest_px) for r, c in phases]
        planes.append(parts[0] if len(parts) == 1 else (parts[0] + parts[1]) / 2.0)
    return np.dstack(planes)


@dataclass
class _Sums:
    """Mean, summed squared deviations and number of frames, pixel by pixel."""

    mean: Picture
    spread: Picture
    count: npt.NDArray[np.uint16]

    def grow(self, moved: Picture, frames: int) -> None:
        """Welford's update (1962, Technometrics 4, 419), pixel by pixel, strays left out."""
        use = np.asarray(np.isfinite(moved).all(axis=2))
        moved = np.nan_to_num(moved)
        off = moved - self.mean
        if frames >= FEWEST_TO_CLIP:
            usual = np.sqrt(self.spread / np.maximum(1, self.count - 1)[..., None])
            # Pixels that happened to agree so far are given the frame's own noise at least.
            usual = np.maximum(usual, np.median(usual))
            strays = (off > CLIP_SIGMAS * usual).any(axis=2)
            use &= ~(strays & (self.count >= FEWEST_TO_CLIP))
        self.count += use
        share = (use / np.maximum(1, self.count)).astype(np.float32)
        self.mean += off * share[..., None]
        self.spread += off * (moved - self.mean) * use[..., None]


@dataclass
class LiveStack:
    """The running mean of the frames taken in, on the first one's pixels."""

    names: list[str] = field(default_factory=list)
    left_out: dict[str, str] = field(default_factory=dict)
    """Frames that could not be laid on the first one, and why."""
    exposure_s: float = 0.0
    _first: LiveFrame | None = None
    _sums: _Sums | None = None

    def add(self, frame: LiveFrame) -> bool:
        """Take a frame in; False, with the reason in ``left_out``, if it cannot be laid on."""
        import cv2

        if self._first is None or self._sums is None:
            self._sums = _Sums(
                frame.picture.copy(),
                np.zeros_like(frame.picture),
                np.ones(frame.picture.shape[:2], dtype=np.uint16),
            )
            self._first = replace(frame, picture=self._sums.mean)  # kept once
        else:
            shape = self._sums.mean.shape
            if frame.picture.shape[2] != shape[2]:
                self.left_out[frame.name] = "colour and grey frames do not mix"
                return False
            step = _step(self._first, frame)
            if step is None:
                self.left_out[frame.name] = "no place on the sky, and too few stars in common"
                return False
            moved = cv2.warpAffine(
                frame.picture,
                on_proxies(step, self._first.shrunk, frame.shrunk),
                (shape[1], shape[0]),
                flags=cv2.INTER_CUBIC | cv2.WARP_INVERSE_MAP,
                borderMode=cv2.BORDER_CONSTANT,
                borderValue=(np.nan,) * 4,
            )
            self._sums.grow(np.asarray(moved, dtype=np.float32).reshape(shape), len(self.names))
        self.names.append(frame.name)
        self.exposure_s += frame.exposure_s or 0.0
        return True

    def picture(self) -> npt.NDArray[np.uint8] | None:
        """The mean as an 8-bit picture, sky grey, star colours balanced; None when empty."""
        if self._sums is None:
            return None
        seen = np.asarray(self._sums.count >= max(1, len(self.names) // 2))
        shown = self._sums.mean * seen[..., None].astype(np.float32)
        if shown.shape[2] == 1:
            flat = shown[..., 0]
            return to_8bit(flat, measure_stretch(flat))
        shown = shown * _star_balance(shown)
        return to_8bit(shown, measure_stretch(shown))

    def save(self, path: Path) -> None:
        """Write everything, so that ``load`` can go on from here."""
        if self._first is None or self._sums is None:
            return
        first, sums = self._first, self._sums
        wcs = [] if first.wcs is None else _wcs_numbers(first.wcs)
        with replacing(path) as temporary, temporary.open("wb") as stream:
            np.savez(
                stream,
                names=np.array(self.names),
                exposure_s=self.exposure_s,
                mean=sums.mean,
                spread=sums.spread,
                count=sums.count,
                first=first.name,
                size=(first.width_px, first.height_px),
                stars=first.stars_px,
                wcs=np.array(wcs, dtype=np.float64),
            )

    @classmethod
    def load(cls, path: Path) -> LiveStack:
        """The stack saved there; an empty one where there is none, or a damaged one."""
        stack = cls()
        try:
            with path.open("rb") as stream, np.load(stream, allow_pickle=False) as kept:
                sums = _Sums(kept["mean"], kept["spread"], kept["count"])
                if sums.mean.ndim != 3 or sums.count.shape != sums.mean.shape[:2]:
                    return stack
                width, height = (int(v) for v in kept["size"])
                numbers = kept["wcs"]
                stack._first = LiveFrame(
                    str(kept["first"]),
                    sums.mean,
                    width,
                    height,
                    kept["stars"],
                    _wcs_from(numbers) if numbers.size else None,
                    None,
                )
                stack._sums = sums
                stack.names = [str(name) for name in kept["names"]]
                stack.exposure_s = float(kept["exposure_s"])
        except Exception:  # absent, cut short or foreign: the frames are read again
            return cls()
        return stack


def _step(first: LiveFrame, frame: LiveFrame) -> Floats | None:
    """How ``frame`` lies on ``first``, by their places on the sky or by their stars."""
    if first.wcs is not None and frame.wcs is not None:
        step = align_by_wcs(first.wcs, frame.wcs, first.width_px, first.height_px)
        return None if step is None else better(step, first.stars_px, frame.stars_px)
    return align_by_stars(first.stars_px, frame.stars_px, (first.width_px, first.height_px))


def _star_balance(picture: Picture) -> Picture:
    """Factors for R, G, B that make the bright pixels, taken together, white."""
    light = picture.mean(axis=2)
    bright = np.asarray(light > np.quantile(light, 0.998))
    sums = np.maximum(picture[bright].sum(axis=0), 1e-6)
    return np.asarray(np.clip(sums[1] / sums, 0.3, 3.0), dtype=np.float32)


def _wcs_numbers(wcs: TanWcs) -> list[float]:
    (a, b), (c, d) = wcs.cd
    return [wcs.ra0_deg, wcs.dec0_deg, wcs.crpix_x, wcs.crpix_y, a, b, c, d]


def _wcs_from(numbers: Floats) -> TanWcs:
    ra, dec, x, y, a, b, c, d = (float(v) for v in numbers)
    return TanWcs(ra, dec, x, y, ((a, b), (c, d)))
