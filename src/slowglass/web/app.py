"""The browser workbench: ``serve`` runs it, ``create_app`` is the ASGI application."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from slowglass.workbench import Workbench


def serve(
    workbench: Workbench,
    *,
    folder: Path,
    host: str = "127.0.0.1",
    port: int | None = None,
    open_browser: bool = False,
    ready: Callable[[str], None] | None = None,
) -> None:
    """Serve the night in ``folder`` until interrupted.

    ``port`` None takes 8180, or the next free one. ``ready`` is called once with the address
    when the server listens. Only loopback hosts are accepted.
    """
    raise NotImplementedError
