"""What a page says, made a command; everything that is none gets one clear reply."""

from __future__ import annotations

import json
from typing import Any

from biofeedback.account.commands import INDEX
from biofeedback.errors import SessionError
from biofeedback.storage.schema import read_json

MAX_MESSAGE_BYTES = 32768  # the longest honest message is a plan of some hundred phases


def read_message(text: str | None) -> tuple[int | None, dict[str, Any]]:
    """A page's message as ``(id of the message, command)``, the command not checked yet: a refusal needs the id too.

    Raises
    ------
    SessionError
        For anything that is no JSON object of ordinary size and whole characters.
    """
    if text is None:
        raise SessionError("the page sent bytes; commands are text", "reload the page")
    if len(text.encode("utf-8", "surrogatepass")) > MAX_MESSAGE_BYTES:
        raise SessionError(f"message longer than {MAX_MESSAGE_BYTES} bytes", "shorten it")
    try:
        message = read_json(text)  # never deeper than what we make ourselves: all that handles it later may recurse
    except (ValueError, RecursionError):
        raise SessionError("message is not JSON", "reload the page") from None
    if not isinstance(message, dict):
        raise SessionError("message is not an object", "reload the page")
    try:
        json.dumps(message, ensure_ascii=False).encode()
    except UnicodeEncodeError:  # half of a surrogate pair: no page could be told of it, no file could hold it
        raise SessionError("message holds a broken character", "type the text again") from None
    number = message.pop("id", None)
    return (number if INDEX.fits(number) else None), message
