"""A phone on the same network: who is let in, by a code that works once, and who was.

The code (256 random bits) is shown on this computer alone. Handed in, it is void, and the phone
holds a key of its own (256 random bits, kept here as a hash) until it is sent away or the
workbench is closed.
"""

from __future__ import annotations

import hashlib
import hmac
import ipaddress
import secrets
import threading
import time
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from datetime import UTC, datetime
from urllib.parse import urlencode

from slowglass.errors import UsageError

COOKIE = "slowglass-phone"
CODE_S = 900.0
"""Life of a code that nobody has used: long enough to find the phone, in seconds."""
MOST_GUESSES = 5
MOST_GUESSES_IN_ALL = 25
GUESSES_S = 60.0
"""Wrong codes in so many seconds, from one address and from all, that bar the way for as long."""
BRIDGES = ("docker", "br-", "veth", "virbr", "vmnet", "vboxnet", "lo")
"""Beginnings of the names of networks inside a computer."""

CAUTIONS = (
    "Only on a network you trust: your own at home, or the one that your phone or this computer "
    "makes. Not at an inn, a club or a camping site.",
    "The pages go over the network unencrypted (http): whoever shares it can read along, your "
    "site’s coordinates too.",
    "A phone that was let in can do what you can do here: start and stop work, and change the "
    "kit. Send it away when the night is over.",
    "A phone’s screen is the brightest thing in the yard: red light on, and its own brightness "
    "down.",
)


@dataclass(frozen=True)
class Phone:
    """A phone that was let in."""

    id: str
    name: str
    """What it says of itself, shortened."""
    address: str
    since_utc: datetime


class Lan:
    """The door for phones at one address of this computer; safe to ask from several threads."""

    def __init__(
        self, address: str, port: int = 0, *, clock_s: Callable[[], float] = time.monotonic
    ) -> None:
        self.address = address
        self.port = port
        self.changes = 0
        """Raised when a phone comes or goes, or a code is made."""
        self._clock_s = clock_s
        self._lock = threading.Lock()
        self._code = ""
        self._made_s = 0.0
        self._phones: dict[str, Phone] = {}
        self._wrong: list[tuple[float, str]] = []

    @property
    def phones(self) -> tuple[Phone, ...]:
        """The phones that were let in and not sent away."""
        return tuple(self._phones.values())

    def new_code(self) -> str:
        """A new code; the one before is void."""
        with self._lock:
            self._code, self._made_s = secrets.token_urlsafe(32), self._clock_s()
            self.changes += 1
            return self._code

    def code(self) -> str:
        """The code that can still be used, "" for none."""
        with self._lock:
            return self._code if self._fresh() else ""

    def link(self) -> str:
        """What a phone is to open, with the code in it; "" when there is no code."""
        code = self.code()
        query = urlencode({"code": code})
        return f"http://{self.address}:{self.port}/phone?{query}" if code else ""

    def barred(self, visitor: str) -> bool:
        """True when too many wrong codes have come, from the visitor or from everybody."""
        with self._lock:
            now_s = self._clock_s()
            self._wrong = [(at, who) for at, who in self._wrong if now_s - at < GUESSES_S]
            own = sum(who == visitor for _, who in self._wrong)
            return own >= MOST_GUESSES or len(self._wrong) >= MOST_GUESSES_IN_ALL

    def holds(self, code: str, visitor: str) -> bool:
        """True for the present code, which stays usable; anything else counts as a guess."""
        if self.barred(visitor):
            return False
        with self._lock:
            return self._is_right(code, visitor)

    def let_in(self, code: str, visitor: str, name: str) -> str | None:
        """The key of a phone that hands in the present code, which is void then; else None."""
        if self.barred(visitor):
            return None
        with self._lock:
            if not self._is_right(code, visitor):
                return None
            self._code = ""
            key = secrets.token_urlsafe(32)
            phone = Phone(secrets.token_hex(4), name.strip()[:60], visitor, datetime.now(UTC))
            self._phones[_hash(key)] = phone
            self.changes += 1
            return key

    def knows(self, key: str) -> bool:
        """True for the key of a phone that was let in."""
        return _hash(key) in self._phones

    def send_away(self, id: str) -> None:
        """Let a phone in no longer."""
        with self._lock:
            self._phones = {key: one for key, one in self._phones.items() if one.id != id}
            self.changes += 1

    def _fresh(self) -> bool:
        return bool(self._code) and self._clock_s() - self._made_s < CODE_S

    def _is_right(self, code: str, visitor: str) -> bool:
        right = self._fresh() and hmac.compare_digest(code.encode(), self._code.encode())
        if not right:
            self._wrong.append((self._clock_s(), visitor))
        return right


def _hash(key: str) -> str:
    return hashlib.sha256(key.encode()).hexdigest()


def lan_address(wanted: str | None = None) -> str:
    """An address of this computer on a private network, of IPv4: the one named, or the first.

    ``UsageError`` when there is none, or when the one named is open to the world or not ours.
    """
    own = list(dict.fromkeys(_own_addresses()))
    if wanted is not None:
        if wanted not in own:
            raise UsageError(
                f"{wanted} is not an address of this computer on a private network",
                f"name one of {', '.join(own)}" if own else "join a network first",
            )
        return wanted
    if not own:
        raise UsageError(
            "this computer has no address on a private network",
            "join your own network, or let phone or computer make one, and start again",
        )
    return own[0]


def _own_addresses() -> Iterator[str]:
    """Private addresses, that of the way out first."""
    import socket

    import ifaddr

    known = [
        ip.ip
        for adapter in ifaddr.get_adapters()
        if not adapter.name.startswith(BRIDGES)
        for ip in adapter.ips
        if ip.is_IPv4 and isinstance(ip.ip, str) and _is_private(ip.ip)
    ]
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as probe:
        try:
            probe.connect(("192.0.2.1", 9))  # sends nothing: it only asks for the way there
            way_out = probe.getsockname()[0]
        except OSError:
            way_out = ""
    if way_out in known:
        yield way_out
    yield from known


def _is_private(address: str) -> bool:
    found = ipaddress.IPv4Address(address)
    return found.is_private and not found.is_loopback and not found.is_unspecified
