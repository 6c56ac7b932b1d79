"""Exposures tried out in the pages: trials that are kept, settings as forms write them, rows."""

from __future__ import annotations

import threading
from collections import OrderedDict
from collections.abc import Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any
from urllib.parse import urlencode

from slowglass.errors import UsageError
from slowglass.expose.suggest import seconds_words
from slowglass.web.present import duration, number, percent, significant
from slowglass.web.ways import moment

if TYPE_CHECKING:
    from slowglass.expose.trial import Setting, Trial, TrialAnswer
    from slowglass.web.notebook import Notebook

KEPT = 4
"""Objects whose trials are remembered, some 50 MB each when all views were seen."""
WINDS = {"calm": "calm", "breeze": "a breeze", "windy": "windy"}
NUMBERS = ("seconds", "frames", "sky", "seeing")


@dataclass(frozen=True)
class Asked:
    """An object at a moment ("" for its best tonight) with the texts of a setting's fields."""

    name: str
    when: str
    fields: Mapping[str, str]

    @classmethod
    def of(cls, query: Mapping[str, str]) -> Asked:
        """What an address or a form asks for."""
        texts = {key: query.get(key, "").strip()[:40] for key in (*NUMBERS, "wind", "view")}
        name, when = (query.get(key, "").strip()[:80] for key in ("name", "when"))
        return cls(name, when, texts)

    def setting(self, usual: tuple[float, int]) -> Setting:
        """The setting; seconds and frames left out are the usual ones."""
        from slowglass.expose.trial import Setting

        seconds, frames, sky, seeing = (_number(key, self.fields[key]) for key in NUMBERS)
        wind: Any = self.fields["wind"] or None
        if wind not in (None, *WINDS):
            raise UsageError(f"wind “{wind}” is not known", f"choose {', '.join(WINDS)}")
        return Setting(
            seconds=usual[0] if seconds is None else seconds,
            frames=usual[1] if frames is None else round(frames),
            sky_mag_arcsec2=sky,
            seeing_arcsec=seeing,
            wind=wind,
            whole=self.fields["view"] == "whole",
        )


def _number(name: str, text: str) -> float | None:
    if not text:
        return None
    try:
        return float(text.replace(",", ".").replace("−", "-"))
    except ValueError as error:
        raise UsageError(f"{name} “{text}” is not a number", "write it as 30") from error


def query_of(asked: Asked, setting: Setting) -> str:
    """The address's query of a setting."""
    values: dict[str, Any] = {"name": asked.name, "seconds": f"{setting.seconds:g}"}
    values["frames"] = setting.frames
    optional = {
        "when": asked.when,
        "sky": "" if setting.sky_mag_arcsec2 is None else f"{setting.sky_mag_arcsec2:g}",
        "seeing": "" if setting.seeing_arcsec is None else f"{setting.seeing_arcsec:g}",
        "wind": setting.wind or "",
        "view": "whole" if setting.whole else "",
    }
    return urlencode(values | {key: value for key, value in optional.items() if value})


class Trials:
    """The trials of the objects looked at last; safe to ask from several threads."""

    def __init__(self, book: Notebook) -> None:
        self.book = book
        self._lock = threading.Lock()
        self._kept: OrderedDict[tuple[str, ...], Trial] = OrderedDict()

    def get(self, asked: Asked) -> Trial:
        """The trial of an object, made where it is not known yet."""
        bench = self.book.workbench
        night = bench.tonight().isoformat()
        key = (asked.name.casefold(), asked.when, night, self.book.instruments())
        with self._lock:
            trial = self._kept.get(key)
            if trial is None:
                trial = bench.trial(asked.name, when=moment(asked.when))
                self._kept[key] = trial
                if len(self._kept) > KEPT:
                    self._kept.popitem(last=False)
            self._kept.move_to_end(key)
            return trial


def rows_of(answer: TrialAnswer) -> dict[str, tuple[str, str]]:
    """What a setting gives: key, name and words."""
    plan = answer.plan
    share = percent(plan.keeper_fraction)
    snr_kept = "none are kept" if not answer.kept else number(answer.snr_kept, 1)
    trail = plan.trail_arcsec[1]
    return {
        "exposure": ("Exposure", f"{answer.setting.frames} × {seconds_words(plan.exposure_s)}"),
        "snr": ("Signal to noise of one frame", number(plan.snr, 1)),
        "snr_kept": ("Signal to noise of all keepers", snr_kept),
        "kept": ("Keepers", f"{answer.kept} of {answer.setting.frames} ({share})"),
        "light": ("Light in them", duration(answer.light_s)),
        "total": ("Time at the telescope", duration(answer.total_s)),
        "trail": ("Trail of a usual frame", f"{trail:.1f}″, {answer.trail_px:.1f}\u00a0px"),
        "well": ("Sky fills the pixels to", significant(answer.background_share * 100.0, "%")),
        "star": ("Faintest star of the keepers", f"magnitude {plan.faintest_mag_total:.1f}"),
        "glow": ("Faintest glow", number(plan.faintest_mag_arcsec2, 1, "mag/arcsec²")),
    }


def captions(answer: TrialAnswer, suffix: str = "") -> dict[str, str]:
    """The words under the two pictures of a setting."""
    alone = f"One frame of {seconds_words(answer.plan.exposure_s)}."
    together = f"{answer.kept} keepers together."
    if answer.kept == 1:
        together = "The one keeper."
    elif not answer.kept:
        together = "No frame is kept: the steadiest one."
    return {f"alone{suffix}": alone, f"together{suffix}": together}


def clips_of(answer: TrialAnswer) -> str:
    """What clips in one frame, in words."""
    return "; ".join(answer.plan.saturates) or "nothing"


def spoken(answer: TrialAnswer) -> str:
    """A setting's answer in one sentence, for a screen reader."""
    rows = rows_of(answer)
    return (
        f"{rows['exposure'][1]}: signal to noise {rows['snr'][1]} in one frame, "
        f"{rows['snr_kept'][1]} in {rows['kept'][1]} keepers, {rows['total'][1]}."
    )
