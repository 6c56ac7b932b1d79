"""The browser workbench: ``serve`` runs it, ``create_app`` is the ASGI application."""

from __future__ import annotations

import contextlib
import os
import socket
import threading
import time
from collections.abc import AsyncIterator, Callable, Iterator, Sequence
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING

from starlette.applications import Starlette
from starlette.middleware import Middleware
from starlette.routing import Mount
from starlette.staticfiles import StaticFiles

from slowglass.errors import SlowglassError, UsageError
from slowglass.web.faults import exception_handlers
from slowglass.web.guard import Guard
from slowglass.web.lan import Lan, lan_address
from slowglass.web.notebook import Notebook
from slowglass.web.pages import routes
from slowglass.web.pages.lan import outside

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
    lan: Lan | None = None,
) -> Starlette:
    """The application over one night's folder, which may still be empty, and a watch if any.

    The pages look into that folder, the watched one and those of ``frames``, and no others.
    With ``lan`` they answer phones that were let in as well.
    """
    book = Notebook(workbench, folder, watching, frames=frames, lan=lan)

    @contextlib.asynccontextmanager
    async def lifespan(app: Starlette) -> AsyncIterator[None]:
        yield
        book.jobs.close()

    app = Starlette(
        routes=[*routes(book), Mount("/static", StaticFiles(directory=HERE / "static"))],
        middleware=[Middleware(Guard, lan=lan, outside=partial(outside, book))],
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
            "use 127.0.0.1, localhost or ::1; for a phone start with --lan",
        )
    return listen_at([address], port)[0]


def listen_at(addresses: Sequence[str], port: int | None) -> list[socket.socket]:
    """Listening sockets at addresses of this computer, all on one port."""
    tries = range(USUAL_PORT, USUAL_PORT + PORTS_TRIED) if port is None else [port]
    fault: OSError | None = None
    for number in tries:
        opened: list[socket.socket] = []
        try:
            for address in addresses:
                opened.append(_bound(address, number))
                number = opened[0].getsockname()[1]  # 0 takes any port: the others take the same
        except OverflowError as error:
            raise UsageError(f"port {number} is outside 0…65535") from error
        except OSError as error:
            for server in opened:
                server.close()
            fault = error
        else:
            return opened
    raise UsageError(
        f"port {tries[0]} cannot be used ({fault.strerror if fault else 'taken'})",
        "name another port, or leave the port out to take a free one",
    )


def _bound(address: str, port: int) -> socket.socket:
    server = socket.socket(socket.AF_INET6 if ":" in address else socket.AF_INET)
    try:
        if os.name == "posix":
            # A port just left may be taken again; elsewhere this would share a port in use.
            server.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        server.bind((address, port))
        server.listen(64)
    except BaseException:
        server.close()
        raise
    return server


def serve(
    workbench: Workbench,
    *,
    folder: Path,
    host: str | None = None,
    port: int | None = None,
    open_browser: bool = False,
    ready: Callable[[str, str], None] | None = None,
    watching: Watch | None = None,
    frames: Sequence[Path] = (),
    lan: bool = False,
) -> None:
    """Serve the night in ``folder``, and the live page of a watch, until interrupted.

    ``port`` None takes 8180, or the next free one. Only loopback hosts are accepted; with
    ``lan`` the pages answer on a private network as well, at ``host`` or the usual address, to
    phones that were let in. ``ready`` is called once when the server listens, with the address
    and the link that lets one phone in ("" without ``lan``).
    """
    import signal

    stop = threading.Event()
    with serving(
        workbench,
        folder=folder,
        host=host,
        port=port,
        watching=watching,
        frames=frames,
        lan=lan,
    ) as (address, link):
        with contextlib.suppress(ValueError):  # a thread other than the first sets no signals
            signal.signal(signal.SIGTERM, lambda *_: stop.set())
        if ready is not None:
            ready(address, link)
        threading.Thread(target=_warm_up, args=(workbench,), daemon=True).start()
        if open_browser:
            import webbrowser

            webbrowser.open(address)
        with contextlib.suppress(KeyboardInterrupt):
            while not stop.wait(0.5):
                pass


def _warm_up(workbench: Workbench) -> None:
    """Make the first page as quick as the next; what is wrong is told when it is asked for."""
    with contextlib.suppress(SlowglassError):
        workbench.warm_up()


@contextlib.contextmanager
def serving(
    workbench: Workbench,
    *,
    folder: Path,
    host: str | None = None,
    port: int | None = None,
    watching: Watch | None = None,
    frames: Sequence[Path] = (),
    lan: bool = False,
) -> Iterator[tuple[str, str]]:
    """The address of the pages and a phone's link, served from a thread while the block runs."""
    door = Lan(lan_address(host)) if lan else None
    own = "127.0.0.1" if lan or host is None else host
    sockets = [listen(own, port)] if door is None else listen_at([own, door.address], port)
    number = sockets[0].getsockname()[1]
    link = ""
    if door is not None:
        door.port = number
        door.new_code()
        link = door.link()
    app = create_app(workbench, folder=folder, watching=watching, frames=frames, lan=door)
    server = _server(app)
    thread = threading.Thread(target=server.run, kwargs={"sockets": sockets}, daemon=True)
    thread.start()
    for _ in range(200):
        if server.started or not thread.is_alive():
            break
        time.sleep(0.05)
    name = f"[{own.strip('[]')}]" if ":" in own else own
    try:
        yield f"http://{name}:{number}/", link
    finally:
        server.should_exit = True
        thread.join(timeout=5.0)
        for opened in sockets:
            opened.close()


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
