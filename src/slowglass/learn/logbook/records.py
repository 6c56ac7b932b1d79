"""What the logbook keeps, as plain frozen records."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any


@dataclass(frozen=True)
class Night:
    """One evening at one site with one kit."""

    evening: str
    """The evening's local date, YYYY-MM-DD."""
    site: str
    kit: str
    conditions: Mapping[str, Any] = field(default_factory=dict)
    id: int | None = None
    made_utc: str | None = None


@dataclass(frozen=True)
class LoggedFrame:
    """One exposure and what judging it gave; ``None`` stands for "not measured"."""

    fingerprint: str
    file: str
    kind: str = "light"
    object: str | None = None
    """The catalogue's id of the object the frame is of."""
    start_utc: str | None = None
    exposure_s: float | None = None
    solved: bool = False
    keeper: bool = False
    ra_deg: float | None = None
    dec_deg: float | None = None
    altitude_deg: float | None = None
    fwhm_arcsec: float | None = None
    elongation: float | None = None
    sky_mag_arcsec2: float | None = None
    zero_point_mag: float | None = None
    """Of the green pixels: V of a star of the sky's colour that gives 1 ADU a second."""
    zero_point_red_mag: float | None = None
    zero_point_blue_mag: float | None = None
    faintest_mag: float | None = None
    """V of a star of five times the noise."""
    snr: float | None = None
    verdict: Mapping[str, Any] = field(default_factory=dict)
    id: int | None = None
    night_id: int | None = None
    made_utc: str | None = None
    removed_utc: str | None = None


@dataclass(frozen=True)
class LoggedPlan:
    """What was predicted for an object before the night."""

    object: str
    plan: Mapping[str, Any]
    id: int | None = None
    night_id: int | None = None
    made_utc: str | None = None
    removed_utc: str | None = None


@dataclass(frozen=True)
class LoggedPicture:
    """One finished picture."""

    file: str
    object: str | None = None
    ra_deg: float | None = None
    dec_deg: float | None = None
    frames_used: int | None = None
    integration_s: float | None = None
    fwhm_arcsec: float | None = None
    caption: str = ""
    result: Mapping[str, Any] = field(default_factory=dict)
    id: int | None = None
    night_id: int | None = None
    made_utc: str | None = None
    removed_utc: str | None = None


@dataclass(frozen=True)
class LoggedNote:
    """A sentence about a night, an object, or both."""

    text: str
    object: str | None = None
    id: int | None = None
    night_id: int | None = None
    made_utc: str | None = None
    removed_utc: str | None = None


@dataclass(frozen=True)
class LoggedMeasurement:
    """One measured value of a kit or a site, beside what was stated."""

    kit: str
    quantity: str
    """A key of the kit or site file, such as ``camera.read_noise_e``."""
    unit: str
    value: float
    sigma: float | None = None
    stated: float | None = None
    how: str = ""
    sources: tuple[str, ...] = ()
    """Files it was measured on, or evenings of logged frames."""
    site: str | None = None
    adopted_utc: str | None = None
    id: int | None = None
    made_utc: str | None = None
    removed_utc: str | None = None


@dataclass(frozen=True)
class FrameQuery:
    """Which frames are wanted; every condition given must hold."""

    object: str | None = None
    evening: str | None = None
    since: str | None = None
    """First evening, YYYY-MM-DD."""
    until: str | None = None
    """Last evening."""
    kit: str | None = None
    site: str | None = None
    kind: str | None = None
    keeper: bool | None = None
    solved: bool | None = None
    fwhm_below_arcsec: float | None = None
    elongation_below: float | None = None
    exposure_from_s: float | None = None
    exposure_to_s: float | None = None
    sky_darker_than: float | None = None
    reaching_mag: float | None = None
    """Its faintest stars are at least this faint."""
    near: tuple[float, float, float] | None = None
    """RA, Dec and radius in degrees."""
    text: str | None = None
    """Part of the file's name."""
    removed: bool = False
    """Show removed frames instead of the others."""
    limit: int | None = None
