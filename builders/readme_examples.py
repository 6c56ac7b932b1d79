"""Runs the commands shown in README.md and puts their output below them.

    python builders/readme_examples.py FOLDER

FOLDER holds a ``demo-night`` made by ``slowglass demo``; outputs go there too.
"""

from __future__ import annotations

import os
import re
import shlex
import subprocess
import sys
from pathlib import Path

README = Path(__file__).resolve().parents[1] / "README.md"
BLOCK = re.compile(r"```console\n\$ (slowglass [^\n]*)\n.*?```", re.DOTALL)


def output_of(command: str, folder: Path) -> str:
    """What a command prints, without this machine's paths."""
    words = [sys.executable, "-m", *shlex.split(command)]
    environment = {**os.environ, "COLUMNS": "96", "SLOWGLASS_CONFIG": str(folder / "no-config")}
    done = subprocess.run(
        words, cwd=folder, env=environment, capture_output=True, text=True, check=True
    )
    text = done.stdout.replace(str(folder), "/home/you")
    return "\n".join(line.rstrip() for line in text.strip("\n").splitlines())


def main() -> None:
    """Rewrite the README."""
    folder = Path(sys.argv[1]).resolve()
    README.write_text(
        BLOCK.sub(
            lambda m: f"```console\n$ {m[1]}\n{output_of(m[1], folder)}\n```",
            README.read_text(encoding="utf-8"),
        ),
        encoding="utf-8",
    )


if __name__ == "__main__":
    main()
