"""How right the judge is, and how quick: every figure against a truth the judge does not know.

Run: ``python benchmarks/judge.py [--quick] [--only PART]`` with PART one of widths, trails,
causes, worm, axis, sky, speed. The full run takes about half an hour of processor, most of it
for the 1 000 rendered series of the causes.
"""

from __future__ import annotations

import argparse
import math
import os
import sys
import tempfile
import time
from collections import Counter
from collections.abc import Callable
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).parent))

import judge_scenes as scenes
from judge_mount import SIDEREAL_DEG_S, Mounted

from slowglass.expose.forecast import render_forecast, render_with_truth
from slowglass.frame.bayer import luminance
from slowglass.frame.detect import detect_stars
from slowglass.frame.dng_io import write_dng
from slowglass.frame.io import read_frame
from slowglass.judge.assess import assess_frame
from slowglass.judge.axis import measure_axis
from slowglass.judge.cause import find_cause
from slowglass.judge.service import judge_file
from slowglass.judge.shape import common_shape
from slowglass.judge.trails import measure_trail
from slowglass.judge.worm import measure_worm
from slowglass.kit.io import load_kit, load_site
from slowglass.sky.place import resolve_place
from slowglass.sky.store import open_sky
from slowglass.sky.wcs import TanWcs

START = 1.79e9


def told(name: str, errors: list[float], limit: float, unit: str) -> None:
    """One line of figures: median, 95th and largest error, and the share within the limit."""
    e = np.abs(np.array(errors))
    print(
        f"{name:46s} n {e.size:4d}  median {np.median(e):7.3f}  95 % {np.quantile(e, 0.95):7.3f}"
        f"  largest {e.max():7.3f} {unit:7s} within {limit:g}: {np.mean(e <= limit):.1%}",
        flush=True,
    )


def clear_of_black(frame):
    """The frame as it would be read from a file that states its black level."""
    black = float(frame.header.cards["BLKLEVEL"])
    return replace(
        frame,
        pixels=frame.pixels - np.float32(black),
        black_adu=black,
        white_adu=frame.white_adu - black,
    )


def coarse_kit():
    """The scenario's kit with 7.8 µm pixels: its whole field at a quarter of the cost."""
    kit = load_kit("long 102")
    camera = kit.camera.model_copy(update={"width_px": 3000, "height_px": 2000, "pixel_um": 7.8})
    return kit.model_copy(update={"camera": camera})


def widths(quick: bool) -> None:
    """FWHM against the rendered star's own width and against photutils on the same stars."""
    kit, site, sky = load_kit("long 102"), load_site("Fig Tree Yard"), open_sky()
    place = resolve_place("M15", sky)
    truth_error, outside = [], []
    for i, seeing in enumerate((2.0, 4.0) if quick else (1.6, 2.0, 2.5, 3.0, 3.6, 4.4, 5.5)):
        for pixel_um in (5.4, 7.8):
            camera = kit.camera.model_copy(
                update={"width_px": 1800, "height_px": 1200, "pixel_um": pixel_um, "bayer": None}
            )
            small = kit.model_copy(update={"camera": camera})
            frame, truth = render_with_truth(
                small, site, sky, place, exposure_s=60, seed=i, seeing_arcsec=seeing,
                tracking=False, offset_arcsec=(500.0, 300.0), sky_mag_arcsec2=20.3,
            )  # fmt: skip
            frame = clear_of_black(frame)
            found = detect_stars(frame)
            truth_error.append(100 * (found.fwhm_px / truth.fwhm_px - 1))
            outside.append(beside_photutils(frame, found))
    told("FWHM against the rendered star", truth_error, 3.0, "%")
    told("FWHM against photutils' Moffat fit", outside, 3.0, "%")
    folder = Path(os.environ.get("SLOWGLASS_FRAMES", ""))
    real = sorted(folder.glob("*light*.fits.gz")) if folder.name else []
    errors = []
    for path in real:
        frame = read_frame(path)
        errors.append(beside_photutils(frame, detect_stars(frame)))
        print(f"  {path.name}: {errors[-1]:+.1f} %")
    if errors:
        told("the same on real frames", errors, 3.0, "%")


def beside_photutils(frame, found) -> float:
    """Per cent by which our median width exceeds photutils' Moffat on the same clear stars."""
    from astropy.table import QTable
    from photutils.psf import MoffatPSF, PSFPhotometry

    clear = np.nonzero((found.stars.snr > 60) & (found.stars.flags == 0))[0][:40]
    good = found.stars.take(clear)
    width = found.fwhm_px
    model = MoffatPSF(alpha=width, beta=3.0)
    model.alpha.fixed = model.beta.fixed = False
    size = int(2 * round(1.5 * width) + 1)
    fitted = PSFPhotometry(model, (size, size), aperture_radius=width)(
        frame.pixels.astype(float) - found.sky_adu,
        init_params=QTable({"x": good.x_px, "y": good.y_px}),
    )
    theirs = 2 * fitted["alpha_fit"] * np.sqrt(2 ** (1 / fitted["beta_fit"]) - 1)
    sane = np.isfinite(theirs) & (theirs > 0.3 * width) & (theirs < 3 * width)
    return 100 * (float(np.median(good.fwhm_px[sane])) / float(np.median(theirs[sane])) - 1)


def trails(quick: bool) -> None:
    """Length and angle of even trails that stretch stars 1.2 times or more."""
    kit = scenes.small_kit()
    rng = np.random.default_rng(11)
    lengths, angles = [], []
    for i in range(20 if quick else 120):
        wcs, stars = star_field(rng, 0.0, 60)
        way, seeing = rng.uniform(0, np.pi), rng.uniform(2.0, 4.0)
        length = rng.uniform(0.9, 4.0) * math.hypot(seeing, 1.2)
        speed = length / 30.0 * np.array([math.cos(way), math.sin(way)])
        fault = scenes.Fault(lambda t, v=speed: np.outer(t, v))
        frame, _ = scenes.render(
            kit, wcs, stars, fault, exposure_s=30.0, seeing=seeing, start=-15.0, seed=i
        )
        found = detect_stars(frame)
        shape = common_shape(found.stars, frame.width_px, frame.height_px)
        trail = measure_trail(shape.elongation, shape.angle_deg, found.fwhm_px, wcs)
        if trail is None or shape.elongation < 1.2:
            continue
        lengths.append(100 * (trail.length_arcsec / length - 1))
        # Angle from east toward north; position angles run from north toward east.
        off = trail.position_angle_deg - (90.0 - math.degrees(way))
        angles.append((off + 90.0) % 180.0 - 90.0)
    told("trail length, elongation over 1.2", lengths, 10.0, "%")
    told("trail angle", angles, 5.0, "°")


def star_field(rng, dec_deg: float, count: int, *, width=scenes.WIDTH, height=scenes.HEIGHT):
    """A random field: (wcs, (ra, dec, e⁻/s))."""
    wcs = TanWcs.from_simple(
        ra_deg=40.0,
        dec_deg=dec_deg,
        width_px=width,
        height_px=height,
        scale_arcsec_per_px=scenes.small_kit().scale_arcsec_per_px,
        rotation_deg=float(rng.uniform(0, 360)),
    )
    ra, dec = wcs.pixel_to_sky(rng.uniform(0, width, count), rng.uniform(0, height, count))
    return wcs, (ra, dec, 10 ** rng.uniform(1.8, 3.6, count))


def causes(quick: bool) -> None:
    """The cause named for one frame of a series of five, 100 series of each cause."""
    each = 4 if quick else 100
    kit = scenes.small_kit()
    table: Counter = Counter()
    sure = wrong = alone_right = alone_wrong = total = 0
    for seed in range(1000, 1000 + each):
        for truth in scenes.TRUTHS:
            case = scenes.make_case(truth, seed, kit)
            total += 1
            found = find_cause(
                case.samples,
                case.judged,
                worm_period_s=case.worm_period_s,
                sharp_fwhm_px=case.sharp_fwhm_px,
            )
            name = found.name if found else "silent"
            table[truth, name] += 1
            if found and found.sure:
                sure += 1
                wrong += name != truth
            single = find_cause(
                case.samples[case.judged : case.judged + 1],
                0,
                worm_period_s=case.worm_period_s,
                sharp_fwhm_px=case.sharp_fwhm_px,
            )
            if single:
                alone_right += single.name == truth
                alone_wrong += single.sure and single.name != truth
    print_causes(table, total, sure, wrong)
    print(
        f"from the frame alone: right {alone_right / total:.1%}, "
        f"confidently wrong {alone_wrong / total:.1%}"
    )


def print_causes(table: Counter, total: int, sure: int, wrong: int) -> None:
    """The table of truths against answers, and the two figures that count."""
    for truth in scenes.TRUTHS:
        row = {name: n for (t, name), n in sorted(table.items()) if t == truth}
        print(f"  {truth:15s} {row}")
    right = sum(n for (truth, name), n in table.items() if truth == name)
    print(
        f"causes: {total} series, right {right / total:.1%}, sure {sure / total:.1%}, "
        f"confidently wrong {wrong / total:.1%}",
        flush=True,
    )


def worm(quick: bool) -> None:
    """Amplitude and period from 60 rendered frames of some twenty seconds."""
    kit = scenes.small_kit()
    amplitude, period = [], []
    silent = 0
    for seed in range(2 if quick else 10):
        rng = np.random.default_rng([seed, 77])
        true_period = float(rng.choice([478.7, 598.4, 662.8, 861.6]))
        size, second = float(rng.uniform(6, 22)), float(rng.uniform(0, 0.3))
        phase, other = rng.uniform(0, 2 * np.pi, 2)
        exposure = float(rng.choice([10.0, 20.0]))
        cadence = exposure + float(rng.uniform(3, 8))
        dec = float(rng.uniform(-20, 50))
        wcs, stars = star_field(rng, dec, 40)
        scale = math.cos(math.radians(dec))
        drift = rng.normal(0, 1.0 / 60, 2)

        def path(t, a=(true_period, size, second, phase, other, scale, drift)):
            turn = 2 * np.pi * t / a[0]
            east = a[1] * (np.sin(turn + a[3]) + a[2] * np.sin(2 * turn + a[4]))
            return np.column_stack([a[5] * east, np.zeros_like(t)]) + np.outer(t, a[6])

        samples = []
        for i in range(60):
            frame, where = scenes.render(
                kit, wcs, stars, scenes.Fault(path), exposure_s=exposure, seeing=3.0,
                start=i * cadence, seed=seed * 100 + i,
            )  # fmt: skip
            samples.append(
                scenes.measure(frame, wcs, stars, where, start=i * cadence, exposure_s=exposure)
            )
        found = measure_worm(samples)
        if not found:
            silent += 1
            continue
        amplitude.append(100 * (found.amplitude_arcsec[0] / size - 1))
        period.append(100 * (found.period_s / true_period - 1))
    told("periodic error: amplitude, 60 frames", amplitude, 10.0, "%")
    told("periodic error: period, 60 frames", period, 3.0, "%")
    print(f"  silent: {silent}")


def axis(quick: bool) -> None:
    """Polar axis from three frames turned 40 to 80°, and from 30 minutes on one field."""
    kit = scenes.small_kit()
    wide = kit.model_copy(
        update={"camera": kit.camera.model_copy(update={"width_px": 2400, "height_px": 1600})}
    )
    for name, limit in (("three frames turned", 0.5), ("30 minutes of drift", 2.0)):
        turned = name.startswith("three")
        errors, claimed, silent = [], [], 0
        for seed in range((2 if turned else 1) if quick else (40 if turned else 5)):
            rng = np.random.default_rng([seed, 5, turned])
            south = bool(rng.random() < 0.5)
            site = load_site("Karri Flat" if south else "Fig Tree Yard")
            dec = float(rng.uniform(-5, 55)) * (-1 if south else 1)
            mount = Mounted(
                site.latitude_deg, site.longitude_deg, *rng.normal(0, 15.0, 2), dec,
                camera_deg=float(rng.uniform(0, 360)),
            )  # fmt: skip
            first = float(rng.uniform(-50, 10))
            if turned:
                step = float(rng.uniform(20, 40))
                hours = first + step * np.arange(3)
                times = START + 90.0 * np.arange(3)
            else:
                times = START + 60.0 * np.arange(30)
                swing = 15.0 / 3600 * np.sin(2 * np.pi * times / 662.8)
                hours = first + SIDEREAL_DEG_S * (times - START) + swing
            samples = [
                axis_frame(kit if turned else wide, mount, h, t, seed * 50 + i)
                for i, (h, t) in enumerate(zip(hours, times, strict=True))
            ]
            fit = measure_axis(
                samples, latitude_deg=site.latitude_deg, longitude_deg=site.longitude_deg
            )
            if not fit:
                silent += 1
                continue
            cos_lat = math.cos(math.radians(site.latitude_deg))
            errors.append(
                math.hypot(
                    fit.altitude_arcmin - mount.altitude_arcmin,
                    (fit.azimuth_arcmin - mount.azimuth_arcmin) * cos_lat,
                )
            )
            claimed.append(fit.total_error_arcmin)
        if errors:
            told(f"polar axis: {name}", errors, limit, "′")
            print(f"  standard error claimed {np.median(claimed):.2f}′; silent: {silent}")
        else:
            print(f"polar axis: {name}: silent in all {silent}")


def axis_frame(kit, mount: Mounted, hour_deg: float, unix_s: float, seed: int):
    """A rendered frame of the mount's view, measured and placed."""
    ra, dec, rotation = mount.place(hour_deg, unix_s)
    rng = np.random.default_rng(seed)
    wcs = TanWcs.from_simple(
        ra_deg=ra,
        dec_deg=dec,
        width_px=kit.camera.width_px,
        height_px=kit.camera.height_px,
        scale_arcsec_per_px=kit.scale_arcsec_per_px,
        rotation_deg=rotation,
    )
    # The same stars a square degree everywhere; frames of one field share none, which is harder.
    count = int(40 * kit.camera.width_px * kit.camera.height_px / (scenes.WIDTH * scenes.HEIGHT))
    x = rng.uniform(0, kit.camera.width_px, count)
    y = rng.uniform(0, kit.camera.height_px, count)
    stars = (*wcs.pixel_to_sky(x, y), 10 ** rng.uniform(1.8, 3.4, count))
    still = scenes.Fault(lambda t: np.zeros((len(t), 2)))
    frame, where = scenes.render(
        kit, wcs, stars, still, exposure_s=10.0, seeing=3.0, start=0.0, seed=seed
    )
    sample = scenes.measure(frame, wcs, stars, where, start=0.0, exposure_s=10.0)
    return replace(sample, mid_s=unix_s)


def sky(quick: bool) -> None:
    """Sky brightness and transparency of whole forecast frames, solved and judged."""
    kit, site, catalogue = coarse_kit(), load_site("Fig Tree Yard"), open_sky()
    rng = np.random.default_rng(5)
    errors, clouded, light = [], [], []
    unsolved = 0
    for name in ("M11", "NGC457") if quick else ("M11", "M15", "NGC457", "M76", "NGC7662"):
        place = resolve_place(name, catalogue)
        for k in range(4):
            truth_mag = float(rng.uniform(18.0, 21.6))
            exposure = float(rng.choice([20, 60, 120]))
            passed = 1.0 if k < 3 else 0.6
            when = datetime(2026, 9, 12, 21, 20 * (k % 3), tzinfo=UTC)
            frame, truth = render_with_truth(
                kit, site, catalogue, place, exposure_s=exposure, seed=k, tracking=False,
                sky_mag_arcsec2=truth_mag, transparency=passed, when=when,
            )  # fmt: skip
            frame = clear_of_black(frame)
            found = assess_frame(
                frame, catalogue, now_utc=when, near=place, kit=kit, site=site
            ).verdict.light
            if found is None or found.sky_mag_arcsec2 is None or found.transparency is None:
                unsolved += 1
                continue
            # Full cloud doubles a lit sky in the renderer.
            true_sky = truth.conditions.sky_mag_arcsec2 - 2.5 * math.log10(2.0 - passed)
            (errors if passed == 1.0 else clouded).append(found.sky_mag_arcsec2 - true_sky)
            light.append(found.transparency - passed)
    told("sky brightness", errors, 0.1, "mag")
    told("sky brightness through cloud (kit's zero point)", clouded, 0.2, "mag")
    told("transparency", light, 0.1, "")
    print(f"  not told: {unsolved}")


def best_of(work: Callable[[], object], times: int = 3) -> tuple[float, float]:
    """The shortest of some runs: seconds on the clock, and of processor time."""
    clock, busy = [], []
    for _ in range(times):
        start, started = time.perf_counter(), time.process_time()
        work()
        clock.append(time.perf_counter() - start)
        busy.append(time.process_time() - started)
    return min(clock), min(busy)


def speed(quick: bool) -> None:
    """Judging one 24-megapixel camera raw, beside reading it and one bare pass of sep.

    The floor is what no judge can do without: unpacking the file, sep's background and
    extraction over its 2 × 2 means.
    """
    import sep

    catalogue, kit, site = open_sky(), load_kit("long 102"), load_site("Fig Tree Yard")
    place = resolve_place("M11", catalogue)
    frame = render_forecast(
        kit, site, catalogue, place.object, exposure_s=30,
        when=datetime(2026, 9, 12, 21, tzinfo=UTC),
    )  # fmt: skip
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "light.dng"
        mosaic = np.clip(np.round(frame.pixels), 0, 16383).astype(np.uint16)
        del frame
        write_dng(path, mosaic, bayer="RGGB", black_adu=512, white_adu=16383)

        def bare() -> None:
            plane, _ = luminance(read_frame(path))
            background = sep.Background(plane)
            sep.extract(plane - background.back(), 5.0, err=background.globalrms)

        rows = {
            "read": lambda: read_frame(path),
            "read + bare sep (floor)": bare,
            "judged, near M11, kit's scale": lambda: judge_file(
                path, catalogue, near=place, kit=kit, site=site
            ),
            "judged, whole sky, kit's scale": lambda: judge_file(
                path, catalogue, kit=kit, site=site
            ),
            "judged, whole sky, nothing known": lambda: judge_file(path, catalogue),
        }
        floor = math.nan
        for name, work in rows.items():
            clock, busy = best_of(work, 1 if quick else 3)
            floor = busy if "floor" in name else floor
            print(
                f"{name:36s} {clock:6.2f} s, {busy:6.2f} s of processor, "
                f"{busy / floor:4.1f} times the floor",
                flush=True,
            )


PARTS = {
    "widths": widths, "trails": trails, "causes": causes, "worm": worm,
    "axis": axis, "sky": sky, "speed": speed,
}  # fmt: skip


def main() -> None:
    """The parts asked for."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--quick", action="store_true", help="a few of each, some minutes")
    parser.add_argument("--only", choices=sorted(PARTS), help="one part alone")
    chosen = parser.parse_args()
    for name, part in PARTS.items():
        if chosen.only in (None, name):
            print(f"\n{name}: {part.__doc__.splitlines()[0]}", flush=True)
            part(chosen.quick)


if __name__ == "__main__":
    main()
