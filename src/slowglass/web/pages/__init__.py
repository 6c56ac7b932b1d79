"""The routes, a module a step: each reads the night's record or asks the workbench."""

from __future__ import annotations

from starlette.routing import Route

from slowglass.web.notebook import Notebook
from slowglass.web.pages import (
    choose,
    desk,
    expose,
    find,
    finish,
    jobs,
    judge,
    judged,
    kit,
    kit_edit,
    lan,
    learn,
    live,
    logbook,
    setup,
    start,
    view,
    weigh,
)


def routes(book: Notebook) -> list[Route]:
    """Every address that answers."""
    steps = (
        start,
        setup,
        choose,
        find,
        expose,
        live,
        judged,
        judge,
        finish,
        learn,
        logbook,
        kit,
        kit_edit,
        weigh,
        jobs,
        desk,
        lan,
        view,
    )
    return [route for step in steps for route in step.routes(book)]
