"""How well the kit is learned from frames: hidden cameras, hidden kits, a large logbook.

    python benchmarks/learn.py [--quick] [--kits N] [--rendered N] [--part PART]

Prints one table. Hidden cameras are photographed by two simulators: ours and getframes, which
shares no code with us. Hidden kits are met twice over: many at the level of measurements (a
frame's star width, elongation, sky and signal to noise are drawn about what the hidden kit gives,
with nights that differ), and some as whole rendered frames that go through judging.
"""

from __future__ import annotations

import argparse
import json
import math
import tempfile
import time
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path

import numpy as np

from slowglass.expose.calibration import render_bias, render_flat
from slowglass.expose.conditions import conditions_at
from slowglass.expose.tracking import (
    field_path_arcsec,
    field_rotation_deg,
    trail_tolerance_arcsec,
)
from slowglass.kit.io import load_kit, load_site
from slowglass.learn.corrections import corrected, propose
from slowglass.learn.groups import Group, predict
from slowglass.learn.log import log_verdict
from slowglass.learn.logbook.records import FrameQuery, LoggedFrame, Night
from slowglass.learn.logbook.store import open_logbook
from slowglass.learn.shared import Shared
from slowglass.learn.transfer import fit_transfer, pair_points
from slowglass.sky.store import open_sky

FIRST = datetime(2026, 10, 9, 20, 0, tzinfo=UTC)
OBJECTS = ("NGC7078", "NGC457", "NGC6826", "NGC7331")
EXPOSURE_S = 30.0
RENDERED_OBJECTS = ("NGC7078", "NGC457", "NGC7789")
"""With catalogue stars enough in a frame of 41′ × 28′."""
RENDERED_FRAMES = 30


def hidden_cameras(count: int, rng: np.random.Generator) -> dict[str, list[tuple[float, float]]]:
    """(relative error of gain, of read noise) for each simulator."""
    import getframes

    found: dict[str, list[tuple[float, float]]] = {"ours": [], "getframes": []}
    base = load_kit("long 102")
    for number in range(count):
        gain, read = float(rng.uniform(0.3, 4.0)), float(rng.uniform(1.5, 8.0))
        camera = base.camera.model_copy(
            update={"width_px": 800, "height_px": 600, "gain_e_per_adu": gain,
                    "read_noise_e": read, "full_well_e": min(60_000.0, 15_000 * gain)}
        )  # fmt: skip
        kit = base.model_copy(update={"camera": camera})
        seed = 10 * number
        flats = [
            pair_points(*(render_flat(kit, level=v, seed=seed + k).pixels for k in (0, 1)),
                        mosaic=True)
            for v in (0.2, 0.5)
        ]  # fmt: skip
        bias = pair_points(*(render_bias(kit, seed=seed + k).pixels for k in (2, 3)), mosaic=True)
        found["ours"].append(_errors(flats, bias, gain, read))
        config = getframes.CameraConfig(
            name="hidden", sensor_type=getframes.SensorType.CMOS, resolution=(600, 800),
            pixel_size_um=3.9, quantum_efficiency=1.0, full_well_e=15_000 * gain, bit_depth=14,
            gain_e_per_adu=gain, bias_offset_adu=512, read_noise_e=read,
            dark_current_e_per_s=0.0, prnu=0.008,
        )  # fmt: skip
        other = getframes.Camera(config, seed=seed)

        def two(take, start: int = seed):
            a, b = (np.asarray(take(start + k).data, dtype=np.float32) for k in (5, 6))
            return pair_points(a, b, mosaic=False)

        flats = [
            two(lambda s, c=other, r=share * 15_000 * gain: c.flat_frame(r, 1.0, seed=s))
            for share in (0.2, 0.5)
        ]
        bias = two(lambda s, c=other: c.bias_frame(seed=s))
        found["getframes"].append(_errors(flats, bias, gain, read))
    return found


def _errors(flats, bias, gain: float, read: float) -> tuple[float, float]:
    fit = fit_transfer(flats, [bias], white_adu=16383.0)
    return fit.gain_e_per_adu.value / gain - 1.0, fit.read_noise_e.value / read - 1.0


def hide(rng: np.random.Generator, kit, site, *, colours: bool = False):
    """A kit and site that differ from the stated ones as real ones do."""
    camera = kit.camera.model_copy(
        update={"read_noise_e": kit.camera.read_noise_e * rng.uniform(0.8, 1.25)}
    )
    if colours:
        camera = camera.model_copy(
            update={"red_response": rng.uniform(0.7, 1.3), "blue_response": rng.uniform(0.7, 1.3)}
        )
    optics = kit.optics.model_copy(
        update={"transmission": min(1.0, kit.optics.transmission * rng.uniform(0.6, 1.1)),
                "focal_length_mm": kit.optics.focal_length_mm * rng.uniform(0.97, 1.03)}
    )  # fmt: skip
    mount = kit.mount.model_copy(
        update={"periodic_error_arcsec": kit.mount.periodic_error_arcsec * rng.uniform(0.4, 2.2),
                "polar_error_arcmin": rng.uniform(3.0, 20.0),
                "polar_error_direction_deg": rng.uniform(0.0, 360.0)}
    )  # fmt: skip
    place = site.model_copy(
        update={"sky_mag_arcsec2": site.sky_mag_arcsec2 + rng.uniform(-0.7, 0.7),
                "seeing_arcsec": rng.uniform(2.0, 4.5)}
    )  # fmt: skip
    return kit.model_copy(update={"camera": camera, "optics": optics, "mount": mount}), place


def drawn_group(rng, night: int, name: str, truth, stated, sky, *, frames: int) -> Group:
    """A night's frames of an object at the level of measurements."""
    kit, site = truth
    tonight = site.model_copy(
        update={"sky_mag_arcsec2": site.sky_mag_arcsec2 + rng.normal(0, 0.08),
                "seeing_arcsec": min(15.0, site.seeing_arcsec * math.exp(rng.normal(0, 0.08)))}
    )  # fmt: skip
    haze = math.exp(rng.normal(0, 0.05))
    hazy = kit.optics.model_copy(update={"transmission": kit.optics.transmission * haze})
    kit = kit.model_copy(update={"optics": hazy})
    start = FIRST + timedelta(days=night)
    empty = LoggedFrame("x", "x", start_utc=start.isoformat())
    night_of = Night(start.date().isoformat(), site.name, kit.name, {"haze": haze})
    group = Group(night_of, name, EXPOSURE_S, (empty,), None)
    promise = predict(group, kit, tonight, sky)
    thing = sky.objects.get(name)
    air = conditions_at(tonight, thing.ra_deg, thing.dec_deg, start)
    phase = rng.uniform(0, 2 * math.pi)
    rows = []
    for number in range(frames):
        since = number * (EXPOSURE_S + 6.0)
        turn = phase + 2 * math.pi * since / kit.mount.worm_period_s
        east, north = field_path_arcsec(
            np.linspace(0, EXPOSURE_S, 40), kit.mount, dec_deg=thing.dec_deg,
            hour_angle_deg=air.hour_angle_deg + since / 240.0, latitude_deg=site.latitude_deg,
            phase_rad=turn,
        )  # fmt: skip
        length = float(np.hypot(np.ptp(east), np.ptp(north)))
        tolerance = trail_tolerance_arcsec(promise.fwhm_arcsec)
        stretched = math.sqrt(1.0 + (1.3**2 - 1.0) * (length / tolerance) ** 2)
        long = max(1.0, stretched * math.exp(rng.normal(0, 0.03)))
        width = promise.fwhm_arcsec * math.sqrt(stretched) * math.exp(rng.normal(0, 0.03))
        path = field_path_arcsec(
            np.array([0.0, since + EXPOSURE_S / 2]), kit.mount, dec_deg=thing.dec_deg,
            hour_angle_deg=air.hour_angle_deg, latitude_deg=site.latitude_deg, phase_rad=phase,
        )  # fmt: skip
        # The stars' offset east moves the frame's centre west.
        off = [-float(axis.ravel()[1]) / 3600.0 + rng.normal(0, 0.25 / 3600) for axis in path]
        turned = field_rotation_deg(
            since + EXPOSURE_S / 2, kit.mount, dec_deg=thing.dec_deg,
            hour_angle_deg=air.hour_angle_deg, latitude_deg=site.latitude_deg,
        )  # fmt: skip
        verdict = {
            "scale_arcsec_per_px": kit.scale_arcsec_per_px, "width_px": kit.camera.width_px,
            "height_px": kit.camera.height_px, "parity": 1, "matched": 8, "rms_arcsec": 0.4,
            "rotation_deg": (3.0 + turned) % 360.0,
            # The kit in use promises as much as its own glass and aperture pass.
            "light": {"transparency": kit.optics.transmission / stated.optics.transmission
                      * math.exp(rng.normal(0, 0.03))},
        }  # fmt: skip
        snr = None if promise.snr is None else (
            promise.snr * width / promise.fwhm_arcsec * math.exp(rng.normal(0, 0.05))
        )  # fmt: skip
        rows.append(
            LoggedFrame(
                f"{night}-{name}-{number}", "x.fits", object=name, solved=True,
                start_utc=(start + timedelta(seconds=since)).isoformat(), exposure_s=EXPOSURE_S,
                ra_deg=(thing.ra_deg + off[0] / math.cos(math.radians(thing.dec_deg))) % 360.0,
                dec_deg=thing.dec_deg + off[1], keeper=long <= 1.3,
                fwhm_arcsec=width, elongation=long,
                sky_mag_arcsec2=promise.sky_mag_arcsec2 + rng.normal(0, 0.05), snr=snr,
                verdict=verdict,
            )
        )  # fmt: skip
    return Group(group.night, name, EXPOSURE_S, tuple(rows), None)


def outcome(past, future, truth, stated, sky) -> dict[str, float]:
    """Errors of the third night's prediction, and of what was learned."""
    kit, site = stated
    # The read noise comes from the camera's own bias and flats.
    read = truth[0].camera.read_noise_e
    kit = kit.model_copy(update={"camera": kit.camera.model_copy(update={"read_noise_e": read})})
    values = propose(past, kit, site, Shared(sky))
    better = corrected(kit, site, values)
    found = {}
    swing = [v for v in values if v.quantity == "mount.periodic_error_arcsec"]
    if swing:
        found["swing"] = swing[0].value / truth[0].mount.periodic_error_arcsec - 1.0
    passed = [v for v in values if v.quantity == "optics.transmission"]
    if passed:
        # What passed in the nights that taught, their haze included.
        haze = float(np.median([g.night.conditions.get("haze", 1.0) for g in past]))
        share = passed[0].value / (truth[0].optics.transmission * haze)
        found["zero_point"] = -2.5 * math.log10(share)
    for name in ("red", "blue"):
        key = f"camera.{name}_response"
        if told := [v for v in values if v.quantity == key]:
            share = told[0].value / getattr(truth[0].camera, f"{name}_response")
            found[name] = -2.5 * math.log10(share)
    snr, kept, limit = [], [], []
    before_snr, before_kept = [], []
    for group in future:
        for bench, snrs, keeps in ((better, snr, kept), (stated, before_snr, before_kept)):
            promise = predict(group, *bench, sky)
            measures = group.measures(predicted_fwhm_arcsec=promise.fwhm_arcsec)
            if measures.snr and promise.snr:
                snrs.append(abs(promise.snr / measures.snr - 1.0))
            if measures.keeper_fraction is not None:
                keeps.append(abs(promise.keeper_fraction - measures.keeper_fraction))
        promise = predict(group, *better, sky)
        reached = group.measures(predicted_fwhm_arcsec=promise.fwhm_arcsec).faintest_mag
        if reached is not None:
            limit.append(abs(reached - promise.faintest_mag))
    for name, values_ in (("snr", snr), ("kept", kept), ("limit", limit),
                          ("snr_before", before_snr), ("kept_before", before_kept)):  # fmt: skip
        if values_:
            found[name] = float(np.mean(values_))
    return found


def drawn_kits(count: int, rng, sky) -> list[dict[str, float]]:
    """Hidden kits at the level of measurements: two nights teach, the third tests."""
    stated = load_kit("long 102"), load_site("Fig Tree Yard")
    rows = []
    for _ in range(count):
        truth = hide(rng, *stated)
        nights = [
            [drawn_group(rng, n, name, truth, stated[0], sky, frames=60) for name in
             rng.choice(OBJECTS, 2, replace=False)]
            for n in range(3)
        ]  # fmt: skip
        rows.append(outcome([*nights[0], *nights[1]], nights[2], truth, stated, sky))
    return rows


def rendered_kit(number: int, sky) -> dict[str, float]:
    """A hidden kit as whole frames, rendered, judged and logged: two nights teach, one tests."""
    from slowglass.expose.forecast import render_forecast
    from slowglass.judge.assess import assess_frame
    from slowglass.judge.live_enough import target_light
    from slowglass.learn.groups import groups_of

    rng = np.random.default_rng([23, number])
    base, site = load_kit("long 102"), load_site("Fig Tree Yard")
    small = base.camera.model_copy(update={"width_px": 2000, "height_px": 1340, "pixel_um": 7.8})
    base = base.model_copy(update={"camera": small})
    truth = hide(rng, base, site, colours=True)
    # Two turns of the worm, as in twenty minutes with pauses.
    step_s = 2.0 * base.mount.worm_period_s / RENDERED_FRAMES
    with tempfile.TemporaryDirectory() as folder, open_logbook(Path(folder) / "l.sqlite") as log:
        for night in range(3):
            thing = sky.objects.get(RENDERED_OBJECTS[(number + night) % len(RENDERED_OBJECTS)])
            phase = rng.uniform(0, 2 * math.pi)
            angle = 180.0 + rng.normal(0.0, 3.0)
            for k in range(RENDERED_FRAMES):
                when = FIRST + timedelta(days=night, seconds=k * step_s)
                # The field wanders with the worm and the axis: the truth moves each frame.
                since = np.array([0.0, k * step_s + EXPOSURE_S / 2])
                air = conditions_at(truth[1], thing.ra_deg, thing.dec_deg,
                                    FIRST + timedelta(days=night))  # fmt: skip
                east, north = field_path_arcsec(
                    since, truth[0].mount, dec_deg=thing.dec_deg,
                    hour_angle_deg=air.hour_angle_deg, latitude_deg=truth[1].latitude_deg,
                    phase_rad=phase,
                )  # fmt: skip
                frame = render_forecast(
                    *truth, sky, thing, exposure_s=EXPOSURE_S, when=when, rotation_deg=angle,
                    offset_arcsec=(-float(east.ravel()[1]), -float(north.ravel()[1])),
                    worm_phase_rad=phase + 2 * math.pi * k * step_s / truth[0].mount.worm_period_s,
                    seed=1000 * number + 100 * night + k,
                )  # fmt: skip
                judged = assess_frame(
                    frame, sky, now_utc=when, near=sky_place(thing), target=sky_place(thing),
                    kit=base, site=site,
                )  # fmt: skip
                wcs = judged.solution.wcs
                light = None if wcs is None else target_light(
                    frame, thing, wcs, base.camera.gain_e_per_adu
                )  # fmt: skip
                verdict = replace(judged.verdict, file=f"{night}-{k}.fits")
                log_verdict(log, verdict, f"{night}-{k}", kit=base, site=site, sky=sky,
                            target=thing, light=light)  # fmt: skip
        groups = groups_of(log)
    evenings = sorted({g.night.evening for g in groups})
    past = [g for g in groups if g.night.evening in evenings[:2]]
    future = [g for g in groups if g.night.evening == evenings[2]]
    return outcome(past, future, truth, (base, site), sky)


def sky_place(thing):
    from slowglass.sky.place import Place

    return Place(thing.name, thing.ra_deg, thing.dec_deg, thing)


def search_times(frames: int) -> dict[str, float]:
    """Milliseconds of typical questions to a logbook of so many frames."""
    with tempfile.TemporaryDirectory() as folder, open_logbook(Path(folder) / "l.sqlite") as log:
        for n in range(100):
            night = log.night(Night(f"20{26 + n // 50:02}-{n % 12 + 1:02}-{n // 12 % 28 + 1:02}",
                                    "a", str(n)))  # fmt: skip
            rows = [
                LoggedFrame(
                    f"{n}-{k}", f"night{n}/frame_{k:05}.fits", object=f"NGC{(n * 7 + k) % 3000:04}",
                    keeper=k % 3 > 0, fwhm_arcsec=2.0 + (k * 7919 % 1000) / 200,
                    ra_deg=(k * 137.5) % 360, dec_deg=(k * 0.37) % 180 - 90,
                    start_utc=f"2026-01-01T00:{k % 60:02}:00Z", verdict={"pad": "x" * 1200},
                )
                for k in range(frames // 100)
            ]  # fmt: skip
            log.log_frames(night, rows)
        questions = {
            "an object's frames below 3″": FrameQuery(object="NGC0700", fwhm_below_arcsec=3.0),
            "within 2° of a place": FrameQuery(near=(83.8, -5.4, 2.0)),
            "part of a file's name": FrameQuery(text="night42/frame_0007"),
            "keepers below 2.1″": FrameQuery(keeper=True, fwhm_below_arcsec=2.1, limit=500),
        }
        times = {}
        for name, query in questions.items():
            each = []
            for _ in range(5):  # the best of five: other work on the machine is not ours to tell
                started = time.perf_counter()
                found = log.frames(query)
                each.append(1000.0 * (time.perf_counter() - started))
            times[f"{name} ({len(found)})"] = min(each)
    return times


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--quick", action="store_true")
    parser.add_argument("--kits", type=int, default=200)
    parser.add_argument("--rendered", type=int, default=24)
    parser.add_argument("--part", choices=("cameras", "drawn", "rendered", "search"))
    parser.add_argument("--first", type=int, default=0, help="number of the first rendered kit")
    parser.add_argument("--rows", type=Path, help="keep the rendered kits here; sum up all there")
    given = parser.parse_args()
    kits, rendered = (20, 2) if given.quick else (given.kits, given.rendered)
    rng = np.random.default_rng(11)
    sky = open_sky()
    parts = ("cameras", "drawn", "rendered", "search") if given.part is None else (given.part,)
    if "cameras" in parts:
        for name, errors in hidden_cameras(6 if given.quick else 40, rng).items():
            worst = np.max(np.abs(np.array(errors)), axis=0)
            print(f"cameras by {name}: {len(errors)}, worst error of gain {worst[0]:.2%} "
                  f"(goal 2 %), of read noise {worst[1]:.2%} (goal 5 %)")  # fmt: skip
    if "drawn" in parts:
        _told_kits("drawn", drawn_kits(kits, rng, sky))
    if "rendered" in parts:
        rows = []
        for number in range(given.first, given.first + rendered):
            rows.append(rendered_kit(number, sky))
            if given.rows is not None:
                with given.rows.open("a", encoding="utf-8") as file:
                    file.write(json.dumps({"kit": number, **rows[-1]}) + "\n")
        if given.rows is not None:
            rows = [json.loads(line) for line in given.rows.read_text("utf-8").splitlines()]
        _told_kits("rendered", rows)
    if "search" in parts:
        for name, ms in search_times(100_000).items():
            print(f"100 000 frames, {name}: {ms:.1f} ms (goal 100)")


def _told_kits(title: str, rows: list[dict[str, float]]) -> None:
    print(f"hidden kits, {title}: {len(rows)}")
    _told("signal to noise of the third night within 15 %", rows, "snr", 0.15)
    _told("   with the kit as stated", rows, "snr_before", 0.15)
    _told("share kept within 10 points", rows, "kept", 0.10)
    _told("   with the kit as stated", rows, "kept_before", 0.10)
    _told("zero point within 0.05 mag", rows, "zero_point", 0.05)
    _told("   red against green", rows, "red", 0.05)
    _told("   blue against green", rows, "blue", 0.05)
    _told("limiting magnitude of the third night within 0.2", rows, "limit", 0.2)
    _told("swing of the drive within 10 %", rows, "swing", 0.10)


def _told(title: str, rows: list[dict[str, float]], key: str, goal: float) -> None:
    values = np.abs([row[key] for row in rows if key in row])
    if values.size:
        print(f"  {title}: {np.mean(values <= goal):.0%} of {values.size}, "
              f"median {np.median(values):.3f}")  # fmt: skip


if __name__ == "__main__":
    main()
