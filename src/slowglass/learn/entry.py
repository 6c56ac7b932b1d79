"""From a judged frame to its line in the logbook."""

from __future__ import annotations

import math
from datetime import UTC, date, datetime
from typing import TYPE_CHECKING

from slowglass.frame.light import element_snr
from slowglass.learn.logbook.records import LoggedFrame, Night
from slowglass.sky.coords import alt_az, separation_deg

if TYPE_CHECKING:
    from slowglass.judge.live_enough import TargetLight
    from slowglass.judge.verdict import Verdict
    from slowglass.kit.model import Kit, Site
    from slowglass.sky.objects import SkyObject
    from slowglass.sky.store import Sky

MIDDLE = 0.35
"""An object this near to the middle, in frame diagonals, is what the frame is of."""


def logged_frame(
    verdict: Verdict,
    fingerprint: str,
    *,
    site: Site,
    target: SkyObject | None = None,
    light: TargetLight | None = None,
) -> LoggedFrame:
    """The logbook's record of a judged frame.

    ``light`` is the target's light on it, if measured; times without a date stay unknown.
    """
    start = _moment(verdict.start_utc)
    altitude = None
    if start is not None and verdict.ra_deg is not None and verdict.dec_deg is not None:
        high, _ = alt_az(
            verdict.ra_deg,
            verdict.dec_deg,
            latitude_deg=site.latitude_deg,
            longitude_deg=site.longitude_deg,
            unix_s=start.timestamp() + 0.5 * (verdict.exposure_s or 0.0),
        )
        altitude = float(high)
    sky = verdict.light
    channels = (sky.channel_zero_points_mag if sky is not None else None) or {}
    return LoggedFrame(
        fingerprint=fingerprint,
        file=verdict.file,
        kind=verdict.kind,
        object=target.id if target is not None else None,
        start_utc=None if start is None else _text(start),
        exposure_s=_finite(verdict.exposure_s),
        solved=verdict.solved,
        keeper=verdict.keeper,
        ra_deg=_finite(verdict.ra_deg),
        dec_deg=_finite(verdict.dec_deg),
        altitude_deg=altitude,
        fwhm_arcsec=_finite(verdict.fwhm_arcsec),
        elongation=_finite(verdict.elongation),
        sky_mag_arcsec2=_finite(sky.sky_mag_arcsec2) if sky is not None else None,
        zero_point_mag=_finite(sky.zero_point_mag) if sky is not None else None,
        zero_point_red_mag=_finite(channels.get("R")),
        zero_point_blue_mag=_finite(channels.get("B")),
        faintest_mag=_finite(sky.faintest_mag) if sky is not None else None,
        snr=_snr(light, verdict.fwhm_px),
        verdict=verdict.to_json(),
    )


def night_of_frame(verdict: Verdict, *, kit: Kit, site: Site, modified_s: float) -> Night:
    """The night a frame belongs to; a frame without a date goes by its file's."""
    from slowglass.expose.service import tonight

    start = _moment(verdict.start_utc) or datetime.fromtimestamp(modified_s, UTC)
    evening: date = tonight(site, start)
    return Night(evening.isoformat(), site.name, kit.name)


def object_in_the_middle(verdict: Verdict, sky: Sky) -> SkyObject | None:
    """The catalogue object a solved frame is of: the grandest one near its middle.

    Grand is bright for its distance from the middle: half a diagonal out costs five magnitudes.
    """
    if not verdict.solved or None in (verdict.ra_deg, verdict.dec_deg):
        return None
    scale = verdict.scale_arcsec_per_px or 0.0
    diagonal_deg = math.hypot(verdict.width_px or 0, verdict.height_px or 0) * scale / 3600.0
    found = sky.objects.near(verdict.ra_deg or 0.0, verdict.dec_deg or 0.0, MIDDLE * diagonal_deg)
    best, best_worth = None, math.inf
    for thing in found:
        if thing.mag is None:
            continue
        away_deg = separation_deg(
            verdict.ra_deg or 0.0, verdict.dec_deg or 0.0, thing.ra_deg, thing.dec_deg
        )
        worth = thing.mag + 10.0 * float(away_deg) / diagonal_deg
        if worth < best_worth:
            best, best_worth = thing, worth
    return best


def _snr(light: TargetLight | None, fwhm_px: float | None) -> float | None:
    from slowglass.expose.noise import resolution_pixels
    from slowglass.frame.light import SurfaceLight

    if light is None or fwhm_px is None or light.noise_e <= 0:
        return None
    surface = SurfaceLight(light.object_e_per_px, 0.0, light.noise_e)
    return _finite(element_snr(surface, float(resolution_pixels(fwhm_px))))


def _moment(text: str | None) -> datetime | None:
    return datetime.fromisoformat(text).astimezone(UTC) if text else None


def _text(moment: datetime) -> str:
    return moment.isoformat(timespec="seconds").replace("+00:00", "Z")


def _finite(value: float | None) -> float | None:
    return float(value) if value is not None and math.isfinite(value) else None
