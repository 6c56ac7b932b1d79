"""Deeper stars: tiles, the store, the fetch from a service on loopback, and solving with them."""

import errno
import os
import subprocess
import sys

import numpy as np
import pytest
from astropy.coordinates import SkyCoord
from hypothesis import given, settings
from hypothesis import strategies as st

from loopback_archive import LoopbackArchive
from slowglass.errors import Cancelled, CatalogueMissing, NothingUseful, UsageError
from slowglass.frame.stars import StarList
from slowglass.sky import deep_store
from slowglass.sky.archive import SERVICE_URL, Manners, service_url
from slowglass.sky.coords import offset_point, separation_deg
from slowglass.sky.deep import (
    BANDS,
    DeepStars,
    Tile,
    all_tiles,
    expected_stars,
    galactic_latitude_deg,
    merge,
    query_text,
    stars_per_deg2,
    tiles_around,
    tiles_in_cone,
)
from slowglass.sky.deep_store import DeepStore
from slowglass.sky.deepen import deepen, plan_deepening
from slowglass.sky.place import Place
from slowglass.sky.wcs import TanWcs
from slowglass.solve.deep import _snapped, local_catalogue
from slowglass.solve.service import solve_stars
from slowglass.solve.store import open_solver
from slowglass.solve.types import Prior

M15 = Place("M15", 322.493, 12.167)
CORNER = Place("corner", 323.0, 12.0)
"""Near the meeting of tiles, so that a small circle needs several."""


@pytest.fixture
def store(deep_folder):
    return DeepStore()


def hasty(slept=None):
    return Manners(sleep=(slept if slept is not None else []).append, retries=2)


def fetch(archive, store, *, place=CORNER, radius_deg=2.0, to_mag=14.0, **more):
    plan = plan_deepening([place], radius_deg=radius_deg, to_mag=to_mag, store=store)
    return deepen(plan, store=store, url=archive.url, **{"manners": hasty(), **more})


def same_as_table(archive, store, to_mag):
    """Every star of the service's table in a stored tile is there, and no other."""
    table = archive.table
    for stored in store.contents().values():
        held = store.load(stored)
        inside = stored.tile.holds(table["ra"].data, table["dec"].data)
        inside &= table["phot_g_mean_mag"].data <= to_mag
        assert sorted(held.source_id) == sorted(table["source_id"].data[inside])
        row = {name: i for i, name in enumerate(table["source_id"].data)}
        at = [row[name] for name in held.source_id]
        assert np.array_equal(held.ra_deg, table["ra"].data[at])
        motion = np.ma.filled(table["pmra"][at].astype(np.float32), 0.0)
        assert np.array_equal(held.pm_ra_mas, motion)
        assert np.array_equal(np.isnan(held.bp_rp), table["bp_rp"].mask[at])
        assert np.all(np.diff(held.g_mag) >= 0)


# Tiles


def test_tiles_cover_the_sky_once():
    tiles = all_tiles()
    # A sphere has 41 252.96 square degrees.
    assert sum(t.area_deg2 for t in tiles) == pytest.approx(41252.961, abs=0.01)
    rng = np.random.default_rng(1)
    ra, dec = rng.uniform(0, 360, 3000), np.degrees(np.arcsin(rng.uniform(-1, 1, 3000)))
    ra[:4], dec[:4] = [0.0, 359.9999999, 10.0, 10.0], [0.0, 0.0, 90.0, -90.0]
    held = sum(t.holds(ra, dec).astype(int) for t in tiles)
    assert np.all(held == 1)


@settings(max_examples=60, deadline=None)
@given(
    ra=st.floats(0, 359.999), dec=st.floats(-90, 90), radius=st.floats(0.1, 12),
    pa=st.floats(0, 360), part=st.floats(0, 1),
)  # fmt: skip
def test_a_cones_tiles_hold_every_place_in_it(ra, dec, radius, pa, part):
    tiles = tiles_in_cone(ra, dec, radius)
    there_ra, there_dec = offset_point(ra, dec, pa, radius * part)
    place = np.array([float(there_ra) % 360.0]), np.array([float(there_dec)])
    assert any(t.holds(*place)[0] for t in tiles)
    assert len(tiles) == len(set(tiles))
    for t in tiles:
        assert separation_deg(ra, dec, *t.centre_deg) <= radius + t.circle_radius_deg


def test_several_places_share_tiles_and_the_nearest_come_first():
    tiles = tiles_around([(322.49, 12.17), (322.6, 12.2), (351.5, 42.5)], 0.5)
    assert len(tiles) == len(set(tiles))
    assert (
        tiles[0].holds(np.array([322.49]), np.array([12.17]))[0]
        or (tiles[0].holds(np.array([351.5]), np.array([42.5]))[0])
    )


def test_the_query_is_adql_with_a_circle_round_the_tile():
    tile = Tile(34, 105)
    text = query_text(tile, 14.0)
    west, east, south, north = tile.bounds_deg
    assert "1 = CONTAINS(POINT('ICRS', ra, dec), CIRCLE('ICRS', " in text
    assert f"ra >= {west:.9f} AND ra < {east:.9f}" in text
    assert f"dec >= {south:.9f} AND dec < {north:.9f}" in text
    assert text.endswith("phot_g_mean_mag <= 14.00")
    for ra, dec in ((west, south), (west, north), (east, south), (east, north)):
        assert separation_deg(*tile.centre_deg, ra, dec) < tile.circle_radius_deg + 0.01
    assert f"dec <= {90:.9f}" in query_text(Tile(BANDS - 1, 0), 14.0)


def test_galactic_latitude_agrees_with_astropy():
    rng = np.random.default_rng(2)
    ra, dec = rng.uniform(0, 360, 200), rng.uniform(-90, 90, 200)
    expected = SkyCoord(ra, dec, unit="deg").galactic.b.deg
    # Astropy's pole is the FK5 one carried over, some hundredths of an arcsecond away.
    assert np.allclose(galactic_latitude_deg(ra, dec), expected, atol=1e-4)


def test_estimates_follow_the_counts(sky):
    # Gaia DR3: 482 176 stars to G = 10 in the packaged catalogue.
    assert expected_stars(all_tiles(), 10.0) == pytest.approx(482_176, rel=0.01)
    # Star counts to V = 14, all sky: 1.32e7 (references' law); G reaches 0.2 to 0.4 mag deeper.
    assert 1.3e7 < expected_stars(all_tiles(), 14.0) < 2.2e7
    assert stars_per_deg2(0.0, 12.0) / stars_per_deg2(90.0, 12.0) == pytest.approx(4.67, abs=0.01)
    tiles = tiles_in_cone(M15.ra_deg, M15.dec_deg, 5.0)
    counted = sum(
        np.count_nonzero(t.holds(sky.stars.column("ra_deg"), sky.stars.column("dec_deg")))
        for t in tiles
    )
    assert expected_stars(tiles, 10.0) == pytest.approx(counted, rel=0.25)


# The store


def some_stars(n=7, ra=322.0, dec=12.5):
    rng = np.random.default_rng(n)
    small = np.float32
    return DeepStars(
        ra + rng.random(n) / 10, dec + rng.random(n) / 10, np.zeros(n, small), np.zeros(n, small),
        np.sort(rng.uniform(10, 14, n)).astype(small), np.full(n, np.nan, small), np.arange(n),
    )  # fmt: skip


def test_store_round_trip_and_deeper_replaces(store):
    tile = Tile(34, 105)
    assert store.contents() == {}
    assert store.summary().tiles == 0
    first = store.save(tile, 13.0, some_stars(5))
    assert store.contents() == {tile: first}
    second = store.save(tile, 14.25, some_stars(9))
    assert [p.name for p in store.folder.iterdir()] == ["tile-34-105-g1425-n9.npz"]
    assert store.contents()[tile].to_mag == 14.25
    assert np.array_equal(store.load(second).g_mag, some_stars(9).g_mag)
    held = store.summary()
    assert (held.tiles, held.stars, held.to_mag_least) == (1, 9, 14.25)
    store.save(Tile(0, 0), 12.0, DeepStars.none())
    assert store.load(store.contents()[Tile(0, 0)]).source_id.size == 0


def test_damaged_tiles_count_as_absent(store):
    tile = Tile(34, 105)
    stored = store.save(tile, 14.0, some_stars(400))
    whole = stored.path.read_bytes()
    stored.path.write_bytes(whole[:2000])
    assert store.contents() == {}
    middle = len(whole) // 2
    stored.path.write_bytes(whole[:middle] + b"\x00\x01\x02" * 40 + whole[middle + 120 :])
    assert store.load(stored) is None
    stored.path.unlink()
    assert store.load(stored) is None


def test_forget_leaves_other_files_alone(store):
    store.save(Tile(34, 105), 14.0, some_stars(3))
    (store.folder / "notes.txt").write_text("mine", encoding="utf-8")
    (store.folder / ".tile-left").write_bytes(b"x")
    assert store.forget().stars == 3
    assert [p.name for p in store.folder.iterdir()] == ["notes.txt"]
    (store.folder / "notes.txt").unlink()
    assert store.forget().tiles == 0
    assert not store.folder.exists()


def test_leftovers_of_killed_runs_are_swept(store):
    store.folder.mkdir()
    old, new = store.folder / ".tile-old", store.folder / ".tile-new"
    for path in (old, new):
        path.write_bytes(b"x")
    os.utime(old, (1, 1))
    store.sweep()
    assert not old.exists()
    assert new.exists()


@pytest.mark.parametrize("step", ["write", "replace"])
def test_a_full_disk_keeps_what_is_there(archive, store, monkeypatch, step):
    fetch(archive, store)
    before = sorted(p.name for p in store.folder.iterdir())

    def full(*_args, **_kwargs):
        raise OSError(errno.ENOSPC, "No space left on device")

    if step == "write":
        monkeypatch.setattr(deep_store.np, "savez", full)
    else:
        monkeypatch.setattr(deep_store.os, "replace", full)
    with pytest.raises(CatalogueMissing, match=r"cannot be written .No space left"):
        fetch(archive, store, to_mag=14.5)
    monkeypatch.undo()
    assert sorted(p.name for p in store.folder.iterdir()) == before


def test_too_little_space_is_said_beforehand(archive, store, monkeypatch):
    monkeypatch.setattr(DeepStore, "free_megabytes", lambda _self: 0.1)
    with pytest.raises(CatalogueMissing, match="0 MB are free"):
        fetch(archive, store)
    assert archive.queries == []


# The fetch


def test_happy_path(archive, store):
    told, slept = [], []
    done = fetch(archive, store, manners=hasty(slept), report=lambda *step: told.append(step))
    assert done.tiles == done.tiles_fetched == len(archive.queries) > 3
    assert archive.running_at_once == 1
    assert archive.deleted == len(archive.queries)
    assert slept.count(1.0) >= done.tiles - 1
    assert told == [("deeper stars", i, done.tiles) for i in range(done.tiles + 1)]
    assert {t.tile for t in store.contents().values()} == set(
        tiles_in_cone(CORNER.ra_deg, CORNER.dec_deg, 2.0)
    )
    same_as_table(archive, store, 14.0)
    assert done.stars == store.summary().stars > 3000


def test_finished_tiles_are_never_fetched_again(archive, store):
    first = fetch(archive, store)
    asked = len(archive.queries)
    again = fetch(archive, store)
    assert (again.tiles_fetched, again.tiles_kept) == (0, first.tiles)
    brighter = fetch(archive, store, to_mag=12.0)
    assert brighter.tiles_fetched == 0
    assert len(archive.queries) == asked
    deeper = fetch(archive, store, to_mag=14.5)
    assert deeper.tiles_fetched == first.tiles
    same_as_table(archive, store, 14.5)


def test_goes_on_after_a_failure_half_way(archive, store):
    archive.faults["result"] = ["ok", "ok", 500, 500, 500]
    with pytest.raises(NothingUseful, match=r"answers 500 .* 2 of \d+ tiles are fetched and kept"):
        fetch(archive, store)
    assert len(store.contents()) == 2
    assert not list(store.folder.glob(".tile-*"))
    done = fetch(archive, store)
    assert done.tiles_kept == 2
    same_as_table(archive, store, 14.0)


def test_stopping_keeps_the_finished_tiles(archive, store):
    def stop(_stage, done, _total):
        if done == 1:
            raise Cancelled

    with pytest.raises(Cancelled):
        fetch(archive, store, report=stop)
    assert len(store.contents()) == 1


@pytest.mark.skipif(os.name == "nt", reason="needs a POSIX kill")
def test_survives_a_kill(archive, store):
    code = (
        "import os, signal, sys\n"
        "from slowglass.sky import deep_store\n"
        "from slowglass.sky.archive import Manners\n"
        "from slowglass.sky.deepen import deepen, plan_deepening\n"
        "from slowglass.sky.place import Place\n"
        "real, calls = os.replace, []\n"
        "def killed(a, b):\n"
        "    calls.append(a)\n"
        "    if len(calls) == 2: os.kill(os.getpid(), signal.SIGKILL)\n"
        "    real(a, b)\n"
        "deep_store.os.replace = killed\n"
        "store = deep_store.DeepStore()\n"
        "places = [Place('', 323.0, 12.0)]\n"
        "plan = plan_deepening(places, radius_deg=2.0, to_mag=14.0, store=store)\n"
        "deepen(plan, store=store, url=sys.argv[1], manners=Manners(between_tiles_s=0))\n"
    )
    done = subprocess.run([sys.executable, "-c", code, archive.url], check=False)
    assert done.returncode == -9
    assert len(store.contents()) == 1
    fetch(archive, store)
    same_as_table(archive, store, 14.0)


@pytest.mark.parametrize("occasion", ["submit", "run", "phase", "result"])
@pytest.mark.parametrize("fault", [503, 429, "hang up"])
def test_passing_failures_are_tried_again(archive, store, occasion, fault):
    archive.faults[occasion] = [fault]
    slept = []
    place = Place("middle", *Tile(34, 105).centre_deg)
    done = fetch(archive, store, place=place, radius_deg=0.2, manners=hasty(slept))
    assert done.tiles_fetched == 1
    assert 5.0 in slept
    same_as_table(archive, store, 14.0)


def test_pauses_between_tries_grow(archive, store):
    archive.faults["submit"] = [503] * 3
    slept = []
    with pytest.raises(NothingUseful, match=r"answers 503 .tried 3 times"):
        fetch(archive, store, manners=hasty(slept))
    assert slept == [5.0, 10.0]


def test_refused_connection_is_one_clear_line(archive, store):
    with LoopbackArchive(archive.table) as gone:
        pass
    with pytest.raises(NothingUseful, match="no connection") as caught:
        fetch(gone, store)
    assert caught.value.exit_code == 1
    assert "Check the network" in str(caught.value)
    assert "\n" not in str(caught.value)


@pytest.mark.parametrize("fault", ["garbage", "cut short", "no colour"])
def test_answers_that_are_no_table_are_refused(archive, store, fault):
    archive.faults["result"] = [fault] * 3
    with pytest.raises(NothingUseful, match="answer") as caught:
        fetch(archive, store)
    assert "\n" not in str(caught.value)
    assert store.contents() == {}


def test_a_truncated_answer_is_not_taken_for_a_whole_tile(archive, store):
    archive.faults["result"] = ["overflow"]
    with pytest.raises(NothingUseful, match="more stars than the service gives"):
        fetch(archive, store)
    assert store.contents() == {}


def test_a_refused_question_is_not_repeated(archive, store):
    archive.faults["run"] = ["error"]
    with pytest.raises(NothingUseful, match="cannot parse the query"):
        fetch(archive, store)
    assert len(archive.queries) == 1
    archive.faults["submit"] = [404]
    with pytest.raises(NothingUseful, match="answers 404"):
        fetch(archive, store)


def test_the_service_can_be_chosen(monkeypatch):
    assert service_url() == SERVICE_URL
    monkeypatch.setenv("SLOWGLASS_TAP", "http://127.0.0.1:1/tap/")
    assert service_url() == "http://127.0.0.1:1/tap"
    assert service_url("https://example.org/tap") == "https://example.org/tap"
    with pytest.raises(UsageError, match="no web address"):
        service_url("archive")


@pytest.mark.parametrize("mag", [9.0, 25.0])
def test_silly_magnitudes_are_refused(store, mag):
    with pytest.raises(UsageError, match="outside"):
        plan_deepening([M15], radius_deg=1.0, to_mag=mag, store=store)


# Merging


def as_deep(ra, dec, mag, *, pm=(0.0, 0.0)):
    ra, dec, mag = (np.atleast_1d(np.asarray(a, dtype=float)) for a in (ra, dec, mag))
    n, small = len(ra), np.float32
    return DeepStars(
        ra, dec, np.full(n, pm[0], small), np.full(n, pm[1], small), mag.astype(small),
        np.full(n, np.nan, small), np.arange(n),
    )  # fmt: skip


def base_rows(sky, n=40):
    rows = sky.stars.rows_near(M15.ra_deg, M15.dec_deg, 2.0)
    return rows[:n]


def test_base_stars_are_not_doubled(sky):
    rows = base_rows(sky)
    column = sky.stars.column
    ra, dec, mag = (np.asarray(column(n)[rows], dtype=float) for n in ("ra_deg", "dec_deg", "mag"))
    rng = np.random.default_rng(3)
    twin = as_deep(ra, dec + rng.normal(0, 0.1, len(ra)) / 3600, mag + rng.normal(0, 0.02, len(ra)))
    new = as_deep(ra, dec + 30.0 / 3600, mag + 3.0)
    beside = as_deep(ra, dec + 2.0 / 3600, mag + 3.0)
    merged = merge(sky.stars, rows, DeepStars.joined([twin, new, beside]))
    assert merged.from_base == len(rows)
    assert len(merged.mag) == 3 * len(rows)
    assert np.array_equal(merged.mag[: len(rows)], mag)
    companion = as_deep(ra, dec + 0.5 / 3600, mag + 2.0)
    assert len(merge(sky.stars, rows, companion).mag) == len(rows)


def test_fast_stars_are_met_where_they_were(sky):
    rows = base_rows(sky, 1)
    ra, dec, mag = (float(sky.stars.column(n)[rows[0]]) for n in ("ra_deg", "dec_deg", "mag"))
    # Ten years earlier a star of 2″ a year stood 20″ further south.
    early = as_deep(ra, dec - 20.0 / 3600, mag, pm=(0.0, 2000.0))
    assert len(merge(sky.stars, rows, early, deep_epoch_year=2006.0).mag) == 1
    assert len(merge(sky.stars, rows, early).mag) == 2


def test_motions_fill_the_gaps_of_the_base(sky):
    rows = base_rows(sky)
    column = sky.stars.column
    pm_ra = np.asarray(column("pm_ra_mas")[rows])
    still = (pm_ra == 0) & (np.asarray(column("pm_dec_mas")[rows]) == 0)
    assert 0 < np.count_nonzero(still) < len(rows)
    ra, dec, mag = (np.asarray(column(n)[rows], dtype=float) for n in ("ra_deg", "dec_deg", "mag"))
    merged = merge(sky.stars, rows, as_deep(ra, dec, mag, pm=(12.0, -7.0)))
    assert np.all(merged.pm_ra_mas[still] == 12.0)
    assert np.array_equal(merged.pm_ra_mas[~still], pm_ra[~still])


# Solving with them

WIDTH, HEIGHT, SCALE = 6000, 4000, 0.15
"""A quarter of a degree by a sixth."""


def thin_field(sky, table, want):
    """A pose whose frame holds fewer than three base stars and at least ten deeper ones."""
    rng = np.random.default_rng(11)
    for _ in range(300):
        wcs = TanWcs.from_simple(
            ra_deg=rng.uniform(321.5, 323.5), dec_deg=rng.uniform(11.5, 13.5), width_px=WIDTH,
            height_px=HEIGHT, scale_arcsec_per_px=SCALE, rotation_deg=rng.uniform(0, 360), parity=1,
        )  # fmt: skip
        base = sky.stars.cone(wcs.ra0_deg, wcs.dec0_deg, 0.16)
        x, y = wcs.sky_to_pixel(base.ra_deg, base.dec_deg)
        inside = (x > 2) & (y > 2) & (x < WIDTH - 3) & (y < HEIGHT - 3)
        dx, dy = wcs.sky_to_pixel(table["ra"].data, table["dec"].data)
        near = separation_deg(wcs.ra0_deg, wcs.dec0_deg, table["ra"].data, table["dec"].data) < 0.2
        seen = near & (dx > 2) & (dy > 2) & (dx < WIDTH - 3) & (dy < HEIGHT - 3)
        seen &= table["phot_g_mean_mag"].data < 13.8
        if np.count_nonzero(inside) in want and np.count_nonzero(seen) >= 10:
            x, y = np.concatenate([x[inside], dx[seen]]), np.concatenate([y[inside], dy[seen]])
            mag = np.concatenate([base.mag[inside], table["phot_g_mean_mag"].data[seen]])
            noise = rng.normal(0, 0.4, (2, len(x)))
            order = np.argsort(mag)
            flux = 10 ** (-0.4 * (mag + rng.normal(0, 0.15, len(mag)) - 25))
            nan = np.full(len(x), np.nan)
            return wcs, StarList(
                *(a[order] for a in (x + noise[0], y + noise[1], flux, flux, flux)),
                nan, nan, nan, nan, np.zeros(len(x), dtype=np.int32),
            )  # fmt: skip
    raise AssertionError("no such field")


def prior_for(wcs, radius_deg=1.0):
    ra, dec = offset_point(wcs.ra0_deg, wcs.dec0_deg, 40.0, 0.4)
    return Prior(
        ra_deg=float(ra), dec_deg=float(dec), radius_deg=radius_deg,
        scale_arcsec_per_px=SCALE * 1.01, scale_tolerance=0.03,
    )  # fmt: skip


@pytest.mark.parametrize("base_stars", [{0}, {1, 2}])
def test_a_thin_field_solves_after_deepening(archive, store, sky, base_stars):
    wcs, stars = thin_field(sky, archive.table, base_stars)
    prior = prior_for(wcs)
    before = solve_stars(stars, WIDTH, HEIGHT, sky, prior)
    assert not before.solved
    fetch(archive, store, place=Place("", prior.ra_deg, prior.dec_deg), radius_deg=1.3)
    after = solve_stars(stars, WIDTH, HEIGHT, sky, prior)
    assert after.solved
    assert after.odds_log10 > 3.0
    assert after.matched >= 10
    away = separation_deg(after.ra_deg, after.dec_deg, wcs.ra0_deg, wcs.dec0_deg)
    assert float(away) * 3600 < 1.0
    assert after.expected_stars > 5 > before.expected_stars
    # The same stars in a place they are not: refused, for the tiles know what is there.
    mirrored = StarList(
        *(WIDTH - 1 - stars.x_px if n == "x_px" else getattr(stars, n) for n in _columns(stars))
    )
    wrong = solve_stars(mirrored, WIDTH, HEIGHT, sky, Prior(**{**vars(prior), "parity": 1}))
    assert not wrong.solved


def _columns(stars):
    return list(type(stars).__dataclass_fields__)


def test_the_depth_claimed_is_that_of_the_whole_cone(archive, store, sky):
    base = open_solver(sky)
    ra, dec = Tile(34, 105).centre_deg
    prior = Prior(ra_deg=ra, dec_deg=dec, radius_deg=0.5, scale_arcsec_per_px=SCALE)
    assert local_catalogue(sky, base, prior, WIDTH, HEIGHT) is None
    fetch(archive, store, place=Place("", ra, dec), radius_deg=0.2)
    whole = local_catalogue(sky, base, prior, WIDTH, HEIGHT)
    assert whole.limit_mag == 14.0
    wide = Prior(ra_deg=ra, dec_deg=dec, radius_deg=3.0, scale_arcsec_per_px=SCALE)
    part = local_catalogue(sky, base, wide, WIDTH, HEIGHT)
    assert part.limit_mag == base.limit_mag
    assert len(part.grid) > len(sky.stars.rows_near(ra, dec, 3.1))
    elsewhere = Prior(ra_deg=90.0, dec_deg=-40.0, radius_deg=3.0, scale_arcsec_per_px=SCALE)
    assert local_catalogue(sky, base, elsewhere, WIDTH, HEIGHT) is None
    for unbounded in (Prior(scale_arcsec_per_px=SCALE), Prior(ra_deg=ra, dec_deg=dec)):
        assert local_catalogue(sky, base, unbounded, WIDTH, HEIGHT) is None
    grids = [
        local_catalogue(
            sky,
            base,
            Prior(ra_deg=ra + off, dec_deg=dec, radius_deg=0.5, scale_arcsec_per_px=SCALE),
            WIDTH,
            HEIGHT,
        ).grid
        for off in (0.0, 0.002, 0.004, 0.006, 0.008)
    ]
    # Pointings of frames taken in a row share what is built, but for a step between.
    assert len({id(grid) for grid in grids}) <= 2
    plenty = Prior(ra_deg=ra, dec_deg=dec, radius_deg=0.5, scale_arcsec_per_px=4.0)
    assert local_catalogue(sky, base, plenty, WIDTH, HEIGHT) is None


@settings(max_examples=60, deadline=None)
@given(ra=st.floats(0, 359.999), dec=st.floats(-90, 90), radius=st.floats(0.1, 50))
def test_what_is_built_for_a_cone_holds_all_of_it(ra, dec, radius):
    wide_ra, wide_dec, wide_radius = _snapped(ra, dec, radius)
    assert separation_deg(ra, dec, wide_ra, wide_dec) + radius <= wide_radius + 1e-9


def test_too_many_stars_are_cut_at_one_magnitude(archive, store, sky, monkeypatch):
    monkeypatch.setattr("slowglass.solve.deep.MOST_STARS", 500)
    base = open_solver(sky)
    ra, dec = Tile(34, 105).centre_deg
    fetch(archive, store, place=Place("", ra, dec), radius_deg=0.2)
    prior = Prior(ra_deg=ra, dec_deg=dec, radius_deg=0.6, scale_arcsec_per_px=SCALE)
    cut = local_catalogue(sky, base, prior, WIDTH, HEIGHT)
    assert len(cut.grid) <= 500
    assert cut.grid.mag.max() < cut.limit_mag < 14.0


def test_an_uncovered_field_still_solves_as_before(archive, store, sky):
    """Tiles in a part of the cone must not cost the frames of the rest."""
    ra, dec = Tile(34, 105).centre_deg
    wcs = TanWcs.from_simple(
        ra_deg=ra + 4.0, dec_deg=dec, width_px=WIDTH, height_px=HEIGHT, scale_arcsec_per_px=1.2,
        rotation_deg=33.0, parity=1,
    )  # fmt: skip
    base = sky.stars.cone(wcs.ra0_deg, wcs.dec0_deg, 1.3)
    x, y = wcs.sky_to_pixel(base.ra_deg, base.dec_deg)
    inside = (x > 2) & (y > 2) & (x < WIDTH - 3) & (y < HEIGHT - 3)
    flux, nan = 10 ** (-0.4 * (base.mag[inside] - 25)), np.full(np.count_nonzero(inside), np.nan)
    stars = StarList(
        x[inside], y[inside], flux, flux, flux, nan, nan, nan, nan,
        np.zeros(len(flux), dtype=np.int32),
    )  # fmt: skip
    prior = Prior(ra_deg=ra, dec_deg=dec, radius_deg=6.0, scale_arcsec_per_px=1.2)
    fetch(archive, store, place=Place("", ra, dec), radius_deg=0.2)
    assert local_catalogue(sky, open_solver(sky), prior, WIDTH, HEIGHT) is not None
    found = solve_stars(stars, WIDTH, HEIGHT, sky, prior)
    assert found.solved
    assert float(separation_deg(found.ra_deg, found.dec_deg, wcs.ra0_deg, wcs.dec0_deg)) < 1e-3


def test_damaged_tiles_do_not_stop_a_solve(archive, store, sky):
    wcs, stars = thin_field(sky, archive.table, {0, 1, 2})
    prior = prior_for(wcs)
    fetch(archive, store, place=Place("", prior.ra_deg, prior.dec_deg), radius_deg=1.3)
    for stored in store.contents().values():
        data = bytearray(stored.path.read_bytes())
        data[300:600] = bytes(300)
        stored.path.write_bytes(bytes(data))
    assert not solve_stars(stars, WIDTH, HEIGHT, sky, prior).solved
