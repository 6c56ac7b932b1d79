"""One page about a picture: what went in, how good it is, what would improve it most.

A single HTML file that carries its pictures inside, reads without a network and prints on one
sheet of paper.
"""

from __future__ import annotations

import base64
from collections.abc import Sequence
from html import escape
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt

from slowglass.finish.story import Story, frames_text, time_text
from slowglass.frame.picture_io import encode_jpeg
from slowglass.frame.preview import shrink

Eight = npt.NDArray[np.uint8]

PICTURE_PX, PAIR_PX = 1400, 1400
MOST_LISTED, MOST_NOTES = 6, 8
LONG_FROM = 8
"""With so many lines of advice, notes and frames left out the sheet is set closer."""

STYLE = """
:root { --ink: #22262b; --soft: #6a6f76; --line: #d9d5cb; --paper: #fbfaf6; }
* { box-sizing: border-box; }
body { margin: 0 auto; padding: 1.6rem; max-width: 60rem; background: var(--paper);
  color: var(--ink); font: 15px/1.45 Georgia, "Times New Roman", serif; }
h1 { font-size: 1.7rem; font-weight: normal; margin: 0; }
h2 { font-size: 1.05rem; margin: 1.1rem 0 .3rem; border-bottom: 1px solid var(--line); }
p { margin: .25rem 0; } .soft { color: var(--soft); }
img { width: 100%; height: auto; display: block; background: #111; }
figure { margin: .7rem 0; } figcaption { color: var(--soft); font-size: .9em; padding-top: .2rem; }
.columns { display: grid; grid-template-columns: 1fr 1fr; gap: 0 2rem; }
table { border-collapse: collapse; width: 100%; font-size: .95em; }
th { text-align: left; font-weight: normal; color: var(--soft); padding: .1rem .6rem .1rem 0;
  vertical-align: top; }
td { padding: .1rem 0; } td.n { text-align: right; font-variant-numeric: tabular-nums;
  white-space: nowrap; padding-right: .8rem; vertical-align: top; }
@media (max-width: 42rem) { .columns { display: block; } body { padding: .8rem; } }
@media print { @page { size: A4; margin: 11mm; } body { padding: 0; font-size: 8.5pt;
  background: none; max-width: none; } figure.main img { max-height: 76mm; object-fit: contain;
  background: none; } figure.pair img { max-height: 46mm; object-fit: contain; background: none; }
  section { break-inside: avoid; }
  .long { font-size: 7.5pt; line-height: 1.3; } .long h1 { font-size: 14pt; }
  .long h2 { margin: .5rem 0 .15rem; font-size: 10pt; } .long figure { margin: .35rem 0; }
  .long figure.main img { max-height: 52mm; } .long figure.pair img { max-height: 30mm; } }
"""


def report_page(
    story: Story,
    picture: Eight,
    *,
    pair: Eight | None,
    rejected: Sequence[tuple[str, str]],
    notes: Sequence[str],
    recipe: Path,
    files: Sequence[Path],
) -> str:
    """The page as HTML; ``pair`` shows one frame beside all of them."""
    title = story.title or "Picture"
    parts = [
        f"<h1>{escape(title)}</h1>",
        f'<p class="soft">{escape(story.facts())}</p>',
        _figure(picture, f"{title}, finished.", "main", PICTURE_PX, "The finished picture."),
    ]
    if pair is not None:
        text = (
            f"One frame, and {story.frames_used} combined: same place, same stretch, "
            "no noise reduction on either."
        )
        parts.append(_figure(pair, text, "pair", PAIR_PX, text))
    parts.append('<div class="columns">')
    parts.append(_section("What it is made of", _table(_made_of(story))))
    parts.append(_section("How good it is", _table(_quality(story))))
    parts.append("</div>")
    rows = "".join(
        f'<tr><td class="n">{_factor(one.factor)}</td><td>{escape(one.text)}</td></tr>'
        for one in story.advice
    )
    parts.append(
        _section(
            "What would improve it most",
            f"<table>{rows}</table><p class='soft'>× is the gain in signal to noise, "
            "each taken alone.</p>",
        )
    )
    if rejected:
        shown = rejected[:MOST_LISTED]
        lines = "".join(
            f"<tr><th>{escape(name)}</th><td>{escape(reason)}</td></tr>" for name, reason in shown
        )
        more = len(rejected) - len(shown)
        rest = f"<p class='soft'>and {more} more, listed in the recipe.</p>" if more else ""
        parts.append(_section("Frames left out", f"<table>{lines}</table>{rest}"))
    if notes:
        told = "".join(f"<p>{escape(note)}</p>" for note in notes[:MOST_NOTES])
        more = len(notes) - MOST_NOTES
        told += f"<p class='soft'>and {more} more, in the FITS header.</p>" if more > 0 else ""
        parts.append(_section("Notes", told))
    names = ", ".join(escape(path.name) for path in files)
    parts.append(
        _section(
            "Files",
            f"<p>{names}</p><p class='soft'>{escape(recipe.name)} repeats every step on the same "
            "frames and gives the same picture.</p>",
        )
    )
    count = len(story.advice) + min(len(rejected), MOST_LISTED) + len(notes)
    kind = ' class="long"' if count >= LONG_FROM else ""
    return (
        '<!doctype html>\n<html lang="en"><head><meta charset="utf-8">'
        '<meta name="viewport" content="width=device-width, initial-scale=1">'
        f"<title>{escape(title)}</title><style>{STYLE}</style></head>\n<body{kind}>\n"
        + "\n".join(parts)
        + "\n</body></html>\n"
    )


def _section(title: str, inside: str) -> str:
    return f"<section><h2>{escape(title)}</h2>{inside}</section>"


def _figure(picture: Eight, alt: str, kind: str, longest_px: int, caption: str) -> str:
    small = np.rint(shrink(picture, longest_px)).astype(np.uint8)
    code = base64.b64encode(encode_jpeg(small, quality=88)).decode("ascii")
    return (
        f'<figure class="{kind}"><img alt="{escape(alt)}" width="{small.shape[1]}" '
        f'height="{small.shape[0]}" src="data:image/jpeg;base64,{code}">'
        f"<figcaption>{escape(caption)}</figcaption></figure>"
    )


def _table(rows: Sequence[tuple[str, str]]) -> str:
    return (
        "<table>"
        + "".join(f"<tr><th>{escape(a)}</th><td>{escape(b)}</td></tr>" for a, b in rows if b)
        + "</table>"
    )


def _factor(value: float | None) -> str:
    return "" if value is None else f"× {value:.2f}"


def _number(value: Any, form: str, unit: str = "") -> str:
    return "" if value is None else f"{value:{form}}{unit}"


def _made_of(story: Story) -> list[tuple[str, str]]:
    used = frames_text(story.frames_used, story.exposure_s)
    if story.frames_in > story.frames_used:
        used += f" (of {story.frames_in})"
    field = ""
    if story.field_arcmin is not None:
        field = f"{story.field_arcmin[0]:.1f}′ × {story.field_arcmin[1]:.1f}′"
    return [
        ("Frames", used),
        ("Light gathered for", "" if story.total_s is None else time_text(story.total_s)),
        ("Begun", "" if story.start_utc is None else f"{story.start_utc:%Y-%m-%d %H:%M} UTC"),
        ("Camera", story.camera or ""),
        ("Scale", _number(story.scale_arcsec_per_px, ".3f", "″ a pixel")),
        ("Shown", field),
    ]


def _light_text(story: Story) -> str:
    if not story.sky_told:
        return "cannot be told from the sky's: it fills the picture"
    error = story.object_light_error
    if error is None:
        return ""
    return f"known to {max(100 * error, 0.1):.2g} % as far as the sky beneath it goes"


def _quality(story: Story) -> list[tuple[str, str]]:
    width = _number(story.fwhm_px, ".2f", " px")
    if story.fwhm_arcsec is not None:
        width += f" ({story.fwhm_arcsec:.1f}″)"
    colours = {
        "catalogue": f"by {story.colour_stars} catalogue stars",
        "stars": f"the middle of {story.colour_stars} stars taken as white",
        "none": "as the sensor saw",
        "plain": "",
    }[story.colour_how]
    if story.colour_rms_mag is not None:
        colours += f", {story.colour_rms_mag:.3f} mag from their B−V"
    sky = story.sky_shape
    if story.sky_span_adu:
        sky = f"{story.sky_shape}, spanned {story.sky_span_adu:.3g} ADU"
    return [
        ("Stars (FWHM)", width),
        ("Object, signal to noise", _number(story.object_snr, ".3g", " in a star's area")),
        ("Object's light", _light_text(story)),
        ("Against one frame", _number(story.snr_gain, ".2f", " × signal to noise")),
        ("Colours", colours),
        ("Sky taken off", sky),
        ("Sky left", _number(story.sky_scatter_adu, ".2g", " ADU of unevenness")),
    ]
