"""Fixtures every room's tests may use."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest

from slowglass.sky.store import Sky, open_sky


@pytest.fixture(scope="session")
def sky() -> Sky:
    """The real sky, from the real index; parallel test processes share one folder.

    The folder is ``SLOWGLASS_DATA`` if set, else the platform's cache, as for the program.
    """
    return open_sky()


@pytest.fixture(autouse=True)
def deep_folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """Where a test's deeper stars go: nowhere near those of this machine's user."""
    folder = tmp_path / "deeper-stars"
    monkeypatch.setenv("SLOWGLASS_DEEP", str(folder))
    monkeypatch.delenv("SLOWGLASS_TAP", raising=False)
    return folder


@pytest.fixture(autouse=True)
def logbook_file(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """Where a test's logbook goes: nowhere near that of this machine's user."""
    file = tmp_path / "logbook" / "logbook.sqlite"
    monkeypatch.setenv("SLOWGLASS_LOGBOOK", str(file))
    return file


@pytest.fixture
def archive(monkeypatch: pytest.MonkeyPatch) -> Iterator:
    """A TAP service on loopback over the stars of a patch round M15."""
    from loopback_archive import LoopbackArchive, sky_table

    monkeypatch.setenv("NO_PROXY", "127.0.0.1")
    with LoopbackArchive(sky_table(5, 400.0, (317.0, 329.0, 5.0, 19.0))) as service:
        yield service
