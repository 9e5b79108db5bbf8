"""Who may enter: the right address, the right site, the right role. Pure decisions over an ASGI scope."""

from __future__ import annotations

import ipaddress
import time
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass, field
from typing import Any

from biofeedback.web.pairing import COACH, Device, Pairing, Right

LOOPBACK_NAMES = frozenset({"127.0.0.1", "localhost", "[::1]"})
EVERYBODY = frozenset({"athlete", "coach", None})
BOTH = frozenset({"athlete", "coach"})
ONLY_COACH = frozenset({"coach"})
EMPTY_PAGES = frozenset({"/", "/pair", "/athlete", "/coach", "/group", "/review", "/start"})  # they hold no data
PATHS: Mapping[str, frozenset[str | None]] = {"/pair": EVERYBODY, "/athlete": BOTH, "/ws": BOTH}  # else the coach's


def is_loopback(host: str) -> bool:
    """True for an address that only this machine can reach."""
    try:
        return ipaddress.ip_address(host.strip("[]")).is_loopback
    except ValueError:
        return host == "localhost"


@dataclass(frozen=True, slots=True)
class Access:
    """Which Host and Origin headers may enter: the addresses we serve, and pages that came from them.

    Without this any web page open in the same browser could read the session (WebSockets have no same-origin rule)
    and any name that resolves to 127.0.0.1 could reach it. With ``pairing`` other devices enter with a token.
    """

    hosts: frozenset[str]
    pairing: Pairing | None = field(default=None)
    clock: Callable[[], float] = time.monotonic
    is_encrypted: bool = False  # for other devices; this machine's own page is always plain

    @classmethod
    def for_addresses(
        cls, hosts: Iterable[str], port: int, pairing: Pairing | None = None, *, is_encrypted: bool = False
    ) -> Access:
        """The names under which sockets bound to ``hosts`` may be addressed."""
        names: set[str] = set()
        for host in hosts:
            names |= LOOPBACK_NAMES if is_loopback(host) else {host}
        usual = {80, 443} if is_encrypted else {80}  # browsers leave these out
        named = frozenset(f"{name}:{port}" for name in names) | (frozenset(names) if port in usual else frozenset())
        return cls(named, pairing, is_encrypted=is_encrypted)

    def _is_own(self, origin: str) -> bool:
        """Whether a page of this origin came from us, by the way that we serve its address."""
        scheme, _, host = origin.partition("://")
        wanted = "https" if self.is_encrypted and not is_loopback(host.rpartition(":")[0] or host) else "http"
        return host in self.hosts and scheme == wanted

    def refusal(self, scope: Mapping[str, Any]) -> str | None:
        """Why this request may not enter, or None."""
        host = read_header(scope, b"host")
        if len(host) != 1 or host[0] not in self.hosts:
            return f"host {', '.join(host)[:80] or 'missing'!r} is not this page's address"
        if scope["type"] == "http" and not self._may_be_fetched(scope):
            return "another site asks for this"
        origin = read_header(scope, b"origin")
        if not origin and scope["type"] == "http" and scope["method"] in ("GET", "HEAD"):
            return None  # plain navigation carries none
        if len(origin) != 1 or not self._is_own(origin[0]):
            return f"origin {', '.join(origin)[:80] or 'missing'!r} is another site"
        return None

    def _may_be_fetched(self, scope: Mapping[str, Any]) -> bool:
        """Whether a browser asks for our own page, or opens one of the empty pages from elsewhere (a link, a code).

        Browsers say so themselves (W3C Fetch Metadata); what is no browser says nothing and is judged by its rights.
        """
        site = read_header(scope, b"sec-fetch-site")
        if not site or site[0] in ("same-origin", "none"):
            return True
        is_navigation = read_header(scope, b"sec-fetch-mode") == ["navigate"]
        is_document = read_header(scope, b"sec-fetch-dest") == ["document"]
        return is_navigation and is_document and scope["method"] == "GET" and scope["path"] in EMPTY_PAGES

    def find_right(self, scope: Mapping[str, Any]) -> Right | None:
        """Whoever sits at this machine is the coach; other devices are what their token says.

        The socket the request came in by decides, not its headers: those can be written by anybody.
        """
        if is_here(scope):
            return COACH
        device = self.find_device(scope)
        return device.right if device else None

    def find_device(self, scope: Mapping[str, Any]) -> Device | None:
        """The device that joined and asks from where it joined; None for strangers and for this machine."""
        return find_device(self.pairing, scope, self.clock()) if self.pairing else None


def find_device(pairing: Pairing, scope: Mapping[str, Any], now_s: float) -> Device | None:
    """Whose token a request carries, if it comes from the address that the token was given to."""
    return pairing.find_device(read_token(scope), read_address(scope), now_s)


def read_address(scope: Mapping[str, Any]) -> str:
    """Where a request comes from, as the socket says."""
    return str((scope.get("client") or ("",))[0])


def is_here(scope: Mapping[str, Any]) -> bool:
    """Whether a request came in by a socket that only this machine can reach."""
    server = scope.get("server")
    return bool(server and is_loopback(str(server[0])))


def may_visit(path: str, right: Right | None) -> bool:
    """Whether a right reaches a path; which seat it reaches there is ``find_seat``'s to say."""
    if path.startswith("/static/"):
        return True
    return (right.role if right else None) in PATHS.get(path, ONLY_COACH)


def find_place(right: Right | None, n_seats: int) -> str:
    """Where a device belongs: its athlete's own seat, the coach's screen, or where codes are typed."""
    if right is None:
        return "/pair"
    if right.role == "coach":
        return "/coach" if n_seats < 2 else "/group"
    return "/athlete" if n_seats < 2 else f"/athlete?seat={right.seat}"


def read_header(scope: Mapping[str, Any], name: bytes) -> list[str]:
    """All values of a header, lower case."""
    return [value.decode("latin-1").lower() for key, value in scope["headers"] if key.lower() == name]


def name_cookie(port: int) -> str:
    """Browsers keep one set of cookies for all ports of an address: two programs on it must not take each other's."""
    return f"biofeedback-pair-{port}"


def read_port(scope: Mapping[str, Any]) -> int:
    """The port that a request came in by."""
    return int((scope.get("server") or ("", 0))[1] or 0)


def read_token(scope: Mapping[str, Any]) -> str | None:
    """The pairing token among the cookies."""
    return read_cookie(scope, name_cookie(read_port(scope)))


def read_cookie(scope: Mapping[str, Any], name: str) -> str | None:
    """One of the cookies; those of other programs at this address may hold anything (RFC 6265)."""
    cookies = (each for key, value in scope["headers"] if key.lower() == b"cookie" for each in value.split(b";"))
    for found, _, token in (each.strip().partition(b"=") for each in cookies):
        if found == name.encode():
            return str(token, "latin-1")
    return None
