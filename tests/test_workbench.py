"""The library's front door."""

import ast
from datetime import date
from pathlib import Path

import pytest

from slowglass.errors import UsageError
from slowglass.kit.io import load_kit, load_site, write_kit
from slowglass.workbench import Workbench

ROOT = Path(__file__).resolve().parents[1]


@pytest.fixture(autouse=True)
def no_config(tmp_path, monkeypatch):
    monkeypatch.setenv("SLOWGLASS_CONFIG", str(tmp_path / "config"))


def test_opens_with_the_stand_in_kit_and_says_so():
    bench = Workbench.open()
    assert (bench.kit.name, bench.site.name) == ("long 102", "Fig Tree Yard")
    assert bench.kit_is_stand_in
    assert not Workbench.open(kit="long 102").kit_is_stand_in


def test_the_users_own_kit_is_no_stand_in(tmp_path):
    write_kit(load_kit("long 102"), tmp_path / "config" / "kit.toml")
    assert not Workbench.open().kit_is_stand_in


def test_opening_the_sky_reports_to_the_workbench(sky):
    bench = Workbench.open()
    assert bench.sky.folder == sky.folder
    assert bench.sky is bench.sky


def test_the_steps_return_the_services_records(sky):
    bench = Workbench(load_kit("long 102"), load_site("Karri Flat"))
    choice = bench.choose(night=date(2026, 9, 12), limit=2)
    assert len(choice.objects) == 2
    route = bench.find("NGC 253", from_star="Diphda")
    assert route.anchor == "Diphda"
    plan = bench.expose("NGC 253", seconds=20.0, frames=3)
    assert plan.frames == 3
    assert bench.place("NGC 253").object.kind == "galaxy"
    assert bench.kit_summary().name == "long 102"


def test_misuse_raises_before_any_work(sky):
    bench = Workbench.open()
    with pytest.raises(UsageError, match="Nowhere"):
        bench.find("Nowhere at all")
    with pytest.raises(UsageError, match="Nowhere"):
        bench.judge([Path("absent.fits")], near="Nowhere at all")


def test_interfaces_reach_the_steps_only_through_the_workbench():
    """The command line and the pages import no step's service (records and drawing excepted)."""
    steps = ("choose", "find", "expose", "judge", "finish")
    offenders = []
    for path in [
        *(ROOT / "src/slowglass/cli").glob("*.py"),
        *(ROOT / "src/slowglass/web").glob("*.py"),
    ]:
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
            module = getattr(node, "module", None) or ""
            if module in {f"slowglass.{step}.service" for step in steps}:
                under_type_checking = "TYPE_CHECKING" in path.read_text(encoding="utf-8")
                names = [alias.name for alias in node.names]
                if not (under_type_checking and all(name[0].isupper() for name in names)):
                    offenders.append((path.name, module, names))
    assert offenders == []
