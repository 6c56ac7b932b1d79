"""What a plan says, as a record and for JSON."""

from __future__ import annotations

import math
from dataclasses import asdict, dataclass, field
from typing import Any

from slowglass.expose.session import Session


@dataclass(frozen=True)
class ExposurePlan:
    """What an exposure collects, in electrons per pixel (mean over the colour mosaic).

    ``object_e_per_px`` and ``snr`` are for the object's mean brightness inside its half-light
    ellipse and one resolution element (a disc one FWHM across) of one frame; of an object that
    is a star cluster, for a typical member, in that star's best aperture (``measures`` says
    which). Both are None for a place without an object.
    """

    name: str
    exposure_s: float
    frames: int
    measures: str
    object_e_per_px: float | None
    sky_e_per_px: float
    dark_e_per_px: float
    read_noise_e: float
    snr: float | None
    snr_total: float | None
    fwhm_px: float
    faintest_mag: float
    sky_limited_s: float
    hold_time_s: float
    keeper_fraction: float
    suggested_s: float
    suggested_frames: int | None
    """Good frames of that length that reach the wanted signal to noise: a least number."""
    minutes_up: float | None
    """How long the object is clear of the skyline in darkness; None when not asked for a night."""
    frames_in_window: int | None
    """So many frames of the suggested length fit into that."""
    limit: str
    time_cost: float
    """Hours at the telescope with the suggested exposure over those of a kit without read noise,
    pauses or lost frames."""
    parts: tuple[dict[str, Any], ...]
    """What the signal to noise is told of, one mapping each: ``what, snr, snr_total``."""
    faintest_mag_total: float
    """Magnitude of the faintest star in all the keepers together."""
    faintest_mag_arcsec2: float
    """Faintest glow above the noise in all the keepers together, per resolution element."""
    core_arcmin: tuple[float, float] | None
    """Full axes of the part that stands out in one exposure; None when none does."""
    seen_arcmin: tuple[float, float] | None
    """Full axes of the part above the noise of all the keepers; of a cluster of stars the circle
    that holds nine in ten of them, where the star catalogue shows a crowd."""
    seen_mag_arcsec2: float | None
    trail_arcsec: tuple[float, float, float]
    """Trail of one such exposure: a tenth are shorter, the middle one, a tenth are longer."""
    keepers_by_exposure: tuple[tuple[float, float], ...]
    """(seconds, share of round frames) of every customary exposure of a second and more."""
    untrailed_s: float | None
    """On a mount that stands still: the longest exposure with round stars."""
    session: Session
    saturates: tuple[str, ...]
    altitude_deg: float
    sky_mag_arcsec2: float
    text: str
    notes: tuple[str, ...] = ()
    outputs: tuple[str, ...] = field(default=())

    def to_json(self) -> dict[str, Any]:
        """Plain values for JSON: tuples become lists, an infinite time null."""
        return {key: _plain(value) for key, value in asdict(self).items()}


def _plain(value: Any) -> Any:
    if isinstance(value, dict):
        return {key: _plain(item) for key, item in value.items()}
    if isinstance(value, list | tuple):
        return [_plain(item) for item in value]
    if isinstance(value, float):
        return round(value, 4) if math.isfinite(value) else None
    return value
