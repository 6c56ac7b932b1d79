"""From frames to a picture, and both into the logbook."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Sequence
from pathlib import Path
from typing import TYPE_CHECKING

from slowglass.errors import SlowglassError
from slowglass.progress import Report, silent
from slowglass.workbench.frames import Frames

if TYPE_CHECKING:
    from slowglass.finish.proof import Proof
    from slowglass.finish.recipe import Recipe
    from slowglass.finish.types import FinishResult
    from slowglass.judge.watch_state import WatchEvent
    from slowglass.learn.log import Outcome


class Pictures(Frames):
    """Finishing and logging."""

    def finish(
        self,
        source: Path,
        output: Path,
        *,
        recipe: Path | Recipe | None = None,
        near: str | None = None,
        scale_arcsec_per_px: float | None = None,
        whole: bool = False,
        north_up: bool = False,
        calibration: Sequence[Path] = (),
        finer: float | None = None,
        report: Report = silent,
    ) -> FinishResult:
        """The picture of a folder of lights, darks, flats and bias frames, or of one frame.

        Folders of ``calibration`` frames may lie apart. ``finer`` asks for pixels so many times
        smaller than the camera's. What was read off the frames is kept for later runs.
        """
        from slowglass.finish.service import finish_path
        from slowglass.sky.store import data_folder

        return finish_path(
            source,
            output,
            recipe=recipe,
            near=near,
            scale_arcsec_per_px=scale_arcsec_per_px,
            whole=whole,
            north_up=north_up,
            calibration=calibration,
            finer=finer,
            keep=data_folder() / "readings",
            kit=None if self.kit_is_stand_in else self.kit,
            sky=self.sky,
            report=report,
        )

    def proof(self, picture: Path) -> Proof:
        """A finished picture's linear FITS, opened to be moved with sliders and exported."""
        from slowglass.finish.proof import Proof

        return Proof(picture)

    def log(
        self,
        paths: Iterable[Path],
        *,
        target: str | None = None,
        again: bool = False,
        report: Report = silent,
    ) -> Iterator[Outcome]:
        """Judge frames and write each into the logbook as soon as it is done."""
        from slowglass.learn.log import log_paths

        return log_paths(
            self.logbook,
            paths,
            kit=self.kit,
            site=self.site,
            sky=self.sky,
            target=None if target is None else self.place(target),
            again=again,
            report=report,
        )

    def logged(
        self,
        events: Iterable[WatchEvent],
        folder: Path,
        trouble: Callable[[SlowglassError], None],
    ) -> Iterator[WatchEvent]:
        """The same events, each frame among them written into the logbook on its way.

        ``trouble`` hears once why the logbook cannot be kept. With no kit of one's own there is
        nobody to keep it for.
        """
        from slowglass.learn.log import log_event

        keeping = not self.kit_is_stand_in
        for event in events:
            if keeping:
                try:
                    log_event(
                        self.logbook, event, folder, kit=self.kit, site=self.site, sky=self.sky
                    )
                except SlowglassError as error:
                    keeping = False
                    trouble(error)
            yield event

    def log_finished(self, result: FinishResult) -> int | None:
        """The logbook's number of a finished picture; None with no kit of one's own."""
        from slowglass.learn.log import log_finished

        if self.kit_is_stand_in:
            return None
        return log_finished(self.logbook, result, kit=self.kit, site=self.site, sky=self.sky)
