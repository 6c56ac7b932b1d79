"""What the frames of past nights say about the kit and the site.

Each correction is estimated night by night and combined by its median: one cloudy night must not
change the kit. The uncertainty is that of the median over nights (1.2533 σ/√n), never less than
what one night's own frames allow.
"""

from __future__ import annotations

import math
from collections import defaultdict
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import partial
from typing import TYPE_CHECKING

import numpy as np
import numpy.typing as npt

from slowglass.expose.conditions import conditions_at
from slowglass.expose.plan import star_width_arcsec
from slowglass.expose.tracking import trail_lengths_arcsec, trail_tolerance_arcsec
from slowglass.kit.measured import take_in
from slowglass.kit.optics import PIXEL_BLUR_PX
from slowglass.learn.air import extinction_value
from slowglass.learn.groups import FEWEST_FRAMES, Group, GroupMeasures
from slowglass.learn.imaging import imaging_values
from slowglass.learn.measure import focal_length_mm
from slowglass.learn.mounting import axis_values, swing_of_worm
from slowglass.learn.promise import share_now
from slowglass.learn.transfer import Measured
from slowglass.learn.values import KitValue, kit_value

if TYPE_CHECKING:
    from slowglass.kit.model import Kit, Mount, Site
    from slowglass.learn.shared import Shared
    from slowglass.sky.store import Sky

MEDIAN_ERROR = 1.2533
"""Standard error of a median over that of a mean, for normal scatter."""
SKY_ERROR_MAG = 0.1
LIGHT_ERROR = 0.05
TRAIL_EDGES = np.array([0.0, 0.5, 0.75, 1.0, 1.4, 2.0, 3.0, np.inf])
"""Bins of trail length, in lengths that are just tolerated."""
STRAY = 0.03
"""Share of frames that trail for reasons outside the model: a kick, a cable, a cloud."""
SWINGS_ARCSEC = np.geomspace(0.5, 200.0, 110)


@dataclass(frozen=True, eq=False)
class NightGroup:
    """A group with its measures and what the kit in use predicts for it."""

    group: Group
    measures: GroupMeasures
    transparency: float | None
    """Of the promise that stood when the frames were judged."""
    arrived: float | None
    """Of what the kit promises now."""
    sky_offset_mag: float | None
    """Sky measured less predicted: positive when darker."""


def propose(groups: Sequence[Group], kit: Kit, site: Site, shared: Shared) -> tuple[KitValue, ...]:
    """Corrected values of the kit and the site that the groups' frames bear out.

    The drive's swing comes from the stars' wandering where series are long enough, else from the
    lengths of the trails.
    """
    rows = [_night_group(g, kit, site, shared) for g in groups]
    passed = _by_night(rows, lambda row: row.transparency)
    if passed and float(np.median(list(passed.values()))) < 1.0:
        # Seen again, now that the kit's own dimness is known from cloud.
        # To a hundredth, so that trials that leave one night out share their reckoning.
        share = round(float(np.median(list(passed.values()))), 2)
        rows = [_night_group(g, kit, site, shared, passes=share) for g in groups]
    found = [
        _focal_length(rows, kit),
        _throughput(rows, kit),
        _sky(rows, site),
        _seeing(rows, kit, site),
        extinction_value(groups, site, shared.once),
        swing_of_worm(groups, kit, shared.once) or _swing(rows, kit, site, shared),
        *axis_values(groups, kit, site, shared.once),
        *imaging_values(groups, kit, site),
    ]
    return tuple(value for value in found if value is not None)


def corrected(kit: Kit, site: Site, values: Sequence[KitValue]) -> tuple[Kit, Site]:
    """The kit and the site with those values in use."""
    for value in values:
        if not value.adoptable:
            continue
        if value.of_site:
            site = take_in(site, value.block("2000-01-01"))
        else:
            kit = take_in(kit, value.block("2000-01-01"))
    return kit, site


def _night_group(
    group: Group, kit: Kit, site: Site, shared: Shared, *, passes: float = 1.0
) -> NightGroup:
    prediction = shared.predict(group, kit, site)
    width = prediction.fwhm_arcsec
    measures = shared.once(
        ("measures", group.key, width, passes),
        partial(group.measures, predicted_fwhm_arcsec=width, passes=passes),
    )
    measured = measures.sky_mag_arcsec2
    offset = None if measured is None else measured - prediction.sky_mag_arcsec2
    shares = shared.once(
        ("shares", group.key, kit.optics, kit.camera, site.extinction_mag, site.air),
        partial(_shares, group, kit, site),
    )
    arrived = float(np.median(shares)) if shares else None
    return NightGroup(group, measures, measures.transparency, arrived, offset)


def _shares(group: Group, kit: Kit, site: Site) -> list[float]:
    good = [f for f in group.frames if f.keeper] or list(group.frames)
    shares = [share_now(frame, kit, site) for frame in good]
    return [share for share in shares if share is not None and math.isfinite(share)]


def _by_night(
    rows: Sequence[NightGroup], value: Callable[[NightGroup], float | None]
) -> dict[str, float]:
    """Median of a value of each night's groups."""
    nights: dict[str, list[float]] = defaultdict(list)
    for row in rows:
        found = value(row)
        if found is not None and math.isfinite(found):
            nights[row.group.night.evening].append(found)
    return {evening: float(np.median(values)) for evening, values in nights.items()}


def _middle(nights: dict[str, float], least_error: float) -> Measured:
    values = np.array(list(nights.values()))
    spread = float(np.std(values, ddof=1)) if values.size > 1 else 0.0
    error = max(MEDIAN_ERROR * spread, least_error) / math.sqrt(values.size)
    return Measured(float(np.median(values)), error)


def _told(nights: dict[str, float]) -> str:
    return "one night" if len(nights) == 1 else f"{len(nights)} nights"


def _focal_length(rows: Sequence[NightGroup], kit: Kit) -> KitValue | None:
    camera = kit.camera

    def length(row: NightGroup) -> float | None:
        scale = row.measures.scale_arcsec_per_px
        width = row.group.frames[0].verdict.get("width_px")
        if scale is None or not width:
            return None
        return focal_length_mm(camera.pixel_um * camera.width_px / width, scale)

    nights = _by_night(rows, length)
    if not nights:
        return None
    measured = _middle(nights, 2e-4 * kit.optics.focal_length_mm)
    how = f"pixel scale of the solved frames of {_told(nights)}"
    return kit_value(
        kit, "optics.focal_length_mm", "focal length", "mm", measured, how, tuple(nights)
    )


def _throughput(rows: Sequence[NightGroup], kit: Kit) -> KitValue | None:
    nights = _by_night(rows, lambda row: row.arrived)
    if not nights:
        return None
    share = _middle(nights, LIGHT_ERROR)
    now = kit.optics.transmission
    value = min(1.0, now * share.value)
    how = f"stars' light against the catalogue, {_told(nights)}"
    return kit_value(
        kit, "optics.transmission", "light that gets through", "",
        Measured(value, now * share.sigma), how, tuple(nights),
    )  # fmt: skip


def _sky(rows: Sequence[NightGroup], site: Site) -> KitValue | None:
    nights = _by_night(rows, lambda row: row.sky_offset_mag)
    if not nights:
        return None
    offset = _middle(nights, SKY_ERROR_MAG)
    value = min(22.2, max(15.0, site.sky_mag_arcsec2 + offset.value))
    how = f"sky of the solved frames brought to a moonless zenith, {_told(nights)}"
    return kit_value(
        site, "sky_mag_arcsec2", "sky at the zenith", "mag/arcsec²",
        Measured(value, offset.sigma), how, tuple(nights),
    )  # fmt: skip


def _seeing(rows: Sequence[NightGroup], kit: Kit, site: Site) -> KitValue | None:
    pixel = PIXEL_BLUR_PX * kit.scale_arcsec_per_px
    still = star_width_arcsec(kit, site.model_copy(update={"seeing_arcsec": 0.3}))
    other2 = still**2 - 0.3**2 + pixel**2

    def seeing(row: NightGroup) -> float | None:
        width = row.measures.fwhm_arcsec
        if width is None:
            return None
        return math.sqrt(max(width**2 - other2, 0.3**2))

    nights = _by_night(rows, seeing)
    if not nights:
        return None
    measured = _middle(nights, 0.15)
    value = Measured(min(15.0, measured.value), measured.sigma)
    how = f"width of round stars less diffraction, tremor and pixel, {_told(nights)}"
    return kit_value(site, "seeing_arcsec", "usual seeing", "″", value, how, tuple(nights))


def _swing(rows: Sequence[NightGroup], kit: Kit, site: Site, shared: Shared) -> KitValue | None:
    """The drive's swing that makes the trails of the frames most likely."""
    if kit.mount.driven != "ra":
        return None
    usable = [r for r in rows if r.measures.shaped_frames >= FEWEST_FRAMES]
    if not usable:
        return None
    chances = np.zeros(SWINGS_ARCSEC.size)
    for row in usable:
        chances += shared.once(
            ("swing", row.group.key, row.measures.fwhm_arcsec, _without_swing(kit)),
            partial(_chances, row, kit, site, shared.sky, SWINGS_ARCSEC),
        )
    best = int(np.argmax(chances))
    # Frames of one turn of the worm are not independent: count a third of what they say.
    inside = np.flatnonzero(chances / 3.0 >= chances[best] / 3.0 - 0.5)
    if inside[-1] == SWINGS_ARCSEC.size - 1:
        return None
    low, high = (float(SWINGS_ARCSEC[i]) for i in (inside[0], inside[-1]))
    value = float(SWINGS_ARCSEC[best])
    step = math.log(SWINGS_ARCSEC[1] / SWINGS_ARCSEC[0])
    sigma = value * max(0.5 * math.log(high / low), 0.5 * step)
    if inside[0] == 0:  # no trail shows: all that is known is how small it must be
        value = sigma = high / 2.0
    frames = sum(r.measures.shaped_frames for r in usable)
    return kit_value(
        kit, "mount.periodic_error_arcsec", "swing of the drive", "″",
        Measured(value, sigma),
        f"lengths of the trails of {frames} frames",
        tuple(sorted({r.group.night.evening for r in usable})),
    )  # fmt: skip


def _without_swing(kit: Kit) -> Mount:
    return kit.mount.model_copy(update={"periodic_error_arcsec": 0.0})


def _chances(
    row: NightGroup, kit: Kit, site: Site, sky: Sky, swings: np.ndarray
) -> npt.NDArray[np.float64]:
    """Logarithm of how likely each swing makes the trails of a group."""
    counts, expected = _trails(row, kit, site, sky, swings)
    likely = np.log((1.0 - STRAY) * expected + STRAY / counts.size)
    return np.asarray(np.sum(counts * likely, axis=1))


def _trails(
    row: NightGroup, kit: Kit, site: Site, sky: Sky, swings: np.ndarray
) -> tuple[np.ndarray, np.ndarray]:
    """Frames counted by trail length, and the shares each swing would give."""
    width = row.measures.fwhm_arcsec or star_width_arcsec(kit, site)
    tolerance = trail_tolerance_arcsec(width)
    lengths = [
        # The same relation as the tolerance: a trail of length L adds L²/12 to the variance.
        tolerance * math.sqrt(max(0.0, (f.elongation or 1.0) ** 2 - 1.0) / (1.3**2 - 1.0))
        for f in row.group.frames
        if f.elongation is not None
    ]
    edges = TRAIL_EDGES * tolerance
    counts = np.histogram(lengths, edges)[0]
    thing = sky.objects.get(row.group.object)
    air = conditions_at(site, thing.ra_deg, thing.dec_deg, row.group.when)
    shares = []
    for swing in swings:
        mount = kit.mount.model_copy(update={"periodic_error_arcsec": float(min(swing, 600.0))})
        trails = trail_lengths_arcsec(
            row.group.exposure_s,
            mount,
            dec_deg=thing.dec_deg,
            hour_angle_deg=air.hour_angle_deg,
            latitude_deg=site.latitude_deg,
            phases=120,
            steps=33,
        )
        shares.append(np.histogram(trails, edges)[0] / trails.size)
    return counts, np.array(shares)
