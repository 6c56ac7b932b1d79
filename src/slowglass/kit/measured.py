"""Taking a measured value into a kit or a site, and putting it aside again.

The file stays plain: a key holds the value in use; the block beside it says what was measured,
when, from what, and what stood there before.
"""

from __future__ import annotations

from typing import TypeVar

from pydantic import BaseModel, ValidationError

from slowglass.errors import UsageError
from slowglass.kit.faults import fault_sentences
from slowglass.kit.model import Kit, MeasuredValue, Site

AnyRecord = TypeVar("AnyRecord", Kit, Site)


def stated_value(record: Kit | Site, quantity: str) -> float | None:
    """The number a key such as ``camera.read_noise_e`` holds now; None where it holds none."""
    owner: BaseModel = record
    *path, name = quantity.split(".")
    for part in path:
        inner = getattr(owner, part, None)
        if not isinstance(inner, BaseModel):
            raise _unknown(record, quantity)
        owner = inner
    if name not in type(owner).model_fields:
        raise _unknown(record, quantity)
    value = getattr(owner, name)
    if value is not None and (isinstance(value, bool) or not isinstance(value, int | float)):
        raise UsageError(f"{quantity} of {record.name} is no number", "measure another key")
    return value


def take_in(record: AnyRecord, measured: MeasuredValue) -> AnyRecord:
    """The record with the measured value in use; the value before it is kept in its block."""
    now = stated_value(record, measured.quantity)
    kin = [m for m in record.measured if m.quantity == measured.quantity]
    using = next((m for m in kin if m.in_use), None)
    # The stated value is the maker's or the person's own, not an earlier measurement.
    stated = using.stated if using is not None else now
    block = measured.model_copy(update={"stated": stated, "in_use": True})
    others: tuple[MeasuredValue, ...] = tuple(
        m.model_copy(update={"in_use": False}) if m.quantity == measured.quantity else m
        for m in record.measured
        if not (m.quantity == block.quantity and m.day == block.day and m.how == block.how)
    )
    return _with(record, measured.quantity, measured.value, (*others, block))


def put_aside(record: AnyRecord, quantity: str) -> AnyRecord:
    """The record with the stated value back in its key; the measurement stays on file."""
    using = next((m for m in record.measured if m.quantity == quantity and m.in_use), None)
    if using is None:
        raise UsageError(
            f"{record.name} uses no measured value for {quantity}",
            "see which it uses with: slowglass kit",
        )
    blocks = tuple(
        m.model_copy(update={"in_use": False}) if m.quantity == quantity else m
        for m in record.measured
    )
    return _with(record, quantity, using.stated, blocks)


def _with(
    record: AnyRecord, quantity: str, value: float | None, blocks: tuple[MeasuredValue, ...]
) -> AnyRecord:
    """A validated copy with one key and the blocks changed."""
    values = record.model_dump()
    owner = values
    *path, name = quantity.split(".")
    for part in path:
        owner = owner[part]
    whole = isinstance(owner[name], int) and value is not None and float(value).is_integer()
    owner[name] = int(value) if whole and value is not None else value
    values["measured"] = [block.model_dump() for block in blocks]
    model = type(record)
    try:
        return model.model_validate(values)
    except ValidationError as error:
        faults = fault_sentences(error, model)
        raise UsageError(
            f"the measured value does not fit {record.name}: {'; '.join(faults)}",
            "look at the frames it was measured on",
        ) from None


def _unknown(record: Kit | Site, quantity: str) -> UsageError:
    return UsageError(f"{record.name} has no key {quantity}", "write it like camera.read_noise_e")
