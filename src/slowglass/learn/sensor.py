"""Measuring the camera on a folder of bias frames, darks and flats."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

from slowglass.errors import NothingUseful, SlowglassError, UnreadableFile
from slowglass.learn.transfer import (
    USABLE_SHARE,
    Measured,
    PairPoints,
    Transfer,
    clipping_level_adu,
    corner_loss,
    dark_current_e_s,
    fit_transfer,
    fixed_pattern_fraction,
    hot_pixel_fraction,
    pair_points,
)
from slowglass.learn.values import KitValue, kit_value
from slowglass.progress import Report, silent

if TYPE_CHECKING:
    from slowglass.frame.image import Frame
    from slowglass.kit.model import Kit

MOST_PAIRS = 8
"""Pairs of one kind that are used: more would only cost time."""
SAME_LIGHT = 0.03
"""Flats of one pair agree in level to this share."""
LONG_DARK_S = 10.0
"""From this exposure on a dark shows which pixels are hot."""


@dataclass(frozen=True, eq=False)
class SensorResult:
    """What a folder of calibration frames says about a camera."""

    values: tuple[KitValue, ...]
    transfer: Transfer
    points: tuple[PairPoints, ...]
    """Flat pairs, for the plot."""
    biases: tuple[PairPoints, ...]
    notes: tuple[str, ...]
    """What could not be measured, and what would be needed."""
    left_out: tuple[tuple[str, str], ...]
    """Files not used, each with the reason."""
    temperature_c: float | None

    def to_json(self) -> dict[str, Any]:
        """A JSON-serialisable mapping without the plot's points."""
        return {
            "values": [value.to_json() for value in self.values],
            "gain_by_colour": [[m.value, m.sigma] for m in self.transfer.gain_by_colour],
            "notes": list(self.notes),
            "left_out": [{"file": file, "reason": why} for file, why in self.left_out],
            "temperature_c": self.temperature_c,
        }


def measure_sensor(folder: Path, kit: Kit, *, report: Report = silent) -> SensorResult:
    """Gain, read noise, full well, dark current, black level and flaws of the kit's camera.

    Needs two bias frames and two flats of equal light; darks add dark current and hot pixels.
    Raises ``NothingUseful`` when the folder has too few, saying which are wanting.
    """
    from slowglass.finish.sort import sort_folder

    if not folder.is_dir():
        raise UnreadableFile(folder, "there is no such folder", "name one with bias and flats")
    kinds, _ = sort_folder(folder, report)
    paths = {kind: list(kinds.get(kind, [])) for kind in ("bias", "dark", "flat")}
    reader = _Reader(paths, kit, report)
    biases, black, temperature = _bias_pairs(reader)
    flats, clip = _flat_pairs(reader)
    if not biases or not flats:
        wanting = "two bias frames" if not biases else "two flats of equal light"
        counts = ", ".join(f"{len(v)} {k}" for k, v in paths.items())
        why = f"; {reader.left_out[0][0]}: {reader.left_out[0][1]}" if reader.left_out else ""
        raise NothingUseful(
            f"{folder} lacks {wanting} (found: {counts}{why})",
            "take a few with the camera's own settings of the night",
        )
    white_adu = reader.white_adu
    transfer = fit_transfer(flats, biases, white_adu=white_adu)
    if transfer is None:
        raise NothingUseful(
            f"the flats in {folder} carry no light that noise can be read from",
            f"take them between a tenth and {USABLE_SHARE:.0%} of full",
        )
    darks, hot = _dark_pairs(reader)
    notes: list[str] = []
    values = _values(kit, reader, transfer, flats, biases, darks, black, clip, hot, notes)
    return SensorResult(
        values=tuple(values),
        transfer=transfer,
        points=tuple(flats),
        biases=tuple(biases),
        notes=tuple(notes),
        left_out=tuple(reader.left_out),
        temperature_c=temperature,
    )


class _Reader:
    """Reads frames one by one and lets only those of one camera setting through."""

    def __init__(self, paths: dict[str, list[Path]], kit: Kit, report: Report) -> None:
        self.paths = paths
        self.kit = kit
        self.report = report
        self.left_out: list[tuple[str, str]] = []
        self.used: dict[str, list[str]] = {kind: [] for kind in paths}
        self.white_adu = 0.0
        self.mosaic = False
        self._setting: tuple[Any, ...] | None = None
        self._done = 0
        self._total = sum(map(len, paths.values()))

    def frames(self, kind: str) -> Iterator[tuple[Path, Frame]]:
        """Frames of a kind that share the first one's size, mosaic and ISO."""
        from slowglass.frame.io import read_frame

        for path in self.paths[kind]:
            self.report(path.name, self._done, self._total)
            self._done += 1
            try:
                frame = read_frame(path)
            except SlowglassError as error:
                self.left_out.append((path.name, error.what))
                continue
            why = self._refusal(frame)
            if why:
                self.left_out.append((path.name, why))
                continue
            yield path, frame

    def _refusal(self, frame: Frame) -> str:
        if frame.is_colour:
            return "a developed colour picture: its pixels are no longer the sensor's"
        camera = self.kit.camera
        if (frame.width_px, frame.height_px) != (camera.width_px, camera.height_px):
            return (
                f"{frame.width_px} × {frame.height_px} px, the kit's camera has "
                f"{camera.width_px} × {camera.height_px}"
            )
        setting = (frame.bayer, frame.header.iso, frame.black_adu)
        if self._setting is None:
            self._setting = setting
            self.white_adu = frame.white_adu
            self.mosaic = frame.bayer is not None
        elif setting[:2] != self._setting[:2]:
            return f"ISO {setting[1]}, mosaic {setting[0]}: not the setting of the first frame"
        return ""


def _bias_pairs(reader: _Reader) -> tuple[list[PairPoints], list[float], float | None]:
    pairs: list[PairPoints] = []
    blacks: list[float] = []
    temperatures: Counter[float] = Counter()
    before: tuple[Path, Frame] | None = None
    for path, frame in reader.frames("bias"):
        if frame.header.temperature_c is not None:
            temperatures[frame.header.temperature_c] += 1
        if before is None:
            before = (path, frame)
            continue
        pair = pair_points(before[1].pixels, frame.pixels, mosaic=reader.mosaic)
        pairs.append(pair)
        blacks.append(pair.level_adu + frame.black_adu)
        reader.used["bias"] += [before[0].name, path.name]
        before = None
        if len(pairs) == MOST_PAIRS:
            break
    return pairs, blacks, temperatures.most_common(1)[0][0] if temperatures else None


def _flat_pairs(reader: _Reader) -> tuple[list[PairPoints], float | None]:
    pairs: list[PairPoints] = []
    clip: float | None = None
    waiting: list[tuple[Path, Frame, float]] = []
    for path, frame in reader.frames("flat"):
        found = clipping_level_adu(frame.pixels)
        if found is not None:
            clip = found if clip is None else min(clip, found)
        level = float(frame.pixels[::16, ::16].mean())
        if level > USABLE_SHARE * frame.white_adu:
            if found is None:
                reader.left_out.append((path.name, "too bright for its noise to be trusted"))
            continue
        partner = next(
            (w for w in waiting if abs(w[2] - level) <= SAME_LIGHT * max(level, w[2])), None
        )
        if partner is None:
            waiting = [*waiting[-3:], (path, frame, level)]
            continue
        waiting = [w for w in waiting if w is not partner]
        pairs.append(pair_points(partner[1].pixels, frame.pixels, mosaic=reader.mosaic))
        reader.used["flat"] += [partner[0].name, path.name]
        if len(pairs) == MOST_PAIRS:
            break
    reader.left_out += [(w[0].name, "no other flat of equal light") for w in waiting]
    return pairs, clip


def _dark_pairs(
    reader: _Reader,
) -> tuple[dict[float, list[PairPoints]], tuple[float, Measured] | None]:
    pairs: dict[float, list[PairPoints]] = {}
    waiting: dict[float, tuple[Path, Frame]] = {}
    hot: tuple[float, Measured] | None = None
    for path, frame in reader.frames("dark"):
        exposure_s = frame.header.exposure_s
        if not exposure_s:
            reader.left_out.append((path.name, "its header states no exposure"))
            continue
        if exposure_s not in waiting:
            waiting[exposure_s] = (path, frame)
            continue
        first_path, first = waiting.pop(exposure_s)
        same = pairs.setdefault(exposure_s, [])
        if len(same) < MOST_PAIRS:
            same.append(pair_points(first.pixels, frame.pixels, mosaic=reader.mosaic))
            reader.used["dark"] += [first_path.name, path.name]
        if exposure_s >= LONG_DARK_S and (hot is None or exposure_s > hot[0]):
            share = hot_pixel_fraction(first.pixels, frame.pixels, mosaic=reader.mosaic)
            hot = (exposure_s, share)
    reader.left_out += [(p.name, "no other dark of its exposure") for p, _ in waiting.values()]
    return pairs, hot


def _values(
    kit: Kit,
    reader: _Reader,
    transfer: Transfer,
    flats: Sequence[PairPoints],
    biases: Sequence[PairPoints],
    darks: dict[float, list[PairPoints]],
    blacks: Sequence[float],
    clip: float | None,
    hot: tuple[float, Measured] | None,
    notes: list[str],
) -> list[KitValue]:
    gain = transfer.gain_e_per_adu
    of_light = tuple(reader.used["flat"] + reader.used["bias"])
    of_bias = tuple(reader.used["bias"])
    of_dark = tuple(reader.used["dark"])
    light = f"{_pairs(len(flats), 'flat')} and {_pairs(len(biases), 'bias')}"
    values = [
        kit_value(kit, "camera.gain_e_per_adu", "gain", "e⁻/ADU", gain,
                  f"noise against light, {light}", of_light),
        kit_value(kit, "camera.read_noise_e", "read noise", "e⁻", transfer.read_noise_e,
                  f"noise without light, {light}; rounding taken off", of_light),
        kit_value(kit, "camera.black_adu", "black level", "ADU", _mean(blacks),
                  f"level of {_pairs(len(biases), 'bias')}", of_bias),
    ]  # fmt: skip
    if clip is None:
        notes.append("Full well: needs a flat so bright that pixels clip")
    else:
        black = _mean([pair.level_adu for pair in biases]).value
        well = Measured((clip - black) * gain.value, (clip - black) * gain.sigma)
        ceiling = clip + (blacks[0] - black) >= 2.0**kit.camera.bits - 1.5
        if ceiling:
            notes.append(
                f"Full well: the converter ends first, at {well.value:,.0f} e⁻; "
                "the well itself holds at least that".replace(",", " ")
            )
        else:
            values.append(
                kit_value(kit, "camera.full_well_e", "full well", "e⁻", well,
                          "level at which pixels of a flat clip", of_light)
            )  # fmt: skip
    corners = corner_loss(list(flats), list(biases))
    if corners is not None and 0.0 <= corners.value <= 0.95:
        values.append(
            kit_value(kit, "optics.corner_loss", "light lost in the corners", "", corners,
                      f"fall of {_pairs(len(flats), 'flat')} toward the corners", of_light)
        )  # fmt: skip
    pattern = fixed_pattern_fraction(list(flats), list(biases))
    if pattern is not None:
        values.append(
            KitValue("pixel_response_spread", "unlikeness of the pixels", "", pattern.value,
                     pattern.sigma, None, "spread between neighbours of the brightest flat pair",
                     of_light, adoptable=False)
        )  # fmt: skip
    current = dark_current_e_s(darks, list(biases), gain_e_per_adu=gain.value)
    if current is None:
        notes.append("Dark current: needs two darks of one exposure; two exposures are better")
    else:
        value, held = current
        times = ", ".join(f"{t:g}" for t in sorted(darks))
        how = f"darks of {times} s against bias"
        if held:
            how += "; from the noise, since the camera holds its black level"
        values.append(
            kit_value(kit, "camera.dark_e_per_s", "dark current", "e⁻/s", value, how, of_dark)
        )
    if hot is None:
        notes.append(f"Hot pixels: need two darks of {LONG_DARK_S:g} s or more")
    else:
        values.append(
            kit_value(kit, "camera.hot_pixel_fraction", "hot pixels", "", hot[1],
                      f"pixels that stand out of two darks of {hot[0]:g} s", of_dark)
        )  # fmt: skip
    return values


def _pairs(count: int, kind: str) -> str:
    return f"one {kind} pair" if count == 1 else f"{count} {kind} pairs"


def _mean(values: Sequence[float]) -> Measured:
    middle = sum(values) / len(values)
    spread = max(values) - min(values)
    # Half the range over √n where few frames are, and never finer than a step of the converter.
    return Measured(middle, max(spread / 2.0 / len(values) ** 0.5, 0.29 / len(values) ** 0.5))
