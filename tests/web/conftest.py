"""A quick example night, made once for all tests of this folder, and a server over it."""

from __future__ import annotations

import os
import shutil
import threading
from collections.abc import Callable, Iterator
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path
from typing import Any
from urllib.parse import urlsplit

import anyio
import httpx
import pytest
from starlette.applications import Starlette

from example_night import quick_night
from slowglass.web.app import create_app, listen
from slowglass.workbench import Workbench

CHROMIUM_ARGS = [
    "--no-sandbox", "--disable-gpu", "--disable-quic", "--no-first-run",
    "--disable-background-networking", "--disable-component-update", "--disable-sync",
]  # fmt: skip


@pytest.fixture(scope="session")
def night_folder(sky, tmp_path_factory) -> Path:
    """The folder of a quick example night."""
    return quick_night(tmp_path_factory.getbasetemp())


@pytest.fixture(scope="session")
def workbench(sky) -> Workbench:
    return Workbench.open(kit="long 102", site="Fig Tree Yard")


@pytest.fixture(scope="session")
def server(workbench, night_folder) -> Iterator[str]:
    """The address of a running server over the example night."""
    yield from _serve(workbench, night_folder)


@pytest.fixture
def empty_server(workbench, tmp_path) -> Iterator[str]:
    """The address of a running server over a folder that does not exist yet."""
    yield from _serve(workbench, tmp_path / "nothing-yet")


@pytest.fixture
def served() -> Iterator[Callable[[Starlette], str]]:
    """Serves an application from a thread of its own; its address."""
    running: list[Iterator[str]] = []

    def start(app: Starlette) -> str:
        running.append(_serve_app(app))
        return next(running[-1])

    yield start
    for server in running:
        next(server, None)


def _serve(workbench: Workbench, folder: Path) -> Iterator[str]:
    yield from _serve_app(create_app(workbench, folder=folder))


def _serve_app(app: Starlette) -> Iterator[str]:
    import uvicorn

    listening = listen("127.0.0.1", 0)
    config = uvicorn.Config(app, log_level="warning", ws="none", proxy_headers=False)
    program = uvicorn.Server(config)
    thread = threading.Thread(target=program.run, kwargs={"sockets": [listening]}, daemon=True)
    thread.start()
    yield f"http://127.0.0.1:{listening.getsockname()[1]}"
    program.should_exit = True
    thread.join(timeout=10)
    listening.close()


@pytest.fixture(scope="session")
def send() -> Callable[..., httpx.Response]:
    """Asks an application in-process, in a thread of its own: a browser driver may hold the loop
    of this one."""

    def ask(app: Starlette, path: str, *, method: str = "GET", **options: Any) -> httpx.Response:
        async def go() -> httpx.Response:
            transport = httpx.ASGITransport(app=app)
            own = "http://127.0.0.1:8180"
            async with httpx.AsyncClient(transport=transport, base_url=own) as client:
                return await client.request(method, path, **options)

        with ThreadPoolExecutor(1) as pool:
            return pool.submit(anyio.run, go).result()

    return ask


def find_chromium() -> str | None:
    """The browser's program, if the machine has one."""
    named = os.environ.get("SLOWGLASS_CHROMIUM")
    return named or shutil.which("chromium") or shutil.which("chromium-browser")


@pytest.fixture(scope="session")
def browser():
    """A headless Chromium. Without one: skipped, or failed where one is promised."""
    program = find_chromium()
    if program is None:
        words = "no Chromium found: install Debian's package chromium, or set SLOWGLASS_CHROMIUM"
        promised = os.environ.get("CI", "").lower() in ("1", "true")
        if promised or os.environ.get("SLOWGLASS_REQUIRE_BROWSER"):
            pytest.fail(words)
        pytest.skip(words)
    from playwright.sync_api import sync_playwright

    with sync_playwright() as driver:
        running = driver.chromium.launch(executable_path=program, args=CHROMIUM_ARGS)
        yield running
        running.close()


@pytest.fixture
def strict_page(browser):
    """Gives pages, each of a fresh context, for an address; complaints, broken requests and
    requests to any other host fail the test at its end."""
    opened = []

    def open_page(address, *, width=1440, height=900, light="day", scripts=True, **more):
        context = browser.new_context(
            viewport={"width": width, "height": height}, java_script_enabled=scripts, **more
        )
        if light:
            context.add_cookies([{"name": "light", "value": light, "url": address}])
        page = context.new_page()
        page.complaints, page.asked = [], []
        page.on("console", lambda m: page.complaints.append(m.text))
        page.on("pageerror", lambda e: page.complaints.append(str(e)))
        page.on("requestfailed", lambda r: page.complaints.extend(broken_off(r)))
        page.on("request", lambda r: page.asked.append(r.url))
        opened.append((context, page, urlsplit(address).netloc))
        return page

    yield open_page
    for context, page, own in opened:
        assert page.complaints == []
        assert {urlsplit(url).netloc for url in page.asked} == {own}
        context.close()


def broken_off(request):
    """A complaint of a request that failed, but for one given up for another page."""
    return [] if request.failure == "net::ERR_ABORTED" else [f"failed: {request.url}"]
