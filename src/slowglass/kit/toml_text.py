"""A kit or a site as a commented TOML text."""

from __future__ import annotations

from typing import Any

from pydantic import BaseModel
from pydantic.fields import FieldInfo

from slowglass.kit.faults import bounds, plain

UNASKED = frozenset({"assumed"})
"""Keys that a fresh text leaves out where they hold nothing."""


def fresh_text(record: BaseModel, title: str) -> str:
    """The whole text of a record, each key with what it means and may hold."""
    lines = [f"# {title}", "# Units stand in the names of the keys.", ""]
    lines += section_lines(record)
    for name, field in type(record).model_fields.items():
        value = getattr(record, name)
        if isinstance(value, BaseModel):
            lines += ["", f"# {field.description}.", f"[{name}]", *section_lines(value)]
        elif value and isinstance(value, tuple) and isinstance(value[0], BaseModel):
            lines += ["", f"# {field.description}."]
            for item in value:
                lines += [f"[[{name}]]", *section_lines(item), ""]
            lines.pop()
    return "\n".join(lines) + "\n"


def section_lines(record: BaseModel) -> list[str]:
    """The keys of one section, each under its comment; a key with nothing in it as an example."""
    lines: list[str] = []
    for name, field in type(record).model_fields.items():
        value = getattr(record, name)
        if isinstance(value, BaseModel) or name in ("eyepieces", "measured"):
            continue
        if name in UNASKED and not value:
            continue
        lines.append(f"# {key_comment(field)}")
        if value is None:
            extra = field.json_schema_extra
            assert isinstance(extra, dict)
            lines.append(f"# {name} = {value_text(extra['example'])}")
        else:
            lines.append(f"{name} = {value_text(value)}")
    return lines


def key_comment(field: FieldInfo) -> str:
    """What a key means and, for a number, what it may hold."""
    low, high = bounds(field)
    extra = field.json_schema_extra if isinstance(field.json_schema_extra, dict) else {}
    unit = f" {extra['unit']}" if extra.get("unit") else ""
    span = "" if low is None else f" {plain(low)} to {plain(high)}{unit}."
    return f"{field.description}.{span}"


def value_text(value: Any) -> str:
    """A value as it stands after the equals sign, on one line."""
    import tomlkit

    if isinstance(value, BaseModel):
        value = value.model_dump()
    if isinstance(value, dict):
        pairs = (f"{key} = {value_text(v)}" for key, v in value.items() if v is not None)
        return f"{{ {', '.join(pairs)} }}"
    if isinstance(value, list | tuple):
        return f"[{', '.join(value_text(item) for item in value)}]"
    return str(tomlkit.item(value).as_string())
