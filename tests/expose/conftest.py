"""A small camera behind the example tube, so that frames render in a moment."""

from __future__ import annotations

import pytest

from slowglass.kit.io import load_kit, load_site
from slowglass.kit.model import Kit, Site


@pytest.fixture(scope="session")
def site() -> Site:
    return load_site("Fig Tree Yard")


@pytest.fixture(scope="session")
def full_kit() -> Kit:
    return load_kit("long 102")


@pytest.fixture(scope="session")
def kit(full_kit: Kit) -> Kit:
    """The example kit with a 1000 × 700 px sensor."""
    camera = full_kit.camera.model_copy(update={"width_px": 1000, "height_px": 700})
    return full_kit.model_copy(update={"camera": camera})


@pytest.fixture(scope="session")
def mono_kit(kit: Kit) -> Kit:
    camera = kit.camera.model_copy(update={"bayer": None, "hot_pixel_fraction": 0.0})
    return kit.model_copy(update={"camera": camera})
