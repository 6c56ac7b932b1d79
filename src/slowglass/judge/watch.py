"""Following a camera's folder: each new frame judged in order, and the night's state kept.

The frames are read and never touched. What was seen goes to a journal in the platform's data
folder, so that a restart picks up where it was. Memory stays bounded: of a frame only its
verdict is kept, of all frames one small stack and the newest small picture.
"""

from __future__ import annotations

import itertools
import threading
import time
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any, Unpack

from slowglass.errors import SlowglassError, UsageError
from slowglass.frame.freed import give_back_freed
from slowglass.judge.instruction import CALIBRATION, Say, say_next
from slowglass.judge.live import LiveFrame, LiveStack
from slowglass.judge.live_enough import Enough, how_far, seconds_a_keeper
from slowglass.judge.sample import sample_of
from slowglass.judge.watch_axis import AxisSession, follow_axis
from slowglass.judge.watch_files import BEING_WRITTEN, Bell, Mark, Settling, scan
from slowglass.judge.watch_frame import as_jpeg, judge_new_file, live_from_file
from slowglass.judge.watch_journal import Journal
from slowglass.judge.watch_ledger import Ledger, names_of
from slowglass.judge.watch_memory import let_go_of_files
from slowglass.judge.watch_sort import Entry, sort_out
from slowglass.judge.watch_state import Event, WatchEvent, WatchState
from slowglass.judge.watch_trends import Trends, find_trends, said_of_cause
from slowglass.progress import Report, silent

if TYPE_CHECKING:
    from slowglass.expose.plan import ExposurePlan
    from slowglass.judge.assess import JudgeOptions
    from slowglass.sky.store import Sky

PlanFor = Callable[[float, datetime | None], "ExposurePlan | None"]
"""The plan for exposures of so many seconds at a time; None where there is none."""

LOOK_AGAIN_S = 2.0
"""How long at most between two looks through the folder; notices come sooner."""
LOOK_SOON_S = 0.25
SAVE_STACK_EVERY = 10
STEPS_SEEN = 12


class Watch:
    """A folder being watched. ``run`` yields what happens; ``state`` is how things stand."""

    def __init__(
        self,
        folder: Path,
        sky: Sky,
        *,
        plan_for: PlanFor | None = None,
        fresh: bool = False,
        set_axis: bool = False,
        settling: Settling | None = None,
        report: Report = silent,
        **options: Unpack[JudgeOptions],
    ) -> None:
        if not folder.is_dir():
            raise UsageError(f"{folder} is not a folder", "name the folder the camera writes to")
        self.folder = folder
        self._sky = sky
        self._options = options
        self._plan_for = plan_for
        self._plans: dict[float, ExposurePlan | None] = {}
        self._report = report
        self._settling = settling or Settling()
        self._journal = Journal(folder)
        self._bell = Bell(folder)
        self._stack = LiveStack()
        self._unsaved = 0
        self._last_new_s: float | None = None
        target = options.get("target")
        name = None if target is None else target.name
        self._ledger = Ledger(folder, self._journal, target=name)
        self._axis_from: int | None = None
        self._publishing = threading.RLock()
        self.state = WatchState(str(folder), target=name)
        if fresh:
            self._journal.start_fresh()
        else:
            self._ledger.resume()
            if self._ledger.entries:
                self._stack = LiveStack.load(self._journal.stack_path)
                self._publish()
        if set_axis:
            self.set_axis(True)

    def set_axis(self, going_on: bool) -> None:
        """Begin or end setting the polar axis; frames from now on count for it."""
        site = self._options.get("site")
        if going_on and site is None:
            raise UsageError(
                "setting the polar axis needs your own kit and site",
                "write them: slowglass kit --write FILE, slowglass site --write FILE",
            )
        with self._publishing:
            self._axis_from = len(self._ledger.entries) if going_on else None
            self._publish()

    def stop(self) -> None:
        """End ``run`` after the frame under way."""
        self._bell.stop()

    def run(self, *, once: bool = False) -> Iterator[WatchEvent]:
        """What happens in the folder, until stopped; ``once`` ends when all there is is judged.

        Files that stay incomplete are waited for, and read as they are when patience ends.
        """
        known = len(self._ledger.entries)
        yield self._event("watching", text=f"{known} frames known from before" if known else "")
        try:
            while not self._bell.stopped.is_set():
                try:
                    files = scan(self.folder)
                except (OSError, SlowglassError):
                    yield from self._folder_gone()
                    if once:
                        break
                    self._bell.wait(LOOK_AGAIN_S)
                    continue
                busy = False
                for event in self._look(files):
                    busy = True
                    yield event
                    if self._bell.stopped.is_set():
                        break
                if busy:
                    continue
                if self._better_stack():
                    yield self._event("stack")
                elif once and not self.state.waiting:
                    break
                else:
                    self._bell.wait(LOOK_SOON_S if self.state.waiting else LOOK_AGAIN_S)
        finally:
            self._save_stack()
        yield self._event("stopped")

    @contextmanager
    def in_background(self) -> Iterator[None]:
        """Follow the folder in a thread of its own while the block runs; only ``state`` tells."""

        def follow() -> None:
            try:
                for _ in self.run():
                    pass
            except SlowglassError as error:
                self._publish(fault=str(error))

        thread = threading.Thread(target=follow, daemon=True)
        thread.start()
        try:
            yield
        finally:
            self.stop()
            thread.join(timeout=30.0)

    # What is in the folder

    def _look(self, files: dict[Path, Mark]) -> Iterator[WatchEvent]:
        there = names_of(files, self.folder)
        names = {path: name for name, path in there.items()}
        unknown = {p: m for p, m in files.items() if not self._ledger.knows(names[p], m)}
        ready, waiting = self._settling.look(unknown, now_s=time.monotonic(), clock_s=time.time())
        new = []
        for path in ready:
            name, mark = names[path], files[path]
            old = self._ledger.renamed_from(path, mark, there)
            if old is None:
                new.append(path)
            else:
                yield self._rename(old, name)
        if not waiting:  # what is missing may be here under a new name, not looked into yet
            for name in self._ledger.mark_gone(there):
                self._publish()
                yield self._event("gone", name, text=f"{name} was deleted")
        lacking = {names[path]: why for path, why in waiting.items()}
        if lacking != self.state.waiting or self.state.note:
            told = {n for n, why in self.state.waiting.items() if why != BEING_WRITTEN}
            news = sorted(n for n, why in lacking.items() if why != BEING_WRITTEN and n not in told)
            self._publish(waiting=lacking, note="")
            if news:
                yield self._event("waiting", text=", ".join(f"{n}: {lacking[n]}" for n in news))
        for done, path in enumerate(new):
            self._report(path.name, done, len(new))
            self._take(path, names[path], files[path], left=len(new) - done - 1)
            yield self._event("frame", names[path])
        if new:
            self._report("judged", len(new), len(new))
        else:
            say = self._say()
            if say != self.state.say:
                self._publish()
                yield self._event("say")

    def _rename(self, old: str, name: str) -> WatchEvent:
        self._ledger.rename(old, name)
        self._stack.names = [name if n == old else n for n in self._stack.names]
        self._publish()
        return self._event("renamed", name, text=f"{old} is now {name}")

    def _folder_gone(self) -> Iterator[WatchEvent]:
        note = f"{self.folder} is not there"
        if self.state.note != note:
            self._publish(note=note)
            yield self._event("say", text=note)

    def _take(self, path: Path, name: str, mark: Mark, *, left: int) -> None:
        """Judge one file and keep what came of it; ``left`` more are to be judged."""
        changes: dict[str, Any] = {"to_judge": left}
        copy = self._ledger.copy_of(path, name)
        if copy is not None:
            self._ledger.add(copy, mark)
        else:
            last = self._ledger.last_solved()
            judged = judge_new_file(path, name, self._sky, self._options, last)
            self._ledger.add(judged.entry, mark)
            if judged.newest is not None:
                changes["newest"] = judged.newest
            if judged.live is not None and self._in_series(name):
                self._add(judged.live)
            del judged
            give_back_freed()
            let_go_of_files()
        self._last_new_s = time.monotonic()
        self._publish(**changes)

    # The stack

    def _in_series(self, name: str) -> bool:
        found = next(e for e in sort_out(self._ledger.entries) if e.name == name)
        return found.role == "light"

    def _add(self, live: LiveFrame) -> None:
        if live.name in self._stack.names:
            return
        self._stack.add(live)
        self._unsaved += 1
        if self._unsaved >= SAVE_STACK_EVERY:
            self._save_stack()

    def _better_stack(self) -> bool:
        """Bring the stack one frame nearer to the keepers of the series; False if it is there.

        A frame that turned out not to belong cannot be taken out of a running mean: the stack
        starts again, from the files. That happens when the series changes, and for twins.
        """
        lights = {e.name for e in self.state.entries if e.role == "light"}
        if not lights.issuperset(self._stack.names):
            self._stack = LiveStack()
        done = {*self._stack.names, *self._stack.left_out}
        wanted = [e for e in self.state.series if e.verdict.keeper]
        missing = next((e for e in wanted if e.name not in done), None)
        if missing is None:
            return False
        self._report("rebuilding the stack", len(self._stack.names), len(wanted))
        try:
            path = self.folder / missing.name
            self._add(live_from_file(path, missing.name, missing.verdict, self._options))
        except (SlowglassError, OSError) as error:
            self._stack.left_out[missing.name] = str(error)
        self._publish()
        return True

    def _save_stack(self) -> None:
        if self._unsaved:
            self._stack.save(self._journal.stack_path)
            self._unsaved = 0

    # The state

    def _event(self, what: Event, name: str = "", text: str = "") -> WatchEvent:
        entry = next((e for e in self.state.entries if e.name == name), None)
        return WatchEvent(what, self.state, entry, text)

    def _publish(self, **changes: Any) -> None:
        """A new state, with the entries sorted out, the stack's picture and the instruction."""
        with self._publishing:
            entries, stack, old = sort_out(self._ledger.entries), self._stack, self.state
            if (len(stack.names), stack.exposure_s) != (old.stacked, old.stack_s):
                picture = stack.picture()
                changes["stack"] = None if picture is None else as_jpeg(picture)
            if entries != old.entries:
                changes["enough"] = self._enough(entries)
                if not changes.get("to_judge"):
                    changes["trends"] = self._trends(entries)
            changes["axis"] = self._axis()
            self.state = replace(
                old,
                entries=entries,
                version=old.version + 1,
                stacked=len(stack.names),
                stack_s=stack.exposure_s,
                left_out=dict(stack.left_out),
                **changes,
            )
            self.state = replace(self.state, say=self._say())

    def _say(self) -> Say:
        state = self.state
        if state.fault:
            return Say("The watch has stopped: start it again", (state.fault,), "act")
        if state.note:
            return Say("The folder is gone: check cable and card", (state.note,), "act")
        if state.axis is not None:
            return state.axis.say
        quiet = None if self._last_new_s is None else time.monotonic() - self._last_new_s
        return say_next(
            state.entries,
            enough=state.enough,
            quiet_s=quiet,
            step_s=usual_step_s(state.series),
            warnings=() if state.trends is None else state.trends.warnings,
            cause=said_of_cause(state.trends),
            calibration=self._calibration(),
        )

    def _calibration(self) -> dict[str, int]:
        """How many darks, flats and bias frames the plan of the series asks for."""
        plan = next((p for p in reversed(self._plans.values()) if p is not None), None)
        if plan is None:
            return CALIBRATION
        session = plan.session
        return {"dark": session.darks, "flat": session.flats, "bias": session.bias}

    def _trends(self, entries: Sequence[Entry]) -> Trends | None:
        series = [e for e in entries if e.role == "light" and not e.gone]
        return find_trends(series, kit=self._options.get("kit"), site=self._options.get("site"))

    def _axis(self) -> AxisSession | None:
        kit, site = self._options.get("kit"), self._options.get("site")
        if self._axis_from is None or site is None:
            return None
        since = self._ledger.entries[self._axis_from :]
        return follow_axis(
            [sample_of(e.verdict) for e in since if e.verdict.kind in ("light", "unknown")],
            latitude_deg=site.latitude_deg,
            longitude_deg=site.longitude_deg,
            driven=kit is None or kit.mount.driven != "none",
        )

    def _enough(self, entries: Sequence[Entry]) -> Enough | None:
        series = [e for e in entries if e.role == "light" and not e.gone]
        kept = [e for e in series if e.verdict.keeper]
        if not kept:
            return None
        exposure = kept[-1].verdict.exposure_s or 0.0
        widths = sorted(e.verdict.fwhm_px for e in kept if e.verdict.fwhm_px is not None)
        starts = [e.start_s for e in series if e.start_s is not None]
        plan = self._plan(exposure, kept[0].start_s)
        return how_far(
            [e.light for e in kept],
            exposure_s=exposure * len(kept),
            fwhm_px=widths[len(widths) // 2] if widths else None,
            planned_single_snr=None if plan is None else plan.snr,
            seconds_a_keeper=seconds_a_keeper(starts, len(kept)),
        )

    def _plan(self, exposure_s: float, start_s: float | None) -> ExposurePlan | None:
        if self._plan_for is None or exposure_s <= 0.0:
            return None
        if exposure_s not in self._plans:
            when = None if start_s is None else datetime.fromtimestamp(start_s, UTC)
            self._plans[exposure_s] = self._plan_for(exposure_s, when)
        return self._plans[exposure_s]


def usual_step_s(series: Sequence[Entry]) -> float | None:
    """The usual time from one frame of a series to the next, seconds."""
    starts = [e.start_s for e in series if e.start_s is not None][-STEPS_SEEN:]
    steps = sorted(b - a for a, b in itertools.pairwise(starts) if b > a)
    return steps[len(steps) // 2] if steps else None
