"""One outgoing slot per page.

A page has no queue: whenever it can take something it gets the newest state, the newest update with the strip levels
it has not had, and the replies to its own commands. A page that stops reading blocks its own task and nothing else,
and once it reads again it is at the present, not at the end of a backlog.
"""

from __future__ import annotations

import json
import logging
import math
from collections import deque
from collections.abc import Awaitable, Callable, Mapping
from typing import Any

from biofeedback.web.layout import encode_update
from biofeedback.web.live import Live

LOG = logging.getLogger("biofeedback.web")
MAX_REPLIES = 16  # a page that talks without listening loses its oldest replies, not our memory

Send = Callable[[str | bytes], Awaitable[None]]


def encode_json(value: Any) -> str:
    """JSON that a browser can read. What is not a finite number becomes null and is logged, and the page goes on."""
    try:
        return json.dumps(value, ensure_ascii=False, allow_nan=False)
    except ValueError:
        LOG.exception("a value for the page was not a number; it is sent as null")
        return json.dumps(_without_nan(value), ensure_ascii=False)


def _without_nan(value: Any) -> Any:
    if isinstance(value, float):
        return value if math.isfinite(value) else None
    if isinstance(value, Mapping):
        return {key: _without_nan(part) for key, part in value.items()}
    if isinstance(value, list | tuple):
        return [_without_nan(part) for part in value]
    return value


class StateText:
    """The state as JSON, encoded once per revision for all pages."""

    def __init__(self, live: Live) -> None:
        self._live = live
        self._revision: int | None = None
        self._text = ""

    def current(self) -> tuple[int, str]:
        """The revision and its text."""
        revision = self._live.revision
        if revision != self._revision:
            self._text = encode_json({"revision": revision, "state": dict(self._live.state())})
            self._revision = revision
        return revision, self._text


class PageSlot:
    """What one page has had, and what it should get next."""

    def __init__(self, live: Live, state_text: StateText) -> None:
        self._live = live
        self._state_text = state_text
        self._next_level = 0
        self._revision: int | None = None
        self._seen = -1
        self._replies: deque[Mapping[str, Any]] = deque(maxlen=MAX_REPLIES)

    def put_reply(self, reply: Mapping[str, Any]) -> None:
        """Send ``reply`` with the next update."""
        self._replies.append(reply)

    def take(self) -> list[str | bytes]:
        """Everything the page should get now, newest only; the caller sends it in order."""
        messages: list[str | bytes] = []
        revision, text = self._state_text.current()
        if revision != self._revision:
            messages.append(text)
            self._revision = revision
        first, strip = self._live.strip_since(self._next_level)
        messages.append(encode_update(self._live.snapshot(), revision=revision, first_level=first, strip=strip))
        self._next_level = first + strip.shape[1]
        while self._replies:
            messages.append(encode_json({"reply": self._replies.popleft()}))
        return messages

    async def pump(self, send: Send) -> None:
        """Keep the page at the present until cancelled or ``send`` raises."""
        while True:
            for message in self.take():
                await send(message)
            self._seen = await self._live.wait_for_update(self._seen)
