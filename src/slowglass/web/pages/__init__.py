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
    kit,
    learn,
    live,
    start,
    weigh,
)


def routes(book: Notebook) -> list[Route]:
    """Every address that answers."""
    steps = (start, choose, find, expose, live, judge, finish, learn, kit, weigh, jobs, desk)
    return [route for step in steps for route in step.routes(book)]
