"""Looking at 24 megapixels: time to open, squares, values, memory, and frames a second in Chromium.

    python benchmarks/viewer.py [--quick]

The frames are made here: noise and round stars on 6000 × 4000 px, as a mosaic, in grey and as a
finished colour picture. ``--quick`` takes a quarter of the pixels. Chromium runs without a
graphics processor; without a browser that part is left out.
"""

from __future__ import annotations

import argparse
import os
import resource
import shutil
import statistics
import tempfile
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from functools import partial
from pathlib import Path
from typing import Any
from urllib.parse import quote

import numpy as np

ZOOM = """async (name) => {
  const box = document.querySelector('.window');
  const edge = box.getBoundingClientRect();
  const steps = [];
  let before = await new Promise(requestAnimationFrame);
  for (let i = 0; i < 240; i++) {
    if (name === 'zoom') {
      box.dispatchEvent(new WheelEvent('wheel', {
        deltaY: i % 120 < 60 ? -22 : 22, clientX: edge.x + edge.width * 0.62,
        clientY: edge.y + edge.height * 0.4, cancelable: true }));
    } else {
      const at = { pointerId: 1, clientX: edge.x + 500 + 220 * Math.sin(i / 9),
        clientY: edge.y + 300 + 120 * Math.cos(i / 7), bubbles: true };
      if (i === 0) { box.setPointerCapture = () => {};
        box.dispatchEvent(new PointerEvent('pointerdown', at)); }
      box.dispatchEvent(new PointerEvent(i === 239 ? 'pointerup' : 'pointermove', at));
    }
    const now = await new Promise(requestAnimationFrame);
    steps.push(now - before);
    before = now;
  }
  return steps;
}"""
SLIDE = """async ([name, value]) => {
  const plate = document.querySelector('.big-plate');
  const hand = plate.querySelector(`[name=${name}]`);
  const since = performance.now();
  hand.value = value;
  hand.dispatchEvent(new Event('input', { bubbles: true }));
  do await new Promise(requestAnimationFrame); while (plate.dataset.sharp !== 'true');
  return performance.now() - since;
}"""


def main() -> None:
    """Make the frames, time everything, print a table."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--quick", action="store_true", help="a quarter of the pixels")
    quick = parser.parse_args().quick
    size = (2000, 3000) if quick else (4000, 6000)
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        paths = make_frames(folder, size)
        print(f"{size[1]} × {size[0]} px\n")
        time_library(paths)
        time_browser(folder, paths)


def make_frames(folder: Path, size: tuple[int, int]) -> list[Path]:
    """A mosaic, a grey frame and a finished picture."""
    from slowglass.frame.caption import Caption
    from slowglass.frame.fits_io import write_fits
    from slowglass.frame.picture_io import write_png
    from slowglass.sky.wcs import TanWcs

    rows, columns = size
    rng = np.random.default_rng(1)
    sky = rng.normal(600.0, 12.0, size).astype(np.float32)
    y, x = np.mgrid[-12:13, -12:13]
    for cx, cy, peak in zip(
        rng.integers(13, columns - 13, 3000),
        rng.integers(13, rows - 13, 3000),
        10.0 ** rng.uniform(1.7, 4.2, 3000),
        strict=True,
    ):
        star = peak * np.exp(-(x**2 + y**2) / (2 * 1.8**2))
        sky[cy - 12 : cy + 13, cx - 12 : cx + 13] += star
    sky = np.clip(sky, 0, 16383)
    wcs = TanWcs.from_simple(
        ra_deg=322.5, dec_deg=12.2, width_px=columns, height_px=rows,
        scale_arcsec_per_px=0.62, rotation_deg=20.0,
    )  # fmt: skip
    cards: dict[str, Any] = {"EXPTIME": 60.0, **wcs.to_header()}
    finished = np.clip(sky / 40.0, 0, 255).astype(np.uint8)[..., None].repeat(3, axis=2)
    return [
        write_fits(folder / "grey.fits", sky, cards=cards, dtype="uint16"),
        write_fits(folder / "mosaic.fits", sky, cards={**cards, "BAYERPAT": "RGGB"},
                   dtype="uint16"),
        write_png(folder / "finished.png", finished, caption=Caption("finished")),
    ]  # fmt: skip


def time_library(paths: list[Path]) -> None:
    """Opening, memory and squares of each picture, in processor time."""
    from slowglass.frame.shelf import Shelf, encode_tile

    Shelf().open(paths[0])  # libraries are loaded once
    print(f"{'picture':<14}{'open':>9}{'held':>9}{'square of level 0':>20}{'of level 1':>13}")
    for path in paths:
        shelf = Shelf()
        opened = cpu_ms(partial(shelf.open, path), 1)
        shown = shelf.open(path)
        coding = min(1, len(shown.pyramid.codings) - 1)
        exact, coarse = (
            (cpu_ms(partial(encode_tile, shown, level, 1, 1, coding), 5),
             len(encode_tile(shown, level, 1, 1, coding)[0]) / 1e3)
            for level in (0, 1)
        )  # fmt: skip
        print(
            f"{path.name:<14}{opened:>6.0f} ms{shelf.nbytes / 1e6:>6.0f} MB"
            f"{exact[0]:>7.1f} ms, {exact[1]:>4.0f} kB{coarse[0]:>6.1f} ms,{coarse[1]:>3.0f} kB"
        )
    peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1e3
    print(f"peak of the process: {peak:.0f} MB\n")


def cpu_ms(work: Callable[[], object], times: int) -> float:
    """Processor time of one run, ms."""
    since = time.process_time()
    for _ in range(times):
        work()
    return 1e3 * (time.process_time() - since) / times


def time_browser(folder: Path, paths: list[Path]) -> None:
    """First picture, zoom, drag and sliders in Chromium, in time on the wall."""
    program = os.environ.get("SLOWGLASS_CHROMIUM") or shutil.which("chromium")
    if program is None:
        print("no Chromium: the browser's part is left out")
        return
    from playwright.sync_api import sync_playwright

    with serving(folder) as address, sync_playwright() as driver:
        browser = driver.chromium.launch(
            executable_path=program, args=["--no-sandbox", "--disable-gpu"]
        )
        page = browser.new_page(viewport={"width": 1440, "height": 900})
        for path in paths:
            since = time.perf_counter()
            page.goto(f"{address}/view?of={quote(str(path))}")
            page.wait_for_selector(".big-plate[data-sharp=true]", timeout=60_000)
            first = time.perf_counter() - since
            page.click(".light-hands summary")
            looks = (False, True) if page.locator("[name=colours]").is_visible() else (False,)
            for colours in looks:
                if looks == (False, True):
                    page.locator("[name=colours]").set_checked(colours)
                page.wait_for_timeout(800)
                print(f"{path.name}{', colours' if colours else ''}: first picture {first:.2f} s")
                for kind in ("zoom", "drag"):
                    steps = sorted(page.evaluate(ZOOM, kind))
                    median, slow = statistics.median(steps), steps[int(0.95 * len(steps))]
                    print(
                        f"  {kind}: {1e3 / median:.0f} frames a second, 95 % of them within "
                        f"{slow:.0f} ms, longest {steps[-1]:.0f} ms"
                    )
                page.wait_for_timeout(800)
                near = [page.evaluate(SLIDE, ["brightness", str(v)]) for v in (3, 6, 9, 0)]
                far = [page.evaluate(SLIDE, ["contrast", str(v)]) for v in (60, -60, 0)]
                print(
                    f"  slider: {statistics.median(near):.0f} ms to the last square, "
                    f"{statistics.median(far):.0f} ms where other codes have to come"
                )
        spots = [
            page.evaluate(
                """async (a) => { const t = performance.now();
                await (await fetch(a)).json(); return performance.now() - t }""",
                f"/view/spot?of={quote(str(paths[1]))}&x={17 * k}.3&y={11 * k}.8",
            )
            for k in range(60)
        ]
        spots.sort()
        print(f"value and sky under the pointer: {spots[30]:.0f} ms, at most {spots[-1]:.0f} ms")
        browser.close()


@contextmanager
def serving(folder: Path) -> Iterator[str]:
    """The address of the pages over the frames."""
    import uvicorn

    from slowglass.web.app import create_app, listen
    from slowglass.workbench import Workbench

    bench = Workbench.open(kit="long 102", site="Fig Tree Yard")
    app = create_app(bench, folder=folder / "night", frames=[folder])
    listening = listen("127.0.0.1", 0)
    server = uvicorn.Server(uvicorn.Config(app, log_level="warning", ws="none"))
    thread = threading.Thread(target=server.run, kwargs={"sockets": [listening]}, daemon=True)
    thread.start()
    try:
        yield f"http://127.0.0.1:{listening.getsockname()[1]}"
    finally:
        server.should_exit = True
        thread.join(timeout=10)
        listening.close()


if __name__ == "__main__":
    main()
