from __future__ import annotations

from pathlib import Path

import pytest

from example_night import quick_night


@pytest.fixture(scope="session")
def night_folder(sky, tmp_path_factory) -> Path:
    """The folder of a quick example night."""
    return quick_night(tmp_path_factory.getbasetemp())
