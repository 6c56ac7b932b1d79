"""The project as a whole: layers, documents, licence, the machine that runs the tests."""

from __future__ import annotations

import ast
import importlib
import importlib.util
import os
import re
import subprocess
import sys
import tomllib
from pathlib import Path

import pytest
import typer

from slowglass import __version__
from slowglass.cli.main import app

ROOT = Path(__file__).resolve().parents[1]
SOURCE = ROOT / "src" / "slowglass"
PROJECT = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))
DOCUMENTS = sorted([*ROOT.glob("*.md"), *(ROOT / "docs").rglob("*.md")])
COMMANDS = typer.main.get_command(app).commands
START_COMMANDS = {"demo", "run", "test", "check"}


def test_arrows_point_one_way():
    name = "lint-imports.exe" if os.name == "nt" else "lint-imports"
    tool = Path(sys.executable).with_name(name)
    done = subprocess.run(
        [str(tool), "--no-cache"], cwd=ROOT, capture_output=True, text=True, check=False
    )
    assert done.returncode == 0, done.stdout


def test_every_package_has_its_layer():
    layers = PROJECT["tool"]["importlinter"]["contracts"][0]["layers"]
    named = {part.strip().removeprefix("slowglass.") for row in layers for part in row.split(":")}
    there = {p.stem for p in SOURCE.glob("*.py")} | {
        p.name for p in SOURCE.iterdir() if (p / "__init__.py").exists()
    }
    assert there - {"__init__", "__main__"} == named


def test_nothing_unfinished_is_left_in_the_source():
    marks = re.compile(r"\b(TODO|FIXME|XXX|NotImplementedError)\b")
    found = [
        f"{path.relative_to(ROOT)}:{number}"
        for path in SOURCE.rglob("*.py")
        for number, line in enumerate(path.read_text(encoding="utf-8").splitlines(), 1)
        if marks.search(line)
    ]
    assert found == []


def test_the_licence_is_the_whole_apache_2_0():
    text = (ROOT / "LICENSE").read_text(encoding="utf-8")
    assert "Apache License" in text
    assert "Version 2.0, January 2004" in text
    assert "END OF TERMS AND CONDITIONS" in text
    assert len(text) > 11_000
    assert PROJECT["project"]["license"] == "Apache-2.0"


def test_the_change_log_knows_this_version():
    assert f"## {__version__}" in (ROOT / "CHANGELOG.md").read_text(encoding="utf-8")


def test_every_requirement_is_pinned_to_a_range():
    loose = [r for r in PROJECT["project"]["dependencies"] if ">=" not in r]
    assert loose == []


def test_readme_states_the_job_and_the_two_commands():
    text = (ROOT / "README.md").read_text(encoding="utf-8")
    first = text.split("\n\n")[1]
    for word in ("telescope", "plans", "judges", "picture"):
        assert word in first
    assert "```sh\npython start.py demo\n```" in text
    assert "```sh\npython start.py test\n```" in text
    assert "Sun" in text.split("## Safety")[1]


def test_the_tests_machine_runs_what_the_readme_says():
    script = ROOT / ".ci" / "run"
    lines = script.read_text(encoding="utf-8").splitlines()
    assert lines[-1] == "python start.py test"
    assert "python start.py check" in lines
    assert "export SLOWGLASS_REQUIRE_BROWSER=1" in lines
    assert "set -euo pipefail" in lines
    if os.name == "posix":
        assert os.access(script, os.X_OK)


@pytest.mark.parametrize("path", DOCUMENTS, ids=lambda p: p.relative_to(ROOT).as_posix())
def test_links_lead_somewhere(path):
    text = path.read_text(encoding="utf-8")
    targets = re.findall(r"\]\(([^)#\s]+)(?:#[^)]*)?\)", text)
    missing = [t for t in targets if "://" not in t and not (path.parent / t).exists()]
    assert missing == []


def shown_commands(path):
    """Command lines in the fenced blocks of a document."""
    for block in re.findall(r"```(?:sh|console)\n(.*?)```", path.read_text("utf-8"), re.DOTALL):
        for line in block.splitlines():
            words = line.removeprefix("$ ").split()
            if words[:1] == ["slowglass"] or words[:2] == ["python", "start.py"]:
                yield words


@pytest.mark.parametrize("path", DOCUMENTS, ids=lambda p: p.relative_to(ROOT).as_posix())
def test_commands_shown_in_documents_exist(path):
    for words in shown_commands(path):
        if words[0] == "python":
            assert words[2] in START_COMMANDS, words
            continue
        if words[1].startswith("-"):
            continue
        command = COMMANDS[words[1]]
        inner = getattr(command, "commands", {})
        if inner:
            command = inner.get(words[2] if len(words) > 2 else "", inner.get("show", command))
        known = {o for p in command.params for o in (*p.opts, *p.secondary_opts)} | {"--help"}
        used = {word for word in words if re.fullmatch(r"--?[a-z][a-z-]*", word)}
        assert used <= known, words


def test_the_commands_page_is_what_the_command_line_says():
    spec = importlib.util.spec_from_file_location(
        "commands_page", ROOT / "builders" / "commands_page.py"
    )
    builder = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(builder)
    assert builder.PAGE.read_text(encoding="utf-8") == builder.page(), (
        "run: python builders/commands_page.py"
    )


def test_every_command_has_its_json_described():
    text = (ROOT / "docs" / "guide" / "json.md").read_text(encoding="utf-8")
    assert all(name in text for name in COMMANDS if name != "serve")


@pytest.mark.parametrize(
    "script",
    sorted([*ROOT.glob("builders/*.py"), *ROOT.glob("benchmarks/*.py")]),
    ids=lambda p: p.name,
)
def test_scripts_use_names_that_exist(script):
    """Builders and benchmarks run seldom: what they import must be found all the same."""
    for node in ast.walk(ast.parse(script.read_text(encoding="utf-8"))):
        if isinstance(node, ast.ImportFrom) and (node.module or "").startswith("slowglass"):
            module = importlib.import_module(node.module)
            for name in node.names:
                assert hasattr(module, name.name) or importlib.util.find_spec(
                    f"{node.module}.{name.name}"
                ), f"{script.name} imports {name.name} from {node.module}"
