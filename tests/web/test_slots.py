from __future__ import annotations

import asyncio
import json

import numpy as np
import pytest

from biofeedback.web.slots import MAX_REPLIES, PageSlot, StateText

from .fake_live import STRIP_LEVELS, FakeLive
from .reading import read_update


def make_slot(live: FakeLive) -> PageSlot:
    return PageSlot(live, StateText(live))


def test_a_new_page_gets_the_state_and_what_is_left_of_the_strip() -> None:
    live = FakeLive()
    live.feed(np.arange(STRIP_LEVELS + 500.0))
    state, update = make_slot(live).take()
    assert isinstance(state, str)
    assert json.loads(state)["state"]["athlete"] == "A01"
    read = read_update(update)
    assert read.first_level == 500
    assert read.strip[:, 0].tolist() == np.arange(500.0, STRIP_LEVELS + 500).tolist()


def test_levels_come_once_and_in_order_however_often_the_page_can_take_them() -> None:
    live = FakeLive()
    slot = make_slot(live)
    got: list[float] = []
    sent = 0.0
    for n_levels in (1, 2, 40, 0, 7, 1500, 3):
        if n_levels:
            live.feed(sent + np.arange(n_levels))
            sent += n_levels
        read = read_update(slot.take()[-1])
        assert read.first_level + len(read.strip) == sent
        got += read.strip[:, 0].tolist()
    assert got == np.arange(sent).tolist()


def test_the_state_comes_only_when_it_changed_and_before_the_update_that_belongs_to_it() -> None:
    live = FakeLive()
    slot = make_slot(live)
    slot.take()
    assert len(slot.take()) == 1
    live.change(limit=7)
    state, update = slot.take()
    assert json.loads(state)["revision"] == read_update(update).revision == live.revision
    assert json.loads(state)["state"]["limit"] == 7


def test_a_number_that_is_none_does_not_end_the_pages(caplog: pytest.LogCaptureFixture) -> None:
    live = FakeLive()
    live.change(limit=float("nan"), ratings=[{"value": float("inf")}, (1.5, "x")])
    state = json.loads(make_slot(live).take()[0], parse_constant=pytest.fail)["state"]
    assert state["limit"] is None
    assert state["ratings"] == [{"value": None}, [1.5, "x"]]
    assert "was not a number" in caplog.text


def test_replies_come_after_the_state_they_caused_and_are_bounded() -> None:
    live = FakeLive()
    slot = make_slot(live)
    for number in range(MAX_REPLIES + 5):
        slot.put_reply({"id": number, "ok": True})
    messages = slot.take()
    replies = [json.loads(text)["reply"]["id"] for text in messages[2:]]
    assert replies == list(range(5, MAX_REPLIES + 5))
    assert len(slot.take()) == 1


def test_a_page_that_does_not_read_delays_nobody_and_wakes_up_in_the_present() -> None:
    async def scenario() -> None:
        live = FakeLive()
        reading: list[int] = []
        gate = asyncio.Event()
        woken: list[int] = []

        async def quick(message: str | bytes) -> None:
            if isinstance(message, bytes):
                reading.append(read_update(message).level)

        async def blocked(message: str | bytes) -> None:
            await gate.wait()
            if isinstance(message, bytes):
                woken.append(read_update(message).level)

        tasks = [asyncio.create_task(make_slot(live).pump(send)) for send in (quick, blocked)]
        for _ in range(50):
            live.feed(np.array([1.0]))
            for _ in range(4):
                await asyncio.sleep(0)
        assert reading[-1] == 49
        assert len(reading) >= 50
        gate.set()
        for _ in range(10):
            await asyncio.sleep(0)
        assert woken[0] <= 0  # the one message that was under way
        assert woken[1:] == [49]  # then the present; nothing in between was kept for it
        for task in tasks:
            task.cancel()
        await asyncio.gather(*tasks, return_exceptions=True)

    asyncio.run(scenario())


def test_a_reply_with_a_number_that_is_none_reaches_the_page(caplog: pytest.LogCaptureFixture) -> None:
    slot = make_slot(FakeLive())
    slot.put_reply({"id": 1, "ok": True, "data": {"checked": {"duration_s": float("inf")}}})
    reply = json.loads(slot.take()[-1], parse_constant=pytest.fail)["reply"]
    assert reply["data"]["checked"]["duration_s"] is None
    assert "was not a number" in caplog.text
