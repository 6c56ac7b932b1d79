"""A kit's or site's text changed only where its values changed: a person's own notes stay.

The text is taken as a row of statements, each of them a comment, an empty line, a header or one
key with its value (which may run over several lines). Statements whose value holds are left as
they are, to the letter.
"""

from __future__ import annotations

import re
import tomllib
from dataclasses import dataclass, field
from typing import Any

from pydantic import BaseModel

from slowglass.kit.toml_text import key_comment, section_lines, value_text

_HEADER = re.compile(r"^\s*(\[\[?)\s*([A-Za-z0-9_-]+)\s*\]\]?\s*(#.*)?$")


@dataclass
class _Statement:
    """Lines of the text, and the one key that they set, if any."""

    lines: list[str]
    path: tuple[str, ...] = ()


@dataclass
class _Section:
    """The statements under one header; those before the first header have no name."""

    name: str = ""
    repeated: bool = False
    before: list[str] = field(default_factory=list)
    """The comments that stand over the header, and the header."""
    body: list[_Statement] = field(default_factory=list)

    def text(self) -> list[str]:
        return [*self.before, *(line for part in self.body for line in part.lines)]


def rewritten(text: str, before: BaseModel, after: BaseModel) -> str | None:
    """The text of the record ``before`` made to say ``after``; None where that cannot be done."""
    sections = _sections(text.splitlines())
    if sections is None:
        return None
    old, new = before.model_dump(), after.model_dump()
    sections = _set_blocks(sections, old, new, after)
    for key in new:
        if new[key] != old[key] and not any(s.repeated and s.name == key for s in sections):
            _set(sections, key, old[key], new[key], after)
    made = "\n".join(line for section in sections for line in section.text()) + "\n"
    try:
        same = type(after).model_validate(tomllib.loads(made)) == after
    except ValueError:
        return None
    return made if same else None


def _sections(lines: list[str]) -> list[_Section] | None:
    """The text by its headers; None for a text that has what this does not know."""
    sections = [_Section()]
    at = 0
    while at < len(lines):
        line = lines[at]
        header = _HEADER.match(line)
        if header:
            over = _over_header(sections[-1])
            sections.append(_Section(header[2], header[1] == "[[", [*over, line]))
        elif not line.strip() or line.lstrip().startswith("#"):
            sections[-1].body.append(_Statement([line]))
        else:
            statement = _key_statement(lines, at)
            if statement is None:
                return None
            sections[-1].body.append(statement)
            at += len(statement.lines) - 1
        at += 1
    return sections


def _over_header(section: _Section) -> list[str]:
    """The comments that end a section without an empty line: they belong to the next header.

    The empty line before them goes along.
    """
    body = section.body
    start = len(body)
    while start and body[start - 1].lines[0].lstrip().startswith("#"):
        start -= 1
    if start and not body[start - 1].path:
        start -= 1
    elif start:
        return []
    lines = [line for part in body[start:] for line in part.lines]
    del body[start:]
    return lines


def _key_statement(lines: list[str], at: int) -> _Statement | None:
    """The key that begins on a line, with all lines of its value."""
    for end in range(at + 1, len(lines) + 1):
        last = lines[end - 1]
        if "#" not in last and last.rstrip().endswith((",", "[")):
            continue
        try:
            values = tomllib.loads("\n".join(lines[at:end]))
        except tomllib.TOMLDecodeError:
            continue
        path: tuple[str, ...] = ()
        inner: Any = values
        # A dotted key (optics.aperture_mm = 80) nests; so does a table on one line, whose
        # first line names its own key alone.
        depth = _dots(lines[at]) + 1
        while isinstance(inner, dict) and len(path) < depth:
            ((name, inner),) = inner.items()
            path = (*path, name)
        return _Statement(lines[at:end], path)
    return None


def _dots(line: str) -> int:
    return line.split("=", 1)[0].count(".")


def _set(sections: list[_Section], key: str, old: Any, new: Any, record: BaseModel) -> None:
    """Puts one key of the whole, or the keys of its section, to their new values."""
    named = next((s for s in sections if s.name == key and not s.repeated), None)
    inner = getattr(record, key)
    if not isinstance(inner, BaseModel):
        _set_key(sections[0], (key,), new, record)
    elif named is not None:
        for name, value in new.items():
            if value != old[name]:
                _set_key(named, (name,), value, inner)
    elif any(part.path == (key,) for part in sections[0].body):
        _set_key(sections[0], (key,), new, record)
    elif any(part.path[:1] == (key,) for part in sections[0].body):
        for name, value in new.items():
            if value != old[name]:
                _set_key(sections[0], (key, name), value, inner)
    else:
        words = f"# {type(record).model_fields[key].description}."
        body = [_Statement([line]) for line in section_lines(inner)]
        sections.append(_Section(key, False, ["", words, f"[{key}]"], body))


def _set_key(section: _Section, path: tuple[str, ...], value: Any, owner: BaseModel) -> None:
    """Changes, adds or puts out of use one key of a section."""
    key = ".".join(path)
    line = f"{key} = {value_text(value)}" if value is not None else ""
    for part in section.body:
        if part.path == path:
            if value is None:
                part.lines, part.path = [f"# {text}" for text in part.lines], ()
            else:
                indent = part.lines[0][: len(part.lines[0]) - len(part.lines[0].lstrip())]
                part.lines = [f"{indent}{line}{_note_after(part)}"]
            return
    if value is None:
        return
    added = _Statement([line], path)
    example = re.compile(rf"^\s*#\s*{re.escape(key)}\s*=")
    for at, part in enumerate(section.body):
        if not part.path and example.match(part.lines[0]):
            section.body[at] = added
            return
    last = max((i for i, part in enumerate(section.body) if part.path), default=-1)
    words = _Statement([f"# {key_comment(type(owner).model_fields[path[-1]])}"])
    section.body[last + 1 : last + 1] = [words, added]


def _note_after(part: _Statement) -> str:
    """The comment behind a value, with the space before it."""
    line = part.lines[-1]
    for found in re.finditer("#", line):
        whole = "\n".join([*part.lines[:-1], line[: found.start()]])
        try:
            tomllib.loads(whole)
        except tomllib.TOMLDecodeError:
            continue
        value = line[: found.start()].rstrip()
        return (line[len(value) : found.start()] or "  ") + line[found.start() :]
    return ""


def _set_blocks(
    sections: list[_Section], old: dict[str, Any], new: dict[str, Any], record: BaseModel
) -> list[_Section]:
    """The sections with the repeated ones ([[eyepieces]], [[measured]]) as the record has them."""
    for key, items in new.items():
        blocks = [s for s in sections if s.repeated and s.name == key]
        inner = getattr(record, key)
        is_list = isinstance(inner, tuple) and bool(inner) and isinstance(inner[0], BaseModel)
        inline = any(part.path == (key,) for part in sections[0].body)
        if items == old[key] or inline or not (blocks or is_list):
            continue
        place = sections.index(blocks[0]) if blocks else len(sections)
        words = f"# {type(record).model_fields[key].description}."
        kept = _blocks(key, blocks, list(old[key]), inner, words)
        rest = [s for s in sections if s not in blocks]
        sections = [*rest[:place], *kept, *rest[place:]]
    return sections


def _blocks(
    name: str,
    blocks: list[_Section],
    old: list[dict[str, Any]],
    items: tuple[BaseModel, ...],
    words: str,
) -> list[_Section]:
    """One section for each item: the one that held it, or most of it, else a fresh one."""
    wanted = [item.model_dump() for item in items]
    free = list(zip(blocks, old, strict=True))
    made: list[_Section] = []
    for item, values in zip(items, wanted, strict=True):
        match = _nearest(free, values, wanted)
        if match is None:
            over = [""] if made else ["", words]
            body = [_Statement([line]) for line in section_lines(item)]
            made.append(_Section(name, True, [*over, f"[[{name}]]"], body))
            continue
        free.remove(match)
        block, held = match
        for key, value in values.items():
            if value != held[key]:
                _set_key(block, (key,), value, item)
        made.append(block)
    return made


def _nearest(
    free: list[tuple[_Section, dict[str, Any]]],
    values: dict[str, Any],
    wanted: list[dict[str, Any]],
) -> tuple[_Section, dict[str, Any]] | None:
    """The block that holds these values, else the most of them if no other item claims it."""
    for block, held in free:
        if held == values:
            return block, held
    open_to_all = [match for match in free if match[1] not in wanted]
    if not open_to_all:
        return None
    best = max(open_to_all, key=lambda match: _shared(match[1], values))
    return best if 2 * _shared(best[1], values) >= len(values) else None


def _shared(held: dict[str, Any], values: dict[str, Any]) -> int:
    return sum(held[key] == value for key, value in values.items())
