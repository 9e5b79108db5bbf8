"""Carries out what a page says, within its rights; always answers."""

from __future__ import annotations

import logging
from collections.abc import Mapping
from dataclasses import asdict
from typing import Any

from biofeedback.errors import BiofeedbackError, SessionError
from biofeedback.web.live import Live
from biofeedback.web.messages import ATHLETE_COMMANDS, SERVER_COMMANDS, check_command, read_message
from biofeedback.web.pairing import Role
from biofeedback.web.qr import encode_qr
from biofeedback.web.sharing import Sharing

LOG = logging.getLogger("biofeedback.web")


def answer_message(live: Live, text: str | None, *, by: Role, sharing: Sharing | None = None) -> dict[str, Any]:
    """Carry out one message of a page; whatever it says, the reply is one clear line."""
    number: int | None = None
    try:
        number, command = read_message(text)
        check_command(command)
        if by == "athlete" and command["do"] not in ATHLETE_COMMANDS:
            raise SessionError(f"{command['do']} is the coach's to do", "ask the coach")
        own = command["do"] in SERVER_COMMANDS
        data = answer_for_server(command, sharing) if own else live.command(command, by)
    except BiofeedbackError as error:
        return {"id": number, "ok": False, "what": error.what, "cure": error.cure}
    except ValueError as error:
        return {"id": number, "ok": False, "what": str(error), "cure": "enter another value"}
    except Exception:  # a fault of ours in one command must not take the page, or the hold, with it
        LOG.exception("a command failed")
        return {"id": number, "ok": False, "what": "the command failed inside the program", "cure": "see the log"}
    return {"id": number, "ok": True, "data": data}


def answer_for_server(command: Mapping[str, Any], sharing: Sharing | None) -> dict[str, Any] | None:
    """Commands that are not the session's: whether we hear each other, and who else may come in."""
    if command["do"] == "ping":
        return None
    if sharing is None:
        raise SessionError("this session is not shared", "start it with --share")
    if command["do"] == "revoke":
        sharing.pairing.revoke_all()
        return None
    if command["role"] not in ("athlete", "coach"):
        raise ValueError(f"role {command['role']!r} is not athlete or coach")
    invitation = sharing.invite(command["role"])
    rows = ["".join("01"[module] for module in line) for line in encode_qr(invitation.url)]
    return {**asdict(invitation), "qr": rows}
