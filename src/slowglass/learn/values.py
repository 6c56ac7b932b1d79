"""A value of the kit or the site measured on frames, beside what is stated."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from slowglass.kit.measured import stated_value
from slowglass.kit.model import Kit, MeasuredValue, Site
from slowglass.learn.transfer import Measured

if TYPE_CHECKING:
    from slowglass.learn.logbook.records import LoggedMeasurement


@dataclass(frozen=True)
class KitValue:
    """One quantity; ``quantity`` is its key in the kit or site file, or a plain name."""

    quantity: str
    label: str
    unit: str
    value: float
    sigma: float
    stated: float | None
    """What the kit or site says; None where its file has no such key."""
    how: str
    sources: tuple[str, ...] = ()
    """The files or, of values from the logbook, the evenings it was measured on."""
    of_site: bool = False
    adoptable: bool = True
    """Whether the file has a key for it."""

    @property
    def apart(self) -> float | None:
        """Measured less stated, in standard uncertainties; None without a stated value."""
        if self.stated is None or self.sigma <= 0 or not math.isfinite(self.sigma):
            return None
        return (self.value - self.stated) / self.sigma

    def block(self, day: str) -> MeasuredValue:
        """The block of the kit or site file."""
        return MeasuredValue(
            quantity=self.quantity,
            value=rounded(self.value, self.sigma),
            sigma=rounded(self.sigma, self.sigma),
            day=day,
            how=self.how,
        )

    def entry(self, kit: Kit, site: Site) -> LoggedMeasurement:
        """The entry of the logbook."""
        from slowglass.learn.logbook.records import LoggedMeasurement

        return LoggedMeasurement(
            kit=kit.name,
            site=site.name if self.of_site else None,
            quantity=self.quantity,
            unit=self.unit,
            value=self.value,
            sigma=self.sigma if math.isfinite(self.sigma) else None,
            stated=self.stated,
            how=self.how,
            sources=self.sources,
        )

    def to_json(self) -> dict[str, Any]:
        """A JSON-serialisable mapping."""
        return {
            "quantity": self.quantity, "label": self.label, "unit": self.unit,
            "value": self.value, "sigma": self.sigma, "stated": self.stated,
            "apart_sigma": self.apart, "how": self.how, "sources": list(self.sources),
            "adoptable": self.adoptable, "of_site": self.of_site,
        }  # fmt: skip

    @classmethod
    def from_json(cls, said: Mapping[str, Any]) -> KitValue:
        """The value that ``to_json`` gave."""
        known = {name: said[name] for name in cls.__dataclass_fields__ if name in said}
        return cls(**{**known, "sources": tuple(said["sources"])})


def kit_value(
    record: Kit | Site,
    quantity: str,
    label: str,
    unit: str,
    measured: Measured,
    how: str,
    sources: tuple[str, ...] = (),
) -> KitValue:
    """A measured value beside what the record's own key says."""
    return KitValue(
        quantity=quantity,
        label=label,
        unit=unit,
        value=measured.value,
        sigma=measured.sigma,
        stated=stated_value(record, quantity),
        how=how,
        sources=sources,
        of_site=isinstance(record, Site),
    )


def rounded(value: float, sigma: float) -> float:
    """A value to two figures of its uncertainty, so that files stay readable."""
    if not (math.isfinite(sigma) and sigma > 0):
        return value
    places = 1 - math.floor(math.log10(sigma))
    return round(value, max(0, places))
