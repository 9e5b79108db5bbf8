"""When the computer runs out of files, memory or threads: the session goes on, and one line a minute says so."""

from __future__ import annotations

import asyncio
import errno
from collections.abc import Iterator
from contextlib import contextmanager
from typing import Any

from biofeedback.web.connection_limits import RefusalLog

SHORT_OF = {errno.EMFILE: "open files", errno.ENFILE: "open files", errno.ENOMEM: "memory", errno.ENOBUFS: "memory"}


def find_shortage(error: BaseException | None) -> str | None:
    """What there is not enough of, in a word; None when the error is about something else."""
    if isinstance(error, MemoryError):
        return "memory"
    if isinstance(error, RuntimeError) and "start new thread" in str(error):
        return "threads"
    return SHORT_OF.get(error.errno or 0) if isinstance(error, OSError) else None


@contextmanager
def told_shortages(refusals: RefusalLog) -> Iterator[None]:
    """Inside, the event loop tells a shortage in one line instead of a traceback for every connection.

    After such an error asyncio tries the listening socket again later, and once more for each error; when the server
    has ended meanwhile, those tries fail, which is nobody's loss.
    """
    loop = asyncio.get_running_loop()
    before = loop.get_exception_handler()

    def handle(loop: asyncio.AbstractEventLoop, context: dict[str, Any]) -> None:
        error = context.get("exception")
        if short := find_shortage(error):
            refusals.tell(f"new connections: there are not enough {short} left on this computer")
        elif isinstance(error, ValueError) and "_start_serving" in str(context.get("message")):
            pass
        elif before:
            before(loop, context)
        else:
            loop.default_exception_handler(context)

    loop.set_exception_handler(handle)
    try:
        yield
    finally:
        loop.set_exception_handler(before)
