"""Who may ask, and what a page may do: the host check and the response headers."""

from __future__ import annotations

from starlette.datastructures import Headers, MutableHeaders
from starlette.responses import PlainTextResponse
from starlette.types import ASGIApp, Message, Receive, Scope, Send

OWN_NAMES = frozenset({"localhost", "127.0.0.1", "[::1]"})

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
    """Answers only requests addressed to this computer by its own names.

    A page elsewhere that points its own name at 127.0.0.1 sends that name as Host, and is
    refused (421), so it cannot read the night. A form posted from another origin is refused
    (403).
    """

    def __init__(self, app: ASGIApp) -> None:
        self.app = app

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Check, then pass on with the headers added."""
        if scope["type"] != "http":
            # The pages open no sockets; lifespan events pass.
            if scope["type"] == "lifespan":
                await self.app(scope, receive, send)
            return
        headers = Headers(scope=scope)
        host = headers.get("host", "")
        if host_name(host) not in OWN_NAMES:
            text = "This workbench answers only at localhost, 127.0.0.1 or [::1]."
            await PlainTextResponse(text, 421)(scope, receive, send)
            return
        origin = headers.get("origin")
        if scope["method"] not in ("GET", "HEAD") and origin not in (None, f"http://{host}"):
            await PlainTextResponse("Forms are taken from this workbench only.", 403)(
                scope, receive, send
            )
            return

        async def with_headers(message: Message) -> None:
            if message["type"] == "http.response.start":
                out = MutableHeaders(scope=message)
                for name, value in HEADERS.items():
                    out[name] = value
            await send(message)

        await self.app(scope, receive, with_headers)
