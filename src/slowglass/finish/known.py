"""What the catalogues know about a picture: its objects, its subject, its stars' colours."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np
import numpy.typing as npt

from slowglass.finish.colour import StarColours
from slowglass.finish.combine import MAD_TO_SIGMA
from slowglass.finish.combined import FoundStars, NoiseModel, Picture
from slowglass.finish.compose import Cut
from slowglass.finish.gradient import Outline
from slowglass.finish.measure import aperture_light
from slowglass.frame.stars import StarFlag, StarList
from slowglass.sky.coords import offset_point, separation_deg
from slowglass.sky.wcs import TanWcs

if TYPE_CHECKING:
    from slowglass.sky.objects import SkyObject
    from slowglass.sky.store import Sky

Floats = npt.NDArray[np.float64]

SMALLEST_ARCMIN = 0.25
MOST_COLOUR_STARS = 400
CELL_PX = 24
GLOW_SIGMA = 5.0
FEWEST_CELLS = 4


@dataclass(frozen=True)
class Scene:
    """A picture's stars and noise, and what the sky is known to hold there.

    ``objects`` are those with an outline that add their own glow; ``subject`` is the one the
    picture is of (catalogued, or the brightest glow found), None for a field of stars.
    """

    stars: FoundStars
    noise: NoiseModel
    wcs: TanWcs | None = None
    objects: tuple[tuple[SkyObject, Outline], ...] = ()
    subject: Outline | None = None
    subject_kind: str = ""
    """Family of the subject's kind ("galaxy", "globular", …), "" when only seen as a glow."""
    subject_name: str = ""
    bv: tuple[Floats, Floats, Floats] | None = None
    """x, y in pixels and B−V of catalogue stars in the picture."""

    def on(self, cut: Cut) -> Scene:
        """The same on a cut of the picture."""
        every = cut.stars(self.stars.every)
        sound = cut.stars(self.stars.sound)
        return replace(
            self,
            stars=FoundStars(every, sound, self.stars.fwhm_px),
            wcs=None if self.wcs is None else cut.wcs(self.wcs),
            objects=tuple((o, cut.outline(outline)) for o, outline in self.objects),
            subject=None if self.subject is None else cut.outline(self.subject),
            bv=None,
        )

    def about(self, subject: Outline) -> Scene:
        """The same with a subject that is only seen as a glow."""
        return replace(self, subject=subject)

    @property
    def glowing(self) -> list[Outline]:
        """Outlines that the sky model must leave alone."""
        return [
            replace(outline, regular=_regular(one)) for one, outline in self.objects if _glows(one)
        ]


def _glows(one: SkyObject) -> bool:
    from slowglass.expose.profile import family

    return family(one.kind) not in ("nothing", "cluster") or one.kind == "cluster with nebula"


def _regular(one: SkyObject) -> bool:
    from slowglass.expose.profile import family

    return family(one.kind) in ("galaxy", "globular")


def look_up(
    stars: FoundStars,
    noise: NoiseModel,
    width_px: int,
    height_px: int,
    *,
    wcs: TanWcs | None,
    sky: Sky | None,
    epoch_year: float = 2016.0,
    subject: SkyObject | None = None,
) -> Scene:
    """The scene of a picture; without coordinates only its stars and noise."""
    scene = Scene(stars, noise, wcs)
    if wcs is None or sky is None:
        return scene
    ra, dec = (float(v) for v in wcs.pixel_to_sky((width_px - 1) / 2, (height_px - 1) / 2))
    radius = float(np.hypot(width_px, height_px)) / 2 * wcs.scale_arcsec_per_px / 3600.0
    objects = []
    for one in sky.objects.near(ra, dec, radius + 1.0):
        outline = outline_of(one, wcs)
        wanted = subject is not None and one.id == subject.id
        if outline is None or ((one.major_arcmin or 0.0) < SMALLEST_ARCMIN and not wanted):
            continue
        reach = outline.long_px
        inside = -reach < outline.x_px < width_px + reach
        if inside and -reach < outline.y_px < height_px + reach:
            objects.append((one, outline))
    chosen = _subject(objects, width_px, height_px, subject)
    from slowglass.expose.profile import family

    return replace(
        scene,
        objects=tuple(objects),
        subject=None if chosen is None else chosen[1],
        subject_kind="" if chosen is None else family(chosen[0].kind),
        subject_name="" if chosen is None else chosen[0].title,
        bv=_star_colours(sky, wcs, ra, dec, radius, epoch_year),
    )


def outline_of(one: SkyObject, wcs: TanWcs) -> Outline | None:
    """The object's catalogued ellipse on the picture, or None for one without a size."""
    if not one.major_arcmin:
        return None
    x, y = (float(v) for v in wcs.sky_to_pixel(one.ra_deg, one.dec_deg))
    if not (np.isfinite(x) and np.isfinite(y)):
        return None
    along = offset_point(one.ra_deg, one.dec_deg, one.position_angle_deg or 0.0, 0.01)
    ax, ay = (float(v) for v in wcs.sky_to_pixel(*along))
    scale = wcs.scale_arcsec_per_px
    long_px = one.major_arcmin * 30.0 / scale
    short_px = (one.minor_arcmin or one.major_arcmin) * 30.0 / scale
    angle = float(np.degrees(np.arctan2(ay - y, ax - x)))
    return Outline(x, y, long_px, max(short_px, 0.05 * long_px), angle, one.name)


def _subject(
    objects: list[tuple[SkyObject, Outline]],
    width_px: int,
    height_px: int,
    wanted: SkyObject | None,
) -> tuple[SkyObject, Outline] | None:
    """The wanted object if it is in the picture, else the bright one nearest the middle."""
    from slowglass.expose.profile import family

    best, least = None, np.inf
    half = float(np.hypot(width_px, height_px)) / 2
    for one, outline in objects:
        inside = 0 <= outline.x_px < width_px and 0 <= outline.y_px < height_px
        if not inside:
            continue
        if wanted is not None and one.id == wanted.id:
            return one, outline
        if one.mag is None or family(one.kind) == "nothing":
            continue
        away = np.hypot(outline.x_px - width_px / 2, outline.y_px - height_px / 2) / half
        cost = one.mag + 5.0 * away - (1.0 if one.named else 0.0)
        if cost < least and one.mag < 13.0:
            best, least = (one, outline), cost
    return best


def _star_colours(
    sky: Sky, wcs: TanWcs, ra: float, dec: float, radius_deg: float, epoch_year: float
) -> tuple[Floats, Floats, Floats]:
    """Places and B−V of catalogue stars, deeper ones too where they have been fetched."""
    from slowglass.sky.build_stars import BPRP_NODES, BV_OF_BPRP
    from slowglass.sky.deep import tiles_in_cone
    from slowglass.sky.deep_store import DeepStore

    base = sky.stars.cone(ra, dec, radius_deg, epoch_year=epoch_year)
    ras, decs, bvs = [base.ra_deg], [base.dec_deg], [base.bv]
    store = DeepStore()
    if store.folder.is_dir():
        there = store.contents()
        for tile in tiles_in_cone(ra, dec, radius_deg):
            deep = store.load(there[tile]) if tile in there else None
            if deep is None:
                continue
            near = separation_deg(ra, dec, deep.ra_deg, deep.dec_deg) < radius_deg
            near &= np.isfinite(deep.bp_rp) & (deep.g_mag > 10.0)
            ras.append(deep.ra_deg[near])
            decs.append(deep.dec_deg[near])
            bvs.append(np.interp(deep.bp_rp[near], BPRP_NODES, BV_OF_BPRP))
    x, y = wcs.sky_to_pixel(np.concatenate(ras), np.concatenate(decs))
    return x, y, np.concatenate(bvs)


def measure_colours(picture: Picture, scene: Scene) -> StarColours:
    """Light in each colour of the picture's unclipped stars, with B−V where the sky knows it."""
    every = scene.stars.every
    clipped = int(StarFlag.SATURATED | StarFlag.EDGE)
    some = every.take(np.flatnonzero((every.flags & clipped) == 0)[:MOST_COLOUR_STARS])
    nothing = np.empty((0, 3))
    if len(some) == 0 or picture.ndim == 2:
        return StarColours(nothing, nothing.copy(), np.empty(0))
    width = scene.stars.fwhm_px if np.isfinite(scene.stars.fwhm_px) else 4.0
    radius = float(np.clip(1.2 * width, 2.0, 20.0))
    light = [
        aperture_light(np.ascontiguousarray(picture[..., c]), some.x_px, some.y_px, radius)
        for c in range(3)
    ]
    flux = np.column_stack([one.flux_adu for one in light])
    noise2 = np.array([one.noise_adu for one in light]) ** 2
    slope = np.asarray(scene.noise.per_adu)
    error = np.sqrt(noise2 + slope * np.maximum(flux, 0.0))
    return StarColours(flux, error, _known_bv(some, scene, width))


def _known_bv(stars: StarList, scene: Scene, fwhm_px: float) -> Floats:
    bv = np.full(len(stars), np.nan)
    if scene.bv is None or len(stars) == 0:
        return bv
    from scipy.spatial import cKDTree

    x, y, known = scene.bv
    good = np.isfinite(x) & np.isfinite(y) & np.isfinite(known)
    if not good.any():
        return bv
    tree = cKDTree(np.column_stack([x[good], y[good]]))
    places = np.column_stack([stars.x_px, stars.y_px])
    # two catalogue stars that close would have shared the light
    gap, row = tree.query(places, k=min(2, int(good.sum())))
    gap, row = np.reshape(gap, (len(stars), -1)), np.reshape(row, (len(stars), -1))
    single = gap[:, 0] <= max(2.0, 0.5 * fwhm_px)
    if gap.shape[1] > 1:
        single &= gap[:, 1] > 3.0 * fwhm_px
    bv[single] = known[good][row[single, 0]]
    return bv


def find_glow(picture: Picture) -> Outline | None:
    """The brightest extended light of a flattened picture, from its cells' medians; or None.

    Stars narrower than a cell do not move its median. The outline is where the glow sinks to
    3 σ of the cells, as an ellipse of the same moments.
    """
    from scipy import ndimage

    plane = picture if picture.ndim == 2 else picture.mean(axis=2)
    high, wide = (n // CELL_PX for n in plane.shape)
    if high < 6 or wide < 6:
        return None
    whole = plane[: high * CELL_PX, : wide * CELL_PX].reshape(high, CELL_PX, wide, CELL_PX)
    cells = np.median(whole[:, ::2, :, ::2].swapaxes(1, 2).reshape(high, wide, -1), axis=2)
    middle = float(np.median(cells))
    sigma = MAD_TO_SIGMA * float(np.median(np.abs(cells - middle)))
    if sigma <= 0:
        return None
    # opened: a bright star's halo lifts a cell or two, an object a whole block of them
    light = ndimage.grey_opening(cells - middle, size=(2, 2))
    patches, count = ndimage.label(light > 3.0 * sigma)
    best, most = 0, 0.0
    for k in range(1, count + 1):
        part = patches == k
        total = float(light[part].sum())
        if part.sum() >= FEWEST_CELLS and light[part].max() > 2 * GLOW_SIGMA * sigma:
            best, most = (k, total) if total > most else (best, most)
    if best == 0:
        return None
    rows, columns = np.nonzero(patches == best)
    weight = light[rows, columns]
    cy, cx = float(np.average(rows, weights=weight)), float(np.average(columns, weights=weight))
    spread = np.cov(np.stack([columns, rows]).astype(float), bias=True) + np.eye(2) / 12.0
    sizes, axes = np.linalg.eigh(spread)
    angle = float(np.degrees(np.arctan2(axes[1, 1], axes[0, 1])))
    # a filled ellipse's half axis is twice the root of its second moment
    short, long = 2.0 * np.sqrt(sizes) * CELL_PX
    place = (np.array([cx, cy]) + 0.5) * CELL_PX - 0.5
    return Outline(float(place[0]), float(place[1]), float(long), float(short), angle)
