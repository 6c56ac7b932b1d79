"""The linear picture against known truth, its memory, and its speed beside a floor and others.

Run: ``python benchmarks/finish.py [--quick] [--frames N] [--no-reference]``

The reference pipeline needs the dependency group ``benchmark`` (ccdproc, astroalign); without it
that row is left out. Times are CPU seconds of the process and wall seconds; on a machine that
does other work as well only the former mean anything.
"""

from __future__ import annotations

import argparse
import os
import shutil
import subprocess
import sys
import tempfile
import time
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from slowglass.finish.linear import combine_folder
from slowglass.finish.memory import forget_peak, peak_memory_mb
from slowglass.finish.recipe import Recipe
from slowglass.finish.store import FrameStore
from slowglass.frame.dng_io import write_dng

TINT = np.array([[0.7, 1.0], [1.0, 0.8]])
BLACK, WHITE, GAIN, READ_ADU = 512, 16383, 1.9, 1.6
SKY_ADU = 300.0
FWHM_PX = 3.4


@dataclass(frozen=True)
class Scene:
    """Stars with total light (ADU, green), and the frame that sees them."""

    x: np.ndarray
    y: np.ndarray
    flux: np.ndarray
    width: int
    height: int

    @classmethod
    def make(cls, width: int, height: int, stars: int, seed: int = 7) -> Scene:
        rng = np.random.default_rng(seed)
        x = rng.uniform(-60, width + 60, stars)
        y = rng.uniform(-60, height + 60, stars)
        flux = np.minimum(4.0e3 * rng.uniform(2e-3, 1, stars) ** -1.0, 1.6e5)
        return cls(x, y, flux, width, height)

    def place(self, x, y, dx: float, dy: float, turn_deg: float):
        """Frame pixel of scene pixels."""
        cx, cy = (self.width - 1) / 2, (self.height - 1) / 2
        z = ((x - cx) + 1j * (y - cy)) * np.exp(1j * np.radians(turn_deg))
        return z.real + cx + dx, z.imag + cy + dy

    def light(self, dx: float, dy: float, turn_deg: float, clarity: float = 1.0) -> np.ndarray:
        """Expected ADU above black, a mosaic."""
        x, y = self.place(self.x, self.y, dx, dy, turn_deg)
        out = np.full((self.height, self.width), SKY_ADU, dtype=np.float32)
        s2 = (FWHM_PX / 2.354820045) ** 2
        r = np.arange(-14, 15)
        for a, b, f in zip(x, y, self.flux * clarity, strict=True):
            i, j = round(b), round(a)
            rows, cols = i + r, j + r
            rows = rows[(rows >= 0) & (rows < self.height)]
            cols = cols[(cols >= 0) & (cols < self.width)]
            if len(rows) == 0 or len(cols) == 0:
                continue
            g = np.exp(-((rows[:, None] - b) ** 2 + (cols[None] - a) ** 2) / 2 / s2)
            out[np.ix_(rows, cols)] += (f / (2 * np.pi * s2) * g).astype(np.float32)
        tint = np.tile(TINT.astype(np.float32), (self.height // 2, self.width // 2))
        return out * tint


def drift(k: int) -> tuple[float, float, float]:
    """Shift and turn of frame k: a polar axis some minutes off, and the wind."""
    return 3.7 * k % 41 - 11.3, -1.9 * k % 23 + 4.1, 0.012 * (k % 17) - 0.1


class Noise:
    """Standard normal noise, one big array seen at other offsets for each frame."""

    def __init__(self, height: int, width: int) -> None:
        rng = np.random.default_rng(11)
        self.field = rng.standard_normal((height + 97, width + 89), dtype=np.float32)

    def of(self, k: int, height: int, width: int) -> np.ndarray:
        rng = np.random.default_rng(1000 + k)
        j, i = rng.integers(0, 97), rng.integers(0, 89)
        return rng.choice([-1.0, 1.0]) * self.field[j : j + height, i : i + width]


def write_frames(
    folder: Path, scene: Scene, count: int, *, trail_in: int | None = None, clones: int = 0
) -> None:
    """Lights as DNG; ``clones`` more are hard links, for runs that only measure."""
    lights = folder / "lights"
    lights.mkdir(parents=True)
    shared = Noise(scene.height, scene.width) if count > 60 or scene.width > 4000 else None
    for k in range(count):
        light = scene.light(*drift(k))
        if k == trail_in:
            add_trail(light)
        sigma = np.sqrt(np.maximum(light, 0) / GAIN + READ_ADU**2)
        if shared is None:
            noise = np.random.default_rng(k).standard_normal(light.shape, dtype=np.float32)
        else:
            noise = shared.of(k, scene.height, scene.width)
        raw = np.clip(np.rint(light + sigma * noise + BLACK), 0, WHITE).astype(np.uint16)
        write_dng(
            lights / f"light{k:04d}.dng", raw, bayer="RGGB", black_adu=BLACK, white_adu=WHITE,
            exposure_s=60.0, iso=800,
        )  # fmt: skip
    for k in range(clones):
        os.link(lights / f"light{k % count:04d}.dng", lights / f"light{count + k:04d}.dng")


def trail_rows(height: int) -> tuple[np.ndarray, np.ndarray]:
    rows = np.arange(height, dtype=float)
    return rows, 0.35 * rows + 120.3


def add_trail(light: np.ndarray, total_adu_per_row: float = 900.0) -> None:
    """A satellite's straight trail with the optics' own profile; no colour."""
    _, centre = trail_rows(light.shape[0])
    cols = np.arange(light.shape[1], dtype=float)
    sigma = FWHM_PX / 2.354820045 * np.sqrt(1 + 0.35**2)
    profile = np.exp(-((cols[None] - centre[:, None]) ** 2) / 2 / sigma**2)
    light += (total_adu_per_row / (np.sqrt(2 * np.pi) * sigma) * profile).astype(np.float32)


def combined(folder: Path, recipe: Recipe | None = None):
    """The linear picture of a folder, with CPU and wall seconds and the peak of memory, MB."""
    forget_peak()
    cpu, wall = time.process_time(), time.perf_counter()
    with FrameStore(folder.parent / "work") as store:
        found = combine_folder(folder, recipe or Recipe(), store, report=lambda *a: None)
    return found, time.process_time() - cpu, time.perf_counter() - wall, peak_memory_mb() or 0.0


def row(name: str, value: str, wanted: str) -> None:
    print(f"{name:<46} {value:>26}   {wanted}")


def quality(root: Path, count: int, width: int, height: int) -> None:
    """Signal to noise, places, sharpness, photometry and a satellite, against the truth."""
    from photutils.aperture import CircularAnnulus, CircularAperture, aperture_photometry

    scene = Scene.make(width, height, 260)
    clean, crossed = root / "clean", root / "crossed"
    write_frames(clean, scene, count)
    shutil.copytree(clean, crossed, copy_function=os.link)
    light = crossed / "lights" / "light0002.dng"
    light.unlink()
    write_frames(root / "one", scene, 3, trail_in=2)
    os.rename(root / "one" / "lights" / "light0002.dng", light)
    best, *_ = combined(clean)
    used = len(best.used)
    row("frames", f"{used} of {count}", "")
    row(
        "signal to noise over sqrt(frames)",
        f"{best.snr_gain / np.sqrt(used):.3f}",
        "0.95 or more",
    )
    reference = int(best.reference.path.stem[5:])
    misses, fitted = [], []
    gx, gy = np.meshgrid(np.linspace(100, width - 100, 7), np.linspace(100, height - 100, 5))
    for entry in best.record["frames"]:
        k = int(entry["file"][5:9])
        if not entry["used"] or k == reference:
            continue
        # A scene point's place on the reference, directly and through the frame's placement,
        # told by the shift in mid-frame and the turn that the record holds.
        x, y = scene.place(gx, gy, *drift(k))
        c = np.array([width / 2, height / 2])
        turn = np.exp(1j * np.radians(entry["turn_deg"]))
        z = ((x - c[0]) + 1j * (y - c[1])) * turn
        z += complex(*c) + complex(entry["shift_x_px"], entry["shift_y_px"])
        tx, ty = scene.place(gx, gy, *drift(reference))
        misses.append(np.hypot(z.real - tx, z.imag - ty))
        fitted.append(entry["residual_px"])
    rms = float(np.sqrt(np.mean(np.square(misses))))
    row("place against the truth, rms px", f"{rms:.3f}", "0.1 or less")
    row("residual of the paired stars, median px", f"{np.median(fitted):.3f}", "")
    single = float(np.median([light.look.fwhm_px for light in best.used]))
    row(
        "star width over the frames' median",
        f"{best.stars.fwhm_px:.3f} / {single:.3f} = {best.stars.fwhm_px / single:.3f}",
        "1.05 or less",
    )
    x, y = scene.place(scene.x, scene.y, *drift(reference))
    x, y = x - best.box.x0, y - best.box.y0
    high, wide = best.picture.shape[:2]
    apart = np.hypot(x[:, None] - x, y[:, None] - y) + 1e4 * np.eye(len(x))
    peak = scene.flux / (2 * np.pi * (FWHM_PX / 2.3548) ** 2) + SKY_ADU
    good = (x > 30) & (x < wide - 30) & (y > 30) & (y < high - 30) & (apart.min(1) > 28)
    good &= (peak < 0.9 * (WHITE - BLACK)) & (scene.flux > 2.5e4)
    at = np.column_stack([x, y])[good]
    inner, ring = CircularAperture(at, 9.0), CircularAnnulus(at, 13.0, 20.0)
    worst = 0.0
    for c, tint in enumerate((TINT[0, 0], 1.0, TINT[1, 1])):
        plane = best.picture[..., c].astype(float)
        sky = [np.median(m.get_values(plane)) for m in ring.to_mask(method="center")]
        sums = np.array(aperture_photometry(plane, inner)["aperture_sum"])
        ratio = (sums - np.array(sky) * inner.area) / (scene.flux[good] * tint)
        # Sky noise is the same for all: a ratio is as well known as its star is bright.
        decades = np.log10(scene.flux[good])
        slope = np.polyfit(decades, ratio / np.median(ratio), 1, w=scene.flux[good])[0]
        worst = max(worst, abs(slope) * float(np.ptp(decades)))
    row(
        f"photometry, linearity over {good.sum()} stars (photutils)",
        f"{100 * worst:.2f} %",
        "0.5 % or less",
    )
    withit, *_ = combined(crossed)
    same = withit.box == best.box and withit.reference.path.name == best.reference.path.name
    if not same:
        row("satellite's light removed", "not comparable", "the reference changed")
        return
    rows, centre = trail_rows(height)
    tx, ty = centre, rows
    sx, sy = undo(scene, tx, ty, *drift(2))
    rx, ry = scene.place(sx, sy, *drift(reference))
    band = np.zeros((high, wide), dtype=bool)
    for w in range(-8, 9):
        i, j = np.rint(rx - best.box.x0 + w).astype(int), np.rint(ry - best.box.y0).astype(int)
        inside = (i >= 0) & (i < wide) & (j >= 0) & (j < high)
        band[j[inside], i[inside]] = True
    left = float((withit.picture - best.picture).mean(axis=2)[band].sum())
    length = len(np.unique(np.nonzero(band)[0]))
    share = next(e["weight"] for e in best.record["frames"] if e["file"] == "light0002.dng")
    total = sum(e["weight"] for e in best.record["frames"] if e["used"])
    tint = float(np.mean([TINT[0, 0], 1.0, TINT[1, 1]]))
    brought = 900.0 * length * share / total / tint * tint
    row("satellite's light removed", f"{100 * (1 - left / brought):.2f} %", "99.5 % or more")
    lost = (withit.rejected[~band].sum()) / (used * (~band).sum())
    row("good values lost beside it", f"{100 * lost:.3f} %", "")
    missing = 1.0 - withit.coverage[~band].mean()
    row("good light lost beside it", f"{100 * missing:.3f} %", "0.1 % or less")


def undo(scene: Scene, x, y, dx: float, dy: float, turn_deg: float):
    """Scene pixel of frame pixels."""
    cx, cy = (scene.width - 1) / 2, (scene.height - 1) / 2
    z = ((x - dx - cx) + 1j * (y - dy - cy)) * np.exp(-1j * np.radians(turn_deg))
    return z.real + cx, z.imag + cy


def memory(root: Path, counts: tuple[int, ...]) -> None:
    """Peak memory for more and more small frames: it must not grow with their number."""
    scene = Scene.make(1200, 800, 120)
    for count in counts:
        folder = root / f"m{count}"
        distinct = min(count, 24)
        write_frames(folder, scene, distinct, clones=count - distinct)
        found, cpu, _, peak = combined(folder)
        row(f"peak memory, {count} frames of 1 megapixel", f"{peak:.0f} MB", "")
        row("  CPU a frame", f"{cpu / count:.3f} s", f"{len(found.used)} used")
        shutil.rmtree(folder)


def floor_seconds(paths: list[Path]) -> tuple[float, float, int]:
    """CPU and wall seconds of reading, unpacking, demosaicing and warping, and nothing else."""
    import cv2
    import rawpy

    cpu, wall = time.process_time(), time.perf_counter()
    for k, path in enumerate(paths):
        path.read_bytes()
        with rawpy.imread(str(path)) as raw:
            mosaic = raw.raw_image_visible.copy()
        colours = cv2.cvtColor(mosaic, cv2.COLOR_BayerRG2RGB).astype(np.float32)
        dx, dy, turn = drift(k)
        t = np.radians(turn)
        matrix = np.array([[np.cos(t), -np.sin(t), dx], [np.sin(t), np.cos(t), dy]])
        size = (mosaic.shape[1], mosaic.shape[0])
        cv2.warpAffine(colours, matrix, size, flags=cv2.INTER_LANCZOS4 | cv2.WARP_INVERSE_MAP)
    return time.process_time() - cpu, time.perf_counter() - wall, len(paths)


def reference_seconds(paths: list[Path]) -> None:
    """Run as a process of its own: prints CPU and wall seconds of the pipeline of others."""
    import astroalign
    import ccdproc
    import cv2
    import rawpy
    from astropy import units as u
    from astropy.nddata import CCDData

    cpu, wall = time.process_time(), time.perf_counter()
    first = None
    placed: list[list[CCDData]] = [[], [], []]
    for path in paths:
        with rawpy.imread(str(path)) as raw:
            mosaic = raw.raw_image_visible.copy()
        colours = cv2.cvtColor(mosaic, cv2.COLOR_BayerRG2RGB).astype(np.float32) - BLACK
        if first is None:
            first = colours[..., 1].copy()
            for c in range(3):
                placed[c].append(CCDData(colours[..., c], unit=u.adu))
            continue
        move, _ = astroalign.find_transform(colours[..., 1], first, max_control_points=50)
        for c in range(3):
            plane, outside = astroalign.apply_transform(
                move, np.ascontiguousarray(colours[..., c]), first
            )
            placed[c].append(CCDData(plane.astype(np.float32), unit=u.adu, mask=outside))
    for c in range(3):
        ccdproc.combine(
            placed[c], method="average", sigma_clip=True, sigma_clip_low_thresh=3,
            sigma_clip_high_thresh=3, mem_limit=1e9,
        )  # fmt: skip
    print(time.process_time() - cpu, time.perf_counter() - wall)


def throughput(root: Path, count: int, clones: int, reference: bool) -> None:
    """Seconds a frame of 24 megapixels: the floor, this package, and others."""
    scene = Scene.make(6000, 4000, 1500)
    folder = root / "big"
    write_frames(folder, scene, count, clones=clones)
    paths = sorted((folder / "lights").glob("*.dng"))
    combined_trial(root)
    floor_seconds(paths[:1])
    cpu0, wall0, n0 = floor_seconds(paths[: min(len(paths), 8)])
    found, cpu, wall, peak = combined(folder)
    n = len(paths)
    cpu1, wall1, n1 = floor_seconds(paths[: min(len(paths), 8)])
    floor_cpu, floor_wall = (cpu0 + cpu1) / (n0 + n1), (wall0 + wall1) / (n0 + n1)
    row("floor, CPU and wall s a frame", f"{floor_cpu:.2f}   {floor_wall:.2f}", "")
    row(f"slowglass, {n} frames, s a frame", f"{cpu / n:.2f}   {wall / n:.2f}", "")
    ratios = f"{cpu / n / floor_cpu:.2f}   {wall / n / floor_wall:.2f}"
    row("slowglass over floor", ratios, "1.5 or less")
    row("peak memory", f"{peak:.0f} MB", f"2500 or less; {len(found.used)} frames used")
    if not reference:
        return
    names = [str(p) for p in paths[:3]]
    done = subprocess.run(
        [sys.executable, __file__, "--reference-only", *names], capture_output=True, text=True
    )
    if done.returncode:
        print("reference pipeline not run:", done.stderr.strip().splitlines()[-1])
        return
    cpu, wall = (float(v) for v in done.stdout.split()[-2:])
    row("ccdproc + astroalign, s a frame", f"{cpu / 3:.2f}   {wall / 3:.2f}", "")
    ours_cpu, ours_wall = (
        float(ratios.split()[0]) * floor_cpu,
        float(ratios.split()[1]) * floor_wall,
    )
    row(
        "the same over slowglass",
        f"{cpu / 3 / ours_cpu:.1f}   {wall / 3 / ours_wall:.1f}",
        "4 or more",
    )


def combined_trial(root: Path) -> None:
    """A small run first: compiling is done once in the life of an installation."""
    folder = root / "warm"
    write_frames(folder, Scene.make(900, 600, 80), 4)
    combined(folder)
    shutil.rmtree(folder)


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--quick", action="store_true")
    parser.add_argument("--frames", type=int, default=24, help="frames of 24 megapixels")
    parser.add_argument("--no-reference", action="store_true")
    parser.add_argument("--part", choices=("quality", "memory", "speed"))
    parser.add_argument("--reference-only", nargs="+", type=Path, help=argparse.SUPPRESS)
    options = parser.parse_args()
    if options.reference_only:
        reference_seconds(options.reference_only)
        return
    parts = [options.part] if options.part else ["quality", "memory", "speed"]
    with tempfile.TemporaryDirectory() as name:
        root = Path(name)
        if "quality" in parts:
            quality(root / "q", 12 if options.quick else 25, 1500, 1000)
        if "memory" in parts:
            memory(root / "m", (12, 48) if options.quick else (25, 100, 400))
        if "speed" in parts:
            distinct = min(options.frames, 4 if options.quick else 12)
            throughput(root / "t", distinct, options.frames - distinct, not options.no_reference)


if __name__ == "__main__":
    main()
