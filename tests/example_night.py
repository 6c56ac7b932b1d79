"""One quick example night for every test that looks at a night."""

from __future__ import annotations

import os
import time
from pathlib import Path

from slowglass.demo import run_demo
from slowglass.errors import UsageError


def quick_night(base: Path) -> Path:
    """The folder of a quick night below ``base``, shared by parallel test processes.

    ``SLOWGLASS_TEST_NIGHT`` names a folder that keeps it between runs.
    """
    shared = base.parent if os.environ.get("PYTEST_XDIST_WORKER") else base
    folder = Path(os.environ.get("SLOWGLASS_TEST_NIGHT") or shared / "example-night")
    for _ in range(600):
        try:
            return run_demo(folder, quick=True).folder
        except UsageError as error:
            if "another run" not in str(error):
                raise
            time.sleep(1.0)
    raise TimeoutError(f"{folder} is still being filled")
