"""Turns validation errors into plain sentences: key, value, what is allowed, in which unit."""

from __future__ import annotations

import difflib
from typing import Any, get_args

from pydantic import BaseModel, ValidationError
from pydantic.fields import FieldInfo

_MISSING = object()


def fault_sentences(error: ValidationError, model: type[BaseModel]) -> list[str]:
    """One sentence for each fault, in the order of the file's keys."""
    problems = error.errors(include_url=False)
    missing = {tuple(p["loc"]) for p in problems if p["type"] == "missing"}
    sentences: list[str] = []
    explained: set[tuple[Any, ...]] = set()
    for problem in problems:
        if problem["type"] == "extra_forbidden":
            sentence, meant = _unknown_key(tuple(problem["loc"]), model)
            sentences.append(sentence)
            if meant in missing:
                explained.add(meant)
    for problem in problems:
        loc = tuple(problem["loc"])
        if problem["type"] == "extra_forbidden" or loc in explained:
            continue
        sentences.append(_sentence(problem, loc, model))
    return list(dict.fromkeys(sentences))


def _unknown_key(
    loc: tuple[int | str, ...], model: type[BaseModel]
) -> tuple[str, tuple[Any, ...] | None]:
    owner = _owner(loc, model)
    known = list(owner.model_fields) if owner else []
    near = difflib.get_close_matches(str(loc[-1]), known, n=1, cutoff=0.6)
    if near:
        return f"{_key(loc)} is not a known key; did you mean {near[0]}?", (*loc[:-1], near[0])
    return f"{_key(loc)} is not a known key; known here: {', '.join(known)}", None


def faults_by_key(error: ValidationError, model: type[BaseModel]) -> dict[str, str]:
    """What is wrong with each key, without its name: words to stand beside the field of a form.

    Keys are dotted; of a list of blocks the list's own key, with the block's number in the words.
    """
    found: dict[str, str] = {}
    for problem in error.errors(include_url=False):
        loc = tuple(problem["loc"])
        words = _complaint(problem, loc, model).removeprefix("= ")
        key = ".".join(str(part) for part in loc)
        block = next((i for i, part in enumerate(loc) if isinstance(part, int)), None)
        if block is not None:
            key = ".".join(str(part) for part in loc[:block])
            words = f"{int(loc[block]) + 1}: {_key(loc[block + 1 :])} {words}"
        found.setdefault(key, words[:1].upper() + words[1:])
    return found


def _sentence(problem: Any, loc: tuple[int | str, ...], model: type[BaseModel]) -> str:
    return f"{_key(loc)} {_complaint(problem, loc, model)}"


def _complaint(problem: Any, loc: tuple[int | str, ...], model: type[BaseModel]) -> str:
    """What is wrong with a value, to follow the name of its key."""
    field = _field(loc, model)
    unit = unit_of(field)
    kind = problem["type"]
    value = problem.get("input", _MISSING)
    if kind == "missing":
        return f"is missing; it needs {allowed_words(field)}"
    if kind == "value_error":
        return f"{problem['ctx']['error']} (now {_shown(value)})"
    if kind in ("greater_than_equal", "less_than_equal") and field is not None:
        given = f"{_shown(value)}{f' {unit}' if unit else ''}"
        return f"= {given} is out of range; allowed: {allowed_words(field)}"
    return f"= {_shown(value)} is not usable; it needs {allowed_words(field)}"


def allowed_words(field: FieldInfo | None) -> str:
    """What a key accepts, in words: "a number from 20 to 2000 mm"."""
    if field is None:
        return "a value of another kind"
    low, high = bounds(field)
    unit = unit_of(field)
    if low is not None:
        kind = "a whole number" if field.annotation is int else "a number"
        return f"{kind} from {plain(low)} to {plain(high)}{f' {unit}' if unit else ''}"
    choices = [c for part in _flat(field.annotation) for c in get_args(part)]
    words = [repr(c) for c in choices if isinstance(c, str)]
    if words:
        return " or ".join(words)
    if field.annotation is str:
        return "a text in quotes, not empty"
    if isinstance(field.annotation, type) and issubclass(field.annotation, BaseModel):
        return f"a block of its own with {next(iter(field.annotation.model_fields))} and so on"
    return "a list of blocks"


def bounds(field: FieldInfo) -> tuple[float | None, float | None]:
    """The least and greatest value a number may have."""
    low = next((m.ge for m in field.metadata if hasattr(m, "ge")), None)
    high = next((m.le for m in field.metadata if hasattr(m, "le")), None)
    return low, high


def plain(number: float | None) -> str:
    """A bound as a person writes it: "20", "0.05", "2000000"."""
    return "any" if number is None else f"{number:.10g}"


def unit_of(field: FieldInfo | None) -> str:
    """The unit of a key, "" without one."""
    extra = field.json_schema_extra if field is not None else None
    return str(extra.get("unit", "")) if isinstance(extra, dict) else ""


def _flat(annotation: Any) -> list[Any]:
    """The members of a union, or the annotation alone."""
    parts = [a for a in get_args(annotation) if not isinstance(a, str)]
    return parts or [annotation]


def _owner(loc: tuple[int | str, ...], model: type[BaseModel]) -> type[BaseModel] | None:
    """The record the last key of ``loc`` belongs to."""
    owner: Any = model
    for key in loc[:-1]:
        if isinstance(key, int):
            continue
        annotation = owner.model_fields[key].annotation
        owner = next(
            (
                part
                for part in [annotation, *get_args(annotation)]
                if isinstance(part, type) and issubclass(part, BaseModel)
            ),
            None,
        )
        if owner is None:
            return None
    return owner if isinstance(owner, type) and issubclass(owner, BaseModel) else None


def _field(loc: tuple[int | str, ...], model: type[BaseModel]) -> FieldInfo | None:
    while loc and isinstance(loc[-1], int):
        loc = loc[:-1]
    owner = _owner(loc, model)
    return owner.model_fields.get(str(loc[-1])) if owner and loc else None


def _key(loc: tuple[int | str, ...]) -> str:
    """ "eyepieces[2].focal_length_mm": blocks counted from 1, as a person does."""
    text = ""
    for part in loc:
        text += f"[{part + 1}]" if isinstance(part, int) else (f".{part}" if text else part)
    return text


def _shown(value: Any) -> str:
    text = repr(value)
    return text if len(text) <= 60 else text[:57] + "..."
