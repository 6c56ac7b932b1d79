"""The server as a process of its own: it says where it is, answers, and stops when asked."""

from __future__ import annotations

import signal
import subprocess
import sys
import urllib.request

import pytest

PROGRAM = """
import sys
from pathlib import Path
from slowglass.web.app import serve
from slowglass.workbench import Workbench

serve(
    Workbench.open(kit="long 102", site="Fig Tree Yard"),
    folder=Path(sys.argv[1]),
    host="localhost",
    ready=lambda address, link: print(address, flush=True),
)
"""


@pytest.mark.skipif(sys.platform == "win32", reason="SIGINT cannot be sent to a process there")
def test_it_serves_and_stops_on_interrupt(tmp_path):
    with subprocess.Popen(
        [sys.executable, "-c", PROGRAM, str(tmp_path)], stdout=subprocess.PIPE, text=True
    ) as program:
        try:
            address = program.stdout.readline().strip()
            assert address.startswith("http://localhost:81")
            with urllib.request.urlopen(address, timeout=30) as answer:
                assert b"Make the example night" in answer.read()
            program.send_signal(signal.SIGINT)
            assert program.wait(timeout=30) == 0
        finally:
            program.kill()
