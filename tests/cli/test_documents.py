"""Records as JSON documents."""

import dataclasses
import enum
import json
from datetime import UTC, date, datetime, timedelta, timezone
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from slowglass.documents import document, to_line, to_text
from slowglass.kit.io import load_kit


class Colour(enum.StrEnum):
    RED = "red"


@dataclasses.dataclass(frozen=True)
class Inner:
    value: float
    where: Path


@dataclasses.dataclass(frozen=True)
class Outer:
    inner: Inner
    many: tuple[Inner, ...]


@dataclasses.dataclass(frozen=True)
class Speaker:
    hidden: int

    def to_json(self):
        return {"said": float("nan")}


def test_nested_records_become_objects():
    inner = Inner(float("nan"), Path("a") / "b")
    assert document(Outer(inner, (inner,))) == {
        "inner": {"value": None, "where": str(Path("a") / "b")},
        "many": [{"value": None, "where": str(Path("a") / "b")}],
    }


def test_a_record_may_speak_for_itself():
    assert document(Speaker(3)) == {"said": None}


def test_times_are_utc_with_z():
    paris_summer = timezone(timedelta(hours=2))
    assert document(datetime(2026, 7, 1, 1, 30, tzinfo=paris_summer)) == "2026-06-30T23:30:00Z"
    assert document(datetime(2026, 7, 1, tzinfo=UTC)) == "2026-07-01T00:00:00Z"
    assert document(date(2026, 7, 1)) == "2026-07-01"
    with pytest.raises(TypeError, match="without a zone"):
        document(datetime(2026, 7, 1))


def test_numpy_enums_and_sets():
    value = {
        "a": np.float32(1.5),
        "b": np.array([1.0, np.inf]),
        "c": np.int64(3),
        "d": Colour.RED,
        "e": {3, 1},
        "f": np.bool_(True),
    }
    assert document(value) == {
        "a": 1.5, "b": [1.0, None], "c": 3, "d": "red", "e": [1, 3], "f": True,
    }  # fmt: skip


def test_models_become_objects():
    assert document(load_kit("long 102"))["optics"]["aperture_mm"] == 102.0


def test_what_has_no_place_is_refused():
    with pytest.raises(TypeError, match="object has no place"):
        document(object())


@given(
    st.recursive(
        st.none() | st.booleans() | st.integers() | st.floats() | st.text(),
        lambda inner: st.lists(inner) | st.dictionaries(st.text(), inner),
        max_leaves=20,
    )
)
def test_any_plain_value_is_valid_json_in_one_line_or_many(value):
    assert "\n" not in to_line(value)
    assert json.loads(to_line(value)) == json.loads(to_text(value))
