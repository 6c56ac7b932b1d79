"""Every key a document may hold is in the guide to the JSON."""

import dataclasses
from pathlib import Path

import pytest

from slowglass.demo import DemoResult
from slowglass.expose.plan import ExposurePlan
from slowglass.finish.types import FinishResult
from slowglass.judge.verdict import NudgeToTarget, Verdict

GUIDE = Path(__file__).resolve().parents[2] / "docs" / "guide" / "json.md"


def undescribed(keys):
    text = GUIDE.read_text(encoding="utf-8")
    return [key for key in keys if f"`{key}`" not in text]


@pytest.mark.parametrize(
    "record",
    [Verdict, NudgeToTarget, FinishResult, ExposurePlan, DemoResult],
    ids=lambda r: r.__name__,
)
def test_fields_of_records(record):
    assert undescribed(field.name for field in dataclasses.fields(record)) == []


@pytest.mark.usefixtures("sky")
@pytest.mark.parametrize(
    "arguments",
    [
        ("choose", "--night", "2026-09-12", "--limit", "1"),
        ("choose", "--year", "M57", "--night", "2026-09-12"),
        ("find", "M57", "--from", "Vega"),
        ("kit",),
        ("kit", "weigh", "long 102"),
        ("site",),
        ("sky",),
        ("sky", "near", "M57"),
        ("sky", "look", "M57"),
    ],
    ids=" ".join,
)
def test_keys_of_documents(slowglass, arguments):
    found = slowglass(*arguments, "--json").document
    keys = set(found)
    lists = [found.get(name, []) for name in ("legs", "objects", "nights", "spells", "kits")]
    for thing in [item for items in lists if isinstance(items, list) for item in items[:3]]:
        keys |= set(thing)
        for question in ("fits", "shows", "holds", "reachable"):
            keys |= set(thing.get(question, ()))
    assert undescribed(keys) == []
