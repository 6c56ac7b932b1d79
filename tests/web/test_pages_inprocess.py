"""Routes asked in-process: what they say, whom they answer, what they never give away."""

from __future__ import annotations

import re
import time
from concurrent.futures import ThreadPoolExecutor

import anyio
import httpx
import pytest

from slowglass.errors import UsageError
from slowglass.web.app import create_app, listen
from slowglass.web.guard import host_name

HOST = "http://127.0.0.1:8180"


def run_apart(work, *arguments):
    """Run a coroutine in a thread of its own: a browser driver may hold this one's loop."""
    with ThreadPoolExecutor(1) as pool:
        return pool.submit(anyio.run, work, *arguments).result()


@pytest.fixture
def ask(workbench, night_folder):
    app = create_app(workbench, folder=night_folder)

    def send(path, *, method="GET", host=None, **options):
        async def go():
            transport = httpx.ASGITransport(app=app)
            async with httpx.AsyncClient(transport=transport, base_url=HOST) as client:
                headers = options.pop("headers", {}) | ({} if host is None else {"host": host})
                return await client.request(method, path, headers=headers, **options)

        return run_apart(go)

    return send


@pytest.mark.parametrize(
    ("path", "words"),
    [
        ("/", ["M15", "The night in six steps"]),
        ("/choose", ["Fits", "Shows", "Holds", "Reachable", "UTC)", "chosen for this night"]),
        ("/find", ["Start at", "Turn the"]),
        ("/expose", ["Forecast frame", "Signal to noise"]),
        ("/judge", ["Turn ", "then shoot again", "star found on the frame"]),
        ("/judge/light-04", ["trailed", "Leave it out"]),
        ("/finish", ["The finished picture", "light-04.fits", "M15.fits"]),
        ("/learn", ["Predicted", "Measured", "Star width"]),
        ("/kit", ["f/12.7", "The Sun.", "Lasers.", "Mains and dew."]),
    ],
)
def test_pages_say_what_the_night_says(ask, path, words):
    answer = ask(path)
    assert answer.status_code == 200
    for word in words:
        assert word in answer.text
    assert "not measured" not in answer.text
    assert "None" not in answer.text


def test_numbers_on_the_pages_are_those_of_the_record(ask, night_folder):
    import json

    finish = json.loads((night_folder / "finish.json").read_text())
    verdicts = json.loads((night_folder / "verdicts.json").read_text())
    assert f"{finish['snr_gain']:.2f} times" in ask("/finish").text
    assert verdicts[0]["instruction"].replace("'", "&#39;") in ask("/judge").text
    light = ask("/judge/light-02").text
    assert f"{verdicts[2]['scale_arcsec_per_px']:.4f}″" in light


@pytest.mark.parametrize(
    "host",
    ["evil.example", "127.0.0.1.evil.example", "localhost.evil.example:8180", "10.0.0.4", "",
     "[::2]:8180", "user@127.0.0.1", "127.0.0.1@evil.example", "[::1].evil.example"],
)  # fmt: skip
def test_other_host_names_are_refused(ask, host):
    answer = ask("/", host=host)
    assert answer.status_code == 421
    assert "M15" not in answer.text


@pytest.mark.parametrize(
    "host", ["localhost", "LOCALHOST:8180", "127.0.0.1:9", "[::1]:8180", "[::1]"]
)
def test_own_host_names_are_answered(ask, host):
    assert ask("/learn", host=host).status_code == 200


def test_forms_from_other_pages_are_refused(ask):
    for origin in ("http://evil.example", "null", "https://127.0.0.1:8180"):
        answer = ask("/light", method="POST", data={"to": "night"}, headers={"origin": origin})
        assert answer.status_code == 403
    own = ask("/light", method="POST", data={"to": "night", "back": "/find"},
              headers={"origin": HOST})  # fmt: skip
    assert own.status_code == 303
    assert own.headers["location"] == "/find"
    assert "light=night" in own.headers["set-cookie"]


@pytest.mark.parametrize("back", ["//evil.example", "https://evil.example/", "/judge/../../x", "x"])
def test_the_way_back_stays_here(ask, back):
    answer = ask("/light", method="POST", data={"to": "day", "back": back})
    assert answer.headers["location"] in {"/", "/judge/../../x"}


PATHS = [
    "/plate/../night.json", "/plate/..%2Fnight.json", "/plate/%2e%2e%2fnight.json",
    "/plate/night.json", "/plate/plates%2Fchart.svg", "/output/..%2F..%2Fetc%2Fpasswd",
    "/output/%2Fetc%2Fpasswd", "/output/night.json", "/output/light-01.fits",
    "/static/../app.py", "/static/%2e%2e/app.py", "/static/..%2fapp.py", "/static//etc/passwd",
    "/judge/../night.json", "/judge/nobody", "/frames/lights/light-01.fits", "/plate/",
]  # fmt: skip


@pytest.mark.parametrize("path", PATHS)
def test_no_file_is_reached_but_those_the_record_names(ask, path):
    answer = ask(path)
    assert answer.status_code in (404, 405)
    assert "root:" not in answer.text
    assert '"fingerprint"' not in answer.text
    assert "import" not in answer.text


def test_pictures_and_outputs_the_record_names(ask, night_folder):
    picture = ask("/plate/finished")
    assert picture.headers["content-type"] == "image/jpeg"
    assert picture.content[:2] == b"\xff\xd8"
    linear = ask("/output/M15.fits")
    assert linear.content[:6] == b"SIMPLE"
    assert "attachment" in linear.headers["content-disposition"]
    # Previews stay small, whatever the sensor.
    for file in (night_folder / "plates").glob("*.jpg"):
        assert file.stat().st_size < 1_500_000


def test_every_answer_forbids_foreign_content(ask):
    for path in ("/", "/plate/finished", "/static/notebook.css", "/nowhere"):
        headers = ask(path).headers
        assert headers["content-security-policy"].startswith("default-src 'none'")
        assert "unsafe" not in headers["content-security-policy"]
        assert headers["x-content-type-options"] == "nosniff"


def test_no_page_names_another_host(ask):
    for path in ("/", "/choose", "/find", "/finish", "/kit", "/static/notebook.css"):
        text = ask(path).text.replace("http://www.w3.org/2000/svg", "")
        assert "http://" not in text
        assert "https://" not in text


def test_without_a_night_its_pages_lead_to_the_first_and_the_others_answer(workbench, tmp_path):
    app = create_app(workbench, folder=tmp_path / "none")

    async def go(path):
        transport = httpx.ASGITransport(app=app)
        async with httpx.AsyncClient(transport=transport, base_url=HOST) as client:
            return await client.get(path)

    answer = run_apart(go, "/judge")
    assert answer.status_code == 303
    assert answer.headers["location"] == "/judge/folder"
    assert "Make the example night" in run_apart(go, "/").text
    for path in ("/kit", "/weigh", "/learn", "/finish", "/expose"):
        assert run_apart(go, path).status_code == 200
    assert run_apart(go, "/plate/finished").status_code == 404


def test_any_night_can_be_asked_for(ask, workbench):
    started = ask("/choose?night=2026-03-14")
    assert started.status_code == 200
    # a night's folder kept from an earlier run has the list already
    progress = re.search(r'data-follow="(/jobs/choose-\w+/progress)"', started.text)
    deadline = time.monotonic() + 300
    while progress and ask(progress[1]).json()["state"] != "done" and time.monotonic() < deadline:
        time.sleep(0.2)
    answer = ask("/choose?night=2026-03-14")
    assert "14 to 15 March 2026" in answer.text
    assert "chosen for this night" not in answer.text
    assert answer.text.count("<figure") == 24
    assert "data-follow" not in answer.text


@pytest.mark.parametrize("night", ["yesterday", "2026-13-40", "<b>x</b>"])
def test_a_date_that_is_none_is_an_error_with_a_cure(ask, night):
    answer = ask("/choose", params={"night": night})
    assert answer.status_code == 400
    assert "write it as 2026-10-09" in answer.text.replace("Write", "write")
    assert "<b>x</b>" not in answer.text


def test_a_way_to_any_object(ask):
    query = {"name": "m57", "when": "2026-09-12T21:00:00Z"}
    answer = ask("/find", params=query)
    assert answer.status_code == 200
    assert "Find M57" in answer.text
    assert "23:00 (21:00 UTC)" in answer.text
    for style, colour in (("paper", b"#ffffff"), ("night", b"#120000")):
        chart = ask(f"/chart/{style}", params=query)
        assert chart.headers["content-type"].startswith("image/svg")
        assert colour in chart.content
    for plate in ("eye", "hop", "field", "frame"):
        assert f"/chart/night/{plate}?" in answer.text
        alone = ask(f"/chart/night/{plate}", params=query)
        assert b"data-zenith-deg" in alone.content or plate in ("eye", "frame")
        assert b"style=" not in alone.content  # a strict page drops inline styles
    assert ask("/chart/paper/attic", params=query).status_code == 404
    assert ask("/chart/none", params=query).status_code == 404
    assert ask("/chart/paper").status_code == 404


def test_any_exposure_can_be_asked_for(ask, workbench):
    answer = ask("/expose", params={"name": "M57", "seconds": "20", "frames": "45",
                                    "when": "2026-09-12T21:00:00Z"})  # fmt: skip
    assert "45 exposures of 20" in answer.text
    from datetime import UTC, datetime

    plan = workbench.expose(
        "M57", seconds=20, frames=45, when=datetime(2026, 9, 12, 21, tzinfo=UTC)
    )
    assert f">{plan.snr:.1f}<" in answer.text
    assert "/plate/forecast" not in answer.text


@pytest.mark.parametrize(
    ("path", "query", "words"),
    [
        ("/find", {"name": "nothing of the kind"}, "nothing called"),
        ("/find", {"name": "M57", "when": "soon"}, "is not a time"),
        ("/find", {"name": "M57", "when": "9999-12-31T23:00:00Z"}, "the year 9999 is outside"),
        ("/find", {"name": "M57", "when": "0001-01-01"}, "the year 1 is outside"),
        ("/expose", {"name": "M57", "seconds": "-3"}, "seconds = -3 is outside"),
        ("/expose", {"name": "M57", "seconds": "nan"}, "seconds = nan is outside"),
        ("/expose", {"name": "M57", "seconds": "long"}, "“long” is not a number"),
        ("/expose", {"name": "M57", "wind": "gale"}, "wind “gale” is not known"),
        ("/expose", {"name": "<script>alert(1)</script>"}, "nothing called"),
    ],
)
def test_what_makes_no_sense_is_said_so(ask, path, query, words):
    answer = ask(path, params=query)
    assert answer.status_code == 400
    assert words in answer.text.replace("Nothing", "nothing").replace("The year", "the year")
    assert "<script>alert" not in answer.text


def test_a_damaged_record_is_a_page_with_a_cure(workbench, tmp_path):
    (tmp_path / "night.json").write_text("{")
    app = create_app(workbench, folder=tmp_path)

    async def go():
        transport = httpx.ASGITransport(app=app)
        async with httpx.AsyncClient(transport=transport, base_url=HOST) as client:
            return await client.get("/")

    answer = run_apart(go)
    assert answer.status_code == 500
    assert "ake the night again" in answer.text


def test_a_fault_of_ours_is_a_page_in_the_light_that_is_set(workbench, tmp_path, monkeypatch):
    from slowglass.web.pages import kit

    app = create_app(workbench, folder=tmp_path)
    monkeypatch.setattr(kit, "kit_rows", lambda *_: 1 / 0)

    async def go():
        transport = httpx.ASGITransport(app=app, raise_app_exceptions=False)
        async with httpx.AsyncClient(transport=transport, base_url=HOST) as client:
            return await client.get("/kit", headers={"cookie": "light=night"})

    answer = run_apart(go)
    assert answer.status_code == 500
    assert 'data-light="night"' in answer.text
    assert "ZeroDivision" not in answer.text
    assert answer.headers["content-security-policy"].startswith("default-src 'none'")


@pytest.mark.parametrize("host", ["0.0.0.0", "192.168.1.4", "example.org", ""])
def test_only_this_computer_may_listen(host):
    with pytest.raises(UsageError, match="not this computer"):
        listen(host, None)


def test_a_taken_port_is_an_error_and_a_free_one_is_found():
    first = listen("127.0.0.1", 0)
    try:
        with pytest.raises(UsageError, match="Name another port"):
            listen("localhost", first.getsockname()[1])
        second = listen("127.0.0.1", None)
        assert 8180 <= second.getsockname()[1] < 8220
        second.close()
    finally:
        first.close()


def test_host_name_reads_ports_and_brackets():
    assert host_name("LocalHost:80") == "localhost"
    assert host_name("[::1]:8180") == "[::1]"
    assert host_name("[::1]x") == "[::1]x"
