"""Fixtures every room's tests may use."""

from __future__ import annotations

import pytest

from slowglass.sky.store import Sky, open_sky


@pytest.fixture(scope="session")
def sky() -> Sky:
    """The real sky, from the real index; parallel test processes share one folder.

    The folder is ``SLOWGLASS_DATA`` if set, else the platform's cache, as for the program.
    """
    return open_sky()
