"""``start.py``: its arguments, its environment handling and its messages. Nothing is installed."""

from __future__ import annotations

import importlib.util
import json
import shutil
import subprocess
import sys
import tomllib
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[1]
START = ROOT / "start.py"


@pytest.fixture
def start(tmp_path, monkeypatch):
    """The module, working on an empty checkout, with its child processes recorded."""
    spec = importlib.util.spec_from_file_location("start_under_test", START)
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    monkeypatch.setattr(module, "HERE", tmp_path)
    monkeypatch.setattr(module, "ENVIRONMENT", tmp_path / ".venv")
    monkeypatch.setattr(module, "STAMP", tmp_path / ".venv" / "slowglass-start.json")
    shutil.copy(ROOT / "pyproject.toml", tmp_path)
    module.calls = []
    module.works = True

    def call(words, folder=tmp_path):
        module.calls.append([str(word) for word in words])
        if "venv" in words:
            python = module._environment_python()
            python.parent.mkdir(parents=True, exist_ok=True)
            python.write_text("")
            (module.ENVIRONMENT / "pyvenv.cfg").write_text("")
        return 0 if module.works else 1

    monkeypatch.setattr(module, "_call", call)
    monkeypatch.setattr(module, "_runs", lambda python: Path(python).exists())
    return module


def installs(module):
    return [words for words in module.calls if "install" in words]


def test_demo_makes_the_environment_installs_and_passes_arguments_on(start):
    assert start.main(["demo", "--once", "--no-browser"]) == 0
    made, installed, ran = start.calls
    assert made[1:3] == ["-m", "venv"]
    assert installed[-2:] == ["-e", str(start.HERE)]
    assert ran[1:] == ["-m", "slowglass", "demo", "--once", "--no-browser"]


def test_a_fresh_environment_is_used_again(start):
    start.main(["demo"])
    start.calls.clear()
    start.main(["run", "kit", "--json"])
    assert [words[1:] for words in start.calls] == [["-m", "slowglass", "kit", "--json"]]


def test_changed_requirements_are_installed_anew(start):
    start.main(["demo"])
    start.calls.clear()
    project = start.HERE / "pyproject.toml"
    project.write_text(project.read_text(encoding="utf-8") + "\n# new\n", encoding="utf-8")
    start.main(["demo"])
    assert len(installs(start)) == 1
    assert not any("venv" in words for words in start.calls)


def test_tests_bring_the_developer_tools_once(start):
    start.main(["demo"])
    start.calls.clear()
    start.main(["test", "tests/kit", "-x"])
    (installed,) = installs(start)
    assert any(word.startswith("pytest-xdist") for word in installed)
    assert start.calls[-1][1:] == [
        "-m", "pytest", "-n", "2", "--dist", "loadfile", "tests/kit", "-x",
    ]  # fmt: skip
    start.calls.clear()
    start.main(["test", "-n", "0"])
    assert [words[1:] for words in start.calls] == [["-m", "pytest", "-n", "0"]]
    start.calls.clear()
    start.main(["demo"])
    assert installs(start) == []


def test_check_runs_every_check_and_stops_at_the_first_failure(start):
    assert start.main(["check"]) == 0
    checks = [" ".join(words[1:]) for words in start.calls[-4:]]
    assert checks[:3] == ["-m ruff check", "-m ruff format --check", "-m mypy"]
    assert "lint-imports" in start.calls[-1][0]
    start.calls.clear()
    start.works = False
    assert start.main(["check"]) == 1
    assert len(start.calls) == 1


def test_a_failed_installation_says_what_to_do_and_is_tried_again(start, capsys):
    start.main(["demo"])
    start.STAMP.unlink()
    start.works = False
    start.calls.clear()
    assert start.main(["demo"]) == 2
    assert "check the network connection" in capsys.readouterr().err
    assert not any("slowglass" in words for words in start.calls)
    start.works = True
    assert start.main(["demo"]) == 0


def test_a_folder_that_is_no_environment_is_left_alone(start, capsys):
    start.ENVIRONMENT.mkdir()
    (start.ENVIRONMENT / "precious").write_text("x")
    assert start.main(["demo"]) == 2
    assert "move it away" in capsys.readouterr().err
    assert (start.ENVIRONMENT / "precious").read_text() == "x"


def test_a_damaged_stamp_only_costs_a_new_installation(start):
    start.main(["demo"])
    start.STAMP.write_text("[1, ")
    start.calls.clear()
    assert start.main(["demo"]) == 0
    assert len(installs(start)) == 1
    assert "fingerprint" in json.loads(start.STAMP.read_text())


def test_an_old_python_is_told_so_or_hands_over(start, monkeypatch, capsys):
    monkeypatch.setattr(start.sys, "version_info", (3, 9, 1))
    monkeypatch.setattr(start.shutil, "which", lambda name: None)
    assert start.main(["demo"]) == 2
    message = capsys.readouterr().err
    assert "Python 3.11 or newer is needed; this is 3.9" in message
    monkeypatch.setattr(start.shutil, "which", lambda name: f"/bin/{name}")
    monkeypatch.setattr(start, "_is_newer", lambda words: words[-1].endswith("12"))
    assert start.main(["demo", "--once"]) == 0
    assert start.calls[-1][-2:] == ["demo", "--once"]
    assert "3.12" in " ".join(start.calls[-1])


def test_developer_packages_follow_included_groups(start, tmp_path):
    project = tmp_path / "p.toml"
    project.write_text(
        '[dependency-groups]\nbase = ["a>=1"]\ndev = [{include-group = "base"}, "b"]\n',
        encoding="utf-8",
    )
    assert start.developer_packages(project) == ["a>=1", "b"]
    real = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))
    assert start.developer_packages(ROOT / "pyproject.toml") == real["dependency-groups"]["dev"]


@pytest.mark.parametrize(
    ("arguments", "code", "words"),
    [([], 2, "python start.py demo"), (["--help"], 0, "python start.py test")],
)
def test_help(arguments, code, words):
    done = subprocess.run(
        [sys.executable, str(START), *arguments], capture_output=True, text=True, check=False
    )
    assert done.returncode == code
    assert words in done.stdout


def test_unknown_commands_are_bad_usage():
    done = subprocess.run(
        [sys.executable, str(START), "guess"], capture_output=True, text=True, check=False
    )
    assert done.returncode == 2
    assert "unknown command 'guess'" in done.stderr
