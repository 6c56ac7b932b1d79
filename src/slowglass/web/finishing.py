"""Pictures finished in the pages: the jobs that make them, those there are, and their proofs."""

from __future__ import annotations

import re
import threading
from collections import OrderedDict
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

from slowglass.documents import document
from slowglass.errors import SlowglassError, UnreadableFile, UsageError
from slowglass.frame.io import list_frames
from slowglass.progress import Report

if TYPE_CHECKING:
    from slowglass.finish.proof import Proof, Shown
    from slowglass.finish.sliders import Moves
    from slowglass.web.job import Job, Request
    from slowglass.web.notebook import Notebook

FINISH, EXPORT = "finish", "export"
NIGHT = "night"
"""Name of the picture of the night's record."""
PICTURES = "pictures"
"""Folder of the night's in which pictures made here are kept."""
KEPT = 2
"""Pictures under sliders that are remembered, some 60 MB each."""
MOST_FILES = 500


@dataclass(frozen=True)
class Finished:
    """A finished picture: its name in addresses, its facts, the files made."""

    id: str
    title: str
    result: dict[str, Any]
    files: tuple[Path, ...]
    source: str = ""

    @property
    def linear(self) -> Path | None:
        """The linear FITS."""
        return next((f for f in self.files if f.suffix == ".fits" and "-maps" not in f.name), None)


class Finishing:
    """The pictures of one night's folder; safe to ask from several threads."""

    def __init__(self, book: Notebook) -> None:
        self.book = book
        self._lock = threading.Lock()
        self._proofs: OrderedDict[tuple[str, int], Proof] = OrderedDict()
        book.jobs.register(FINISH, self._finish)
        book.jobs.register(EXPORT, self._export)

    def pictures(self) -> list[Finished]:
        """Those finished here, the newest first, then the night's own."""
        found = []
        for job in self.book.jobs.all():
            if job.kind == FINISH and job.state == "done" and job.result:
                made = self._of_job(job)
                if made.files:
                    found.append(made)
        night = self._of_night()
        return found if night is None else [*found, night]

    def get(self, id: str) -> Finished | None:
        """The picture of that name."""
        return next((one for one in self.pictures() if one.id == id), None)

    def exports(self, picture: Finished) -> list[Job]:
        """Exports of a picture, the newest first."""
        return [
            job
            for job in self.book.jobs.all()
            if job.kind == EXPORT and job.request.get("picture") == picture.id
        ]

    def proof(self, picture: Finished) -> Proof:
        """The picture under sliders; ``UnreadableFile`` when it does not hold what they need."""
        path = picture.linear
        if path is None:
            raise UnreadableFile(self.book.folder, "the linear picture is gone", "finish it again")
        key = (str(path), path.stat().st_mtime_ns)
        with self._lock:
            proof = self._proofs.get(key)
            if proof is None:
                proof = self.book.workbench.proof(path)
                self._proofs[key] = proof
                if len(self._proofs) > KEPT:
                    self._proofs.popitem(last=False)
            self._proofs.move_to_end(key)
            return proof

    def file(self, picture: Finished, name: str) -> Path | None:
        """A file made of a picture, or exported from it, by its name alone."""
        exported = [
            path
            for job in self.exports(picture)
            if job.state == "done" and job.result
            for path in self._inside(job.result["outputs"])
        ]
        return next((f for f in (*picture.files, *exported) if f.name == name), None)

    def frames_in(self, folder: Path) -> list[str]:
        """Pictures in a folder and below it, for finishing one of them alone."""
        names = [path.relative_to(folder).as_posix() for path in list_frames(folder)]
        return names[:MOST_FILES]

    def start(self, form: Mapping[str, str]) -> Job:
        """Finish what a form asks for."""
        desk, roots = self.book.desk.state, self.book.roots
        if not desk.frames_folder:
            raise UsageError("no folder of frames is chosen", "choose the one with the lights")
        source = roots.folder(desk.frames_folder)
        if form.get("file"):
            source = roots.file(str(source / form["file"]))
        target = form.get("target", "").strip()[:80]
        if target:
            self.book.workbench.place(target)  # an unknown name is told at once
        request = {
            "source": str(source),
            "calibration": [str(roots.folder(f)) for f in desk.calibration_folders],
            "target": target,
            "whole": "whole" in form,
            "north_up": "north_up" in form,
            "keep_all": "keep_all" in form,
        }
        name = target or source.stem
        return self.book.jobs.start(
            FINISH, title=f"Finishing {name}", request=request, href="/finish"
        )

    def start_export(self, picture: Finished, moves: Moves, kinds: list[str], stem: str) -> Job:
        """Write files of a picture as the sliders have it."""
        clean = _stem(stem)
        if stem and not clean:
            raise UsageError(f"“{stem[:60]}” is no name for a file", "use letters and figures")
        request = {"picture": picture.id, "moves": moves.told(), "kinds": kinds, "stem": clean}
        return self.book.jobs.start(
            EXPORT,
            title=f"Exporting {picture.title}",
            request=request,
            href=f"/finish/{picture.id}#exports",
        )

    def _finish(self, request: Request, report: Report) -> dict[str, Any]:
        from slowglass.finish.names import free_names
        from slowglass.finish.recipe import GradeStep, Recipe

        bench = self.book.workbench
        source = self.book.roots.resolve(request["source"])
        folder = self.book.folder / PICTURES
        folder.mkdir(parents=True, exist_ok=True)
        stem = _stem(request["target"] or source.stem) or "picture"
        names = free_names(folder, stem)
        recipe = Recipe(grade=GradeStep(keep="all")) if request["keep_all"] else None
        result = bench.finish(
            source,
            names.fits,
            recipe=recipe,
            near=request["target"] or None,
            whole=request["whole"],
            north_up=request["north_up"],
            calibration=[self.book.roots.folder(f) for f in request["calibration"]],
            report=report,
        )
        told = dict(document(result))
        try:
            bench.log_finished(result)
        except SlowglassError as error:
            told["notes"] = [*told["notes"], f"The picture is not in the logbook: {error}"]
        return told

    def _export(self, request: Request, report: Report) -> dict[str, Any]:
        from slowglass.finish.sliders import Moves

        picture = self.get(request["picture"])
        if picture is None:
            raise UsageError("the picture is not there any more", "finish it again")
        written = self.proof(picture).export(
            Moves.read(request["moves"]),
            self.book.folder / PICTURES,
            stem=request["stem"],
            kinds=request["kinds"],
            report=report,
        )
        return {"outputs": [str(path) for path in written]}

    def _of_job(self, job: Job) -> Finished:
        result = job.result or {}
        title = result.get("subject") or job.title.removeprefix("Finishing ")
        files = tuple(self._inside(result["outputs"]))
        return Finished(job.id, title, result, files, str(job.request.get("source", "")))

    def _of_night(self) -> Finished | None:
        night = self.book.night()
        if night is None:
            return None
        named = (night.output(name) for name in night.index["outputs"])
        files = tuple(path for path in named if path is not None)
        return Finished(NIGHT, night.index["target"]["name"], night.steps["finish"], files)

    def _inside(self, paths: list[str]) -> list[Path]:
        """Files in the night's folder that are still there."""
        root = self.book.folder.resolve()
        real = (Path(path).resolve() for path in paths)
        return [path for path in real if path.is_relative_to(root) and path.is_file()]


def _stem(text: str) -> str:
    """A file's name of plain characters."""
    return re.sub(r"[^\w+.-]+", "-", text).strip("-.")[:60]


def told_of(shown: Shown, size: tuple[int, int]) -> dict[str, str]:
    """What the sliders' picture says in words."""
    return {
        "black": f"{shown.black_share * 100:.2f}\u00a0%",
        "white": f"{shown.white_share * 100:.2f}\u00a0%",
        "size": f"{size[0]} × {size[1]} pixels",
    }
