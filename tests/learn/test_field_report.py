"""The field report: self-contained, blurred, editable, printable."""

from __future__ import annotations

import re
from html.parser import HTMLParser

import pytest

from slowglass.errors import ConfigError, NothingUseful, UsageError
from slowglass.kit.io import load_kit
from slowglass.learn.fieldreport.content import place_facts
from slowglass.learn.fieldreport.service import write_report
from slowglass.learn.logbook.records import LoggedNote, LoggedPicture


class Page(HTMLParser):
    def __init__(self, text):
        super().__init__()
        self.open, self.images, self.links, self.text = [], [], [], ""
        self.feed(text)

    def handle_starttag(self, tag, attrs):
        if tag not in ("meta", "img", "link", "br"):
            self.open.append(tag)
        values = dict(attrs)
        self.links += [v for k, v in values.items() if k in ("src", "href", "srcset")]
        if tag == "img":
            self.images.append(values)

    def handle_endtag(self, tag):
        assert self.open.pop() == tag

    def handle_data(self, data):
        self.text += data


@pytest.fixture
def write(logged, history, sky, tmp_path):
    def made(name, **options):
        return write_report(
            logged, history.kit, history.site, sky, tmp_path / name, **options
        )  # fmt: skip

    return made


def test_the_page_needs_nothing_from_outside_and_hides_the_place(write, logged, history):
    night = logged.frames()[0].night_id
    logged.add(LoggedNote("dew <after> midnight", night_id=night))
    path, captions = write("night.html", evening="2026-10-09")
    text = path.read_text(encoding="utf-8")
    page = Page(text)
    assert page.open == []
    assert page.links and all(link.startswith("data:image/jpeg;base64,") for link in page.links)
    assert not re.search(r"https?://", text)
    assert all(image["alt"] for image in page.images)
    assert history.site.name not in page.text
    assert "about 44° N, 1° E" in page.text
    assert "44.2" not in page.text
    assert "dew <after> midnight" in page.text
    assert "Forecast of one frame" in page.text and "A single frame" in page.text
    assert path.stat().st_size < 2_000_000
    assert captions.exists()


def test_captions_are_the_persons_own(write):
    path, captions = write("night.html")
    edited = captions.read_text(encoding="utf-8").replace(
        'NGC457 = "', 'NGC457 = "The owl, at last. '
    )
    captions.write_text(edited, encoding="utf-8")
    write("night.html")
    assert "The owl, at last." in path.read_text(encoding="utf-8")
    assert captions.read_text(encoding="utf-8") == edited
    captions.write_text("captions = 3", encoding="utf-8")
    with pytest.raises(ConfigError, match="captions is not a block"):
        write("night.html")
    captions.write_text("title = [", encoding="utf-8")
    with pytest.raises(ConfigError, match="cannot be read"):
        write("night.html")


@pytest.mark.parametrize("paper", ["A4", "Letter"])
def test_the_pdf_is_whole_and_of_its_paper(write, paper):
    path, _ = write(f"{paper}.pdf", paper=paper)
    data = path.read_bytes()
    assert data.startswith(b"%PDF-") and data.rstrip().endswith(b"%%EOF")
    box = re.search(rb"/MediaBox \[0 0 ([\d.]+) ([\d.]+)\]", data)
    width, height = (float(v) / 72 * 25.4 for v in box.groups())
    wanted = {"A4": (210.0, 297.0), "Letter": (215.9, 279.4)}[paper]  # ISO 216; ANSI X3.151
    assert (width, height) == pytest.approx(wanted, abs=0.2)


def test_a_finished_picture_that_is_gone_is_named(write, logged, tmp_path):
    logged.add(LoggedPicture(str(tmp_path / "gone.png"), object="NGC457", caption="The owl"))
    path, _ = write("night.html")
    assert "The owl: gone.png is no longer there." in path.read_text(encoding="utf-8")


def test_the_exact_place_is_told_only_when_asked(history):
    assert dict(place_facts(history.site, exact=True))["Place"] == "44.2000° N, 0.6200° E"
    assert dict(place_facts(history.site, exact=False))["Place"] == "about 44° N, 1° E"


def test_what_cannot_be_reported_is_told(write, logged, history, sky, tmp_path):
    with pytest.raises(UsageError, match=r"\.html or \.pdf"):
        write("night.docx")
    with pytest.raises(NothingUseful, match="no light frames"):
        write("night.html", evening="1999-01-01")
    with pytest.raises(NothingUseful, match="long 102"):
        write_report(logged, load_kit("long 102"), history.site, sky, tmp_path / "x.html")
