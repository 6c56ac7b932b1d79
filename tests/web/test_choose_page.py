"""The night as cards: narrowed, sorted, pinned to a plan shared by browsers; one object's year."""

from __future__ import annotations

import re
import time
from datetime import date, datetime
from xml.etree import ElementTree

import pytest

from slowglass.web.app import create_app

NIGHT = "2026-10-10"


@pytest.fixture(scope="module")
def app(workbench, tmp_path_factory):
    return create_app(workbench, folder=tmp_path_factory.mktemp("choosing"))


@pytest.fixture
def ask(app, send):
    return lambda *args, **options: send(app, *args, **options)


def worked_out(ask, path, seconds=120.0):
    """The page once nothing on it is under way."""
    end = time.monotonic() + seconds
    while time.monotonic() < end:
        answer = ask(path)
        if "data-follow" not in answer.text:
            return answer
        time.sleep(0.1)
    raise TimeoutError(path)


def names(page):
    return re.findall(r'<h3><a href="[^"]*">([^,<]*)', page.text)


def test_cards_have_frame_curve_answers_and_ways_on(ask):
    page = worked_out(ask, f"/choose?night={NIGHT}")
    assert len(names(page)) == 24
    card = page.text.split('<li id="o-1">')[1].split("</li>")[0]
    for word in ("framing.svg", 'class="climb"', "n-clear", "Fits", "Shows", "Holds", "Reachable"):
        assert word in card
    assert 'loading="lazy"' in card
    assert "The way to it" in card
    assert "through the night" in card
    assert "style=" not in page.text


def test_pictures_of_frames_are_drawings_for_each_light(ask):
    page = worked_out(ask, f"/choose?night={NIGHT}")
    links = [
        link.replace("&amp;", "&") for link in re.findall(r'src="([^"]*framing[^"]*)"', page.text)
    ]
    for light, link in zip(("day", "night"), links[:2], strict=True):
        assert f"light={light}" in link
        answer = ask(link)
        assert "immutable" in answer.headers["cache-control"]
        tree = ElementTree.fromstring(answer.text)
        colours = {e.get("fill") for e in tree.iter()} | {e.get("stroke") for e in tree.iter()}
        reds = [c for c in colours if c and c.startswith("#")]
        assert reds
        if light == "night":
            assert all(c[3:] == "0000" for c in reds)
    for angle in ("sideways", "nan", "1e999"):
        assert ask(f"/choose/M15/framing.svg?angle={angle}").status_code == 404
    assert ask("/choose/nothing-such/framing.svg").status_code == 404


def test_the_list_is_narrowed_and_sorted(ask):
    page = worked_out(ask, f"/choose?night={NIGHT}&kind=globular&sort=light")
    kinds = set(re.findall(r'class="kind">([^<]* cluster) in', page.text))
    assert kinds == {"globular cluster"}
    page = worked_out(ask, f"/choose?night={NIGHT}&constellation=Cyg&from=20:00&to=22:00&sort=name")
    assert set(re.findall(r" in (\w\w\w)</span>", page.text)) == {"Cyg"}
    assert names(page) == sorted(names(page))
    assert 'value="20:00"' in page.text
    page = worked_out(ask, f"/choose?night={NIGHT}&q=m+57")
    assert names(page) == ["M57"]
    page = worked_out(ask, f"/choose?night={NIGHT}&q=NGC+9999")
    assert "by itself" in page.text


@pytest.mark.parametrize(
    ("query", "words"),
    [
        ("kind=teapot", "no kind of object"),
        ("constellation=Zzz", "no constellation"),
        ("from=noon&to=later", "no span of hours"),
        ("night=tomorrow", "is not a date"),
    ],
)
def test_what_cannot_be_asked_is_told(ask, query, words):
    end = time.monotonic() + 60
    while time.monotonic() < end:
        answer = ask(f"/choose?{query}")
        if answer.status_code != 200:
            break
        time.sleep(0.1)
    assert words in answer.text


def test_pins_make_a_plan_in_order_of_time_that_another_browser_sees(ask):
    page = worked_out(ask, f"/choose?night={NIGHT}")
    ids = re.findall(r'name="pin" value="([^"]+)"', page.text)[:3]
    for id_ in ids:
        answer = ask("/desk", method="POST", data={"pin": id_, "back": "/choose#o-1"})
        assert answer.headers["location"] == "/choose#o-1"
    page = worked_out(ask, f"/choose?night={NIGHT}")
    plan = page.text.split('id="plan"')[1].split("</section>")[0].split("<ol")[1]
    times = re.findall(r"from (\d\d:\d\d) \((\d\d:\d\d) UTC\) to", plan)
    turned = [datetime.strptime(utc, "%H:%M") for _, utc in times]
    assert len(times) == 3
    assert turned == sorted(turned)
    assert page.text.count("off the plan</button>") == 6
    ask("/desk", method="POST", data={"unpin": ids[0], "back": "/choose"})
    plan = worked_out(ask, f"/choose?night={NIGHT}").text.split('id="plan"')[1]
    assert len(re.findall(r"<li><p><a", plan.split("</section>")[0])) == 2


def test_what_is_pinned_but_not_listed_is_worked_out_too(ask):
    for id_ in ("NGC581", "NGC104"):
        ask("/desk", method="POST", data={"pin": id_, "back": "/choose"})
    plan = worked_out(ask, f"/choose?night={NIGHT}").text.split('id="plan"')[1]
    plan = plan.split("</section>")[0]
    assert "M103" in plan
    assert "NGC104</a> is not worth a frame" in plan


def test_an_object_has_a_page_with_its_year(ask, workbench):
    page = worked_out(ask, f"/choose/M13?night={NIGHT}")
    assert "<h1>M13" in page.text
    for word in ("Fits", "The way to it", "A year of nights", "y-worth", "The best nights"):
        assert word in page.text
    plan = workbench.choose_year("M13", first=workbench.tonight())
    best = plan.best[0].night
    assert f"night={best.isoformat()}" in page.text
    assert "never clears the skyline" in worked_out(ask, "/choose/NGC104").text
    assert ask("/choose/no-such-thing").status_code == 400


def test_a_double_star_has_a_page_by_any_of_its_names(ask):
    for name in ("Albireo", "HIP 95947"):
        page = worked_out(ask, f"/choose/{name}?night={NIGHT}").text
        assert "<h1>Albireo" in page
        assert "Double star, magnitudes 3.1 and 5.1" in page
        assert 'name="pin" value="HIP 95947"' in page


def test_drawn_hours_are_those_of_the_night(workbench):
    from slowglass.web.night_drawing import WIDTH, curve, night_frame

    hours = workbench.hours(date(2026, 10, 10))
    frame = night_frame(hours, workbench.site.timezone)
    assert [depth for depth, _, _ in frame.bands] == ["civil", "nautical", "dark"]
    assert all(0 <= x <= WIDTH for x, _ in frame.ticks)
    (climb,) = workbench.climbs(hours, [(322.493, 12.167)])
    drawn = curve(hours, climb, hours.moments[20].isoformat())
    assert drawn.best[0] == pytest.approx(WIDTH * hours.share(hours.moments[20]))
    assert drawn.best[1] == pytest.approx(90.0 - climb.alt_deg[20])


@pytest.mark.browser
@pytest.mark.slow
def test_cards_are_quick_lazy_and_pinned_in_a_browser(browser, served, app, ask):
    worked_out(ask, f"/choose?night={NIGHT}")
    address = served(app)
    page = browser.new_page(viewport={"width": 360, "height": 740})
    asked = []
    page.on("request", lambda request: asked.append(request.url))
    page.goto(f"{address}/choose?night={NIGHT}", wait_until="networkidle")
    pictures = [url for url in asked if "framing.svg" in url]
    assert 0 < len(pictures) < 24
    assert all("light=day" in url for url in pictures)
    assert page.evaluate("document.documentElement.scrollWidth") <= 360
    other = browser.new_page()
    other.goto(f"{address}/choose?night={NIGHT}", wait_until="networkidle")
    before = other.locator(".turns li").count()
    button = page.get_by_role("button", name=re.compile("Put .* on the plan")).last
    button.click()
    page.wait_for_load_state("networkidle")
    other.reload(wait_until="networkidle")
    assert other.locator(".turns li").count() == before + 1
    page.close()
    other.close()


def test_what_is_chosen_is_the_object_at_hand_on_the_other_pages(ask):
    page = worked_out(ask, f"/choose?night={NIGHT}")
    form = page.text.split('name="target" value="')[1].split("</form>")[0]
    sent = dict(re.findall(r'name="(\w+)" value="([^"]*)"', f'name="target" value="{form}'))
    name = names(page)[0]
    assert ask("/desk", method="POST", data=sent).status_code == 303
    assert f"<h1>Find {name}" in ask("/find").text
    page = worked_out(ask, f"/choose?night={NIGHT}").text
    assert page.count('aria-pressed="true">Chosen') == 1
    assert "chosen for this night" in page
    ask("/desk", method="POST", data={"target": "", "back": "/choose"})
    assert "<h1>Find</h1>" in ask("/find").text
