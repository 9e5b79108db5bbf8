"""Carries out what a page says, within its rights; always answers."""

from __future__ import annotations

import logging
from collections.abc import Mapping
from typing import Any

from biofeedback.account.commands import check_command, may_ask
from biofeedback.errors import BiofeedbackError, SessionError
from biofeedback.web.live import Live
from biofeedback.web.messages import read_message
from biofeedback.web.pairing import COACH, HERE, Right
from biofeedback.web.sharing import Sharing

LOG = logging.getLogger("biofeedback.web")


def reply_to_message(
    live: Live,
    text: str | None,
    *,
    by: Right = COACH,
    seat: int = 1,
    sharing: Sharing | None = None,
    device: int = HERE,
) -> dict[str, Any]:
    """Carry out one message of a page at a seat; whatever it says, the reply is one clear line.

    ``device`` is the number of the device that the page is on.
    """
    number: int | None = None
    try:
        number, command = read_message(text)
        place = check_command(command).place
        if not may_ask(command["do"], by.role):
            raise SessionError(f"{command['do']} is the coach's to do", "ask the coach")
        data = None
        if place == "server":
            reply_for_server(command, sharing, seat, device)
        else:
            data = live.command(command, by.role)
    except BiofeedbackError as error:
        return {"id": number, "ok": False, "what": error.what, "cure": error.cure}
    except ValueError as error:
        return {"id": number, "ok": False, "what": str(error), "cure": "enter another value"}
    except Exception:  # a fault of ours in one command must not take the page, or the hold, with it
        LOG.exception("a command failed")
        return {"id": number, "ok": False, "what": "the command failed inside the program", "cure": "see the log"}
    return {"id": number, "ok": True, "data": data}


def reply_for_server(command: Mapping[str, Any], sharing: Sharing | None, seat: int, device: int = HERE) -> None:
    """Commands that are not the session's: whether we hear each other, and who else may come in.

    Who came in is told to every coach's page by ``Sharing`` itself.
    """
    if command["do"] == "ping":
        return
    if sharing is None:
        raise SessionError("this session is not shared", "start it with --share")
    if command["do"] == "revoke":
        sharing.request_revocation(command.get("device"), by=device)
        return
    if command["do"] == "allow":
        sharing.settle(command["ask"], command["yes"], by=device)
        return
    if command["role"] not in ("athlete", "coach"):
        raise ValueError(f"role {command['role']!r} is not athlete or coach")
    right = Right("athlete", seat) if command["role"] == "athlete" else COACH
    sharing.request_invitation(right, by=device)
