"""Taking the logbook out and in: JSON (everything), CSV and ECSV (the frames as a table).

JSON holds every entry and comes back whole; reading the same file twice changes nothing. The
tables hold the frames for a spreadsheet or for astropy (ECSV, Astropy APE 6).
"""

from __future__ import annotations

import csv
import io
import json
from collections.abc import Iterable, Mapping
from dataclasses import MISSING, asdict, dataclass, fields
from pathlib import Path
from typing import Any, TypeVar

from slowglass.errors import UnreadableFile, UsageError
from slowglass.frame.atomic import replacing
from slowglass.learn.logbook.records import (
    FrameQuery,
    LoggedFrame,
    LoggedMeasurement,
    LoggedNote,
    LoggedPicture,
    LoggedPlan,
    Night,
)
from slowglass.learn.logbook.store import Logbook

FORMAT = "slowglass logbook 1"
PARTS: dict[str, type[Any]] = {
    "nights": Night,
    "frames": LoggedFrame,
    "plans": LoggedPlan,
    "pictures": LoggedPicture,
    "notes": LoggedNote,
    "measurements": LoggedMeasurement,
}
COLUMNS: dict[str, tuple[str, type, str]] = {
    # Column of the table: unit, type, what it is.
    "evening": ("", str, "Local date of the evening"),
    "site": ("", str, "Site"),
    "kit": ("", str, "Kit"),
    "start_utc": ("", str, "Start of the exposure, UTC"),
    "object": ("", str, "Object, catalogue id"),
    "kind": ("", str, "Light, dark, flat or bias"),
    "exposure_s": ("s", float, "Exposure"),
    "solved": ("", bool, "Matched to the catalogue"),
    "keeper": ("", bool, "Worth stacking"),
    "ra_deg": ("deg", float, "Centre, ICRS right ascension"),
    "dec_deg": ("deg", float, "Centre, ICRS declination"),
    "altitude_deg": ("deg", float, "Altitude of the centre"),
    "fwhm_arcsec": ("arcsec", float, "FWHM of the stars"),
    "elongation": ("", float, "Major over minor axis of the stars"),
    "sky_mag_arcsec2": ("mag / arcsec2", float, "Sky brightness"),
    "zero_point_mag": ("mag", float, "V of a star that gives one ADU a second, green"),
    "zero_point_red_mag": ("mag", float, "The same of the red pixels"),
    "zero_point_blue_mag": ("mag", float, "The same of the blue pixels"),
    "faintest_mag": ("mag", float, "V of a star of five times the noise"),
    "snr": ("", float, "Signal to noise of the object in a resolution element"),
    "file": ("", str, "File"),
    "fingerprint": ("", str, "Name for the file's content"),
}
Part = TypeVar("Part")


@dataclass(frozen=True)
class Taken:
    """How much a file brought in."""

    new: int
    known: int


def write_logbook(logbook: Logbook, path: Path, query: FrameQuery | None = None) -> int:
    """How many entries were written to a .json, .csv or .ecsv file.

    JSON takes everything; a query narrows the frames of the tables.
    """
    suffix = path.suffix.lower()
    if suffix == ".json":
        if query not in (None, FrameQuery()):
            raise UsageError(
                f"{path.name}: JSON takes the whole logbook", "write the chosen frames to .csv"
            )
        return _write_json(logbook, path)
    if suffix not in (".csv", ".ecsv"):
        raise UsageError(
            f"{path.name}: the logbook is written as .json, .csv or .ecsv",
            "end the name in one of them",
        )
    rows = frame_table(logbook, query)
    if suffix == ".csv":
        text = io.StringIO(newline="")
        writer = csv.DictWriter(text, list(COLUMNS), lineterminator="\r\n")
        writer.writeheader()
        writer.writerows(rows)
        with replacing(path) as temporary:
            # The mark tells spreadsheets that the text is UTF-8.
            temporary.write_text(text.getvalue(), encoding="utf-8-sig", newline="")
    else:
        _write_ecsv(rows, path)
    return len(rows)


def read_logbook(logbook: Logbook, path: Path) -> Taken:
    """How many entries of a .json, .csv or .ecsv file were new; all come in, or none."""
    suffix = path.suffix.lower()
    try:
        if suffix == ".json":
            return _take(logbook, _json_parts(path), path)
        if suffix == ".csv":
            with path.open(encoding="utf-8-sig", newline="") as file:
                rows: list[dict[str, Any]] = list(csv.DictReader(file))
        elif suffix == ".ecsv":
            rows = _read_ecsv(path)
        else:
            raise UsageError(
                f"{path.name}: a logbook is read from .json, .csv or .ecsv", "check the name"
            )
    except UnicodeDecodeError:
        raise UnreadableFile(path, "is not UTF-8 text", "save it as UTF-8") from None
    except OSError as error:
        raise UnreadableFile(path, f"cannot be read ({error.strerror or error})") from error
    return _take(logbook, _table_parts(rows, path), path)


def frame_table(logbook: Logbook, query: FrameQuery | None = None) -> list[dict[str, Any]]:
    """The frames as rows of plain values, a night's evening, site and kit beside each."""
    nights = {night.id: night for night in logbook.all(Night)}
    rows = []
    for frame in logbook.frames(query):
        night = nights[frame.night_id]
        values = asdict(frame) | {
            "evening": night.evening, "site": night.site, "kit": night.kit,
        }  # fmt: skip
        rows.append({name: values[name] for name in COLUMNS})
    return rows


def _write_json(logbook: Logbook, path: Path) -> int:
    parts: dict[str, list[dict[str, Any]]] = {}
    for name, kind in PARTS.items():
        entries: Iterable[Any] = logbook.all(kind)
        if kind is not Night:
            entries = [*entries, *logbook.all(kind, removed=True)]
        parts[name] = [asdict(entry) for entry in entries]
    text = json.dumps({"format": FORMAT, **parts}, ensure_ascii=False, indent=1, allow_nan=False)
    with replacing(path) as temporary:
        temporary.write_text(text, encoding="utf-8")
    return sum(map(len, parts.values()))


def _json_parts(path: Path) -> dict[str, list[Any]]:
    try:
        content = json.loads(path.read_text(encoding="utf-8-sig"))
    except ValueError as error:
        raise UnreadableFile(path, f"is not JSON ({error})") from None
    if not isinstance(content, dict) or content.get("format") != FORMAT:
        raise UnreadableFile(path, "is not a logbook written here", "check the path")
    parts = {}
    for name, kind in PARTS.items():
        rows = content.get(name, [])
        if not isinstance(rows, list):
            raise UnreadableFile(path, f"{name} is not a list")
        parts[name] = [_entry(kind, row, f"{name} {n}", path) for n, row in enumerate(rows, 1)]
    return parts


def _entry(kind: type[Part], row: Any, where: str, path: Path) -> Part:
    known = {f.name: f for f in fields(kind)}  # type: ignore[arg-type]
    if not isinstance(row, Mapping):
        raise UnreadableFile(path, f"{where} is not an object")
    needed = {
        name for name, f in known.items() if f.default is MISSING and f.default_factory is MISSING
    }
    missing = sorted(needed - set(row))
    if missing:
        raise UnreadableFile(path, f"{where} lacks {', '.join(missing)}")
    values = {name: row[name] for name in known if name in row}
    for name, value in values.items():
        fault = _type_fault(str(known[name].type), value)
        if fault:
            raise UnreadableFile(path, f"{where}: {name} is {value!r}, not {fault}")
    if "sources" in values:
        values["sources"] = tuple(values["sources"])
    return kind(**values)


def _type_fault(annotation: str, value: Any) -> str:
    """What the value should have been; empty when it is."""
    if value is None:
        return "" if "None" in annotation else "a value"
    plain = annotation.removesuffix(" | None")
    number = isinstance(value, int | float) and not isinstance(value, bool)
    fits = {
        "str": isinstance(value, str),
        "float": number,
        "int": isinstance(value, int) and not isinstance(value, bool),
        "bool": isinstance(value, bool),
        "Mapping[str, Any]": isinstance(value, Mapping),
        "tuple[str, ...]": isinstance(value, list | tuple)
        and all(isinstance(v, str) for v in value),
    }
    names = {
        "str": "text", "float": "a number", "int": "a whole number", "bool": "true or false",
        "Mapping[str, Any]": "an object", "tuple[str, ...]": "a list of texts",
    }  # fmt: skip
    return "" if fits[plain] else names[plain]


def _table_parts(rows: list[dict[str, Any]], path: Path) -> dict[str, list[Any]]:
    """Nights and frames of a table; each frame carries its night's number."""
    nights: dict[tuple[str, str, str], Night] = {}
    frames = []
    for number, row in enumerate(rows, 1):
        values: dict[str, Any] = {}
        for name, (_unit, kind, _what) in COLUMNS.items():
            if name not in row:
                raise UnreadableFile(path, f"has no column {name}", "keep the heading line")
            values[name] = _cell(row[name], kind, f"row {number}: {name}", path)
        for name in ("evening", "site", "kit", "fingerprint", "file", "kind"):
            if not values[name]:
                raise UnreadableFile(path, f"row {number}: {name} is empty")
        key = (values.pop("evening"), values.pop("site"), values.pop("kit"))
        night = nights.setdefault(key, Night(*key, id=len(nights) + 1))
        values["solved"], values["keeper"] = bool(values["solved"]), bool(values["keeper"])
        frames.append(LoggedFrame(**values, night_id=night.id))
    return {"nights": list(nights.values()), "frames": frames}


def _cell(value: Any, kind: type, where: str, path: Path) -> Any:
    text = "" if value is None else str(value).strip()
    if not text:
        return None
    if kind is str:
        return text
    if kind is bool:
        if text.lower() not in ("true", "false"):
            raise UnreadableFile(path, f"{where} is {text!r}, not True or False")
        return text.lower() == "true"
    try:
        return float(text)
    except ValueError:
        raise UnreadableFile(path, f"{where} is {text!r}, not a number") from None


def _take(logbook: Logbook, parts: Mapping[str, list[Any]], path: Path) -> Taken:
    """Enter what is new. Frames are known by fingerprint, other entries by their content."""
    from slowglass.learn.logbook.merge import merge

    total = sum(map(len, parts.values()))
    new = merge(logbook, parts, source=path)
    return Taken(new, total - new)


def _write_ecsv(rows: list[dict[str, Any]], path: Path) -> None:
    import numpy as np
    from astropy.table import MaskedColumn, Table

    table = Table()
    empty: dict[type, Any] = {str: "", float: np.nan, bool: False}
    for name, (unit, kind, what) in COLUMNS.items():
        values = [row[name] for row in rows]
        table[name] = MaskedColumn(
            [empty[kind] if value is None else value for value in values],
            mask=[value is None for value in values],
            dtype=kind if kind is not str or not values else None,
            unit=unit or None,
            description=what,
        )
    with replacing(path) as temporary:
        table.write(temporary, format="ascii.ecsv", overwrite=True)


def _read_ecsv(path: Path) -> list[dict[str, Any]]:
    import numpy as np
    from astropy.table import Table

    try:
        table = Table.read(path, format="ascii.ecsv")
    except (ValueError, TypeError, KeyError) as error:
        reason = str(error).splitlines()[0]
        raise UnreadableFile(path, f"is not an ECSV table ({reason})") from None
    rows = []
    for row in table:
        values = {name: row[name] for name in table.colnames}
        rows.append({k: None if v is np.ma.masked else v for k, v in values.items()})
    return rows
