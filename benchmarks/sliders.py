"""How long a moved slider takes to its picture: on the server, and in Chromium on both pages.

    python benchmarks/sliders.py [--quick]

The scenario's kit of 24 megapixels; ``--quick`` takes a sensor of one. Wall times grow with what
else the machine does; processor time is the server's own.
"""

from __future__ import annotations

import argparse
import os
import random
import shutil
import tempfile
import time
from collections.abc import Callable, Sequence
from dataclasses import replace
from pathlib import Path
from statistics import median
from typing import Any

from slowglass.expose.trial import Setting, Trial
from slowglass.finish.proof import Proof
from slowglass.finish.sliders import Moves
from slowglass.workbench import Workbench

MOVES = 24
CHROMIUM_ARGS = ["--no-sandbox", "--disable-gpu", "--no-first-run"]


Take = Callable[[Any], object]


def row(name: str, wall: list[float], processor: list[float] | None = None) -> None:
    """Median of processor time, then median and 19-of-20 of wall time."""
    ordered = sorted(wall)
    high = ordered[round(0.95 * (len(ordered) - 1))]
    own = "" if processor is None else f"{median(processor):.0f} | "
    print(f"| {name} | {own}{median(ordered):.0f} | {high:.0f} |", flush=True)


def rows(name: str, work: Take, things: Sequence[Any]) -> None:
    """The row of a call on each of these."""
    wall, processor = [], []
    for thing in things:
        began, used = time.perf_counter(), time.process_time()
        work(thing)
        wall.append(1000.0 * (time.perf_counter() - began))
        processor.append(1000.0 * (time.process_time() - used))
    row(name, wall, processor)


def exposures(trial: Trial, words: str, start: Setting) -> None:
    """The trial of an object: numbers and both pictures."""
    draw = random.Random(1)
    rows(f"{words}: first pictures", trial.jpegs, [start])
    moves = [
        replace(start, seconds=draw.uniform(2, 240), frames=draw.randint(1, 300))
        for _ in range(MOVES)
    ]
    rows(f"{words}: numbers", trial.answer, moves)
    rows(f"{words}: both pictures", trial.jpegs, moves)
    seeing = [replace(start, seeing_arcsec=1.5 + 0.25 * k) for k in range(10)]
    rows(f"{words}: another seeing", trial.jpegs, seeing)


def finished(proof: Proof, words: str, start: Moves) -> None:
    """The proof of a finished picture."""
    draw = random.Random(2)
    rows(f"{words}: opened", proof.shown, [start])
    print(f"| ({words} is {proof.size(start)[0]} × {proof.size(start)[1]}) | | | |")
    for name, fields in {
        "levels": {"brightness": (-1, 1), "faint": (-1, 1)},
        "noise": {"quiet": (0, 1)},
        "sharpness": {"sharpen": (0, 1)},
        "stars and contrast": {"smaller_stars": (0, 1), "local_contrast": (0, 1)},
    }.items():
        moves = [
            replace(start, **{key: draw.uniform(*span) for key, span in fields.items()})
            for _ in range(MOVES)
        ]
        rows(f"{words}: {name}", proof.shown, moves)
    places = [(replace(start, quiet=draw.random()), draw.random(), draw.random()) for _ in moves]
    rows(f"{words}: true scale", lambda place: proof.loupe(*place), places)


def in_browser(bench: Workbench, folder: Path, picture: str) -> None:
    """From the slider's input event to the pictures decoded, as the page measures it."""
    from playwright.sync_api import sync_playwright

    from slowglass.web.app import serving

    program = os.environ.get("SLOWGLASS_CHROMIUM") or shutil.which("chromium")
    if program is None:
        print("| no Chromium found | – | – |")
        return
    draw = random.Random(3)
    pages = {
        "/expose?name=M15": [("seconds", (4, 24)), ("frames", (3, 24))],
        picture: [("brightness", (-1, 1)), ("faint", (-2, 2)), ("saturation", (50, 200)),
                  ("quiet", (0, 100)), ("sharpen", (0, 100)), ("smaller_stars", (0, 100))],
    }  # fmt: skip
    with (
        serving(bench, folder=folder, port=0) as (address, _),
        sync_playwright() as driver,
    ):
        browser = driver.chromium.launch(executable_path=program, args=CHROMIUM_ARGS)
        page = browser.new_page(viewport={"width": 1440, "height": 900})
        for path, sliders in pages.items():
            began = time.perf_counter()
            page.goto(address.rstrip("/") + path, wait_until="domcontentloaded")
            page.wait_for_function("() => document.querySelector('form[data-ready]')")
            ready = 1000.0 * (time.perf_counter() - began)
            page.wait_for_load_state("networkidle", timeout=120_000)
            name = path.partition("?")[0].split("/")[1]
            row(f"{name} page: sliders ready", [ready])
            for slider, (low, high) in sliders:
                took = []
                for _ in range(MOVES // 2):
                    before = page.evaluate(SEEN)
                    page.evaluate(MOVE, [slider, draw.uniform(low, high)])
                    page.wait_for_function(MORE, arg=before)
                    took.append(float(page.evaluate(TOOK)))
                row(f"{name} page: {slider}", took)
        browser.close()


FORM = "document.querySelector('form[data-answer]')"
SEEN = f"() => Number({FORM}.dataset.answered || 0)"
MORE = f"before => Number({FORM}.dataset.answered || 0) > before"
TOOK = f"() => Number({FORM}.dataset.took)"
MOVE = """([name, value]) => {
  const range = document.querySelector(`[data-slider="${name}"]`);
  range.value = value;
  range.dispatchEvent(new Event("input", { bubbles: true }));
}"""


def main() -> None:
    """Prints the tables."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--quick", action="store_true", help="a sensor of one megapixel")
    quick = parser.parse_args().quick
    bench = Workbench.open(kit="long 102", site="Fig Tree Yard")
    if quick:
        camera = bench.kit.camera.model_copy(update={"width_px": 1200, "height_px": 800})
        bench = replace(bench, kit=bench.kit.model_copy(update={"camera": camera}))
    with tempfile.TemporaryDirectory() as scratch:
        os.environ["SLOWGLASS_LOGBOOK"] = str(Path(scratch) / "logbook.sqlite")
        folder = Path(scratch) / "night"
        frames = folder / "frames"
        frames.mkdir(parents=True)
        bench.expose("M15", seconds=30.0, output=frames / "m15.fits")
        linear, picture = finish_on_page(bench, folder)
        print("\n| server, ms | processor | wall | 95 % |\n|---|---|---|---|")
        exposures(bench.trial("M15"), "M15", Setting(30.0, 60))
        exposures(bench.trial("M31"), "M31, whole frame", Setting(30.0, 60, whole=True))
        finished(bench.proof(linear), "cut", Moves(around_subject=True))
        finished(bench.proof(linear), "whole", Moves(around_subject=False))
        print("\n| Chromium, ms | median | 95 % |\n|---|---|---|")
        in_browser(bench, folder, picture)


def finish_on_page(bench: Workbench, folder: Path) -> tuple[Path, str]:
    """The frame finished by the page's own job: the linear picture, and its page's address."""
    import anyio
    import httpx

    from slowglass.web.app import create_app

    app = create_app(bench, folder=folder)

    async def go() -> str:
        own = httpx.ASGITransport(app=app)
        async with httpx.AsyncClient(transport=own, base_url="http://127.0.0.1:8180") as client:
            await client.post("/desk", data={"frames_folder": str(folder / "frames")})
            await client.post("/finish", data={"target": "M15"})
            while True:
                told = (await client.get("/desk/revision")).json()["current"]
                if told is None:
                    break
                await anyio.sleep(0.5)
            page = (await client.get("/finish")).text
            return page.partition('data-answer="')[2].partition("/answer")[0]

    address = anyio.run(go)
    return next((folder / "pictures").glob("M15.fits")), address


if __name__ == "__main__":
    main()
