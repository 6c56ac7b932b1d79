"""The evening so far in six lines, from what has been chosen and done."""

from __future__ import annotations

from typing import TYPE_CHECKING
from urllib.parse import urlencode

from slowglass.errors import UsageError
from slowglass.web.present import number

if TYPE_CHECKING:
    from slowglass.web.notebook import Notebook


def evening_lines(book: Notebook) -> list[dict[str, str]]:
    """One line a step: where it leads, and what is settled or still open."""
    desk = book.desk.state
    plan = _listed(desk.plan)
    target = desk.target or (desk.plan[0] if desk.plan else "")
    query = f"?{urlencode({'name': target, 'when': desk.when})}" if target else ""
    pinned = f"{plan} {'is' if len(desk.plan) == 1 else 'are'} on the plan."
    planned = (
        f"{number(desk.exposure_s, 0 if (desk.exposure_s or 0) >= 1 else 2, 's')} for {target}"
    )
    if desk.frames:
        planned = f"{desk.frames} × {planned}"
    texts = {
        "Choose": pinned if desk.plan else "Nothing is pinned yet.",
        "Find": f"The way to {target}." if target else "Waits for an object.",
        "Expose": f"{planned}." if desk.exposure_s and target else "No exposure is settled yet.",
        "Judge": _frames(book),
        "Finish": _finished(book),
        "Learn": "What the logged nights teach.",
    }
    to = {"Find": f"/find{query}", "Expose": "/expose"}
    return [
        {"name": step, "href": to.get(step, f"/{step.lower()}"), "text": text}
        for step, text in texts.items()
    ]


def _listed(names: tuple[str, ...]) -> str:
    """Names as a list in a sentence, the later ones counted."""
    shown, more = list(names[:4]), len(names) - 4
    if more > 0:
        shown.append(f"{more} more")
    return " and ".join([", ".join(shown[:-1]), shown[-1]]) if len(shown) > 1 else "".join(shown)


def _frames(book: Notebook) -> str:
    if book.watching is not None:
        return f"Frames coming into {book.watching.folder.name} now."
    folder = book.desk.state.frames_folder
    if not folder:
        return "No folder of frames is chosen yet."
    try:
        listing = book.roots.listing(folder)
    except UsageError as error:
        return str(error)
    count = listing.total
    return f"{count} {'picture' if count == 1 else 'pictures'} in {listing.name}."


def _finished(book: Notebook) -> str:
    job = book.jobs.latest("finish")
    if job is None:
        return "No picture yet."
    words = {"done": "done", "failed": "it did not work", "stopped": "stopped"}
    return f"{job.title}: {words.get(job.state, job.progress.spoken)}."
