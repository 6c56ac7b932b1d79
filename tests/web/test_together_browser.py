"""Two windows and a phone in a real Chromium: they see the same, and nobody's typing is lost."""

from __future__ import annotations

import threading
from urllib.parse import urlsplit

import pytest
from looks import faults_of, is_red_alone

from slowglass.errors import UsageError
from slowglass.web import lan as lan_module
from slowglass.web.app import create_app, listen_at, serving

pytestmark = [pytest.mark.browser, pytest.mark.slow]


@pytest.fixture
def app(workbench, tmp_path):
    return create_app(workbench, folder=tmp_path)


@pytest.fixture
def window(browser, served, app):
    """Open a page in a window of its own, whose clock the test sets forward."""
    address, opened = served(app), []

    def go(path):
        context = browser.new_context()
        page = context.new_page()
        page.clock.install()
        page.goto(address + path, wait_until="networkidle")
        opened.append(context)
        return page

    yield go
    for context in opened:
        context.close()


def pass_time(page, seconds):
    """Let the page's clock go on, a poll at a time, each answered before the next."""
    for _ in range(max(1, round(seconds / 3))):
        with page.expect_response("**/desk/revision"):
            page.clock.run_for(3000)


def test_a_change_in_one_window_reaches_the_other(window, app):
    one, other = window("/kit"), window("/")
    line = other.get_by_text("Something was changed in another window.")
    pass_time(other, 3)
    assert not line.is_visible()
    one.evaluate("fetch('/desk', {method: 'POST', body: new URLSearchParams({pin: 'M15'})})")
    other.wait_for_function("fetch('/').then(r => r.text()).then(t => t.includes('M15 is on'))")
    pass_time(other, 3)
    line.wait_for(state="visible")
    assert "Nothing is pinned yet" in other.locator("main").inner_text()
    other.get_by_role("button", name="Show it").click()
    other.get_by_text("M15 is on the plan.").wait_for()
    assert not line.is_visible()
    # a window that is left alone shows the next change by itself
    app.state.book.desk.pin("M2")
    with other.expect_navigation():
        other.clock.run_for(19000)
    other.get_by_text("M15 and M2 are on the plan.").wait_for()


def test_what_is_being_typed_is_never_lost(window, app):
    page = window("/kit")
    field = page.locator("textarea").first
    if not field.is_visible():
        page.locator("summary").first.click()
    field.fill("90, 12")
    page.locator("h1").click()
    app.state.book.desk.pin("M15")
    pass_time(page, 60)
    assert field.input_value() == "90, 12"
    page.get_by_text("Something was changed in another window.").wait_for(state="visible")


def test_a_window_s_own_change_is_no_news_to_it(window):
    page = window("/kit")
    page.evaluate(
        """fetch('/desk', {method: 'POST', body: new URLSearchParams({pin: 'M15'})})
        .then(() => document.dispatchEvent(new Event('notebook:sent')))"""
    )
    page.wait_for_function(
        "fetch('/desk/revision').then(r => r.json()).then("
        "t => t.revision === document.documentElement.dataset.revision)"
    )
    pass_time(page, 3)
    assert not page.get_by_text("Something was changed in another window.").is_visible()


def test_work_under_way_is_told_on_every_page(window, app):
    begun, go_on = threading.Event(), threading.Event()

    def work(request, report):
        report("counting", 3, 8)
        begun.set()
        go_on.wait(60)
        return {}

    jobs = app.state.book.jobs
    jobs.register("count", work)
    page = window("/kit")
    job = jobs.start("count", title="Counting sheep", request={})
    assert begun.wait(30)
    pass_time(page, 3)
    line = page.locator(".under-way").filter(has_text="Counting sheep")
    line.wait_for(state="visible")
    assert "counting: 3 of 8" in line.inner_text()
    line.get_by_role("link", name="Counting sheep").click()
    page.get_by_role("heading", name="Long work").wait_for()
    assert page.get_by_role("button", name="Stop: Counting sheep").is_visible()
    go_on.set()
    jobs.wait(job, seconds=60)
    with page.expect_navigation():
        page.clock.run_for(2000)
    page.get_by_text("Nothing is under way.").wait_for()
    jobs.close()


def test_a_phone_comes_in_with_one_scan(browser, workbench, tmp_path, monkeypatch):
    # 127.0.0.2 stands for an address on the network: it is not one of our own names
    try:
        listen_at(["127.0.0.2"], 0)[0].close()
    except UsageError:
        pytest.skip("only 127.0.0.1 can be listened at here")
    monkeypatch.setattr(lan_module, "_own_addresses", lambda: iter(["127.0.0.2"]))
    with serving(workbench, folder=tmp_path, lan=True) as (address, link):
        here = browser.new_context().new_page()
        here.goto(address + "lan")
        assert here.locator("svg.scan").is_visible()
        phone = browser.new_context(viewport={"width": 360, "height": 740}).new_page()
        outside = phone.goto(f"http://{urlsplit(link).netloc}/")
        assert outside.status == 403
        phone.get_by_role("heading", name="Not let in yet").wait_for()
        assert is_red_alone(phone)
        assert faults_of(phone) == []
        phone.goto(link)
        assert is_red_alone(phone)
        assert faults_of(phone) == []
        assert phone.evaluate("document.documentElement.scrollWidth") <= 360
        phone.get_by_role("button", name="Open the notebook").click()
        phone.get_by_role("heading", name="The coming night").wait_for()
        assert phone.locator("html").get_attribute("data-light") == "night"
        phone.get_by_role("link", name="Kit and site").click()
        phone.get_by_role("heading", name="Kit and site").wait_for()
        assert phone.get_by_role("link", name="On a phone").count() == 0
        here.reload()
        here.get_by_role("button", name="Send away").click()
        assert phone.reload().status == 403
        for page in (here, phone):
            page.context.close()
