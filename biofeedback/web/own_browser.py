"""Whose browser asks at this machine: the address that is opened carries a one-time key, exchanged for a cookie.

Where the system says which account holds the other end of a loopback connection (`accounts`), that is what counts and
the key is only carried along. Elsewhere (macOS, Windows) any account of the computer could reach the page: there nobody
enters without the key. Nothing is written down; all of it ends with the program.
"""

from __future__ import annotations

import secrets
from collections import deque
from collections.abc import Callable, Mapping
from typing import Any
from urllib.parse import parse_qsl, quote, urlencode

from biofeedback.web.access import read_cookie, read_port
from biofeedback.web.accounts import tells_accounts

PARAMETER = "key"
MAX_OPEN, MAX_BROWSERS = 8, 64  # keys that nobody has used yet; browsers of this machine
COOKIE_S = 7 * 86400  # the token itself ends with the program


class OwnBrowsers:
    """The keys that are open, and the browsers that used one. ``is_needed``: nobody at this machine enters without.

    ``on_used`` is called after each use, so that a key for another browser can be told.
    """

    def __init__(self, *, is_needed: bool | None = None) -> None:
        self.is_needed = not tells_accounts() if is_needed is None else is_needed
        self.on_used: Callable[[], None] = lambda: None
        self._keys: deque[str] = deque(maxlen=MAX_OPEN)
        self._tokens: deque[str] = deque(maxlen=MAX_BROWSERS)

    def add_key(self, address: str) -> str:
        """The address with a new key, good once."""
        self._keys.append(secrets.token_urlsafe(16))
        return f"{address}?{urlencode({PARAMETER: self._keys[-1]})}"

    def exchange(self, scope: Mapping[str, Any]) -> tuple[str, str] | None:
        """Where a request that carries a key goes on to, and the cookie that its browser gets ("" for a used key).

        None for a request without one.
        """
        query = parse_qsl(scope.get("query_string", b"").decode("latin-1"), keep_blank_values=True)
        given = [value for name, value in query if name == PARAMETER]
        if not given or scope["type"] != "http" or scope["method"] != "GET":
            return None
        rest = urlencode([pair for pair in query if pair[0] != PARAMETER])
        place = "/" + quote(scope["path"].lstrip("/")) + (f"?{rest}" if rest else "")  # of ours, whatever was asked
        matching = [key for key in self._keys if secrets.compare_digest(key.encode(), given[0].encode())]
        if not matching:
            return place, ""
        self._keys.remove(matching[0])
        self._tokens.append(secrets.token_urlsafe(32))
        self.on_used()
        # lax: sent along when a link in a terminal or a mail is followed; what may be opened so is for Access to say
        cookie = f"{name_cookie(scope)}={self._tokens[-1]}; Max-Age={COOKIE_S}; Path=/; HttpOnly; SameSite=lax"
        return place, cookie

    def may_enter(self, scope: Mapping[str, Any]) -> bool:
        """Whether a request at this machine comes from a browser that used a key, or needs none."""
        token = read_cookie(scope, name_cookie(scope))
        found = [secrets.compare_digest(token.encode(), each.encode()) for each in self._tokens] if token else []
        return not self.is_needed or any(found)


def name_cookie(scope: Mapping[str, Any]) -> str:
    """Browsers keep one set of cookies for all ports of an address."""
    return f"biofeedback-here-{read_port(scope)}"
