"""An independent ephemeris for the sky tests: skyfield with its packaged DE421 kernel."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from types import SimpleNamespace

import pytest


@pytest.fixture(scope="session")
def skyfield_kit() -> Iterator[SimpleNamespace]:
    """Skyfield's DE421 bodies and a time scale, all offline."""
    import skyfield_data
    from skyfield.api import Loader

    # The packaged path is used directly: the helper warns once its other files are old.
    load = Loader(Path(skyfield_data.__file__).parent / "data", verbose=False)
    bodies = load("de421.bsp")
    yield SimpleNamespace(bodies=bodies, scale=load.timescale(builtin=True))
    bodies.close()
