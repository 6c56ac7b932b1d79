"""The way to the record's target, or to any object asked for, with its charts."""

from __future__ import annotations

from urllib.parse import urlencode

from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.responses import Response
from starlette.routing import Route

from slowglass.find.plates import PlateName
from slowglass.web.notebook import Notebook, asked
from slowglass.web.ways import STYLES, Ways

WORDS: dict[PlateName, str] = {
    "eye": "The sky by eye, zenith up",
    "hop": "The hop",
    "field": "In the eyepiece",
    "frame": "On the camera",
}


def routes(book: Notebook) -> list[Route]:
    """The way and its charts."""
    ways = Ways(book.workbench)

    def find(request: Request) -> Response:
        night = book.night()
        name, when = asked(request, "name"), asked(request, "when")
        if not name:
            if night is None:
                return book.render(
                    request, "find.html", route=None, charts=[], plates=[], name="", zone=""
                )
            index = night.index
            charts = [
                {"light": light, "href": f"/plate/{plate}", "size": index["sizes"][plate]}
                for light, plate in (("by-day", "chart"), ("by-night", "chart-night"))
            ]
            return book.render(
                request,
                "find.html",
                route=night.steps["route"],
                charts=charts,
                plates=_plates(index["target"]["name"], night.steps["route"]["when"] or ""),
                name=index["target"]["name"],
                zone=index["site"]["timezone"],
            )
        way = ways.find(name, when)
        query = urlencode({"name": name, "when": when})
        charts = [
            {"light": light, "href": f"/chart/{style}?{query}", "size": way.size}
            for light, style in (("by-day", "paper"), ("by-night", "night"))
            if style in way.charts
        ]
        zone = book.workbench.site.timezone
        plates = _plates(name, when) if charts else []
        return book.render(
            request,
            "find.html",
            route=way.route,
            charts=charts,
            plates=plates,
            name=name,
            zone=zone,
        )

    def plate(request: Request) -> Response:
        name, when = asked(request, "name"), asked(request, "when")
        style, wanted = request.path_params["style"], request.path_params["plate"]
        if not name or style not in STYLES or wanted not in WORDS:
            raise HTTPException(404)
        svg = ways.plate(name, when, wanted, style)
        if svg is None:
            raise HTTPException(404)
        return Response(svg, media_type="image/svg+xml", headers={"cache-control": "no-cache"})

    def chart(request: Request) -> Response:
        name = asked(request, "name")
        way = ways.find(name, asked(request, "when")) if name else None
        svg = None if way is None else way.charts.get(request.path_params["style"])
        if svg is None:
            raise HTTPException(404)
        return Response(svg, media_type="image/svg+xml", headers={"cache-control": "no-cache"})

    return [
        Route("/find", find),
        Route("/chart/{style}", chart),
        Route("/chart/{style}/{plate}", plate),
    ]


def _plates(name: str, when: str) -> list[dict[str, str]]:
    """The charts of a way one by one: an address for each light, and what it shows."""
    query = urlencode({"name": name, "when": when})
    return [
        {
            "words": words,
            "paper": f"/chart/paper/{plate}?{query}",
            "night": f"/chart/night/{plate}?{query}",
        }
        for plate, words in WORDS.items()
    ]
