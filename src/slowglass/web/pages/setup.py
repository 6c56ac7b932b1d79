"""The set-up by three questions: where are you, what do you look through, what is your camera."""

from __future__ import annotations

from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from starlette.concurrency import run_in_threadpool
from starlette.requests import Request
from starlette.responses import RedirectResponse, Response
from starlette.routing import Route

from slowglass.documents import document
from slowglass.errors import SlowglassError
from slowglass.progress import Report
from slowglass.web.hand_in import MEGABYTE, HandedIn, handed_in, keep_picture, newest_pictures
from slowglass.web.job import Request as JobRequest
from slowglass.web.notebook import Notebook
from slowglass.web.setup_draft import SetupDraft

LARGEST_FRAME_BYTES = 200 * MEGABYTE
NEWEST = 30


@dataclass
class _Said:
    """What the page says beside the answers."""

    faults: dict[str, str] = field(default_factory=dict)
    towns: tuple[Any, ...] = ()


def routes(book: Notebook) -> list[Route]:
    """The page of questions and its form."""
    draft = SetupDraft(book.notes / "setup.json")

    def introduce(request: JobRequest, report: Report) -> dict[str, Any]:
        found = book.workbench.introduce(
            Path(request["path"]), answers=request["answers"], near=request["near"], report=report
        )
        return dict(document(found))

    book.jobs.register("introduce", introduce, quick=True)

    def page(request: Request, said: _Said | None = None) -> Response:
        from slowglass.kit.darkness import CLASSES
        from slowglass.kit.form import key_labels
        from slowglass.kit.setup import set_up
        from slowglass.kit.setup_facts import DESIGNS, OWN_SIZE, SENSORS, SHORT_NAMES

        said = said or _Said()
        answers = draft.read()
        made = set_up(answers)
        job = book.jobs.get(answers["job"]) if answers["job"] else None
        return book.render(
            request,
            "setup.html",
            status=400 if said.faults else 200,
            answers=answers,
            faults=said.faults,
            towns=said.towns,
            saved="saved" in request.query_params,
            assumed=[(*key_labels().get(a.key, (a.key, "")), a) for a in made.assumed],
            names=SHORT_NAMES,
            made=made,
            stand_in=book.workbench.kit_is_stand_in,
            designs=DESIGNS,
            sensors=SENSORS,
            own_size=OWN_SIZE,
            classes=CLASSES,
            job=job,
            frames=newest_pictures(book.roots.folders, most=NEWEST),
        )

    def show(request: Request) -> Response:
        return page(request)

    async def answer(request: Request) -> Response:
        """Take over what was typed, then do what was asked with it."""
        sent = await handed_in(request, most_bytes=LARGEST_FRAME_BYTES)
        try:
            return await run_in_threadpool(act, request, sent)
        finally:
            await sent.form.close()

    def act(request: Request, sent: HandedIn) -> Response:
        answers = draft.write(sent.texts)
        if "pick" in sent.texts:
            return pick(answers, sent.texts["pick"])
        do = sent.texts.get("do", "save")
        if do == "town":
            return look_up(request, answers)
        if do == "frame":
            return read_one(request, answers, sent)
        if do == "take":
            return take(answers, sent.lists.get("take", []))
        return save(request, answers)

    def look_up(request: Request, answers: dict[str, str]) -> Response:
        from slowglass.kit.towns import towns_called

        try:
            towns = towns_called(answers["town"])
        except SlowglassError as error:
            return page(request, _Said(faults={"town": str(error)}))
        if len(towns) == 1:
            return pick(answers, "0")
        return page(request, _Said(towns=towns))

    def pick(answers: dict[str, str], number: str) -> Response:
        from slowglass.kit.towns import towns_called

        towns = towns_called(answers["town"])
        if number.isdecimal() and int(number) < len(towns):
            town = towns[int(number)]
            draft.write(
                {
                    "latitude": f"{town.latitude_deg:g}",
                    "longitude": f"{town.longitude_deg:g}",
                    "height_m": f"{town.height_m:.0f}",
                    "timezone": town.timezone,
                    "site_name": answers["site_name"] or town.name,
                }
            )
        return RedirectResponse("/setup#q-where", status_code=303)

    def read_one(request: Request, answers: dict[str, str], sent: HandedIn) -> Response:
        try:
            if sent.complaint:
                raise SlowglassError(sent.complaint, "hand in a smaller one, or name its path")
            if sent.file is not None:
                path = keep_picture(sent.file, book.notes / "handed-in")
                answers = draft.write({"frame": str(path)})
            else:
                path = book.roots.file(answers["frame"].strip())
        except SlowglassError as error:
            return page(request, _Said(faults={"frame": str(error)}))
        if answers["near"].strip():
            try:
                book.workbench.place(answers["near"])
            except SlowglassError as error:
                return page(request, _Said(faults={"near": str(error)}))
        kept = {k: v for k, v in answers.items() if k not in ("job", "town")}
        job = book.jobs.start(
            "introduce",
            title=f"What {path.name} says of your kit",
            request={"path": str(path), "near": answers["near"].strip(), "answers": kept},
            href="/setup#q-frame",
        )
        draft.write({"job": job.id})
        return RedirectResponse("/setup#q-frame", status_code=303)

    def take(answers: dict[str, str], numbers: list[str]) -> Response:
        job = book.jobs.get(answers["job"])
        facts = (job.result or {}).get("facts", []) if job is not None else []
        for number in numbers:
            if number.isdecimal() and int(number) < len(facts):
                draft.write(facts[int(number)]["answers"])
        return RedirectResponse("/setup#q-tube", status_code=303)

    def save(request: Request, answers: dict[str, str]) -> Response:
        from slowglass.kit.setup import set_up

        made = set_up(answers)
        if made.faults:
            return page(request, _Said(faults=made.faults))
        try:
            book.workbench, _ = book.workbench.kept(kit=made.kit, site=made.site, own=True)
        except (SlowglassError, OSError) as error:
            return page(request, _Said(faults={"save": str(error)}))
        return RedirectResponse("/setup?saved", status_code=303)

    return [
        Route("/setup", show, methods=["GET"]),
        Route("/setup", answer, methods=["POST"]),
    ]
