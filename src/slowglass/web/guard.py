"""Who may ask, and what a page may do: the host check, the door for phones, the headers."""

from __future__ import annotations

import ipaddress
from collections.abc import Callable

from starlette.datastructures import Headers, MutableHeaders
from starlette.requests import Request
from starlette.responses import PlainTextResponse, Response
from starlette.types import ASGIApp, Message, Receive, Scope, Send

from slowglass.web.lan import COOKIE, Lan

OWN_NAMES = frozenset({"localhost", "127.0.0.1", "[::1]"})
DOOR, LOOKS = "/phone", "/static/"
"""What a phone may open before it is let in: the door, and how it looks."""
KEYS = "/lan"
"""The page that lets phones in; it and what is below it are this computer's alone."""

# Everything comes from this server; nothing may be framed, and forms post nowhere else.
POLICY = (
    "default-src 'none'; img-src 'self'; style-src 'self'; script-src 'self'; font-src 'self'; "
    "connect-src 'self'; form-action 'self'; frame-ancestors 'none'; base-uri 'none'"
)
HEADERS = {
    "content-security-policy": POLICY,
    "x-content-type-options": "nosniff",
    "referrer-policy": "same-origin",
    "cross-origin-resource-policy": "same-origin",
    "cross-origin-opener-policy": "same-origin",
}


def host_name(host: str) -> str:
    """The name in a Host header, without its port, in lower case; IPv6 keeps its brackets."""
    host = host.strip().lower()
    if host.startswith("["):
        name, bracket, rest = host.partition("]")
        return name + bracket if not rest or rest.startswith(":") else host
    return host.partition(":")[0]


class Guard:
    """Answers this computer by its own names and, with a door for phones, those let in.

    A page elsewhere that points its own name at our address sends that name as Host, and is
    refused (421), so it cannot read the night. A form posted from another origin is refused
    (403). A visitor over the network is shown ``outside`` until it is let in, whatever it asks.
    """

    def __init__(
        self, app: ASGIApp, *, lan: Lan | None, outside: Callable[[Request, str], Response]
    ) -> None:
        self.app = app
        self.lan = lan
        self.outside = outside

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Check, then pass on with the headers added."""
        if scope["type"] != "http":
            # The pages open no sockets; lifespan events pass.
            if scope["type"] == "lifespan":
                await self.app(scope, receive, send)
            return

        async def with_headers(message: Message) -> None:
            if message["type"] == "http.response.start":
                out = MutableHeaders(scope=message)
                for name, value in HEADERS.items():
                    out[name] = value
            await send(message)

        answer = self._refusal(scope) or self.app
        await answer(scope, receive, with_headers)

    def _refusal(self, scope: Scope) -> Response | None:
        headers = Headers(scope=scope)
        host = headers.get("host", "")
        name = host_name(host)
        own = name in OWN_NAMES and _is_here(scope)
        phone = not own and self.lan is not None and name == self.lan.address
        if not own and not phone:
            return PlainTextResponse("This workbench does not answer at this address.", 421)
        origin = headers.get("origin")
        if scope["method"] not in ("GET", "HEAD") and origin not in (None, f"http://{host}"):
            return PlainTextResponse("Forms are taken from this workbench only.", 403)
        scope["over_lan"] = phone
        path = scope["path"]
        if own or path == DOOR or path.startswith(LOOKS):
            return None
        request = Request(scope)
        if self.lan is None or not self.lan.knows(request.cookies.get(COOKIE, "")):
            return self.outside(request, "stranger")
        if path == KEYS or path.startswith(KEYS + "/"):
            return self.outside(request, "not here")
        return None


def _is_here(scope: Scope) -> bool:
    """True when the visitor is a program on this computer."""
    client = scope.get("client")
    try:
        return client is not None and ipaddress.ip_address(client[0]).is_loopback
    except ValueError:
        return False
