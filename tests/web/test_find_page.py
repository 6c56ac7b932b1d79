"""The way in the browser: charts that turn and flip rightly, legs one by one, one printed page."""

from __future__ import annotations

import re
from datetime import UTC, datetime

import numpy as np
import pytest

from slowglass.web.app import create_app

AT = "2026-10-10T20:00:00Z"
WAY = f"name=M15&when={AT}"


@pytest.fixture(scope="module")
def app(workbench, tmp_path_factory):
    return create_app(workbench, folder=tmp_path_factory.mktemp("finding"))


@pytest.fixture
def ask(app, send):
    return lambda *args, **options: send(app, *args, **options)


def test_a_way_leads_to_legs_sheet_and_charts(ask):
    page = ask(f"/find?{WAY}").text
    assert page.count("<li") > 10
    for link in ("/find/steps?", "/find/sheet.pdf?"):
        assert link in page
    assert page.count('<figure class="turnable') == 4
    # without scripts a form flips the charts
    flipped = ask(f"/find?{WAY}&seen=mirrored").text
    assert (
        "/chart/paper/hop?name=M15&amp;when=2026-10-10T20%3A00%3A00Z&amp;seen=mirrored" in flipped
    )
    assert '<option value="mirrored" selected>' in flipped


def test_charts_are_made_as_seen(ask):
    for seen, mirrored, up in (("erect", 0, 0.0), ("inverted", 0, 180.0), ("mirrored", 1, 0.0)):
        svg = ask(f"/chart/paper/hop?{WAY}&seen={seen}").text
        assert f'data-mirrored="{mirrored}"' in svg
        assert f'data-up-deg="{up:.2f}"' in svg
    assert "Leg 2: from" in ask(f"/chart/night/leg-2?{WAY}").text
    for none in ("leg-0", "leg-99", "leg-x", "attic"):
        assert ask(f"/chart/paper/{none}?{WAY}").status_code == 404


def test_legs_are_walked_and_ticked_off_for_every_browser(ask):
    start = ask(f"/find/steps?{WAY}").text
    assert "<h1>Start at" in start
    assert 'rel="prev"' not in start
    sent = {"name": "M15", "when": AT, "found": "1", "seen": "mirrored"}
    answer = ask("/find/steps", method="POST", data=sent)
    assert "step=1" in answer.headers["location"]
    assert "seen=mirrored" in answer.headers["location"]
    page = ask(f"/find/steps?{WAY}").text
    legs = int(re.search(r"<h1>Leg 1 of (\d+)", page).group(1))
    assert 'aria-label="the start, found"' in page
    end = ask(f"/find/steps?{WAY}&step={legs + 1}").text
    assert "is in mid-field" in end
    assert 'rel="next"' not in end
    ask("/find/steps", method="POST", data={**sent, "found": "3"})
    assert ask(f"/find?{WAY}").text.count('<li class="walked">') == 2
    assert ask("/find/steps").headers["location"] == "/find"
    for odd in ("step=-4", "step=99999999", "step=two", "seen=sideways"):
        assert ask(f"/find/steps?{WAY}&{odd}").status_code == 200


def test_the_way_up_now_is_that_of_the_moment(ask, workbench):
    told = ask("/sky/up?ra=322.493&dec=12.167").json()
    zenith, alt, _ = workbench.up_there(322.493, 12.167, datetime.now(UTC))
    assert abs((told["zenith_deg"] - zenith + 180.0) % 360.0 - 180.0) < 1.0
    assert told["altitude_deg"] == pytest.approx(alt, abs=0.5)
    assert re.fullmatch(r"\d\d:\d\d", told["clock"])
    for bad in ("ra=&dec=", "ra=1&dec=91", "ra=x&dec=1"):
        assert ask(f"/sky/up?{bad}").status_code == 400


def test_the_way_up_agrees_with_astropy(workbench):
    import astropy.units as u
    from astropy.coordinates import AltAz, EarthLocation, SkyCoord
    from astropy.time import Time

    site = workbench.site
    when = datetime(2026, 10, 10, 20, tzinfo=UTC)
    here = EarthLocation(lat=site.latitude_deg * u.deg, lon=site.longitude_deg * u.deg)
    frame = AltAz(obstime=Time(when), location=here)
    place = SkyCoord(322.493 * u.deg, 12.167 * u.deg)
    zenith = SkyCoord(AltAz(alt=90 * u.deg, az=0 * u.deg, obstime=Time(when), location=here))
    wanted = place.position_angle(zenith.icrs).deg
    up, alt, az = workbench.up_there(322.493, 12.167, when)
    # of date against J2000: the pole has moved by a tenth of a degree
    assert abs((up - wanted + 180.0) % 360.0 - 180.0) < 0.3
    there = place.transform_to(frame)
    assert alt == pytest.approx(there.alt.deg, abs=0.05)
    assert az == pytest.approx(there.az.deg, abs=0.05)


def test_a_sheet_is_a_pdf_and_a_plan_needs_pins(ask):
    assert ask("/find/sheet.pdf").status_code == 400
    assert "nothing is on the plan" in ask("/find/sheet.pdf").text
    answer = ask(f"/find/sheet.pdf?{WAY}")
    assert answer.headers["content-type"] == "application/pdf"
    assert answer.content.startswith(b"%PDF")


@pytest.fixture
def page(browser, served, app):
    opened = browser.new_page(viewport={"width": 1280, "height": 900})
    complaints = []
    opened.on("console", lambda message: complaints.append(message.text))
    opened.on("pageerror", lambda error: complaints.append(str(error)))
    opened.address = served(app)
    yield opened
    assert complaints == []
    opened.close()


def star(page, figure, index=40):
    """Where a star of the day's drawing stands, and where the drawing's middle is, in pixels."""
    return page.evaluate(
        """([figure, index]) => {
          const svg = document.querySelectorAll("figure.turnable")[figure]
            .querySelector(".by-day svg");
          const box = svg.querySelectorAll(".turns .star circle")[index].getBoundingClientRect();
          const group = svg.querySelector(".turns");
          const at = new DOMPoint(Number(group.dataset.x), Number(group.dataset.y))
            .matrixTransform(svg.getScreenCTM());
          return [box.x + box.width / 2 - at.x, box.y + box.height / 2 - at.y];
        }""",
        [figure, index],
    )


@pytest.mark.browser
@pytest.mark.slow
def test_charts_zoom_turn_and_flip(page):
    page.goto(f"{page.address}/find?{WAY}", wait_until="networkidle")
    figure = page.locator("figure.turnable").nth(1)
    press = lambda name: figure.get_by_role("button", name=name, exact=True).click()  # noqa: E731
    press("Turn to the right")
    page.locator("figure.turnable[data-turn='15.0']").wait_for()
    turned = np.array(star(page, 1))
    press("Turn to the left")
    x, y = plain = np.array(star(page, 1))
    angle = np.radians(15.0)  # to the right is clockwise, y runs down
    wanted = [x * np.cos(angle) - y * np.sin(angle), x * np.sin(angle) + y * np.cos(angle)]
    assert np.allclose(turned, wanted, atol=0.5)
    press("As seen star diagonal")
    page.locator("figure.turnable[data-seen=mirrored]").first.wait_for()
    assert np.allclose(star(page, 1), [-x, y], atol=0.5)
    press("As seen straight finder")
    page.locator("figure.turnable[data-seen=inverted]").first.wait_for()
    assert np.allclose(star(page, 1), [-x, -y], atol=0.5)
    press("As seen by eye or red dot")
    page.locator("figure.turnable:nth-of-type(2)[data-seen=erect]").wait_for()
    press("Larger")
    assert np.allclose(star(page, 1), 1.5 * plain, atol=1.0)
    # a flip keeps how large it is
    press("As seen star diagonal")
    page.locator("figure.turnable[data-seen=mirrored]").first.wait_for()
    assert np.allclose(star(page, 1), 1.5 * plain * [-1, 1], atol=1.0)
    press("Smaller")
    figure.focus()
    page.keyboard.press("+")
    assert figure.get_attribute("data-zoom") == "1.50"
    page.keyboard.press(".")
    assert figure.get_attribute("data-turn") == "15.0"


@pytest.mark.browser
@pytest.mark.slow
def test_a_chart_turned_to_the_sky_has_the_zenith_on_top(page, workbench):
    page.goto(f"{page.address}/find?{WAY}", wait_until="networkidle")
    figure = page.locator("figure.turnable").nth(1)
    figure.get_by_role("button", name="As the sky at that hour, zenith up").click()
    page.locator("figure.turnable[data-turn]").wait_for()
    data = figure.locator(".by-day svg").evaluate("svg => ({...svg.dataset})")
    ra, dec = float(data["raDeg"]), float(data["decDeg"])
    then, _, _ = workbench.up_there(ra, dec, datetime.fromisoformat(AT))
    assert float(figure.get_attribute("data-turn")) == pytest.approx(then % 360.0, abs=0.2)
    figure.get_by_role("button", name="As the sky now, zenith up").click()
    page.get_by_text("zenith up:").wait_for()
    now, _, _ = workbench.up_there(ra, dec, datetime.now(UTC))
    turn = float(figure.get_attribute("data-turn"))
    assert abs((turn - now + 180.0) % 360.0 - 180.0) < 1.0
    # through a diagonal the turn runs the other way
    figure.get_by_role("button", name="As seen star diagonal").click()
    page.locator("figure.turnable[data-seen=mirrored]").first.wait_for()
    other = float(figure.get_attribute("data-turn"))
    assert abs((other + turn + 180.0) % 360.0 - 180.0) < 1.0


@pytest.mark.browser
@pytest.mark.slow
def test_legs_are_walked_by_keys_on_a_phone(page, ask):
    ask("/find/steps", method="POST", data={"name": "M15", "when": AT, "found": "0"})
    page.set_viewport_size({"width": 360, "height": 740})
    page.goto(f"{page.address}/find/steps?{WAY}&step=1", wait_until="networkidle")
    assert page.evaluate("document.documentElement.scrollWidth") <= 360
    small = page.evaluate(
        "[...document.querySelectorAll('.walk a, .walk button, .dots a, .tools button')]"
        ".map(e => e.getBoundingClientRect()).filter(b => b.height < 44 || b.width < 40).length"
    )
    assert small == 0
    page.keyboard.press("ArrowRight")
    page.wait_for_url("**step=2*")
    page.keyboard.press("ArrowLeft")
    page.wait_for_url("**step=1*")
    page.keyboard.press("Enter")
    page.wait_for_url("**step=2*")
    assert page.locator(".dots .walked").count() == 2


@pytest.mark.browser
@pytest.mark.slow
@pytest.mark.parametrize("light", ["day", "night"])
@pytest.mark.parametrize("name", ["M15", "M87"])
def test_the_page_prints_as_one_sheet_of_a4(browser, served, app, light, name):
    address = served(app)
    context = browser.new_context()
    context.add_cookies([{"name": "light", "value": light, "url": address}])
    page = context.new_page()
    when = AT if name == "M15" else "2026-04-15T22:00:00Z"
    page.goto(f"{address}/find?name={name}&when={when}", wait_until="networkidle")
    pdf = page.pdf(prefer_css_page_size=True, print_background=True)
    boxes = re.findall(rb"/MediaBox\s*\[\s*0 0 ([\d.]+) ([\d.]+)", pdf)
    assert [tuple(round(float(n) / 72 * 25.4) for n in box) for box in boxes] == [(210, 297)]
    context.close()
