"""How a forecast frame is taken, and the truth that comes back with it."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime

import numpy as np
import numpy.typing as npt

from slowglass.errors import UsageError
from slowglass.expose.conditions import Conditions
from slowglass.expose.scene import SceneStars
from slowglass.expose.sensor import Flaws
from slowglass.sky.objects import SkyObject
from slowglass.sky.wcs import TanWcs

Floats = npt.NDArray[np.float64]


@dataclass(frozen=True)
class ForecastOptions:
    """How the frame is taken; every field has a plain default."""

    rotation_deg: float = 180.0
    """Position angle of the stored +y axis; 180 puts north at the top of the picture."""
    offset_arcsec: tuple[float, float] = (0.0, 0.0)
    """The frame's centre lies this far east and north of the target."""
    seed: int = 0
    """Chooses the noise and, with ``worm_phase_rad`` unset, the worm's phase."""
    camera_seed: int = 1
    """Chooses the hot pixels and the dust: one number, one camera."""
    noise: bool = True
    tracking: bool = True
    """False: the mount follows perfectly (shake remains)."""
    worm_phase_rad: float | None = None
    """Phase of the worm when the exposure begins."""
    second_harmonic: float = 0.0
    seeing_arcsec: float | None = None
    blur_px: float = 0.0
    """Diameter of the out-of-focus disc."""
    transparency: float = 1.0
    """Share of the starlight that cloud lets through; full cloud doubles a lit sky."""
    sky_mag_arcsec2: float | None = None
    """Brightness of the sky at the target, in place of the site's with Moon and twilight."""
    altitude_deg: float | None = None
    """Altitude to assume when no time is given."""
    satellite_mag: float | None = None
    """A satellite of this magnitude crosses the frame."""
    vignetting: float | None = None
    """Share of the light lost in the corners; None takes the kit's."""
    dust: bool = True
    neighbours: bool = True
    """Draw the other catalogued objects of the field too."""
    faintest_mag: float = 17.0
    write_wcs: bool = False
    """Put the true coordinates into the header."""


@dataclass(frozen=True, eq=False)
class ForecastTruth:
    """What a frame really shows. Star arrays are brightest first, stars within the frame only."""

    wcs: TanWcs
    """For the mean position over the exposure, where star images have their centres of light."""
    x_px: Floats
    y_px: Floats
    stars: SceneStars
    star_e: Floats
    """Electrons of each star, (stars, bands), before vignetting, as if all pixels had the band."""
    fwhm_px: float
    """Diameter of the disc whose area is that of the star image above half its peak."""
    path_px: tuple[Floats, Floats]
    """The star's way over the sensor in steps of equal time, x and y, mean 0."""
    sky_e: Floats
    """Sky electrons per pixel in each band at the frame's centre."""
    conditions: Conditions
    flaws: Flaws
    objects: tuple[SkyObject, ...]

    @property
    def trail_px(self) -> tuple[float, float]:
        """Extent of the trail along x and y."""
        return float(np.ptp(self.path_px[0])), float(np.ptp(self.path_px[1]))

    @property
    def trail_angle_deg(self) -> float:
        """Direction of the trail, 0 to 180 from the +x (column) axis toward +y."""
        x, y = self.path_px
        return float(
            np.degrees(0.5 * np.arctan2(2.0 * np.mean(x * y), np.mean(x * x) - np.mean(y * y)))
            % 180.0
        )


def check_options(exposure_s: float, when: datetime | None, o: ForecastOptions) -> None:
    """Refuse times and options that make no sense, naming the value and the range."""
    if not (np.isfinite(exposure_s) and exposure_s > 0):
        raise UsageError(f"an exposure of {exposure_s:g} s", "give a time above 0 s")
    if when is not None and when.tzinfo is None:
        raise UsageError(f"the time {when.isoformat()} has no zone", "give an aware UTC time")
    if o.seed < 0 or o.camera_seed < 0:
        raise UsageError(f"seed {min(o.seed, o.camera_seed)}", "give a whole number from 0")
    for name, value, low, high in (
        ("transparency", o.transparency, 0.0, 1.0),
        ("vignetting", o.vignetting, 0.0, 1.0),
        ("blur_px", o.blur_px, 0.0, 600.0),
        ("seeing_arcsec", o.seeing_arcsec, 0.1, 60.0),
        ("altitude_deg", o.altitude_deg, 0.0, 90.0),
    ):
        if value is not None and not low <= value <= high:
            raise UsageError(f"{name} {value:g} is out of range", f"give {low:g} to {high:g}")
