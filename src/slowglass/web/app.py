"""The browser workbench: ``serve`` runs it, ``create_app`` is the ASGI application."""

from __future__ import annotations

import contextlib
import os
import socket
import threading
import time
from collections.abc import AsyncIterator, Callable, Iterator, Sequence
from pathlib import Path
from typing import TYPE_CHECKING

from starlette.applications import Starlette
from starlette.middleware import Middleware
from starlette.routing import Mount
from starlette.staticfiles import StaticFiles

from slowglass.errors import UsageError
from slowglass.web.faults import exception_handlers
from slowglass.web.guard import Guard
from slowglass.web.notebook import Notebook
from slowglass.web.pages import routes

if TYPE_CHECKING:
    import uvicorn

    from slowglass.judge.watch import Watch
    from slowglass.workbench import Workbench

HERE = Path(__file__).parent
USUAL_PORT = 8180
PORTS_TRIED = 40
LOOPBACK = {"127.0.0.1": "127.0.0.1", "localhost": "127.0.0.1", "::1": "::1"}


def create_app(
    workbench: Workbench,
    *,
    folder: Path,
    watching: Watch | None = None,
    frames: Sequence[Path] = (),
) -> Starlette:
    """The application over one night's folder, which may still be empty, and a watch if any.

    The pages look into that folder, the watched one and those of ``frames``, and no others.
    """
    book = Notebook(workbench, folder, watching, frames=frames)

    @contextlib.asynccontextmanager
    async def lifespan(app: Starlette) -> AsyncIterator[None]:
        yield
        book.jobs.close()

    app = Starlette(
        routes=[*routes(book), Mount("/static", StaticFiles(directory=HERE / "static"))],
        middleware=[Middleware(Guard)],
        exception_handlers=exception_handlers(book),
        lifespan=lifespan,
    )
    app.state.book = book
    return app


def listen(host: str, port: int | None) -> socket.socket:
    """A listening socket on this computer; ``UsageError`` for any other host or a taken port."""
    address = LOOPBACK.get(host.strip("[]").lower())
    if address is None:
        raise UsageError(
            f"host {host} is not this computer",
            "the pages have no password: use 127.0.0.1, localhost or ::1",
        )
    tries = range(USUAL_PORT, USUAL_PORT + PORTS_TRIED) if port is None else [port]
    family = socket.AF_INET6 if ":" in address else socket.AF_INET
    fault: OSError | None = None
    for number in tries:
        server = socket.socket(family, socket.SOCK_STREAM)
        try:
            if os.name == "posix":
                # A port just left may be taken again; elsewhere this would share a port in use.
                server.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
            server.bind((address, number))
            server.listen(64)
        except (OSError, OverflowError) as error:
            server.close()
            if isinstance(error, OverflowError):
                raise UsageError(f"port {number} is outside 0…65535") from error
            fault = error
        else:
            return server
    raise UsageError(
        f"port {tries[0]} cannot be used ({fault.strerror if fault else 'taken'})",
        "name another port, or leave the port out to take a free one",
    )


def serve(
    workbench: Workbench,
    *,
    folder: Path,
    host: str = "127.0.0.1",
    port: int | None = None,
    open_browser: bool = False,
    ready: Callable[[str], None] | None = None,
    watching: Watch | None = None,
    frames: Sequence[Path] = (),
) -> None:
    """Serve the night in ``folder``, and the live page of a watch, until interrupted.

    ``port`` None takes 8180, or the next free one. ``ready`` is called once with the address
    when the server listens. Only loopback hosts are accepted.
    """
    import signal

    stop = threading.Event()
    with serving(
        workbench, folder=folder, host=host, port=port, watching=watching, frames=frames
    ) as address:
        with contextlib.suppress(ValueError):  # a thread other than the first sets no signals
            signal.signal(signal.SIGTERM, lambda *_: stop.set())
        if ready is not None:
            ready(address)
        if open_browser:
            import webbrowser

            webbrowser.open(address)
        with contextlib.suppress(KeyboardInterrupt):
            while not stop.wait(0.5):
                pass


@contextlib.contextmanager
def serving(
    workbench: Workbench,
    *,
    folder: Path,
    host: str = "127.0.0.1",
    port: int | None = None,
    watching: Watch | None = None,
    frames: Sequence[Path] = (),
) -> Iterator[str]:
    """The address of the pages, served from a thread of their own while the block runs."""
    server_socket, address = _socket(host, port)
    server = _server(create_app(workbench, folder=folder, watching=watching, frames=frames))
    thread = threading.Thread(target=server.run, kwargs={"sockets": [server_socket]}, daemon=True)
    thread.start()
    for _ in range(200):
        if server.started or not thread.is_alive():
            break
        time.sleep(0.05)
    try:
        yield address
    finally:
        server.should_exit = True
        thread.join(timeout=5.0)
        server_socket.close()


def _socket(host: str, port: int | None) -> tuple[socket.socket, str]:
    """A listening socket and the address it answers at."""
    server_socket = listen(host, port)
    name = f"[{host.strip('[]')}]" if ":" in host else host
    return server_socket, f"http://{name}:{server_socket.getsockname()[1]}/"


def _server(app: Starlette) -> uvicorn.Server:
    import uvicorn

    config = uvicorn.Config(
        app,
        log_level="warning",
        server_header=False,
        access_log=False,
        ws="none",
        proxy_headers=False,
        timeout_graceful_shutdown=2,
    )
    return uvicorn.Server(config)
