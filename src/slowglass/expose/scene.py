"""What lies in the field: catalogue stars, fainter ones, objects and their members."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
import numpy.typing as npt

from slowglass.expose.population import FAINTEST_MAG, faint_stars, faintest_within
from slowglass.expose.profile import ObjectModel, family, object_model
from slowglass.expose.shapes import SmoothPart
from slowglass.sky.coords import separation_deg
from slowglass.sky.objects import SkyObject
from slowglass.sky.wcs import TanWcs, deproject_tan

if TYPE_CHECKING:
    from slowglass.sky.store import Sky

Floats = npt.NDArray[np.float64]

CATALOGUE, FAINT, MEMBER = 0, 1, 2
"""Where a star of the scene comes from."""
FAINTEST_NEIGHBOUR_MAG = 15.5
MOST_STARS = 400_000


@dataclass(frozen=True, eq=False)
class SceneStars:
    """Stars as parallel arrays, ICRS degrees, V, B−V, and where each comes from."""

    ra_deg: Floats
    dec_deg: Floats
    mag: Floats
    bv: Floats
    source: npt.NDArray[np.int8]

    def take(self, index: npt.ArrayLike) -> SceneStars:
        """The chosen rows."""
        i = np.asarray(index)
        return SceneStars(self.ra_deg[i], self.dec_deg[i], self.mag[i], self.bv[i], self.source[i])


@dataclass(frozen=True, eq=False)
class Scene:
    """Everything in the field that sends light, brightest star first."""

    stars: SceneStars
    objects: tuple[tuple[SkyObject, ObjectModel], ...]


def catalogue_depth_mag(sky: Sky) -> float:
    """V magnitude to which the star catalogue is complete (its faintest G and a tenth)."""
    by_mag = sky.stars.column("by_mag")
    return float(sky.stars.column("mag")[by_mag[-1]]) + 0.1 if len(by_mag) else 0.0


def gather(
    sky: Sky,
    ra_deg: float,
    dec_deg: float,
    radius_deg: float,
    *,
    target: SkyObject | None,
    epoch_year: float,
    faintest_mag: float = FAINTEST_MAG,
    neighbours: bool = True,
) -> Scene:
    """The scene within a radius of an ICRS place.

    Very wide fields end at a brighter magnitude, so as to hold no more than MOST_STARS: what is
    fainter is part of the sky's own glow there.
    """
    known = sky.stars.cone(ra_deg, dec_deg, radius_deg, epoch_year=epoch_year)
    depth = catalogue_depth_mag(sky)
    faintest_mag = min(faintest_mag, faintest_within(MOST_STARS, ra_deg, dec_deg, radius_deg))
    mag = np.where(np.isfinite(known.v_mag), known.v_mag, known.mag)
    bv = np.where(np.isfinite(known.bv), known.bv, _usual_bv(known.source_id))
    parts = [_stars(known.ra_deg, known.dec_deg, mag, bv, CATALOGUE)]
    if faintest_mag > depth:
        faint = faint_stars(
            ra_deg, dec_deg, radius_deg, from_mag=depth, to_mag=min(faintest_mag, FAINTEST_MAG)
        )
        parts.append(_stars(faint.ra_deg, faint.dec_deg, faint.mag, faint.bv, FAINT))
    found: list[SkyObject] = [] if target is None else [target]
    if neighbours:
        found += [
            other
            for other in sky.objects.near(ra_deg, dec_deg, radius_deg)
            if (target is None or other.id != target.id)
            and other.mag is not None
            and other.mag < min(FAINTEST_NEIGHBOUR_MAG, faintest_mag)
        ]
    objects = []
    for obj in found:
        model = object_model(
            obj,
            brightest_member_mag=depth,
            light_in_catalogue=_share_in_catalogue(obj, known.ra_deg, known.dec_deg, mag),
        )
        if model is None:
            continue
        objects.append((obj, model))
        members = model.members
        if members.share.size:
            ra, dec = deproject_tan(
                members.east_arcsec / 3600.0, members.north_arcsec / 3600.0, obj.ra_deg, obj.dec_deg
            )
            parts.append(
                _stars(ra, dec, model.mag - 2.5 * np.log10(members.share), members.bv, MEMBER)
            )
    stars = SceneStars(
        *(
            np.concatenate([getattr(part, name) for part in parts])
            for name in ("ra_deg", "dec_deg", "mag", "bv", "source")
        )
    )
    return Scene(stars.take(np.argsort(stars.mag, kind="stable")), tuple(objects))


def _stars(ra: Floats, dec: Floats, mag: Floats, bv: Floats, source: int) -> SceneStars:
    return SceneStars(ra, dec, mag, bv, np.full(ra.size, source, dtype=np.int8))


def _usual_bv(source_id: npt.NDArray[np.int64]) -> Floats:
    """A B−V for stars without one: 0.2 to 1.4, fixed by the star's number."""
    mixed = source_id.astype(np.uint64) * np.uint64(0x9E3779B97F4A7C15)
    return 0.2 + 1.2 * (mixed >> np.uint64(40)).astype(np.float64) / 2.0**24


def _share_in_catalogue(obj: SkyObject, ra: Floats, dec: Floats, mag: Floats) -> float:
    """Share of an open cluster's light that the catalogue's stars inside it hold."""
    if family(obj.kind) != "cluster" or obj.mag is None or not obj.major_arcmin:
        return 0.0
    inside = separation_deg(ra, dec, obj.ra_deg, obj.dec_deg) <= obj.major_arcmin / 120.0
    return float(np.sum(10.0 ** (-0.4 * (mag[inside] - obj.mag))))


def _arms(part: SmoothPart) -> Floats:
    """Spiral arms as the inner loop wants them; zeros for none."""
    if part.arms is None:
        return np.array([0.0, 0.0, 0.0, 1.0])
    cot = 1.0 / np.tan(np.radians(part.arms.pitch_deg))
    return np.array([part.arms.contrast, cot, part.arms.phase_rad, part.arms.inner_arcsec])


def render_part(
    part: SmoothPart,
    wcs: TanWcs,
    ra_deg: float,
    dec_deg: float,
    *,
    width_px: int,
    height_px: int,
    kernel: npt.NDArray[np.float32] | None,
) -> tuple[npt.NDArray[np.float32], int, int] | None:
    """(stamp, left, top): a part's shares per pixel about a place, or None outside the frame.

    Convolved with ``kernel`` (odd and square). A stamp wholly inside the frame sums to
    ``part.share`` exactly.
    """
    from slowglass.expose.kernels import fill_surface
    from slowglass.expose.shapes import texture_tile

    x0, y0 = (float(v) for v in wcs.sky_to_pixel(ra_deg, dec_deg))
    if not np.isfinite(x0 + y0):
        return None
    scale = wcs.scale_arcsec_per_px
    pad = 0 if kernel is None else kernel.shape[0] // 2
    reach = part.reach_arcsec / scale + 2.0
    left, right = int(x0 - reach) - pad, int(x0 + reach) + pad + 1
    top, bottom = int(y0 - reach) - pad, int(y0 + reach) + pad + 1
    whole = left >= 0 and top >= 0 and right < width_px and bottom < height_px
    left, top = max(left, -pad), max(top, -pad)
    right, bottom = min(right, width_px - 1 + pad), min(bottom, height_px - 1 + pad)
    if left >= right or top >= bottom:
        return None
    turn = np.radians(part.position_angle_deg)
    to_disc = np.array(
        [
            [np.sin(turn), np.cos(turn)],
            [np.cos(turn) / part.axis_ratio, -np.sin(turn) / part.axis_ratio],
        ]
    )
    linear = to_disc @ (wcs.matrix * 3600.0)
    inverse = np.column_stack([linear, -linear @ np.array([x0, y0])])
    stamp = np.zeros((bottom - top + 1, right - left + 1), dtype=np.float32)
    tile = texture_tile(part.seed) if part.texture else np.ones((2, 2), dtype=np.float32)
    fill_surface(
        stamp,
        left,
        top,
        inverse,
        part.profile,
        part.reach_arcsec,
        tile,
        tile.shape[0] / part.texture_scale_arcsec,
        part.texture,
        np.array(part.angular),
        _arms(part),
    )
    if whole:
        total = float(stamp.sum(dtype=np.float64))
        if total <= 0:
            return None
        stamp *= part.share / total
    else:
        stamp *= part.share * scale**2
    if kernel is not None:
        import cv2

        flipped = np.ascontiguousarray(kernel[::-1, ::-1])
        stamp[...] = cv2.filter2D(stamp, -1, flipped, borderType=cv2.BORDER_CONSTANT)
        np.maximum(stamp, 0.0, out=stamp)
    return stamp, left, top
