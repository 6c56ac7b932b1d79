"""Results as plain JSON values: the one place where records become documents."""

from __future__ import annotations

import dataclasses
import json
import math
from collections.abc import Mapping
from datetime import UTC, date, datetime
from enum import Enum
from pathlib import PurePath
from typing import Any


def document(value: Any) -> Any:
    """``value`` as dicts, lists, strings, numbers, booleans and None only.

    A record with a ``to_json``, ``as_json`` or ``as_dict`` method speaks for itself; other
    dataclasses and models become objects of their fields. NaN and infinity become null, times
    UTC ISO 8601 with a final Z, paths their text.
    """
    if value is None or (isinstance(value, bool | int | str) and not isinstance(value, Enum)):
        return value
    if isinstance(value, float):
        return float(value) if math.isfinite(value) else None
    if isinstance(value, Enum):
        return document(value.value)
    if isinstance(value, datetime):
        return _utc_text(value)
    if isinstance(value, date):
        return value.isoformat()
    if isinstance(value, PurePath):
        return str(value)
    if isinstance(value, Mapping):
        return {str(key): document(item) for key, item in value.items()}
    if isinstance(value, list | tuple):
        return [document(item) for item in value]
    if isinstance(value, set | frozenset):
        return sorted(document(item) for item in value)
    return _record(value)


def to_line(value: Any) -> str:
    """``value`` as one line of JSON."""
    return json.dumps(document(value), ensure_ascii=False, allow_nan=False)


def to_text(value: Any) -> str:
    """``value`` as an indented JSON document."""
    return json.dumps(document(value), ensure_ascii=False, allow_nan=False, indent=2)


def _record(value: Any) -> Any:
    for name in ("to_json", "as_json", "as_dict"):
        method = getattr(value, name, None)
        if callable(method):
            return document(method())
    if dataclasses.is_dataclass(value):
        return {f.name: document(getattr(value, f.name)) for f in dataclasses.fields(value)}
    if hasattr(value, "model_dump"):
        return document(value.model_dump())
    if hasattr(value, "tolist"):  # numpy scalars and arrays
        return document(value.tolist())
    raise TypeError(f"{type(value).__name__} has no place in a JSON document")


def _utc_text(moment: datetime) -> str:
    if moment.tzinfo is None:
        raise TypeError("a time without a zone has no place in a JSON document")
    text = moment.astimezone(UTC).isoformat(timespec="seconds")
    return text.replace("+00:00", "Z")
