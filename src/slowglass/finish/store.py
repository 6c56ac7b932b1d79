"""Calibrated frames kept on disk while a picture is made, so that memory stays bounded."""

from __future__ import annotations

import shutil
import tempfile
from pathlib import Path

import numpy as np
import numpy.typing as npt

from slowglass.errors import UsageError
from slowglass.finish.geometry import Box

Pixels = npt.NDArray[np.float32]


class FrameStore:
    """A temporary folder of float32 frames, read back box by box; gone when the block ends.

    Costs 4 bytes a pixel a frame on disk (96 MB for 24 megapixels), next to the output, where
    the space is known to be real disk.
    """

    def __init__(self, beside: Path) -> None:
        beside.mkdir(parents=True, exist_ok=True)
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
        need, free = 4.0 * frames * pixels, shutil.disk_usage(self._folder).free
        if need > 0.95 * free:
            raise UsageError(
                f"{frames} frames need {need / 1e6:.0f} MB of working space in "
                f"{self._folder.parent} and {free / 1e6:.0f} MB are free",
                "write the picture to a disk with more room",
            )

    def put(self, name: str, pixels: Pixels) -> None:
        """Keep a frame under a name."""
        np.save(self._folder / f"{name}.npy", np.ascontiguousarray(pixels, dtype=np.float32))

    def box(self, name: str, box: Box) -> Pixels:
        """A copy of a box of a kept frame; the file is unmapped again at once."""
        mapped = np.load(self._folder / f"{name}.npy", mmap_mode="r")
        return np.array(mapped[box.y0 : box.y1, box.x0 : box.x1])

    def drop(self, name: str) -> None:
        """Forget a frame."""
        (self._folder / f"{name}.npy").unlink(missing_ok=True)
