"""Writing a field report with its captions to a file."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Literal

from slowglass.errors import UsageError
from slowglass.learn.fieldreport.content import make_report, with_captions
from slowglass.learn.fieldreport.html import write_html
from slowglass.learn.fieldreport.pdf import write_pdf
from slowglass.progress import Report, silent

if TYPE_CHECKING:
    from slowglass.kit.model import Kit, Site
    from slowglass.learn.logbook.store import Logbook
    from slowglass.sky.store import Sky

Paper = Literal["A4", "Letter"]


def write_report(
    logbook: Logbook,
    kit: Kit,
    site: Site,
    sky: Sky,
    path: Path,
    *,
    evening: str | None = None,
    exact_place: bool = False,
    paper: Paper = "A4",
    report: Report = silent,
) -> list[Path]:
    """Paths of the report (.html or .pdf) and of the file of captions beside it."""
    suffix = path.suffix.lower()
    if suffix not in (".html", ".pdf"):
        raise UsageError(f"{path.name}: a report is .html or .pdf", "end the name in one of them")
    found = make_report(
        logbook, kit, site, sky, evening=evening, exact_place=exact_place, report=report
    )
    captions = path.with_suffix(".captions.toml")
    found = with_captions(found, captions)
    if suffix == ".html":
        write_html(found, path)
    else:
        write_pdf(found, path, paper=paper)
    return [path, captions]
