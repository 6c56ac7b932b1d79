"""The way to the record's target, or to any object asked for, with its charts."""

from __future__ import annotations

from urllib.parse import urlencode

from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.responses import Response
from starlette.routing import Route

from slowglass.web.notebook import Notebook, asked
from slowglass.web.ways import Ways


def routes(book: Notebook) -> list[Route]:
    """The way and its charts."""
    ways = Ways(book.workbench)

    def find(request: Request) -> Response:
        night = book.night()
        name, when = asked(request, "name"), asked(request, "when")
        if not name:
            if night is None:
                return book.render(request, "find.html", route=None, charts=[], name="", zone="")
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
        return book.render(
            request, "find.html", route=way.route, charts=charts, name=name, zone=zone
        )

    def chart(request: Request) -> Response:
        name = asked(request, "name")
        way = ways.find(name, asked(request, "when")) if name else None
        svg = None if way is None else way.charts.get(request.path_params["style"])
        if svg is None:
            raise HTTPException(404)
        return Response(svg, media_type="image/svg+xml", headers={"cache-control": "no-cache"})

    return [Route("/find", find), Route("/chart/{style}", chart)]
