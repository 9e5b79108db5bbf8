"""A session on the local network: invitations, the exchange of a code, and rights that can be taken back."""

from __future__ import annotations

import socket
import time
from collections.abc import Callable, Mapping
from typing import Any

from starlette.responses import JSONResponse, Response

from biofeedback.errors import SessionError
from biofeedback.web.door import COOKIE, is_loopback, read_token
from biofeedback.web.pairing import VALID_S, Invitation, Pairing, Role, show_code

COOKIE_S = 12 * 3600  # the right itself ends with the session
PLACES: Mapping[Role, str] = {"athlete": "/athlete", "coach": "/coach"}


class Sharing:
    """One shared session, reachable at ``address``."""

    def __init__(self, address: str, clock: Callable[[], float] = time.monotonic) -> None:
        self.pairing = Pairing()
        self._address = address
        self._clock = clock

    def invite(self, role: Role) -> Invitation:
        """A new one-time code; the address carries it behind ``#``, which browsers never send to anybody."""
        code = show_code(self.pairing.invite(role, self._clock()))
        return Invitation(role, code, f"{self._address}/pair#{code}", VALID_S)

    def answer_code(self, typed: str) -> Response:
        """The reply to a device that typed a code."""
        headers = {"cache-control": "no-store", "x-content-type-options": "nosniff"}
        try:
            token, role = self.pairing.join(typed, self._clock())
        except SessionError as error:
            return JSONResponse({"what": error.what, "cure": error.cure}, status_code=403, headers=headers)
        response = JSONResponse({"place": PLACES[role]}, headers=headers)
        response.set_cookie(COOKIE, token, max_age=COOKIE_S, httponly=True, samesite="strict")
        return response

    def guard(self, scope: Mapping[str, Any]) -> Callable[[], bool] | None:
        """A question to ask before every message to another device; None for this machine."""
        server = scope.get("server")
        if server and is_loopback(str(server[0])):
            return None
        token = read_token(scope)
        return lambda: self.pairing.role_of(token) is not None


def find_network_address() -> str:
    """This machine's address on its network; nothing is sent to find it.

    Raises
    ------
    SessionError
        If there is none.
    """
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as probe:
        try:
            probe.connect(("192.0.2.1", 9))  # a documentation address (RFC 5737): only the route is looked up
            address = str(probe.getsockname()[0])
        except OSError:
            address = "127.0.0.1"
    if is_loopback(address):
        raise SessionError("this computer is on no network to share on", "connect it, or leave out --share")
    return address
