"""The light of a logged frame against what a kit promises now, whatever it promised then.

A verdict's own share of the light was told against the kit in use at the time. Once a correction
is adopted that is another kit: the zero points, which are the frame's own, are asked anew.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from slowglass.expose.conditions import site_extinction_mag
from slowglass.judge.light import USUAL_AIRMASS, light_shares
from slowglass.learn.logbook.records import LoggedFrame
from slowglass.sky.extinction import airmass

if TYPE_CHECKING:
    from slowglass.kit.model import Kit, Site

LOWEST_ALTITUDE_DEG = 10.0
"""Below that the place or the clock is likelier wrong than the frame that low."""


def shares_now(frame: LoggedFrame, kit: Kit, site: Site) -> dict[str, float]:
    """Light that arrived over the kit's promise, by R, G, B or L; empty where it is not known.

    A frame without zero points, or of another camera's size, says nothing.
    """
    light = frame.verdict.get("light") or {}
    if light.get("transparency") is None or frame.zero_point_mag is None:
        return {}
    zeros = dict(light.get("channel_zero_points_mag") or {})
    if not zeros:
        zeros = {"L" if kit.camera.bayer is None else "G": frame.zero_point_mag}
    altitude = frame.altitude_deg
    thickness = USUAL_AIRMASS
    if altitude is not None and altitude >= LOWEST_ALTITUDE_DEG:
        thickness = float(airmass(altitude))
    return light_shares(
        kit,
        zeros,
        air_mag=thickness * site_extinction_mag(site),
        gain_e_per_adu=light.get("stated_gain_e_per_adu") or kit.camera.gain_e_per_adu,
    )


def share_now(frame: LoggedFrame, kit: Kit, site: Site) -> float | None:
    """The share of the green light, or of all of a camera without colours.

    Of a frame that kept no zero point, what its verdict says.
    """
    shares = shares_now(frame, kit, site)
    share = shares.get("G", shares.get("L"))
    if share is None:
        share = (frame.verdict.get("light") or {}).get("transparency")
    return share
