"""A short logged history: two nights of rendered frames, judged, of a kit not quite as stated."""

from __future__ import annotations

import shutil
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest

from slowglass.expose.forecast import render_forecast
from slowglass.frame.fits_io import write_fits
from slowglass.kit.io import load_kit, load_site, write_kit, write_site
from slowglass.kit.model import Kit, Site
from slowglass.learn.log import log_paths
from slowglass.learn.logbook.store import open_logbook

EVENINGS = ("2026-10-09", "2026-10-10")
FRAMES = 4


@dataclass(frozen=True)
class History:
    folder: Path
    file: Path
    kit: Kit
    site: Site
    truth: Kit
    true_site: Site

    @property
    def kit_file(self) -> Path:
        return self.folder / "kit.toml"

    @property
    def site_file(self) -> Path:
        return self.folder / "site.toml"


@pytest.fixture(scope="session")
def history(sky, tmp_path_factory) -> History:
    folder = tmp_path_factory.mktemp("history")
    base, site = load_kit("long 102"), load_site("Fig Tree Yard")
    camera = base.camera.model_copy(update={"width_px": 1800, "height_px": 1200, "pixel_um": 7.8})
    kit = base.model_copy(update={"camera": camera, "name": "test kit"})
    dim = kit.optics.model_copy(update={"transmission": 0.6, "focal_length_mm": 1274.0})
    still = kit.mount.model_copy(update={"periodic_error_arcsec": 2.0, "polar_error_arcmin": 1.0})
    truth = kit.model_copy(update={"optics": dim, "mount": still})
    true_site = site.model_copy(update={"sky_mag_arcsec2": 19.7})
    write_kit(kit, folder / "kit.toml")
    write_site(site, folder / "site.toml")
    for night in range(2):
        for number in range(FRAMES):
            when = datetime(2026, 10, 9 + night, 20, 0, tzinfo=UTC) + timedelta(seconds=40 * number)
            frame = render_forecast(
                truth, true_site, sky, sky.objects.get("NGC 457"), exposure_s=30.0, when=when,
                seed=10 * night + number,
            )  # fmt: skip
            write_fits(folder / "frames" / f"n{night}_{number}.fits", frame.pixels,
                       cards=frame.header.cards, dtype="uint16")  # fmt: skip
    file = folder / "logbook.sqlite"
    with open_logbook(file) as logbook:
        outcomes = list(log_paths(logbook, [folder / "frames"], kit=kit, site=site, sky=sky))
    assert [o.error for o in outcomes] == [None] * 2 * FRAMES
    return History(folder, file, kit, site, truth, true_site)


@pytest.fixture
def logged(history, logbook_file):
    """The history as the user's own logbook, free to be changed."""
    logbook_file.parent.mkdir(parents=True)
    shutil.copy(history.file, logbook_file)
    with open_logbook(logbook_file) as logbook:
        yield logbook
