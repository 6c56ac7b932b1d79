"""Exit codes, one-line errors, clean stdout, quick start."""

import json
import os
import subprocess
import sys

import pytest
import typer

from slowglass import __version__
from slowglass.cli.main import app, run

COMMANDS = ("choose", "find", "expose", "judge", "finish", "kit", "site", "sky", "demo", "serve")


def subprocess_run(*arguments, **environment):
    return subprocess.run(
        [sys.executable, "-m", "slowglass", *map(str, arguments)],
        capture_output=True,
        text=True,
        encoding="utf-8",
        env={**os.environ, **environment},
        check=False,
    )


def test_every_command_has_help(slowglass):
    listed = slowglass("--help")
    assert listed.code == 0
    for command in COMMANDS:
        assert f"\n  {command} " in listed.out
        shown = slowglass(command, "--help")
        assert shown.code == 0
        assert f"slowglass {command}" in shown.out
        assert shown.err == ""


def test_every_option_has_a_help_text():
    group = typer.main.get_command(app)
    nameless = [
        (name, option.name)
        for name, command in group.commands.items()
        for option in command.params
        if not getattr(option, "help", "x")
    ]
    assert nameless == []


def test_every_command_but_serve_speaks_json():
    group = typer.main.get_command(app)
    for name, command in group.commands.items():
        # A group speaks for itself (sky, learn) or through its usual command (kit).
        own = [command, *getattr(command, "commands", {}).values()]
        options = {word for each in own for option in each.params for word in option.opts}
        assert ("--json" in options) == (name != "serve"), name


def test_no_command_shows_the_help_and_is_bad_usage(slowglass):
    outcome = slowglass()
    assert outcome.code == 2
    assert "Commands:" in outcome.out


def test_version(slowglass):
    outcome = slowglass("--version")
    assert (outcome.code, outcome.out.strip()) == (0, f"slowglass {__version__}")


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        (["kit", "--colour"], "No such option"),
        (["guess"], "No such command 'guess'"),
        (["judge"], "Missing argument"),
        (["find"], "Missing argument"),
        (["expose", "M15"], "Missing option"),
        (["expose", "M15", "--seconds", "soon"], "soon"),
        (["expose", "M15", "--seconds", "-3"], "-3"),
        (["finish", "somewhere"], "Missing option"),
        (["choose", "--night", "tomorrow"], "--night 'tomorrow' is no date"),
        (["choose", "--night", "9999-12-31"], "outside the years 1900 to 2099"),
        (["choose", "--night", "1000-01-01"], "outside the years 1900 to 2099"),
        (["kit", "no-such-kit"], "no kit file or built-in kit called 'no-such-kit'"),
        (["site", "no-such-site"], "no site file or built-in site called"),
        (["find", "M15", "--kit", "nowhere.toml"], "nowhere.toml"),
    ],
)
def test_bad_usage_exits_2_with_one_line(slowglass, arguments, words):
    outcome = slowglass(*arguments)
    assert outcome.code == 2
    assert outcome.out == ""
    assert outcome.err.startswith("slowglass: ")
    assert outcome.err.count("\n") == 1
    assert words in outcome.err


def test_a_bad_kit_lists_all_its_faults_on_one_line(slowglass, tmp_path):
    text = slowglass("kit", "--write", tmp_path / "k.toml", "--json")
    assert text.code == 0
    path = tmp_path / "k.toml"
    lines = path.read_text(encoding="utf-8")
    path.write_text(
        lines.replace("aperture_mm", "apperture_mm").replace("bits = 14", "bits = 99"),
        encoding="utf-8",
    )
    outcome = slowglass("kit", path, "--json")
    assert outcome.code == 2
    assert outcome.out == ""
    assert "did you mean aperture_mm?" in outcome.err
    assert "camera.bits = 99 bit is out of range; allowed: a whole number from 8 to 16" in (
        outcome.err
    )
    assert outcome.err.count("\n") == 1


def test_unexpected_faults_are_one_line_and_a_trace_only_on_request(slowglass, monkeypatch):
    def broken(*_args, **_kwargs):
        raise ZeroDivisionError("deep inside")

    monkeypatch.setattr("slowglass.kit.service.summarise_kit", broken)
    outcome = slowglass("kit")
    assert outcome.code == 1
    assert outcome.err.startswith("slowglass: unexpected fault: ZeroDivisionError: deep inside")
    assert "--debug" in outcome.err
    assert "Traceback" not in outcome.err
    for words in (["--debug", "kit"], ["kit", "--debug"]):
        with pytest.raises(ZeroDivisionError):
            run(words)


def test_interrupting_is_said_in_one_line(slowglass, monkeypatch):
    def stopped(*_args, **_kwargs):
        raise KeyboardInterrupt

    monkeypatch.setattr("slowglass.kit.service.summarise_kit", stopped)
    outcome = slowglass("kit")
    assert (outcome.code, outcome.err) == (1, "slowglass: stopped on request.\n")


def test_the_process_exits_with_the_code_and_speaks_utf_8():
    good = subprocess_run("kit", "long 102", "--json", PYTHONIOENCODING="ascii")
    assert good.returncode == 0
    assert good.stderr == ""
    assert json.loads(good.stdout)["kit"]["name"] == "long 102"
    shown = subprocess_run("kit", "long 102", PYTHONIOENCODING="ascii")
    assert "″/px" in shown.stdout
    bad = subprocess_run("kit", "--nonsense")
    assert bad.returncode == 2
    assert bad.stdout == ""
    assert bad.stderr.startswith("slowglass: ")


def test_a_closed_pipe_is_no_fault():
    command = f'"{sys.executable}" -m slowglass kit --json | head -c 5'
    if os.name == "nt":
        pytest.skip("needs a POSIX shell")
    done = subprocess.run(command, shell=True, capture_output=True, text=True, check=False)
    assert done.stderr == ""
    assert len(done.stdout) == 5


def test_help_and_kit_load_nothing_heavy():
    code = (
        "import sys\n"
        "from slowglass.cli.main import run\n"
        "run(['--help']); run(['kit', '--json']); run(['site', '--json'])\n"
        "heavy = ('astropy', 'scipy', 'numba', 'cv2', 'rawpy', 'sep', 'starlette', 'uvicorn')\n"
        "print([m for m in heavy if m in sys.modules], file=sys.stderr)\n"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stderr.strip() == "[]"
