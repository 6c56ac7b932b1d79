"""A field report as one HTML file that asks nothing of any other computer."""

from __future__ import annotations

import base64
from collections.abc import Sequence
from html import escape
from pathlib import Path

from slowglass.frame.atomic import replacing
from slowglass.learn.fieldreport.content import FieldReport, ObjectPart
from slowglass.learn.fieldreport.pictures import ReportPicture

STYLE = """
:root { color-scheme: light; }
body { margin: 0 auto; max-width: 62rem; padding: 2rem 1.2rem 4rem; background: #fbf8f1;
  color: #2b2a27; font: 1.05rem/1.55 Georgia, "Times New Roman", serif; }
h1 { font-size: 1.9rem; line-height: 1.2; margin: 0 0 .4rem; }
h2 { font-size: 1.35rem; margin: 2.6rem 0 .3rem; border-top: 2px solid #2b2a27;
  padding-top: .6rem; }
.opening { font-size: 1.15rem; margin: 0 0 1.4rem; }
dl { display: grid; grid-template-columns: max-content 1fr; gap: .1rem 1.2rem; margin: .6rem 0; }
dt { color: #6a6253; } dd { margin: 0; }
.pictures { display: grid; grid-template-columns: repeat(auto-fit, minmax(17rem, 1fr)); gap: 1rem;
  margin: 1rem 0; align-items: start; }
.pictures figure.grand { grid-column: 1 / -1; }
figure { margin: 0; } img { width: 100%; height: auto; display: block; background: #000; }
figcaption, .kind { color: #6a6253; font-size: .92rem; }
.cards { display: grid; grid-template-columns: repeat(auto-fit, minmax(18rem, 1fr));
  gap: 0 2.5rem; }
ul { margin: .4rem 0; padding-left: 1.2rem; }
@media (max-width: 30rem) { dl { grid-template-columns: 1fr; gap: 0; }
  dd { margin-bottom: .4rem; } }
@media print { body { background: #fff; } }
"""


def write_html(found: FieldReport, path: Path) -> Path:
    """Path of the report as one HTML file, pictures inside."""
    text = report_html(found)
    with replacing(path) as temporary:
        temporary.write_text(text, encoding="utf-8")
    return path


def report_html(found: FieldReport) -> str:
    """The report as an HTML document."""
    parts = [
        "<!doctype html>",
        '<html lang="en"><head><meta charset="utf-8">',
        '<meta name="viewport" content="width=device-width, initial-scale=1">',
        # No script, nothing from outside: safe to put anywhere.
        '<meta http-equiv="Content-Security-Policy" '
        "content=\"default-src 'none'; img-src data:; style-src 'unsafe-inline'\">",
        f"<title>{escape(found.title)}</title><style>{STYLE}</style></head><body><main>",
        f"<h1>{escape(found.title)}</h1>",
        f'<p class="opening">{escape(found.opening)}</p>' if found.opening else "",
        '<div class="cards">',
        f"<section><h3>Kit</h3>{_facts(found.kit)}</section>",
        f"<section><h3>Place</h3>{_facts(found.place)}</section></div>",
        *(_object(part) for part in found.objects),
    ]
    if found.classes:
        parts += ["<h2>By class of object</h2>", _facts(found.classes)]
    if found.notes:
        parts += ["<h2>Notes</h2>", _list(found.notes)]
    parts.append("</main></body></html>")
    return "\n".join(part for part in parts if part)


def _object(part: ObjectPart) -> str:
    rows = [
        f"<h2>{escape(part.title)}</h2>",
        f"<p>{escape(part.caption)}</p>",
        '<div class="pictures">',
        *(_figure(picture, part.title, grand=picture is part.pictures[-1] and
                  len(part.pictures) % 2 == 0) for picture in part.pictures),
        "</div>",
        _facts(part.facts),
    ]  # fmt: skip
    if part.worked:
        rows.append(f"<p>What worked: {escape('; '.join(part.worked))}.</p>")
    if part.failed:
        rows.append(f"<p>What did not: {escape('; '.join(part.failed))}.</p>")
    return "\n".join(rows)


def _figure(picture: ReportPicture, title: str, *, grand: bool) -> str:
    if picture.missing:
        return f"<p>{escape(picture.caption)}: {escape(picture.missing)}.</p>"
    data = base64.b64encode(picture.jpeg).decode("ascii")
    alt = f"{title}: {picture.caption}"
    kind = ' class="grand"' if grand else ""
    return (
        f'<figure{kind}><img alt="{escape(alt)}" width="{picture.width_px}" '
        f'height="{picture.height_px}" src="data:image/jpeg;base64,{data}">'
        f"<figcaption>{escape(picture.caption)}</figcaption></figure>"
    )


def _facts(rows: Sequence[tuple[str, str]]) -> str:
    inner = "".join(f"<dt>{escape(name)}</dt><dd>{escape(text)}</dd>" for name, text in rows)
    return f"<dl>{inner}</dl>"


def _list(lines: Sequence[str]) -> str:
    return "<ul>" + "".join(f"<li>{escape(line)}</li>" for line in lines) + "</ul>"
