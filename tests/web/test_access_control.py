"""How much of a request is waited for, from where, and what is told of the rest: the middleware alone, no network."""

from __future__ import annotations

import asyncio
import errno
from typing import Any

import pytest

from biofeedback.web import access_control
from biofeedback.web.access_control import MAX_BODY_PARTS, AccessControl

HERE, ELSEWHERE = ("127.0.0.1", 8765), ("192.0.2.1", 8765)
LONG = "/" + "a" * 60  # of a path 40 letters are told


def serve(
    n_parts: int | None, *, place: tuple[str, int], method: str = "POST", kind: str = "http", error: Any = None
) -> tuple[int | None, list[bytes]]:
    """Ask with a body in ``n_parts`` (None: it stops after the first); the status and the parts that arrived."""
    sent: list[Any] = []
    arrived: list[bytes] = []

    async def app(scope: Any, receive: Any, send: Any) -> None:
        if error:
            raise error
        while n_parts != 0 and (message := await receive())["type"] == "http.request":
            arrived.append(message["body"])
            if not message["more_body"]:
                break
        else:
            arrived.extend([b"gone"] if n_parts is None else [])
        await send({"type": "http.response.start", "status": 200})

    async def run() -> None:
        n_given = 0

        async def receive() -> Any:
            nonlocal n_given
            n_given += 1
            if n_given > (1 if n_parts is None else n_parts):
                await asyncio.Event().wait()
            return {"type": "http.request", "body": b"%d" % n_given, "more_body": n_given != n_parts}

        async def send(message: Any) -> None:
            sent.append(message)

        scope = {"type": kind, "path": LONG, "server": place} | ({"method": method} if kind == "http" else {})
        await AccessControl(app, None, 1)._serve(scope, receive, send)  # type: ignore[arg-type]

    asyncio.run(run())
    starts = [message["status"] for message in sent if message["type"] == "http.response.start"]
    return (starts[0] if starts else None), arrived


@pytest.mark.parametrize("place", [HERE, ELSEWHERE])
@pytest.mark.parametrize("n_parts", [1, 2, MAX_BODY_PARTS - 1, MAX_BODY_PARTS])
def test_a_body_arrives_whole_and_in_order(
    n_parts: int, place: tuple[str, int], caplog: pytest.LogCaptureFixture
) -> None:
    assert serve(n_parts, place=place) == (200, [b"%d" % k for k in range(1, n_parts + 1)])
    assert not caplog.messages


def test_what_is_longer_arrives_from_this_machine_only(caplog: pytest.LogCaptureFixture) -> None:
    n_parts = MAX_BODY_PARTS + 2
    assert serve(n_parts, place=HERE) == (200, [b"%d" % k for k in range(1, n_parts + 1)])
    assert not caplog.messages
    for n_parts in (MAX_BODY_PARTS + 1, MAX_BODY_PARTS + 2):
        assert serve(n_parts, place=ELSEWHERE) == (413, [])
    assert caplog.messages == [f"refused: too much came for {LONG[:40]}"] * 2


def test_what_stands_still_is_not_waited_for(caplog: pytest.LogCaptureFixture, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(access_control, "BODY_S", 0.02)
    for place in (HERE, ELSEWHERE):
        assert serve(None, place=place) == (408, [])
    assert caplog.messages == [f"refused: what belongs to {LONG[:40]} did not come in 0 s"] * 2
    monkeypatch.setattr(access_control, "MAX_BODY_PARTS", 1)
    assert serve(None, place=HERE) == (200, [b"1", b"gone"])  # whoever reads it learns that nothing more comes
    assert len(caplog.messages) == 2


@pytest.mark.parametrize(("method", "kind"), [("GET", "http"), ("HEAD", "http"), ("", "websocket")])
def test_what_has_no_body_is_answered_at_once(
    method: str, kind: str, monkeypatch: pytest.MonkeyPatch, caplog: pytest.LogCaptureFixture
) -> None:
    monkeypatch.setattr(access_control, "BODY_S", 0.02)
    assert serve(0, place=ELSEWHERE, method=method, kind=kind) == (200, [])  # nothing comes, and nothing is waited for
    assert not caplog.messages


def test_what_the_computer_is_out_of_is_told_and_nothing_else_is_kept_quiet(caplog: pytest.LogCaptureFixture) -> None:
    for error, short in (
        (OSError(errno.EMFILE, "x"), "open files"),
        (MemoryError(), "memory"),
        (RuntimeError("can't start new thread"), "threads"),
    ):
        caplog.clear()
        assert serve(1, place=HERE, error=error) == (None, [])
        assert caplog.messages == [f"refused: {LONG[:40]}: there are not enough {short} left on this computer"]
    for other in (OSError(errno.ENOSPC, "x"), RuntimeError("x"), KeyError("x")):
        with pytest.raises(type(other)):
            serve(1, place=HERE, error=other)
