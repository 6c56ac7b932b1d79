"""Writes docs/guide/commands.md from the command line itself: python builders/commands_page.py."""

from __future__ import annotations

import inspect
from pathlib import Path
from typing import Any

import typer

from slowglass.cli.main import app

PAGE = Path(__file__).resolve().parents[1] / "docs" / "guide" / "commands.md"
HEAD = """\
# Commands

Every command explains itself with `--help`. This page says the same; it is written by
`builders/commands_page.py`.

- Results go to stdout, progress and complaints to stderr. `--json` prints one JSON document, or one
  object a line for `judge`; see [JSON](json.md).
- Exit codes: 0 done; 1 nothing useful came out, with the reason on stderr; 2 bad usage or
  unreadable input.
- A complaint is one line, `slowglass: …`. `--debug` adds the full trace of an unexpected fault.
- A *place* is an object ("M15", "NGC 7078", "Cat's Eye Nebula"), a star ("Enif") or coordinates in
  quotes ("322.49 12.17", "21 29 58 +12 10 01").
"""


def page() -> str:
    """The whole page."""
    parts = [HEAD]
    group: Any = typer.main.get_command(app)
    for name, command in group.commands.items():
        parts.append(section(f"slowglass {name}", command))
        for inner, nested in getattr(command, "commands", {}).items():
            parts.append(section(f"slowglass {name} {inner}", nested))
    return "\n".join(parts)


def section(path: str, command: Any) -> str:
    """One command: its words, its usage, its options."""
    arguments = [p for p in command.params if p.param_type_name == "argument"]
    options = [p for p in command.params if p.param_type_name == "option"]
    usage = " ".join([path, *(_argument(a) for a in arguments), "[OPTIONS]"])
    lines = [f"## {path}", "", inspect.cleandoc(command.help), "", "```text", usage, "```", ""]
    rows = [(f"`{_argument(a)}`", a.help) for a in arguments]
    rows += [(_option(o), _option_help(o)) for o in options]
    lines += ["| | |", "|---|---|", *(f"| {left} | {right} |" for left, right in rows), ""]
    return "\n".join(lines)


def _argument(argument: Any) -> str:
    text = argument.metavar or argument.name.upper()
    return f"{text}..." if argument.nargs == -1 else text


def _option(option: Any) -> str:
    words = ", ".join(
        f"`{word}`" for word in [*sorted(option.opts, key=len), *option.secondary_opts]
    )
    return words if option.is_flag else f"{words} *{option.metavar}*"


def _option_help(option: Any) -> str:
    text = option.help
    if option.required:
        return f"{text} Required."
    if option.secondary_opts:
        return f"{text} Default: {(option.opts if option.default else option.secondary_opts)[0]}."
    if option.default is None or option.is_flag:
        return text
    return f"{text} Default: {option.default}."


if __name__ == "__main__":
    PAGE.write_text(page(), encoding="utf-8")
