"""Which motion made a trail: each cause proposes paths, the series' frames weigh them.

A path that made the judged frame's trail also says where the other frames should stand and how
long their trails should be. The chance of a cause is the mean, over its paths, of how well it
foretells both. Offsets in arcsec on the sky, (east, north).
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from itertools import product

import numpy as np
import numpy.typing as npt

Floats = npt.NDArray[np.float64]
Path = Callable[[Floats], Floats]
"""Offsets (n, 2) at times, s from the middle of the judged frame."""

PRIORS = {"drive": 0.35, "polar axis": 0.2, "wind": 0.2, "slip": 0.25}
"""How often a light mount with a motor in RA only shows each (common practice, no source)."""
USUAL_SKEW = {"drive": 0.02, "polar axis": 0.006, "wind": 0.015, "slip": 0.06}
"""Mean lopsidedness (exponential): an even drift has none, a jump leaves most. Measured on
rendered trails."""
JUMP_SCALES = (1.0, 1.6, 2.5)
"""A jump is longer than its fitted ellipticity says where most of the light is in one lump."""
STEPS = 24
USUAL_PERIODS_S = (240.0, 360.0, 480.0, 600.0, 665.0, 860.0, 1200.0)
"""Worm periods tried where the mount's is unknown."""
USUAL_SWING_ARCSEC, SWING_SPREAD = 15.0, 0.9
HARMONICS_SLACK = 0.25
"""A worm's harmonics move frames by this share of the pure swing."""
SETTLE_TIMES_S = (90.0, 240.0, 600.0)
TEMPER = 0.6
"""Logarithms of the odds are taken by this much: real mounts are not their models."""
LEAST_CHANCE = 0.003
"""No cause is ever ruled out altogether."""


@dataclass(frozen=True, eq=False)
class Motion:
    """A frame's part in weighing paths; times from the middle of the judged frame.

    ``place`` is the frame's place on the sky (east, north), None where unplaced; ``tensor`` is
    (EE − NN)/2 and EN of the excess variance, arcsec², None where unmeasured.
    """

    time_s: float
    exposure_s: float
    place: Floats | None
    place_error: float
    tensor: Floats | None
    tensor_error: float
    skew: float | None = None
    """Common lopsidedness of the images, whatever its direction."""


def weigh_paths(
    frames: Sequence[Motion], judged: int, *, dec_deg: float, worm_period_s: float | None
) -> dict[str, float]:
    """The chance of drive, polar axis, wind and slip to have made the judged frame's trail."""
    tensor = frames[judged].tensor
    assert tensor is not None
    variance = 2.0 * float(np.hypot(*tensor))
    angle = 0.5 * math.atan2(tensor[1], tensor[0])  # from east toward north
    along = np.array([math.cos(angle), math.sin(angle)])
    exposure = frames[judged].exposure_s
    logs = {
        "polar axis": _steady(frames, judged, along, variance, exposure)
        + math.log(_polar_direction(angle, dec_deg)),
        "drive": _drive(frames, judged, variance, exposure, worm_period_s, dec_deg),
        "wind": _score(frames, judged, None, variance),
        "slip": _slip(frames, judged, along, variance, exposure),
    }
    skew = frames[judged].skew
    if skew is not None:
        for name, usual in USUAL_SKEW.items():
            logs[name] -= math.log(usual) + min(skew / usual, 6.0)
    return _normalised({k: TEMPER * v + math.log(PRIORS[k]) for k, v in logs.items()})


def _polar_direction(angle_rad: float, dec_deg: float) -> float:
    """Density of a polar-axis drift's direction over that of any direction.

    For an axis off in a random direction the drift is (sin δ · cos θ, sin θ) with even θ.
    """
    s = max(0.12, abs(math.sin(math.radians(dec_deg))))
    east, north = math.cos(angle_rad), math.sin(angle_rad)
    return s / (s * s * north * north + east * east)


def _steady(
    frames: Sequence[Motion], judged: int, along: Floats, variance: float, exposure: float
) -> float:
    speed = math.sqrt(12.0 * variance) / exposure
    return _mean_log(
        _score(frames, judged, _straight(sign * speed * along), variance) for sign in (1.0, -1.0)
    )


def _straight(velocity: Floats) -> Path:
    """The path of a steady motion, arcsec/s."""

    def path(t: Floats) -> Floats:
        return np.outer(t, velocity)

    return path


def _drive(
    frames: Sequence[Motion],
    judged: int,
    variance: float,
    exposure: float,
    worm_period_s: float | None,
    dec_deg: float,
) -> float:
    """A worm's swing at any phase, or a motor at the wrong rate: east-west only."""
    east = np.array([1.0, 0.0])
    tensor = frames[judged].tensor
    assert tensor is not None
    # How well the trail lies along RA, over any direction.
    error = frames[judged].tensor_error + 0.12 * variance
    off = 0.5 * math.atan2(tensor[1], tensor[0])
    wide = min(0.6, 0.5 * error / (0.5 * variance) + 0.04)
    direction = 0.97 * math.sqrt(math.pi / 2.0) / wide * math.exp(-0.5 * (off / wide) ** 2) + 0.03

    def scores() -> Iterator[tuple[float, float]]:
        periods = (worm_period_s,) if worm_period_s else USUAL_PERIODS_S
        cos_dec = max(0.05, math.cos(math.radians(dec_deg)))
        within = (np.arange(STEPS) + 0.5) / STEPS * exposure - 0.5 * exposure
        for period in periods:
            count = 48 if worm_period_s else 24
            for phase in np.arange(count) * (2.0 * np.pi / count):
                unit = np.sin(2.0 * np.pi * within / period + phase)
                spread = float(np.var(unit))
                size = math.sqrt(variance / max(spread, 1e-9))
                rarity = math.log(size / cos_dec / USUAL_SWING_ARCSEC) / SWING_SPREAD

                def path(t: Floats, p: float = period, a: float = phase, k: float = size) -> Floats:
                    return k * np.sin(2.0 * np.pi * t / p + a)[:, None] * east

                yield _score(frames, judged, path, variance, HARMONICS_SLACK), -0.5 * rarity**2
        speed = math.sqrt(12.0 * variance) / exposure
        for sign in (1.0, -1.0):
            yield _score(frames, judged, _straight(sign * speed * east), variance), -1.0

    both = list(scores())
    weights = np.array([w for _, w in both])
    return (
        math.log(direction) + _log_sum(np.array([s for s, _ in both]) + weights) - _log_sum(weights)
    )


def _slip(
    frames: Sequence[Motion], judged: int, along: Floats, variance: float, exposure: float
) -> float:
    """A jump at some moment of the exposure, or a tube that settles ever more slowly."""

    def paths() -> Iterator[float]:
        for sign in (1.0, -1.0):
            for share, scale in product((0.08, 0.2, 0.35, 0.5, 0.65, 0.8, 0.92), JUMP_SCALES):
                jump = sign * scale * math.sqrt(variance / (share * (1.0 - share)))
                moment = (share - 0.5) * exposure

                def step(t: Floats, j: float = jump, m: float = moment) -> Floats:
                    return j * (t > m)[:, None] * along

                yield _score(frames, judged, step, variance)
            within = (np.arange(STEPS) + 0.5) / STEPS * exposure - 0.5 * exposure
            for settle in SETTLE_TIMES_S:
                size = math.sqrt(variance / float(np.var(np.exp(-within / settle))))

                def settling(t: Floats, k: float = sign * size, tau: float = settle) -> Floats:
                    return -k * np.exp(-np.clip(t / tau, -6.0, None))[:, None] * along

                yield _score(frames, judged, settling, variance)

    return _mean_log(paths())


def _score(
    frames: Sequence[Motion],
    judged: int,
    path: Path | None,
    variance: float,
    slack: float = 0.15,
) -> float:
    """Log-likelihood of the places and trails of all the frames, given a path.

    None stands for wind: shaken to and fro about a place that stays, every frame in its own way.
    """
    log = 0.0
    placed = [i for i, f in enumerate(frames) if f.place is not None]
    scale = math.sqrt(variance)
    means = np.zeros((len(frames), 2))
    tensors = np.zeros((len(frames), 2))
    if path is not None:
        for i, frame in enumerate(frames):
            t = frame.time_s + ((np.arange(STEPS) + 0.5) / STEPS - 0.5) * frame.exposure_s
            offsets = path(t)
            means[i] = offsets.mean(axis=0)
            away = offsets - means[i]
            ee, nn = np.mean(away**2, axis=0)
            tensors[i] = 0.5 * (ee - nn), np.mean(away[:, 0] * away[:, 1])
    if len(placed) >= 2:
        log += _places_log(frames, placed, judged, means, scale, slack)
    for i, frame in enumerate(frames):
        if i == judged or frame.tensor is None:
            continue
        off2 = float(np.sum((frame.tensor - tensors[i]) ** 2))
        calm2 = frame.tensor_error**2 + (0.06 * variance) ** 2
        if path is None:
            # Some frames are calm, others have gusts of their own.
            gusty2 = frame.tensor_error**2 + (0.5 * variance) ** 2
            both = np.array([_heavy_tailed(off2, calm2), _heavy_tailed(off2, gusty2)])
            log += _log_sum(both + np.log([0.6, 0.4]))
        else:
            log += _heavy_tailed(off2, calm2 + (0.25 * float(np.hypot(*tensors[i]))) ** 2)
    return log


def _places_log(
    frames: Sequence[Motion],
    placed: Sequence[int],
    judged: int,
    means: Floats,
    scale: float,
    slack: float,
) -> float:
    """Both coordinates as Gaussian processes: unknown offset, slow drift, jitter, path errors."""
    times = np.array([frames[i].time_s for i in placed])
    moved = means[placed]
    apart = moved - means[judged]
    exposure = max(frames[judged].exposure_s, 1.0)
    log = 0.0
    for axis in (0, 1):
        seen = np.array([frames[i].place[axis] for i in placed])  # type: ignore[index]
        own = np.array([frames[i].place_error for i in placed]) ** 2
        own = own + (0.12 * scale) ** 2 + (slack * apart[:, axis]) ** 2
        slow = (0.25 * scale / exposure) ** 2
        covariance = np.diag(own) + 1e6 + slow * np.outer(times, times)
        off = seen - moved[:, axis]
        off = off - off[0]
        sign, size = np.linalg.slogdet(covariance)
        log -= 0.5 * (float(off @ np.linalg.solve(covariance, off)) + float(sign * size))
    return log


def _heavy_tailed(off2: float, wide2: float) -> float:
    """Log density of a two-dimensional Student t with 4 degrees of freedom."""
    return -math.log(2.0 * math.pi * wide2) - 3.0 * math.log1p(off2 / (4.0 * wide2))


def _mean_log(values: Iterator[float]) -> float:
    logs = np.array(list(values))
    return _log_sum(logs) - math.log(logs.size)


def _log_sum(logs: Floats) -> float:
    top = float(logs.max())
    return top + math.log(float(np.exp(logs - top).sum()))


def _normalised(logs: dict[str, float]) -> dict[str, float]:
    total = _log_sum(np.array(list(logs.values())))
    raw = {k: math.exp(v - total) + LEAST_CHANCE for k, v in logs.items()}
    whole = sum(raw.values())
    return {k: v / whole for k, v in raw.items()}
