"""The way of a star image over the sensor during an exposure, in every part of the frame.

Polar axis, air and a still tripod carry the corners of a frame otherwise than its middle: the
field turns. Where that shows, the frame is divided into zones, each with the path of its own
declination and hour angle.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from functools import cached_property

import numpy as np
import numpy.typing as npt

from slowglass.expose.conditions import Conditions
from slowglass.expose.options import ForecastOptions
from slowglass.expose.tracking import field_path_arcsec
from slowglass.kit.model import Kit, Site
from slowglass.sky.wcs import TanWcs

Floats = npt.NDArray[np.float64]
Path = tuple[Floats, Floats]

CHUNK_PX = 100.0
"""Longest piece of a trail that one star image holds; longer trails are drawn in pieces."""
TURN_SHOWS_PX = 0.4
"""Paths in the corners that differ by less from that of the middle are drawn as one."""
MOST_ZONES = 5
"""On a side."""
FEW_STEPS = 64


@dataclass(frozen=True)
class Zone:
    """A rectangle of the sensor (px), open outward at the frame's edges."""

    left: float
    right: float
    top: float
    bottom: float
    central: bool

    def holds(self, x: Floats, y: Floats) -> npt.NDArray[np.bool_]:
        """Which of the places lie in it."""
        inside = (x >= self.left) & (x < self.right) & (y >= self.top) & (y < self.bottom)
        return np.asarray(inside)


WHOLE = Zone(-np.inf, np.inf, -np.inf, np.inf, True)


@dataclass(frozen=True, eq=False)
class Ways:
    """The paths of an exposure. Paths are offsets x, y in px at steps of equal time, mean 0."""

    kit: Kit
    site: Site
    wcs: TanWcs
    exposure_s: float
    conditions: Conditions
    options: ForecastOptions

    @cached_property
    def phase_rad(self) -> float:
        """Where the worm stands when the exposure begins."""
        if self.options.worm_phase_rad is not None:
            return self.options.worm_phase_rad
        return float(np.random.default_rng([self.options.seed, 0xA1]).random() * 2.0 * np.pi)

    @cached_property
    def at_centre(self) -> Path:
        """The path in the middle of the frame."""
        camera = self.kit.camera
        return self.at(0.5 * (camera.width_px - 1), 0.5 * (camera.height_px - 1))

    def at(self, x_px: float, y_px: float) -> Path:
        """The path of a star that stands at a place of the sensor."""
        if not self.options.tracking:
            return np.zeros(1), np.zeros(1)
        x, y = self._sampled(x_px, y_px, FEW_STEPS)
        wanted = int(3.0 * (np.ptp(x) + np.ptp(y)))
        return (x, y) if wanted <= FEW_STEPS else self._sampled(x_px, y_px, wanted)

    def _sampled(self, x_px: float, y_px: float, steps: int) -> Path:
        ra, dec = (float(v) for v in self.wcs.pixel_to_sky(x_px, y_px))
        east, north = field_path_arcsec(
            (np.arange(steps) + 0.5) * (self.exposure_s / steps),
            self.kit.mount,
            dec_deg=dec,
            hour_angle_deg=self.conditions.hour_angle_deg + self.wcs.ra0_deg - ra,
            latitude_deg=self.site.latitude_deg,
            phase_rad=self.phase_rad,
            second_harmonic=self.options.second_harmonic,
        )
        x, y = self._local(ra, dec) @ np.stack([east, north])
        return x - x.mean(), y - y.mean()

    def _local(self, ra: float, dec: float) -> Floats:
        """Pixels along x and y for an arcsec east and north at a place."""
        step = 1.0 / 3600.0
        cos_dec = max(1e-4, float(np.cos(np.radians(dec))))
        x, y = self.wcs.sky_to_pixel(
            np.array([ra - step / cos_dec, ra + step / cos_dec, ra, ra]),
            np.array([dec, dec, dec - step, dec + step]),
        )
        return 0.5 * np.array([[x[1] - x[0], x[3] - x[2]], [y[1] - y[0], y[3] - y[2]]])

    @cached_property
    def turn_px(self) -> float:
        """How far the path in a corner departs from that of the middle, pixels."""
        camera = self.kit.camera
        if not self.options.tracking:
            return 0.0
        middle = self._sampled(0.5 * (camera.width_px - 1), 0.5 * (camera.height_px - 1), FEW_STEPS)
        corners = [
            self._sampled(x, y, FEW_STEPS)
            for x in (0.0, camera.width_px - 1.0)
            for y in (0.0, camera.height_px - 1.0)
        ]
        return max(float(np.max(np.hypot(x - middle[0], y - middle[1]))) for x, y in corners) * 2.0

    def zones(self) -> list[tuple[Zone, Path]]:
        """The parts of the frame, each with the path of its middle."""
        if self.turn_px < TURN_SHOWS_PX:
            return [(WHOLE, self.at_centre)]
        # An odd number, so that one zone is the frame's middle.
        side = int(np.clip(np.ceil(self.turn_px / TURN_SHOWS_PX), 3, MOST_ZONES)) // 2 * 2 + 1
        side = min(side, MOST_ZONES)
        camera = self.kit.camera
        across = np.linspace(-0.5, camera.width_px - 0.5, side + 1)
        down = np.linspace(-0.5, camera.height_px - 0.5, side + 1)
        out = []
        for i in range(side):
            for j in range(side):
                zone = Zone(
                    -np.inf if i == 0 else across[i],
                    np.inf if i == side - 1 else across[i + 1],
                    -np.inf if j == 0 else down[j],
                    np.inf if j == side - 1 else down[j + 1],
                    central=i == j == side // 2,
                )
                middle = 0.5 * (across[i] + across[i + 1]), 0.5 * (down[j] + down[j + 1])
                out.append((zone, self.at(*middle)))
        return out

    def pieces(self) -> Iterator[tuple[Zone, Path, Path]]:
        """(zone, its path, a run of it no longer than a star image can hold)."""
        for zone, path in self.zones():
            x, y = path
            if np.hypot(np.ptp(x), np.ptp(y)) <= CHUNK_PX:
                yield zone, path, path
                continue
            along = np.concatenate([[0.0], np.cumsum(np.hypot(np.diff(x), np.diff(y)))])
            run = (along // CHUNK_PX).astype(int)
            for k in np.unique(run):
                yield zone, path, (x[run == k], y[run == k])
