"""What solved frames say of tube and camera: how it sits, how the field bends, its colours."""

from __future__ import annotations

import math
from collections import defaultdict
from collections.abc import Sequence
from typing import TYPE_CHECKING

import numpy as np

from slowglass.judge.light import CLOUDED
from slowglass.learn.groups import Group, light_of
from slowglass.learn.logbook.records import LoggedFrame
from slowglass.learn.promise import shares_now
from slowglass.learn.transfer import Measured
from slowglass.learn.values import KitValue, kit_value

if TYPE_CHECKING:
    from slowglass.kit.model import Kit, Site

MEDIAN_ERROR = 1.2533
LEAST_ANGLE_ERROR_DEG = 0.1
ONE_NIGHT_SCATTER_DEG = 10.0
"""What is taken for a camera seen on one night only."""
LARGEST_SCATTER_DEG = 60.0
FIELD_ERROR_PX = 0.1
"""The same stars come back all night: their own places' errors do not average away."""
COLOUR_ERROR = 0.03
"""Colours of catalogue stars leave this much in a colour's zero point."""
ALL_SHARE = 0.9


def imaging_values(groups: Sequence[Group], kit: Kit, site: Site) -> list[KitValue]:
    """Camera angle, mirroring, distortion and colour balance, as far as the frames tell."""
    nights: dict[str, list[LoggedFrame]] = defaultdict(list)
    for group in groups:
        nights[group.night.evening] += [f for f in group.frames if f.solved]
    solved = {evening: frames for evening, frames in nights.items() if frames}
    if not solved:
        return []
    found = [
        *camera_angle(solved, kit),
        mirroring(solved, kit),
        distortion(solved, kit),
        colour_response(solved, kit, site, "R", "red"),
        colour_response(solved, kit, site, "B", "blue"),
    ]
    return [value for value in found if value is not None]


def camera_angle(nights: dict[str, list[LoggedFrame]], kit: Kit) -> list[KitValue]:
    """How the camera usually sits and how far that strays; empty for one that sits anyhow.

    A mount that changes sides turns the picture upside down: angles are averaged by their
    doubles (Mardia & Jupp 2000, *Directional Statistics*, 1.3), and the side that more frames
    show is told.
    """
    each, everything = [], []
    for frames in nights.values():
        angles = [f.verdict["rotation_deg"] for f in frames
                  if f.verdict.get("rotation_deg") is not None]  # fmt: skip
        if angles:
            everything += angles
            each.append(_axial_mean(np.array(angles)))
    if not each:
        return []
    middle = _axial_mean(np.array(each))
    away = (np.array(each) - middle + 90.0) % 180.0 - 90.0
    scatter = float(math.sqrt(np.sum(away**2) / (away.size - 1))) if away.size > 1 else None
    if scatter is not None and scatter > LARGEST_SCATTER_DEG:
        return []
    turned = (np.array(everything) - middle + 180.0) % 360.0 - 180.0
    if np.mean(np.abs(turned) <= 90.0) < 0.5:
        middle += 180.0
    spread = ONE_NIGHT_SCATTER_DEG if scatter is None else max(scatter, LEAST_ANGLE_ERROR_DEG)
    error = spread / math.sqrt(len(each))
    how = f"solved frames of {_nights(len(each))}, upside down or not"
    # Rounded here, so that what a file rounds to stays below a whole turn.
    middle = round(middle, 0 if error >= 1.0 else 1) % 360.0
    values = [
        kit_value(kit, "camera.angle_deg", "how the camera sits", "°",
                  Measured(middle, error), how, tuple(nights)),
    ]  # fmt: skip
    if scatter is not None:
        # Standard error of a standard deviation of normal scatter.
        own_error = spread / math.sqrt(2.0 * (len(each) - 1))
        values.append(
            kit_value(kit, "camera.angle_scatter_deg", "how far that strays", "°",
                      Measured(spread, own_error), how, tuple(nights))
        )  # fmt: skip
    return values


def mirroring(nights: dict[str, list[LoggedFrame]], kit: Kit) -> KitValue | None:
    """Mirrors in the light's way where frames are mirrored otherwise than the kit says.

    None where they agree, or where the frames disagree among themselves.
    """
    signs = [f.verdict["parity"] for frames in nights.values() for f in frames
             if f.verdict.get("parity")]  # fmt: skip
    if not signs:
        return None
    stated = -1 if kit.optics.reflections % 2 else 1
    against = sum(sign != stated for sign in signs)
    if against < ALL_SHARE * len(signs):
        return None
    mirrors = kit.optics.reflections + (1 if kit.optics.reflections < 6 else -1)
    how = f"{against} of {len(signs)} solved frames are "
    how += "mirrored" if stated > 0 else "not mirrored"
    return kit_value(
        kit, "optics.reflections", "mirrors in the light's way", "",
        Measured(float(mirrors), 0.25), how + ": one mirror more or less", tuple(nights),
    )  # fmt: skip


def distortion(nights: dict[str, list[LoggedFrame]], kit: Kit) -> KitValue | None:
    """Distortion at the corner as a share of its distance, by the nights' weighted means."""
    values, errors, frames_used = [], [], 0
    for frames in nights.values():
        rows = [
            (bend["corner_shift_px"] / half, max(bend["error_px"], 1e-3) / half,
             FIELD_ERROR_PX / half)
            for f in frames
            if (bend := f.verdict.get("distortion"))
            and (half := _half_diagonal_px(f)) is not None
        ]  # fmt: skip
        if not rows:
            continue
        share, error, floor = (np.array(column) for column in zip(*rows, strict=True))
        weight = 1.0 / error**2
        values.append(float(np.sum(weight * share) / np.sum(weight)))
        # One field's stars err alike all night: the mean is no better than a good frame.
        errors.append(math.hypot(float(np.median(error)) / math.sqrt(2.0), float(floor[0])))
        frames_used += len(rows)
    if not values:
        return None
    weight = 1.0 / np.array(errors) ** 2
    mean = float(np.sum(weight * np.array(values)) / np.sum(weight))
    chi2 = float(np.sum(weight * (np.array(values) - mean) ** 2)) / max(1, len(values) - 1)
    sigma = math.sqrt(max(1.0, chi2) / float(np.sum(weight)))
    if abs(mean) > 0.2:
        return None
    half = math.hypot(kit.camera.width_px, kit.camera.height_px) / 2.0
    how = (
        f"stars' places in {frames_used} solved frames of {_nights(len(values))}: "
        f"{mean * half:+.1f} ± {sigma * half:.1f} px in the corner"
    )
    return kit_value(
        kit, "optics.distortion_fraction", "distortion at the corner", "", Measured(mean, sigma),
        how, tuple(nights),
    )  # fmt: skip


def colour_response(
    nights: dict[str, list[LoggedFrame]], kit: Kit, site: Site, channel: str, name: str
) -> KitValue | None:
    """Light of a colour's pixels against the green ones'; None for a camera without colours.

    From the zero points of both in the same frame, so that haze and dew cancel.
    """
    if kit.camera.bayer is None:
        return None
    each = []
    for frames in nights.values():
        shares = [
            shares_now(f, kit, site)
            for f in frames
            if (light_of(f).get("transparency") or 0.0) > 0.5 * CLOUDED
        ]
        ratios = [s[channel] / s["G"] for s in shares if channel in s and s.get("G")]
        if ratios:
            each.append(float(np.median(ratios)))
    if not each:
        return None
    key = f"camera.{name}_response"
    now = getattr(kit.camera, f"{name}_response")
    spread = float(np.std(each, ddof=1)) if len(each) > 1 else 0.0
    error = math.hypot(MEDIAN_ERROR * spread / math.sqrt(len(each)), COLOUR_ERROR)
    value = min(5.0, max(0.1, now * float(np.median(each))))
    how = f"zero points of the {name} against the green pixels, {_nights(len(each))}"
    return kit_value(
        kit, key, f"light of the {name} pixels", "", Measured(value, now * error), how,
        tuple(nights),
    )  # fmt: skip


def _axial_mean(angles_deg: np.ndarray) -> float:
    """Mean direction of angles that are equal when half a turn apart, 0 to 180°."""
    doubled = np.radians(2.0 * angles_deg)
    mean = math.atan2(float(np.mean(np.sin(doubled))), float(np.mean(np.cos(doubled))))
    return math.degrees(mean) / 2.0 % 180.0


def _half_diagonal_px(frame: LoggedFrame) -> float | None:
    width, height = frame.verdict.get("width_px"), frame.verdict.get("height_px")
    return math.hypot(width, height) / 2.0 if width and height else None


def _nights(count: int) -> str:
    return "one night" if count == 1 else f"{count} nights"
