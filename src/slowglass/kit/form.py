"""Kit and site as the fields of a form, and what was typed read back into a checked record.

What fields there are, their units, ranges and choices all come from the models, so that a key
added there is asked for here. Nothing typed is ever lost: a record that is not sound comes back as
complaints by key, and the caller keeps the texts.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any, Literal, TypeVar, get_args

from pydantic import BaseModel, ValidationError
from pydantic.fields import FieldInfo

from slowglass.errors import UsageError
from slowglass.kit.coordinates import parse_angle
from slowglass.kit.faults import allowed_words, bounds, faults_by_key, plain, unit_of
from slowglass.kit.model import Kit, Site

AnyRecord = TypeVar("AnyRecord", Kit, Site)
Kind = Literal["number", "whole", "text", "choice", "rows"]

ELSEWHERE = frozenset({"measured", "horizon", "assumed"})
"""Keys that are not typed here: measurements, the drawn skyline, what was assumed."""
ROWS: dict[str, tuple[str, str, str]] = {
    "eyepieces": ("Eyepieces", "focal length in mm, apparent field in °", "25, 50"),
    "light_domes": (
        "Towns that light the low sky",
        "azimuth °, width °, magnitudes brighter at 20° up",
        "225, 60, 1.5",
    ),
}
"""Lists, written one to a line: their name, what stands on a line, and an example."""
ANGLES: dict[str, Literal["latitude", "longitude"]] = {
    "latitude_deg": "latitude",
    "longitude_deg": "longitude",
}
TITLES = {
    "": "In general",
    "optics": "The tube",
    "camera": "The sensor",
    "mount": "The mount",
    "finder": "The finder",
    "stand": "What the mount stands on",
}


@dataclass(frozen=True)
class FormField:
    """One field: its dotted key, what it means, and the text it now holds."""

    key: str
    label: str
    kind: Kind
    text: str
    unit: str = ""
    span: str = ""
    """What may stand in it, in words."""
    choices: tuple[str, ...] = ()
    optional: bool = False
    assumed: bool = False
    measured: bool = False


@dataclass(frozen=True)
class FormSection:
    """Fields that belong together."""

    key: str
    title: str
    fields: tuple[FormField, ...]


def form_sections(record: Kit | Site) -> tuple[FormSection, ...]:
    """The fields of a record with what it holds, by section."""
    assumed = frozenset(record.assumed) if isinstance(record, Kit) else frozenset()
    measured = frozenset(m.quantity for m in record.measured if m.in_use)
    own: list[FormField] = []
    sections: list[FormSection] = []
    for name, field in type(record).model_fields.items():
        value = getattr(record, name)
        if name in ELSEWHERE:
            continue
        if isinstance(value, BaseModel):
            inner = tuple(
                _form_field(f"{name}.{key}", key, info, getattr(value, key), assumed, measured)
                for key, info in type(value).model_fields.items()
            )
            sections.append(FormSection(name, TITLES[name], inner))
        else:
            own.append(_form_field(name, name, field, value, assumed, measured))
    return (FormSection("", TITLES[""], tuple(own)), *sections)


def key_labels() -> dict[str, tuple[str, str]]:
    """What each key of kit and site means, and its unit, by its dotted name."""
    return {
        (f"{name}.{key}" if key else name): (info.description or key or name, unit_of(info))
        for model in (Kit, Site)
        for name, field in model.model_fields.items()
        for key, info in _inner(name, field)
    }


def _inner(name: str, field: FieldInfo) -> list[tuple[str, FieldInfo]]:
    """The keys of a block, or the field itself under an empty name."""
    kind = field.annotation
    if isinstance(kind, type) and issubclass(kind, BaseModel):
        return list(kind.model_fields.items())
    return [("", field)]


def read_form(
    record: AnyRecord, texts: Mapping[str, str]
) -> tuple[AnyRecord | None, dict[str, str]]:
    """(the record with what was typed, complaints by key); None where there are complaints.

    Keys that are absent stay as they are. A value that was assumed and is typed anew is known.
    """
    values = record.model_dump()
    complaints: dict[str, str] = {}
    changed: set[str] = set()
    for section in form_sections(record):
        for field in section.fields:
            text = texts.get(field.key)
            if text is None or text.strip() == field.text.strip():
                continue
            changed.add(field.key)
            owner = values[section.key] if section.key else values
            name = field.key.rpartition(".")[2]
            try:
                owner[name] = typed_value(field, text)
            except UsageError as error:
                complaints[field.key] = str(error)
    if isinstance(record, Kit):
        values["assumed"] = tuple(k for k in record.assumed if k not in changed)
    # A stated value typed over a measured one is what now holds; the measurement stays on file.
    values["measured"] = tuple(
        {**m, "in_use": m["in_use"] and m["quantity"] not in changed} for m in values["measured"]
    )
    model = type(record)
    try:
        made = model.model_validate(values)
    except ValidationError as error:
        return None, {**faults_by_key(error, model), **complaints}
    return (None if complaints else made), complaints


def typed_value(field: FormField, text: str) -> Any:
    """The value meant by a text; UsageError in words that suit to stand beside the field."""
    text = text.strip()
    name = field.key.rpartition(".")[2]
    if not text and field.optional:
        return None
    if field.kind == "rows":
        return _rows(name, text)
    if name in ANGLES and text:
        return parse_angle(text, ANGLES[name])
    if field.kind == "text" and not text:
        raise UsageError("this is empty", "write something short")
    if field.kind in ("text", "choice"):
        return text
    number = typed_number(text, unit=field.unit, needed=field.span)
    if field.kind == "whole":
        if not number.is_integer():
            raise UsageError(f"“{text[:40]}” is not a whole number", f"it needs {field.span}")
        return int(number)
    return number


def typed_number(text: str, *, unit: str = "", needed: str = "a number") -> float:
    """The number of a text with point or comma, a minus of any kind, its unit after it or not."""
    bare = text.strip().replace("−", "-").replace("\u00a0", " ").replace("\u202f", " ")
    if unit:
        bare = bare.removesuffix(unit).strip()
    if bare.count(",") == 1 and "." not in bare:
        bare = bare.replace(",", ".")
    try:
        number = float(bare.replace(" ", "").replace("_", "x"))
    except ValueError:
        raise UsageError(
            f"“{text.strip()[:40]}” is not a number" if text.strip() else "this is empty",
            f"it needs {needed}",
        ) from None
    if number != number or number in (float("inf"), float("-inf")):
        raise UsageError(f"“{text.strip()[:40]}” is not a number", f"it needs {needed}")
    return number


def _rows(name: str, text: str) -> tuple[Any, ...]:
    _, says, example = ROWS[name]
    count = len(example.split(","))
    rows: list[Any] = []
    for number, line in enumerate(text.splitlines(), 1):
        if not line.strip():
            continue
        parts = [p for p in line.replace("−", "-").replace(";", ",").split(",") if p.strip()]
        try:
            values = tuple(float(part) for part in parts)
        except ValueError:
            values = ()
        if len(values) != count:
            raise UsageError(
                f"line {number} (“{line.strip()[:40]}”) is not {says}", f"write it as {example}"
            )
        if name == "eyepieces":
            rows.append({"focal_length_mm": values[0], "apparent_field_deg": values[1]})
        else:
            rows.append(values)
    return tuple(rows)


def _form_field(
    key: str,
    name: str,
    info: FieldInfo,
    value: Any,
    assumed: frozenset[str],
    measured: frozenset[str],
) -> FormField:
    choices = _choices(info)
    optional = type(None) in get_args(info.annotation)
    low, high = bounds(info)
    kind: Kind = "text"
    if name in ROWS:
        kind = "rows"
    elif choices:
        kind = "choice"
    elif info.annotation is int:
        kind = "whole"
    elif low is not None:
        kind = "number"
    span = allowed_words(info) if kind in ("number", "whole") else ""
    if optional and kind == "number":
        span = f"a number from {plain(low)} to {plain(high)}, or nothing"
    if kind == "rows":
        span = f"{ROWS[name][1]}, one on each line, such as {ROWS[name][2]}"
    return FormField(
        key,
        ROWS[name][0] if kind == "rows" else info.description or name,
        kind,
        field_text(name, value),
        unit_of(info),
        span,
        choices,
        optional,
        key in assumed and key not in measured,
        key in measured,
    )


def field_text(name: str, value: Any) -> str:
    """A value as a person would type it."""
    if value is None:
        return ""
    if name == "eyepieces":
        return "\n".join(f"{e.focal_length_mm:g}, {e.apparent_field_deg:g}" for e in value)
    if name == "light_domes":
        return "\n".join(", ".join(f"{n:g}" for n in dome) for dome in value)
    return f"{value:.10g}" if isinstance(value, float) else str(value)


def _choices(info: FieldInfo) -> tuple[str, ...]:
    members = [info.annotation, *get_args(info.annotation)]
    return tuple(
        choice for member in members for choice in get_args(member) if isinstance(choice, str)
    )
