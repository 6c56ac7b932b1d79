"""The door for phones: the code to scan on this computer, and the phone's side of it."""

from __future__ import annotations

from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.responses import HTMLResponse, RedirectResponse, Response
from starlette.routing import Route

from slowglass.web.lan import CAUTIONS, CODE_S, COOKIE, Lan
from slowglass.web.notebook import Notebook


def routes(book: Notebook) -> list[Route]:
    """The page of the code, its buttons, and the page that the code opens."""

    def door() -> Lan:
        if book.lan is None:
            raise HTTPException(404)
        return book.lan

    def show(request: Request) -> Response:
        lan = book.lan
        link = "" if lan is None else lan.link()
        return book.render(
            request,
            "lan.html",
            lan=lan,
            link=link,
            drawing=code_drawing(link) if link else "",
            cautions=CAUTIONS,
            minutes=round(CODE_S / 60),
        )

    def new_code(request: Request) -> Response:
        door().new_code()
        return RedirectResponse("/lan", status_code=303)

    async def send_away(request: Request) -> Response:
        form = await request.form()
        door().send_away(str(form.get("phone", "")))
        return RedirectResponse("/lan", status_code=303)

    def knock(request: Request) -> Response:
        """Show the phone what it is about to enter; a preview that fetches this uses nothing up."""
        lan, visitor = door(), visitor_of(request)
        code = request.query_params.get("code", "")[:200]
        if lan.barred(visitor):
            return outside(book, request, "barred")
        if not lan.holds(code, visitor):
            return outside(book, request, "stranger")
        return bare(book, request, "phone.html", code=code, cautions=CAUTIONS)

    async def enter(request: Request) -> Response:
        lan, visitor = door(), visitor_of(request)
        form = await request.form()
        if lan.barred(visitor):
            return outside(book, request, "barred")
        name = request.headers.get("user-agent", "")
        key = lan.let_in(str(form.get("code", ""))[:200], visitor, name_of(name))
        if key is None:
            return outside(book, request, "stranger")
        answer = RedirectResponse("/", status_code=303)
        answer.set_cookie(COOKIE, key, httponly=True, samesite="strict", path="/")
        if "light" not in request.cookies:
            answer.set_cookie("light", "night", max_age=31536000, samesite="strict")
        return answer

    return [
        Route("/lan", show, methods=["GET"]),
        Route("/lan/code", new_code, methods=["POST"]),
        Route("/lan/away", send_away, methods=["POST"]),
        Route("/phone", knock, methods=["GET"]),
        Route("/phone", enter, methods=["POST"]),
    ]


def outside(book: Notebook, request: Request, why: str) -> Response:
    """The page for who is not let in: it says what to do and nothing of the night."""
    status = {"stranger": 403, "not here": 403, "barred": 429}[why]
    return bare(book, request, "outside.html", status=status, why=why)


def bare(
    book: Notebook, request: Request, template: str, *, status: int = 200, **content: object
) -> Response:
    """A page without the notebook around it, red unless day was chosen."""
    light = request.cookies.get("light", "night")
    html = book.fragment(template, light="day" if light == "day" else "night", **content)
    return HTMLResponse(html, status_code=status, headers={"cache-control": "no-store"})


def visitor_of(request: Request) -> str:
    """The address that a request comes from."""
    return "" if request.client is None else request.client.host


def name_of(agent: str) -> str:
    """What kind of device a browser says it runs on."""
    return "a phone" if "Mobi" in agent else "a tablet or computer"


def code_drawing(link: str) -> str:
    """A link as the path of a code to scan, one unit a module, with a quiet border of four."""
    import segno

    code = segno.make(link, error="m", boost_error=False)
    return code.svg_inline(border=4, omitsize=True, svgclass="scan", lineclass="scan-line")
