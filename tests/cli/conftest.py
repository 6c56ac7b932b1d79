"""Running the command line in-process."""

from __future__ import annotations

import json
from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

import pytest

from slowglass.cli.main import run


@dataclass(frozen=True)
class Outcome:
    """What one command line left behind."""

    code: int
    out: str
    err: str

    @property
    def document(self) -> Any:
        """The one JSON document on stdout; anything else there is an error."""
        return json.loads(self.out)

    @property
    def lines(self) -> list[Any]:
        """The JSON objects on stdout, one a line."""
        return [json.loads(line) for line in self.out.splitlines()]


@pytest.fixture
def slowglass(capsys, monkeypatch, tmp_path) -> Callable[..., Outcome]:
    """Runs a command line; no configuration of this machine's user is read."""
    monkeypatch.setenv("SLOWGLASS_CONFIG", str(tmp_path / "no-config"))
    monkeypatch.setenv("COLUMNS", "100")

    def call(*arguments: object) -> Outcome:
        capsys.readouterr()
        code = run([str(a) for a in arguments])
        captured = capsys.readouterr()
        return Outcome(code, captured.out, captured.err)

    return call
