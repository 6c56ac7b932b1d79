"""Calibrated frames kept on disk while a picture is made, so that memory stays bounded."""

from __future__ import annotations

import shutil
import tempfile
from pathlib import Path

import numpy as np
import numpy.typing as npt

from slowglass.errors import UsageError
from slowglass.finish.geometry import Box
from slowglass.finish.pixels import extent, pack, unpack

Pixels = npt.NDArray[np.float32]


class FrameStore:
    """A temporary folder of float32 frames, read back box by box; gone when the block ends.

    Costs 2 to 4 bytes a pixel a frame on disk (48 MB for 24 megapixels of a usual sky), next to
    the output, where the space is known to be real disk.
    """

    def __init__(self, beside: Path) -> None:
        beside.mkdir(parents=True, exist_ok=True)
        self._scale: dict[str, tuple[float, float]] = {}
        try:
            self._folder = Path(tempfile.mkdtemp(prefix=".slowglass-", dir=beside))
        except OSError as error:
            raise UsageError(
                f"cannot write in {beside}: {error.strerror or error}", "choose a writable folder"
            ) from error

    def __enter__(self) -> FrameStore:
        return self

    def __exit__(self, *_: object) -> None:
        shutil.rmtree(self._folder, ignore_errors=True)

    def room_for(self, frames: int, pixels: int) -> None:
        """Refuse early, with figures, when the disk cannot hold the frames."""
        need, free = 2.2 * frames * pixels, shutil.disk_usage(self._folder).free
        if need > 0.95 * free:
            raise UsageError(
                f"{frames} frames need {need / 1e6:.0f} MB of working space in "
                f"{self._folder.parent} and {free / 1e6:.0f} MB are free",
                "write the picture to a disk with more room",
            )

    def put(self, name: str, pixels: Pixels, *, noise_adu: float = 0.0) -> None:
        """Keep a frame under a name.

        Raw values that are whole numbers, and frames whose range fits into 16 bits at an eighth
        of ``noise_adu`` a step, take half the room: rounding to a step of σ/8 adds a thousandth
        to the noise (σ²/8²/12) and no bias. All others are kept as they are.
        """
        flat = np.ascontiguousarray(pixels, dtype=np.float32)
        low, high, whole = extent(flat.reshape(-1))
        step = noise_adu / 8.0
        if step <= 0 and whole:
            step = 1.0
        path = self._folder / f"{name}.npy"
        if not (step > 0 and high - low < 65530 * step):
            np.save(path, flat)
            self._scale.pop(name, None)
            return
        packed = np.empty(flat.shape, dtype=np.uint16)
        pack(flat.reshape(-1), low, step, packed.reshape(-1))
        np.save(path, packed)
        self._scale[name] = (low, step)

    def box(self, name: str, box: Box) -> Pixels:
        """A copy of a box of a kept frame; the file is unmapped again at once."""
        mapped = np.load(self._folder / f"{name}.npy", mmap_mode="r")
        part = mapped[box.y0 : box.y1, box.x0 : box.x1]
        if name not in self._scale:
            return np.array(part)
        packed = np.ascontiguousarray(part)
        out = np.empty(packed.shape, dtype=np.float32)
        rows = packed.shape[0]
        unpack(packed.reshape(rows, -1), *self._scale[name], out.reshape(rows, -1))
        return out

    def drop(self, name: str) -> None:
        """Forget a frame."""
        (self._folder / f"{name}.npy").unlink(missing_ok=True)
