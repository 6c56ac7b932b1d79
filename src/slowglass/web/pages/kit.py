"""What follows from the kit and the site."""

from __future__ import annotations

from starlette.requests import Request
from starlette.responses import Response
from starlette.routing import Route

from slowglass.web.notebook import Notebook
from slowglass.web.tables import kit_rows


def routes(book: Notebook) -> list[Route]:
    """Kit and site."""

    def kit_and_site(request: Request) -> Response:
        from slowglass.kit.service import skyline_by_direction, summarise_kit

        kit, site = book.workbench.kit, book.workbench.site
        summary = summarise_kit(kit, site)
        return book.render(
            request,
            "kit.html",
            summary=summary,
            rows=kit_rows(kit, summary),
            skyline=skyline_by_direction(site),
            outline=[(az, -float(site.horizon_alt_deg(az))) for az in range(0, 361, 4)],
        )

    return [Route("/kit", kit_and_site)]
