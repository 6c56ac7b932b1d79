"""Phones on the network: let in once by a code, known by a key, refused without, sent away."""

from __future__ import annotations

import re
from concurrent.futures import ThreadPoolExecutor
from urllib.parse import parse_qs, urlsplit

import anyio
import httpx
import pytest

from slowglass.errors import UsageError
from slowglass.web import lan as lan_module
from slowglass.web.app import create_app, listen_at, serving
from slowglass.web.lan import (
    CODE_S,
    COOKIE,
    GUESSES_S,
    MOST_GUESSES,
    MOST_GUESSES_IN_ALL,
    Lan,
    lan_address,
)

HERE, THERE = "10.0.0.7", "10.0.0.9"


class Clock:
    def __init__(self):
        self.now_s = 1000.0

    def __call__(self):
        return self.now_s


@pytest.fixture
def clock():
    return Clock()


@pytest.fixture
def lan(clock):
    return Lan(HERE, 8180, clock_s=clock)


@pytest.fixture
def ask(workbench, tmp_path, lan):
    """Ask as a visitor over the network; cookies only as given."""
    app = create_app(workbench, folder=tmp_path, lan=lan)
    return visitor(app)


def visitor(app):
    def ask(path, *, method="GET", host=f"{HERE}:8180", client=THERE, key="", **options):
        async def go():
            transport = httpx.ASGITransport(app=app, client=(client, 50000))
            async with httpx.AsyncClient(transport=transport, base_url=f"http://{host}") as asker:
                headers = options.pop("headers", {}) | (
                    {"cookie": f"{COOKIE}={key}"} if key else {}
                )
                return await asker.request(method, path, headers=headers, **options)

        with ThreadPoolExecutor(1) as pool:
            return pool.submit(anyio.run, go).result()

    return ask


def enter(ask, lan, **options):
    """The key a phone is given for a new code."""
    answer = ask("/phone", method="POST", data={"code": lan.new_code()}, **options)
    assert answer.status_code == 303
    return answer.cookies[COOKIE]


def test_a_phone_comes_in_by_the_code_and_stays_by_its_key(ask, lan):
    link = urlsplit(lan.link() or "")
    assert link.geturl() == ""
    lan.new_code()
    link = urlsplit(lan.link())
    assert (link.netloc, link.path) == (f"{HERE}:8180", "/phone")
    shown = ask(f"{link.path}?{link.query}")
    assert shown.status_code == 200
    assert "Let this phone in?" in shown.text
    # looking at it, as previews of a link do, uses nothing up
    code = parse_qs(link.query)["code"][0]
    assert re.search(r'name="code" value="([^"]+)"', shown.text)[1] == code
    agent = {"user-agent": "Mozilla/5.0 (Linux; Mobile)"}
    answer = ask("/phone", method="POST", data={"code": code}, headers=agent)
    assert (answer.status_code, answer.headers["location"]) == (303, "/")
    key_cookie, light = answer.headers.get_list("set-cookie")
    for word in ("HttpOnly", "SameSite=strict", "Path=/"):
        assert word in key_cookie
    assert "light=night" in light
    key = answer.cookies[COOKIE]
    assert len(key) >= 43  # 256 bits in base 64
    for path in ("/", "/kit", "/jobs", "/desk/revision", "/static/notebook.css"):
        assert ask(path, key=key).status_code == 200
    assert [p.name for p in lan.phones] == ["a phone"]
    assert "/lan" not in ask("/kit", key=key).text


def test_a_code_works_once(ask, lan):
    code = lan.new_code()
    assert ask("/phone", method="POST", data={"code": code}).status_code == 303
    assert ask("/phone", method="POST", data={"code": code}).status_code == 403
    assert ask("/phone", params={"code": code}).status_code == 403
    assert lan.link() == ""


def test_a_new_code_voids_the_old_and_time_does_too(ask, lan, clock):
    old, new = lan.new_code(), lan.new_code()
    assert old != new
    assert ask("/phone", method="POST", data={"code": old}).status_code == 403
    clock.now_s += CODE_S + 1
    assert ask("/phone", method="POST", data={"code": new}).status_code == 403
    assert lan.code() == ""


@pytest.mark.parametrize("key", ["", "x", "0" * 43, "é", "a" * 5000])
@pytest.mark.parametrize(
    "path", ["/", "/kit", "/jobs", "/plate/finished", "/desk/revision", "/nowhere"]
)
def test_without_a_key_every_page_says_what_to_do_and_nothing_of_the_night(ask, path, key):
    headers = {"cookie": f"{COOKIE}={key}".encode()} if key else {}
    answer = ask(path, headers=headers)
    assert answer.status_code == 403
    assert "scan it with this phone’s camera" in answer.text
    assert 'data-light="night"' in answer.text
    assert answer.headers["content-security-policy"].startswith("default-src 'none'")
    for secret in ("Fig Tree Yard", "long 102", "M15"):
        assert secret not in answer.text


def test_forms_without_a_key_change_nothing(ask, lan):
    for path in ("/desk", "/making", "/lan/code", "/jobs/x/stop", "/light"):
        assert ask(path, method="POST", data={"target": "M15"}).status_code == 403
    assert lan.code() == ""


def test_a_phone_cannot_let_others_in(ask, lan):
    key = enter(ask, lan)
    for path, method in (("/lan", "GET"), ("/lan/code", "POST"), ("/lan/away", "POST"),
                         ("/lan/", "GET")):  # fmt: skip
        answer = ask(path, method=method, key=key)
        assert answer.status_code == 403
        assert "Not on a phone" in answer.text
    assert lan.code() == ""


@pytest.mark.parametrize(
    "host",
    ["evil.example", "10.0.0.8:8180", "10.0.0.7.evil.example", "localhost", "127.0.0.1:8180",
     "[::1]", ""],
)  # fmt: skip
def test_over_the_network_only_the_given_address_is_answered(ask, lan, host):
    key = enter(ask, lan)
    answer = ask("/kit", host=f"{HERE}:8180", headers={"host": host}, key=key)
    assert answer.status_code == 421
    assert "Fig Tree" not in answer.text


def test_this_computer_needs_no_code(ask):
    for host in ("127.0.0.1:8180", "localhost:8180"):
        assert ask("/kit", host=host, client="127.0.0.1").status_code == 200
    assert ask("/kit", host="[::1]:8180", client="::1").status_code == 200
    page = ask("/lan", host="127.0.0.1:8180", client="127.0.0.1").text
    assert "Make a new code" in page
    # by its address on the network even this computer is a visitor
    assert ask("/kit", client="127.0.0.1").status_code == 403
    assert ask("/kit", client=HERE).status_code == 403


def test_forms_are_taken_from_the_phone_s_own_pages_only(ask, lan):
    key = enter(ask, lan)
    for origin in ("http://evil.example", "null", "http://127.0.0.1:8180", f"https://{HERE}:8180"):
        answer = ask("/desk", method="POST", key=key, data={"target": "M1"},
                     headers={"origin": origin})  # fmt: skip
        assert answer.status_code == 403
    own = ask("/desk", method="POST", key=key, data={"target": "M1"},
              headers={"origin": f"http://{HERE}:8180"})  # fmt: skip
    assert own.status_code == 303


def test_guessing_is_barred_for_a_while(ask, lan, clock):
    code = lan.new_code()
    for n in range(MOST_GUESSES):
        assert ask("/phone", params={"code": f"guess {n}"}).status_code == 403
    assert ask("/phone", params={"code": code}).status_code == 429
    assert ask("/phone", method="POST", data={"code": code}).status_code == 429
    assert ask("/phone", params={"code": code}, client="10.0.0.30").status_code == 200
    clock.now_s += GUESSES_S + 1
    assert ask("/phone", params={"code": code}).status_code == 200


def test_guessing_from_many_addresses_is_barred_for_all(lan, clock):
    code = lan.new_code()
    for n in range(MOST_GUESSES_IN_ALL):
        assert not lan.holds("no", f"10.0.1.{n}")
    assert lan.let_in(code, THERE, "") is None
    clock.now_s += GUESSES_S + 1
    assert lan.let_in(code, THERE, "") is not None


def test_a_phone_is_sent_away(ask, lan):
    key, other = enter(ask, lan), enter(ask, lan, client="10.0.0.11")
    page = ask("/lan", host="localhost:8180", client="127.0.0.1").text
    assert page.count("Send away") == 2
    phone = next(p for p in lan.phones if p.address == THERE)
    ask("/lan/away", method="POST", host="localhost:8180", client="127.0.0.1",
        data={"phone": phone.id})  # fmt: skip
    assert ask("/kit", key=key).status_code == 403
    assert ask("/kit", key=other).status_code == 200


def test_the_page_shows_the_code_as_a_picture_of_the_link(ask, lan, monkeypatch):
    import cv2
    import numpy as np

    # one that the reader used here can read: it fails on some patterns that phones read
    monkeypatch.setattr(lan_module.secrets, "token_urlsafe", lambda n: "abcdefgh" * 5 + "xyz")
    lan.new_code()
    page = ask("/lan", host="localhost:8180", client="127.0.0.1").text
    assert lan.link() in page
    size = int(re.search(r'viewBox="0 0 (\d+)', page)[1])
    path = re.search(r'class="scan-line"[^>]* d="([^"]+)"', page)[1]
    # drawn by hand from the path: modules are runs of ones along a row
    grid, x, y = np.full((size, size), 255, np.uint8), 0.0, 0.0
    for step, numbers in re.findall(r"([Mmh])([-\d. ]+)", path):
        values = [float(v) for v in re.findall(r"-?[\d.]+", numbers)]
        if step == "h":
            grid[int(y), int(x) : int(x + values[0])] = 0
            x += values[0]
        else:
            x, y = (values[0], values[1]) if step == "M" else (x + values[0], y + values[1])
    picture = np.kron(grid, np.ones((8, 8), np.uint8))
    assert cv2.QRCodeDetector().detectAndDecode(picture)[0] == lan.link()


def test_without_the_door_the_page_says_how_to_open_it(workbench, tmp_path):
    ask = visitor(create_app(workbench, folder=tmp_path))
    page = ask("/lan", host="localhost:8180", client="127.0.0.1").text
    assert "slowglass serve --lan" in page
    assert "unencrypted" in page
    for path, method in (("/phone", "GET"), ("/lan/code", "POST")):
        there = ask(path, method=method, host="localhost:8180", client="127.0.0.1")
        assert there.status_code == 404
    assert ask("/").status_code == 421


def test_the_address_is_a_private_one_of_this_computer(monkeypatch):
    own = ["192.168.4.20", "10.1.1.1"]
    monkeypatch.setattr(lan_module, "_own_addresses", lambda: iter(own))
    assert lan_address() == "192.168.4.20"
    assert lan_address("10.1.1.1") == "10.1.1.1"
    for wanted in ("0.0.0.0", "8.8.8.8", "127.0.0.1", "192.168.4.21", "::"):
        with pytest.raises(UsageError, match="not an address of this computer"):
            lan_address(wanted)
    own.clear()
    with pytest.raises(UsageError, match="no address on a private network"):
        lan_address()


def test_a_running_workbench_answers_at_both_addresses(workbench, tmp_path, monkeypatch):
    # 127.0.0.2 stands for an address on the network: it is not one of our own names
    try:
        listen_at(["127.0.0.2"], 0)[0].close()
    except UsageError:
        pytest.skip("only 127.0.0.1 can be listened at here")
    monkeypatch.setattr(lan_module, "_own_addresses", lambda: iter(["127.0.0.2"]))
    with serving(workbench, folder=tmp_path, lan=True) as (address, link):
        port = urlsplit(address).port
        assert urlsplit(link).netloc == f"127.0.0.2:{port}"
        with httpx.Client(trust_env=False) as client:
            assert client.get(address + "kit").status_code == 200
            assert client.get(f"http://127.0.0.2:{port}/kit").status_code == 403
            assert client.get(link).status_code == 200
            code = parse_qs(urlsplit(link).query)["code"][0]
            sent = client.post(f"http://127.0.0.2:{port}/phone", data={"code": code})
            assert sent.status_code == 303
            assert client.get(f"http://127.0.0.2:{port}/kit").status_code == 200


def test_the_command_says_what_to_beware_of(monkeypatch, capsys):
    from slowglass.cli.serve import announce

    announce("http://127.0.0.1:8180/", "http://10.0.0.7:8180/phone?code=abc")
    said = capsys.readouterr().err
    assert "http://10.0.0.7:8180/phone?code=abc" in said
    assert "unencrypted" in said
    assert "network you trust" in said
