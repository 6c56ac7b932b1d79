"""Calibrated frames kept on disk while a picture is made, so that memory stays bounded."""

from __future__ import annotations

import os
import shutil
import tempfile
import time
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt
from filelock import FileLock, Timeout

from slowglass.errors import Cancelled, UsageError
from slowglass.finish.geometry import Box
from slowglass.finish.pixels import extent, pack, unpack

Pixels = npt.NDArray[np.float32]


OLD_S = 3 * 86400.0
"""Age from which what a broken run left beside a picture is cleared away."""


class FrameStore:
    """A working folder of float32 frames, read back box by box; gone when the block ends.

    Costs 2 to 4 bytes a pixel a frame on disk (48 MB for 24 megapixels of a usual sky), next to
    the output, where the space is known to be real disk. With a ``key`` the folder stays when
    the work is broken off, and the next with the same key finds its frames there.
    """

    def __init__(self, beside: Path, key: str = "") -> None:
        self._scale: dict[str, tuple[float, float]] = {}
        try:
            beside.mkdir(parents=True, exist_ok=True)
            _clear_old(beside)
            self._lock: FileLock | None = None
            self.folder = beside / f".slowglass-{key}"
            if key:
                self._lock = FileLock(beside / f".slowglass-{key}.lock", timeout=0)
                try:
                    self._lock.acquire()
                    self.folder.mkdir(exist_ok=True)
                except Timeout:  # the same frames are being finished elsewhere
                    self._lock, key = None, ""
            if not key:
                self.folder = Path(tempfile.mkdtemp(prefix=".slowglass-", dir=beside))
        except OSError as error:
            raise UsageError(
                f"cannot write in {beside}: {error.strerror or error}", "choose a writable folder"
            ) from error

    def __enter__(self) -> FrameStore:
        return self

    def __exit__(self, kind: type[BaseException] | None, *_: object) -> None:
        broken = kind is not None and (kind is Cancelled or not issubclass(kind, Exception))
        if not (broken and self._lock is not None):
            shutil.rmtree(self.folder, ignore_errors=True)
        if self._lock is not None:
            self._lock.release()
            Path(self._lock.lock_file).unlink(missing_ok=True)

    def room_for(self, frames: int, pixels: int) -> None:
        """Refuse early, with figures, when the disk cannot hold the frames."""
        need, free = 2.2 * frames * pixels, shutil.disk_usage(self.folder).free
        if need > 0.95 * free:
            raise UsageError(
                f"{frames} frames need {need / 1e6:.0f} MB of working space in "
                f"{self.folder.parent} and {free / 1e6:.0f} MB are free",
                "write the picture to a disk with more room",
            )

    def has(self, name: str) -> bool:
        """Whether a frame of that name is kept."""
        return self._path(name).exists()

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
        kept: npt.NDArray[Any] = flat
        if step > 0 and high - low < 65530 * step:
            kept = np.empty(flat.shape, dtype=np.uint16)
            pack(flat.reshape(-1), low, step, kept.reshape(-1))
        path = self._path(name)
        part = path.with_suffix(".part")
        with part.open("wb") as file:
            np.save(file, kept)
            file.write(np.array([low, step], dtype=np.float64).tobytes())
        part.replace(path)

    def box(self, name: str, box: Box) -> Pixels:
        """A copy of a box of a kept frame; the file is unmapped again at once."""
        path = self._path(name)
        mapped = np.load(path, mmap_mode="r")
        part = mapped[box.y0 : box.y1, box.x0 : box.x1]
        if mapped.dtype != np.uint16:
            return np.array(part)
        if name not in self._scale:
            with path.open("rb") as file:
                file.seek(-16, os.SEEK_END)
                low, step = np.frombuffer(file.read(16), dtype=np.float64)
            self._scale[name] = (float(low), float(step))
        part = np.ascontiguousarray(part)
        out = np.empty(part.shape, dtype=np.float32)
        rows = part.shape[0]
        unpack(part.reshape(rows, -1), *self._scale[name], out.reshape(rows, -1))
        return out

    def drop(self, name: str) -> None:
        """Forget a frame."""
        self._path(name).unlink(missing_ok=True)
        self._scale.pop(name, None)

    def _path(self, name: str) -> Path:
        return self.folder / f"{name}.npy"


def _clear_old(beside: Path) -> None:
    """Remove working folders that nobody came back to."""
    for folder in beside.glob(".slowglass-*"):
        try:
            if folder.is_dir() and time.time() - folder.stat().st_mtime > OLD_S:
                shutil.rmtree(folder, ignore_errors=True)
        except OSError:
            continue
