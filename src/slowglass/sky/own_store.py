"""Where own stars live on disk: one file a frame beside the fetched tiles, so that any can go."""

from __future__ import annotations

import hashlib
import json
import zipfile
from dataclasses import dataclass, fields
from datetime import datetime
from pathlib import Path

import numpy as np
import numpy.typing as npt

from slowglass.errors import CatalogueMissing
from slowglass.frame.atomic import replacing
from slowglass.sky.coords import separation_deg
from slowglass.sky.deep_store import deep_folder
from slowglass.sky.own import OwnFrame, OwnStars, Sightings, believed
from slowglass.sky.wcs import TanWcs

Circle = tuple[float, float, float]
"""Right ascension, declination and radius, degrees."""


@dataclass(frozen=True)
class OwnFrameHeld:
    """A frame whose stars are held."""

    name: str
    start_utc: datetime | None
    ra_deg: float
    dec_deg: float
    odds_log10: float
    sightings: int


@dataclass(frozen=True)
class OwnSummary:
    """What is held of the user's own stars."""

    folder: Path
    frames: tuple[OwnFrameHeld, ...]
    sightings: int
    stars: int
    """Borne out by at least two frames: only these are used."""


class OwnStore:
    """The own stars in a folder, which need not exist."""

    def __init__(self, folder: Path | None = None) -> None:
        self.folder = deep_folder() if folder is None else Path(folder)

    def fingerprint(self) -> tuple[tuple[str, int, int], ...]:
        """Changes when any file does."""
        return tuple(
            (path.name, path.stat().st_mtime_ns, path.stat().st_size) for path in self._files()
        )

    def save(self, frame: OwnFrame, seen: Sightings) -> Path:
        """The frame's file; handed in again, a frame replaces what it gave before."""
        record = {
            f.name: getattr(frame, f.name)
            for f in fields(frame)
            if f.name not in ("wcs", "start_utc")
        }
        record["start_utc"] = frame.start_utc.isoformat() if frame.start_utc else None
        record["wcs"] = [
            frame.wcs.ra0_deg, frame.wcs.dec0_deg, frame.wcs.crpix_x, frame.wcs.crpix_y,
            *np.ravel(frame.wcs.matrix).tolist(),
        ]  # fmt: skip
        identity = f"{frame.name} {record['start_utc']}"
        mark = hashlib.sha256(identity.encode()).hexdigest()[:16]
        path = self.folder / f"own-{mark}.npz"
        with replacing(path) as temporary, temporary.open("wb") as file:
            columns = {f.name: getattr(seen, f.name) for f in fields(seen)}
            np.savez(file, frame=np.array(json.dumps(record)), **columns)
        return path

    def load(self) -> list[tuple[OwnFrame, Sightings]]:
        """Every frame's sightings; files that are damaged are passed over."""
        return [held for path in self._files() if (held := self._read(path)) is not None]

    def near(self, ra_deg: float, dec_deg: float, radius_deg: float) -> OwnStars:
        """The believed stars of a cone."""
        cone = ra_deg, dec_deg, radius_deg
        # Frames that reach into the cone count whole: what they cover and do not show matters too.
        stars = believed([held for held in self.load() if _inside(held[1], cone).any()])
        return stars.take(_inside(stars, cone))

    def summary(self) -> OwnSummary:
        """What is held."""
        held = self.load()
        return OwnSummary(
            folder=self.folder,
            frames=tuple(_told(frame, seen) for frame, seen in held),
            sightings=sum(len(seen) for _, seen in held),
            stars=len(believed(held)),
        )

    def forget(
        self,
        *,
        frame: str | None = None,
        around: Circle | None = None,
    ) -> int:
        """How many sightings were removed: all, those of frames of one name, those in a circle."""
        gone = 0
        try:
            for path in self._files():
                held = self._read(path)
                if held is None:
                    if frame is None and around is None:
                        path.unlink(missing_ok=True)
                    continue
                if frame is not None and held[0].name != frame:
                    continue
                leave = np.zeros(len(held[1]), dtype=bool)
                if around is not None:
                    leave = ~_inside(held[1], around)
                gone += int(np.count_nonzero(~leave))
                if leave.all() and len(leave):
                    continue
                if leave.any():
                    self.save(held[0], held[1].take(leave))
                else:
                    path.unlink(missing_ok=True)
            if self.folder.is_dir() and not any(self.folder.iterdir()):
                self.folder.rmdir()
        except OSError as error:
            raise CatalogueMissing(
                f"{self.folder}: own stars cannot be removed ({error.strerror})",
                "close other programs that use the folder and try again",
            ) from error
        return gone

    def _files(self) -> list[Path]:
        return sorted(self.folder.glob("own-*.npz"))

    @staticmethod
    def _read(path: Path) -> tuple[OwnFrame, Sightings] | None:
        try:
            with path.open("rb") as file, np.load(file, allow_pickle=False) as archive:
                record = json.loads(str(archive["frame"]))
                seen = Sightings(
                    **{f.name: np.asarray(archive[f.name], float) for f in fields(Sightings)}
                )
            ra0, dec0, x, y, a, b, c, d = record.pop("wcs")
            start = record.pop("start_utc")
            frame = OwnFrame(
                **record,
                start_utc=datetime.fromisoformat(start) if start else None,
                wcs=TanWcs(ra0, dec0, x, y, ((a, b), (c, d))),
            )
        except (OSError, ValueError, KeyError, TypeError, EOFError, zipfile.BadZipFile):
            return None
        return frame, seen


def _inside(stars: Sightings | OwnStars, circle: Circle) -> npt.NDArray[np.bool_]:
    ra, dec, radius = circle
    return np.asarray(separation_deg(ra, dec, stars.ra_deg, stars.dec_deg) <= radius)


def _told(frame: OwnFrame, seen: Sightings) -> OwnFrameHeld:
    ra, dec = frame.wcs.pixel_to_sky((frame.width_px - 1) / 2, (frame.height_px - 1) / 2)
    return OwnFrameHeld(
        frame.name, frame.start_utc, float(ra), float(dec), frame.odds_log10, len(seen)
    )
