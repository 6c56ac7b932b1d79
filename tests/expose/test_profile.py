"""Object models: total light, sizes, and shapes without edges."""

from __future__ import annotations

import math

import numpy as np
import pytest

from slowglass.expose.clusters import king_density
from slowglass.expose.profile import family, object_model
from slowglass.expose.scene import render_part
from slowglass.expose.shapes import texture_tile
from slowglass.sky.objects import SkyObject
from slowglass.sky.wcs import TanWcs


def thing(kind: str, mag: float | None, major: float, minor: float | None = None, pa=40.0):
    return SkyObject(
        id=f"X{kind}{major}", name="X 1", common_names=(), kind=kind, constellation="Peg",
        ra_deg=30.0, dec_deg=20.0, major_arcmin=major, minor_arcmin=minor,
        position_angle_deg=pa, mag=mag,
    )  # fmt: skip


OBJECTS = [
    thing("galaxy", 8.3, 11.0, 5.1),
    thing("galaxy", 12.0, 1.5),
    thing("globular cluster", 6.3, 11.1),
    thing("globular cluster", 11.0, 3.0),
    thing("planetary nebula", 8.3, 0.28),
    thing("planetary nebula", 10.1, 2.7, 1.8),
    thing("open cluster", 5.8, 9.0),
    thing("emission nebula", 6.0, 20.0, 10.0),
    thing("reflection nebula", 9.0, 5.0),
    thing("cluster with nebula", 6.0, 20.0, 14.0),
]


def frame_wcs(size: int = 1400, scale: float = 2.0, rotation: float = 180.0) -> TanWcs:
    return TanWcs.from_simple(
        ra_deg=30.0, dec_deg=20.0, width_px=size, height_px=size,
        scale_arcsec_per_px=scale, rotation_deg=rotation,
    )  # fmt: skip


@pytest.mark.parametrize("obj", OBJECTS, ids=lambda o: f"{o.kind} {o.major_arcmin}")
def test_total_light_is_the_catalogue_magnitude(obj):
    model = object_model(obj)
    smooth = 0.0
    for part in model.smooth:
        stamp, _, _ = render_part(
            part, frame_wcs(), 30.0, 20.0, width_px=1400, height_px=1400, kernel=None
        )
        smooth += float(stamp.sum())
    assert smooth + model.members.share.sum() == pytest.approx(1.0, abs=2e-3)


@pytest.mark.parametrize("obj", OBJECTS, ids=lambda o: f"{o.kind} {o.major_arcmin}")
def test_no_hard_edges(obj):
    """The light at the border of a part's support has faded below a thousandth of its peak."""
    for part in object_model(obj).smooth:
        assert part.profile[-1] == 0.0
        steps = np.abs(np.diff(part.profile)) / part.profile.max()
        assert steps.max() < 0.05
        outer = part.profile[int(0.97 * part.profile.size) :]
        assert outer.max() < 0.02 * part.profile.max()


def test_cut_by_the_frame_keeps_its_brightness():
    """A part half outside the frame shows what the whole one shows there."""
    part = object_model(thing("galaxy", 8.3, 11.0, 5.1)).smooth[0]
    whole, left, top = render_part(
        part, frame_wcs(), 30.0, 20.0, width_px=1400, height_px=1400, kernel=None
    )
    wcs = frame_wcs()
    cut, cut_left, cut_top = render_part(
        part, wcs, 30.0, 20.0, width_px=700, height_px=1400, kernel=None
    )
    width = min(whole.shape[1], 700 - left)
    a = whole[:, :width]
    b = cut[top - cut_top : top - cut_top + whole.shape[0], left - cut_left :][:, :width]
    # The mottling changes the sum by some per cent; only the whole stamp is rescaled for it.
    assert np.median(b[a > a.max() / 100] / a[a > a.max() / 100]) == pytest.approx(1.0, abs=0.1)


@pytest.mark.parametrize("rotation", [0.0, 37.0, 180.0])
def test_galaxy_lies_at_its_position_angle(rotation):
    part = object_model(thing("galaxy", 9.0, 8.0, 2.5, pa=65.0)).smooth[1]
    wcs = frame_wcs(rotation=rotation)
    stamp, left, top = render_part(
        part, wcs, 30.0, 20.0, width_px=1400, height_px=1400, kernel=None
    )
    y, x = np.mgrid[top : top + stamp.shape[0], left : left + stamp.shape[1]]
    ra, dec = wcs.pixel_to_sky(x, y)
    east, north = (ra - 30.0) * math.cos(math.radians(20.0)), dec - 20.0
    c = np.array(
        [
            [(stamp * east * east).sum(), (stamp * east * north).sum()],
            [(stamp * east * north).sum(), (stamp * north * north).sum()],
        ]
    )
    values, vectors = np.linalg.eigh(c)
    angle = math.degrees(math.atan2(vectors[0, 1], vectors[1, 1])) % 180.0
    assert angle == pytest.approx(65.0, abs=2.0)
    # Round as (1 + 2.5/8)/2 for the bulge.
    assert math.sqrt(values[0] / values[1]) == pytest.approx(0.656, abs=0.02)


def test_globular_stars_follow_the_cluster():
    model = object_model(thing("globular cluster", 6.3, 11.1))
    stars = model.members
    radius = np.hypot(stars.east_arcsec, stars.north_arcsec)
    assert 500 < radius.size < 6000
    # King 1962, sampled: the median radius is that at which the law holds half of its stars.
    r = np.linspace(0, 0.75 * 666, 20001)
    law = np.cumsum(king_density(r, 666 / 40, 0.75 * 666) * r)
    assert np.median(radius) == pytest.approx(np.interp(0.5 * law[-1], law, r), rel=0.1)
    brightest = -2.5 * math.log10(stars.share.max()) + 6.3
    assert 12.0 <= brightest < 13.5


def test_half_light_radius_holds_half():
    """The stated ellipse holds half of the smooth light, measured on the rendered stamp."""
    for obj in (OBJECTS[0], OBJECTS[7]):
        model = object_model(obj)
        inside = total = 0.0
        for part in model.smooth:
            wcs = frame_wcs()
            stamp, left, top = render_part(
                part, wcs, 30.0, 20.0, width_px=1400, height_px=1400, kernel=None
            )
            y, x = np.mgrid[top : top + stamp.shape[0], left : left + stamp.shape[1]]
            ra, dec = wcs.pixel_to_sky(x, y)
            east = (ra - 30.0) * math.cos(math.radians(20.0)) * 3600.0
            north = (dec - 20.0) * 3600.0
            turn = math.radians(obj.position_angle_deg)
            u = east * math.sin(turn) + north * math.cos(turn)
            v = (east * math.cos(turn) - north * math.sin(turn)) / model.axis_ratio
            inside += stamp[np.hypot(u, v) < model.half_light_arcsec].sum()
            total += stamp.sum()
        assert inside / total == pytest.approx(0.5, abs=0.04)


def test_cluster_leaves_catalogue_stars_alone():
    obj = thing("open cluster", 5.8, 9.0)
    model = object_model(obj, brightest_member_mag=10.1, light_in_catalogue=0.4)
    mags = model.mag - 2.5 * np.log10(model.members.share)
    assert model.members.share.sum() == pytest.approx(0.6)
    assert mags.min() > 9.9


def test_an_object_looks_the_same_every_time():
    one, two = (object_model(OBJECTS[2]) for _ in range(2))
    np.testing.assert_array_equal(one.members.east_arcsec, two.members.east_arcsec)
    other = object_model(thing("globular cluster", 6.3, 11.2))
    assert other.members.east_arcsec.size != one.members.east_arcsec.size or not np.array_equal(
        other.members.east_arcsec, one.members.east_arcsec
    )


def test_without_magnitude_says_what_was_assumed():
    model = object_model(thing("emission nebula", None, 30.0))
    assert "22.5" in model.assumed
    area = math.pi / 4 * 1800.0**2
    assert model.mag == pytest.approx(22.5 - 2.5 * math.log10(area))
    assert object_model(thing("dark nebula", None, 30.0)) is None


def test_families_of_the_catalogue(sky):
    known = set(sky.objects.columns["kind"])
    drawn = {kind for kind in known if family(kind) != "nothing"}
    assert {"galaxy", "globular cluster", "open cluster", "planetary nebula"} <= drawn
    assert known - drawn <= {"star", "double star", "dark nebula", "nova", "other"}


def test_texture_is_periodic_with_mean_one():
    tile = texture_tile(7)
    assert tile.mean() == pytest.approx(1.0, abs=1e-4)
    assert tile.min() > 0
    inside = np.abs(np.diff(tile, axis=1)).mean()
    seam = np.abs(tile[:, 0] - tile[:, -1]).mean()
    assert seam < 1.5 * inside
