"""A night watched: memory, time a frame, and the bare unpacking and star search beside it.

    python benchmarks/watch.py [--frames N] [--quick]

Camera raws of the forecast are dropped into a folder one by one and judged as they come, with
the plan, the live stack and the pictures of the live page. ``--quick`` takes 4 megapixels in
place of 24. Files older than the newest 30 are deleted to spare the disk; what the watch
remembers of them stays. Times are processor seconds.
"""

from __future__ import annotations

import argparse
import os
import re
import tempfile
import time
from datetime import UTC, datetime, timedelta
from pathlib import Path

import numpy as np

WHEN = datetime(2026, 9, 12, 21, tzinfo=UTC)
KEPT = 30
STEP_S = 38.0


def resident_mb(key: str) -> float:
    """``VmRSS`` or ``VmHWM`` (the peak) of this process, MB of 10⁶ bytes; Linux only."""
    status = Path("/proc/self/status").read_text()
    found = re.search(key + r":\s+(\d+)", status)
    return int(found[1]) * 1024 / 1e6 if found else float("nan")


def bare_s(path: Path) -> float:
    """Seconds of raw unpacking, background and extraction alone."""
    import rawpy
    import sep

    began = time.process_time()
    with rawpy.imread(str(path)) as raw:
        pixels = raw.raw_image_visible.astype(np.float32)
    background = sep.Background(pixels)
    sep.set_extract_pixstack(2_000_000)
    sep.extract(pixels - background, 5.0, err=background.globalrms)
    return time.process_time() - began


def apart(work) -> float:
    """What ``work`` gives as a number, from a process of its own: its memory is not counted."""
    reader, writer = os.pipe()
    child = os.fork()
    if child == 0:
        os.write(writer, repr(float(work())).encode())
        os._exit(0)
    os.close(writer)
    with os.fdopen(reader) as pipe:
        told = pipe.read()
    os.waitpid(child, 0)
    return float(told)


def render(kit, site, sky, target):
    """Four mosaics a little apart: what the night's frames are made from."""
    from slowglass.expose.forecast import render_forecast

    shots = []
    for k in range(4):
        frame = render_forecast(
            kit, site, sky, target, exposure_s=30.0, when=WHEN + timedelta(seconds=STEP_S * k),
            seed=k, tracking=False, offset_arcsec=(4.0 * k, -3.0 * k),
        )  # fmt: skip
        mosaic = np.clip(np.rint(frame.pixels + frame.black_adu), 0, 65535).astype(np.uint16)
        shots.append((mosaic, frame.bayer, frame.black_adu, frame.white_adu))
    return shots


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--frames", type=int, default=500)
    parser.add_argument("--quick", action="store_true")
    asked = parser.parse_args()
    work = tempfile.TemporaryDirectory(prefix="watch-")
    os.environ["SLOWGLASS_WATCH"] = str(Path(work.name) / "data")

    from slowglass.demo.scenario import quick_kit
    from slowglass.frame.dng_io import write_dng
    from slowglass.judge.watch_files import Settling
    from slowglass.kit.io import load_kit, load_site
    from slowglass.workbench import Workbench

    kit, site = load_kit("long 102"), load_site("Fig Tree Yard")
    kit = quick_kit(kit) if asked.quick else kit
    bench = Workbench(kit, site)
    shots = Path(work.name) / "shots.npz"

    def make_shots() -> float:
        made = render(kit, site, bench.sky, bench.place("M15").object)
        np.savez(shots, *[mosaic for mosaic, *_ in made])
        shots.with_suffix(".txt").write_text(" ".join(str(v) for v in made[0][1:]))
        return 0.0

    apart(make_shots)
    bayer, black, white = shots.with_suffix(".txt").read_text().split()
    black_adu, white_adu = round(float(black)), round(float(white) + float(black))

    card = Path(work.name) / "card"
    card.mkdir()
    watching = bench.watch(card, target="M15")
    watching._settling = Settling(quiet_s=0.0)
    started = resident_mb("VmRSS")
    Path("/proc/self/clear_refs").write_text("5")
    seconds, bare = [], []
    print(f"{'frames':>6} {'resident MB':>12} {'peak MB':>8} {'s a frame':>10} {'bare s':>7}")

    def take(k: int) -> float:
        """Another exposure: shifted by whole cells of the mosaic, so that no two are alike."""
        with np.load(shots) as mosaics:
            moved = np.roll(mosaics[f"arr_{k % 4}"], (2 * (k // 4 % 40), 2 * (k // 160)), (0, 1))
        write_dng(
            card / f"IMG_{k:04d}.dng", moved, bayer=bayer, black_adu=black_adu,
            white_adu=white_adu, exposure_s=30.0, start_utc=WHEN + timedelta(seconds=STEP_S * k),
        )  # fmt: skip
        return 0.0

    for k in range(asked.frames):
        apart(lambda k=k: take(k))
        if k >= KEPT:
            (card / f"IMG_{k - KEPT:04d}.dng").unlink()
        began = time.process_time()
        for _ in watching.run(once=True):
            pass
        seconds.append(time.process_time() - began)
        if k < 5:
            bare.append(apart(lambda k=k: bare_s(card / f"IMG_{k:04d}.dng")))
        if k + 1 in (1, 5, 20, 60, 120, 250) or k + 1 == asked.frames:
            print(
                f"{k + 1:6d} {resident_mb('VmRSS'):12.0f} {resident_mb('VmHWM'):8.0f} "
                f"{np.median(seconds[1:] or seconds):10.2f} {np.median(bare):7.2f}",
                flush=True,
            )
    state = watching.state
    judged = [e.verdict.seconds for e in state.entries]
    print(
        f"{len(state.entries)} frames, {sum(e.verdict.keeper for e in state.entries)} keepers, "
        f"{sum(e.verdict.solved for e in state.entries)} placed, {state.stacked} stacked; "
        f"{started:.0f} MB before the first; judging alone {np.median(judged):.2f} s by the clock"
    )
    work.cleanup()


if __name__ == "__main__":
    main()
