"""The ``slowglass`` command: its sub-commands, its exit codes and its one-line errors."""

from __future__ import annotations

import sys
from collections.abc import Sequence
from typing import Annotated

import typer

from slowglass import __version__
from slowglass.cli import (
    choose,
    demo,
    expose,
    find,
    finish,
    judge,
    kit,
    learn,
    serve,
    site,
    sky,
    watch,
)
from slowglass.cli.common import print_error
from slowglass.errors import Cancelled, SlowglassError

# Typer carries its own copy of the parser it is built on; reach its errors by their lineage.
_ParserError = next(c for c in typer.BadParameter.__mro__ if c.__name__ == "ClickException")
_INTERRUPTED = 130
"""What the parser makes of Ctrl-C."""

app = typer.Typer(
    name="slowglass",
    help="An offline workbench for a night with a small, slow telescope.\n\n"
    "The night in order: choose, find, expose, judge, finish, learn.",
    no_args_is_help=True,
    add_completion=False,
    pretty_exceptions_enable=False,
    rich_markup_mode=None,
    context_settings={"help_option_names": ["-h", "--help"]},
)
app.command("choose")(choose.choose)
app.command("find")(find.find)
app.command("expose")(expose.expose)
app.command("judge")(judge.judge)
app.command("watch")(watch.watch)
app.command("finish")(finish.finish)
app.add_typer(learn.app, name="learn")
app.add_typer(kit.app, name="kit")
app.command("site")(site.site)
app.add_typer(sky.app, name="sky")
app.command("demo")(demo.demo)
app.command("serve")(serve.serve)


def _show_version(wanted: bool) -> None:
    if wanted:
        print(f"slowglass {__version__}")
        raise typer.Exit


@app.callback()
def _top(
    version: Annotated[
        bool,
        typer.Option("--version", help="Print the version and stop.", callback=_show_version),
    ] = False,
    debug: Annotated[
        bool, typer.Option("--debug", help="Show the full trace of an unexpected fault.")
    ] = False,
) -> None:
    """Options that stand before the command."""


def run(arguments: Sequence[str]) -> int:
    """The exit code of one command line: 0 done, 1 nothing useful came out, 2 bad input."""
    arguments = list(arguments)
    debug = "--debug" in arguments
    if not arguments:
        run(["--help"])
        return 2
    command = typer.main.get_command(app)
    try:
        outcome = command.main(
            args=[a for a in arguments if a != "--debug"],
            prog_name="slowglass",
            standalone_mode=False,
        )
        sys.stdout.flush()
    except BrokenPipeError:
        return _pipe_closed()
    except (KeyboardInterrupt, typer.Abort):
        print_error(str(Cancelled()))
        return Cancelled.exit_code
    except Exception as error:
        if debug:
            raise
        return _explain(error, arguments)
    if outcome == _INTERRUPTED:
        print_error(str(Cancelled()))
        return Cancelled.exit_code
    return outcome if isinstance(outcome, int) else 0


def _explain(error: Exception, arguments: Sequence[str]) -> int:
    if isinstance(error, SlowglassError):
        print_error(str(error))
        return error.exit_code
    if isinstance(error, _ParserError):
        print_error(_parser_words(error, arguments))
        return 2
    print_error(
        f"unexpected fault: {type(error).__name__}: {error}. Run again with --debug for the trace."
    )
    return 1


def _parser_words(error: Exception, arguments: Sequence[str]) -> str:
    """The parser's complaint with the value that was given and where to read more."""
    text = error.format_message().strip().rstrip(".")  # type: ignore[attr-defined]
    text = text.replace("Input should be", "it should be")
    given = ""
    for option in getattr(getattr(error, "param", None), "opts", ()):
        if option in arguments[:-1] and "Invalid value" in text:
            given = f" (given: {arguments[arguments.index(option) + 1]})"
    path = getattr(getattr(error, "ctx", None), "command_path", "slowglass")
    return f"{text}{given}. See: {path} --help"


def _pipe_closed() -> int:
    """The reader of our output went away (``slowglass … | head``): stop without a word."""
    import os

    os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
    return 0


def main() -> None:
    """Run the command line and leave with its exit code."""
    for stream in (sys.stdout, sys.stderr):
        if hasattr(stream, "reconfigure"):
            stream.reconfigure(encoding="utf-8", errors="replace")
    sys.exit(run(sys.argv[1:]))
