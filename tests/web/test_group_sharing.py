"""A shared group: every athlete's phone reaches its own seat and no other, whatever it asks for."""

from __future__ import annotations

import asyncio
import contextlib
import json
from collections.abc import Awaitable, Callable
from typing import Any
from urllib.parse import urlsplit

import numpy as np
import pytest
from websockets.asyncio.client import ClientConnection, connect
from websockets.exceptions import ConnectionClosed, InvalidStatus

from biofeedback.web.seats import Seat
from biofeedback.web.server import open_page
from biofeedback.web.sharing import Invitation
from biofeedback.wiring.review_page import make_review

from .fake_live import FakeLive
from .test_group import CODES, next_update, sit
from .test_server import drain, fetch, next_reply
from .test_sharing import OUTSIDE, next_sharing, pair, pretend_network

Scenario = Callable[[list[FakeLive], str, str, list[Invitation]], Awaitable[None]]


@pytest.fixture
def share_group(monkeypatch: pytest.MonkeyPatch, tmp_path: Any) -> Callable[[Scenario], None]:
    pretend_network(monkeypatch)
    review = make_review(tmp_path)

    def run(scenario: Scenario) -> None:
        async def session() -> None:
            lives = [FakeLive() for _ in CODES]
            for k, live in enumerate(lives):
                live.change(athlete=CODES[k], recording={"file": f"{CODES[k]}.hold", "problem": None})
                live.feed(np.array([10.0 * (k + 1)]))
            others = [Seat(live, lambda: "a report") for live in lives[1:]]
            invited: list[Invitation] = []
            async with open_page(lives[0], port=0, others=others, share=invited.extend, review=review) as address:
                outside = f"http://{OUTSIDE}:{urlsplit(address).port}/"
                await asyncio.wait_for(scenario(lives, address, outside, invited), 120)

        asyncio.run(session())

    return run


async def enter(outside: str, code: str) -> dict[str, str]:
    """Pair a device; the header that its browser sends from then on."""
    status, cookie, _ = await pair(outside, code)
    assert status == 200
    return {"Cookie": cookie.split(";")[0]}


def sit_outside(outside: str, query: str, token: dict[str, str]) -> connect:
    host = urlsplit(outside).netloc
    return connect(
        f"ws://{host}/ws{query}", origin=f"http://{host}", additional_headers=token, compression=None, proxy=None
    )


async def told_of(page: ClientConnection) -> tuple[dict[str, Any], str, float]:
    """What a page hears first: who it is, whose session, and the number."""
    you = json.loads(await page.recv())["you"]
    while "state" not in (message := json.loads(await page.recv())):
        pass
    return you, message["state"]["athlete"], (await next_update(page)).percent[0]


def test_each_code_leads_to_its_own_seat(share_group: Any) -> None:
    async def scenario(lives: list[FakeLive], address: str, outside: str, invited: list[Invitation]) -> None:
        assert [(each.athlete, each.seat, each.role) for each in invited] == [
            (code, seat, "athlete") for seat, code in enumerate(CODES, 1)
        ]
        assert len({each.code for each in invited}) == 4
        for k, invitation in enumerate(invited):
            status, cookie, told = await pair(outside, invitation.code)
            assert (status, told) == (200, {"place": f"/athlete?seat={k + 1}"})
            token = {"Cookie": cookie.split(";")[0]}
            assert (await fetch(outside, told["place"], token))[0] == 200
            async with sit_outside(outside, f"?seat={k + 1}", token) as page:
                you, athlete, percent = await told_of(page)
                assert you == {"role": "athlete", "shared": True, "review": True}  # and how many others: not told
                assert (athlete, percent) == (CODES[k], 10.0 * (k + 1))
                await page.send('{"do": "rate", "value": 6, "id": 1}')
                assert (await next_reply(page))["ok"]
                await page.send('{"do": "stop", "id": 2}')
                assert (await next_reply(page))["ok"]
            assert [[by for _, by in live.commands] for live in lives] == [
                ["athlete"] * 2 if other <= k else [] for other in range(4)
            ]
            assert (await pair(outside, invitation.code))[0] == 403  # once
            assert (await pair(outside, invitation.code, token["Cookie"]))[0] == 403

    share_group(scenario)


OTHER_SEATS = [
    "",
    "?seat=1",
    "?seat=3",
    "?seat=4",
    "?seat=0",
    "?seat=02",
    "?seat=2&seat=3",
    "?seat=",
    "?Seat=2",
    "?seat=2 ",
]


def test_a_phone_reaches_no_other_seat_by_any_address(share_group: Any) -> None:
    async def scenario(lives: list[FakeLive], address: str, outside: str, invited: list[Invitation]) -> None:
        token = await enter(outside, invited[1].code)
        for query in OTHER_SEATS:
            with pytest.raises(InvalidStatus) as refused:
                await sit_outside(outside, query.replace(" ", "%20"), token)
            assert refused.value.response.status_code == 403, query
            status, headers, _ = await fetch(outside, "/athlete" + query.replace(" ", "%20"), token)
            assert (status, headers["location"]) == (303, "/athlete?seat=2"), query
        async with sit_outside(outside, "?seat=3&seat=2", token) as page:  # both readers take the last
            assert (await told_of(page))[1] == "A02"
        places = ["/", "/coach", "/coach?seat=2", "/group", "/report?seat=2", "/report?seat=3", "/review"]
        places += [
            f"/review/{part}" for part in ("list", "about", "trace", "export", "files-to-delete", "rename", "delete")
        ]
        for path in places:
            status, headers, _ = await fetch(outside, path, token)
            assert (status, headers["location"]) == (303, "/athlete?seat=2"), path
        assert all(live.commands == [] for live in lives)

    share_group(scenario)


def test_a_phone_cannot_name_another_seat_in_what_it_says(share_group: Any) -> None:
    async def scenario(lives: list[FakeLive], address: str, outside: str, invited: list[Invitation]) -> None:
        token = await enter(outside, invited[1].code)
        async with sit_outside(outside, "?seat=2", token) as page:
            attempts: list[dict[str, Any]] = [
                {"do": command, **extra}
                for command in ("rate", "stop")
                for extra in ({"seat": 3}, {"athlete": "A03"}, {"by": "coach"}, {"role": "coach"})
            ]
            attempts += [{"do": "invite", "role": role} for role in ("athlete", "coach")]
            attempts += [
                {"do": "revoke"},
                {"do": "revoke", "device": 1},
                {"do": "zero"},
                {"do": "start_plan", "plan": "x"},
            ]
            for number, attempt in enumerate(attempts, 1):
                await page.send(json.dumps({"value": 5} | attempt | {"id": number}))
                reply = await next_reply(page)
                assert (reply["id"], reply["ok"]) == (number, False), attempt
        assert all(live.commands == [] for live in lives)

    share_group(scenario)


def test_a_phone_hears_nothing_of_other_seats(share_group: Any) -> None:
    async def scenario(lives: list[FakeLive], address: str, outside: str, invited: list[Invitation]) -> None:
        token = await enter(outside, invited[1].code)
        async with sit_outside(outside, "?seat=2", token) as page:
            await told_of(page)
            for k, live in enumerate(lives):
                live.change(ratings=[{"number": 1, "time_s": 1.0, "value": 7.0, "phase_index": k, "corrected": False}])
                live.feed(np.full(5, 70.0 + k))
            heard = [await page.recv() for _ in range(6)]
            texts = "".join(each for each in heard if isinstance(each, str))
            assert "A02" in texts
            assert not any(word in texts for word in ("A01", "A03", "A04", "invitations", "devices", '"code"'))

    share_group(scenario)


def test_the_coach_sees_who_is_there_and_sends_one_away(share_group: Any) -> None:
    async def scenario(lives: list[FakeLive], address: str, outside: str, invited: list[Invitation]) -> None:
        async with sit(address, "?seat=3") as coach:
            shared = await next_sharing(coach)
            assert [each["code"] for each in shared["invitations"]] == [each.code for each in invited]
            assert shared["devices"] == []
            tokens = [await enter(outside, each.code) for each in invited[:2]]
            async with sit_outside(outside, "?seat=1", tokens[0]), sit_outside(outside, "?seat=2", tokens[1]) as second:
                while len([each for each in shared["devices"] if each["here"]]) < 2:
                    shared = await next_sharing(coach)
                assert [(each["number"], each["athlete"], each["role"]) for each in shared["devices"]] == [
                    (1, "A01", "athlete"),
                    (2, "A02", "athlete"),
                ]
                assert [each["athlete"] for each in shared["invitations"]] == ["A03", "A04"]
                await coach.send('{"do": "revoke", "device": 1}')
                while len(shared["devices"]) > 1:
                    shared = await next_sharing(coach)
                assert shared["devices"] == [
                    {"role": "athlete", "seat": 2, "athlete": "A02", "number": 2, "here": True, "inviter": 0}
                ]
                await second.send('{"do": "stop", "id": 7}')
                assert (await next_reply(second))["ok"]
                with pytest.raises(InvalidStatus):
                    await sit_outside(outside, "?seat=1", tokens[0])
                await coach.send('{"do": "invite", "role": "athlete"}')  # at seat 3
                renewed: list[str] = []
                while not renewed:
                    shared = await next_sharing(coach)
                    renewed = [
                        each["code"]
                        for each in shared["invitations"]
                        if each["athlete"] == "A03" and each["code"] != invited[2].code
                    ]
            while shared["devices"][0]["here"]:
                shared = await next_sharing(coach)  # locked, or out of reach: the coach sees it
        assert (await pair(outside, invited[2].code))[0] == 403
        assert (await pair(outside, renewed[0]))[2] == {"place": "/athlete?seat=3"}

    share_group(scenario)


def test_a_phone_that_was_sent_away_carries_out_nothing_more(share_group: Any) -> None:
    async def scenario(lives: list[FakeLive], address: str, outside: str, invited: list[Invitation]) -> None:
        token = await enter(outside, invited[1].code)
        page = await sit_outside(outside, "?seat=2", token)
        await told_of(page)
        async with sit(address, "") as coach:
            await coach.send('{"do": "revoke", "id": 1}')
            while (await next_reply(coach))["id"] != 1:
                pass
        with contextlib.suppress(ConnectionClosed):  # it may be out already
            await page.send('{"do": "stop"}')
        with pytest.raises(ConnectionClosed) as closed:
            await drain(page)
        assert closed.value.rcvd
        assert closed.value.rcvd.code == 1008
        assert lives[1].commands == []
        for invitation in invited:  # with the rights, the codes that were open have ended
            assert (await pair(outside, invitation.code))[0] == 403

    share_group(scenario)


def test_another_coach_sees_every_seat(share_group: Any) -> None:
    async def scenario(lives: list[FakeLive], address: str, outside: str, invited: list[Invitation]) -> None:
        async with sit(address, "") as own:
            await own.send('{"do": "invite", "role": "coach"}')
            code = ""
            while not code:
                found = [each["code"] for each in (await next_sharing(own))["invitations"] if each["role"] == "coach"]
                code = found[0] if found else ""
        status, cookie, told = await pair(outside, code)
        assert (status, told) == (200, {"place": "/group"})
        token = {"Cookie": cookie.split(";")[0]}
        assert (await fetch(outside, "/group", token))[0] == 200
        for seat in range(1, 5):
            async with sit_outside(outside, f"?seat={seat}", token) as page:
                you, athlete, _ = await told_of(page)
                assert (you["role"], you["seats"], athlete) == ("coach", 4, CODES[seat - 1])
                await page.send('{"do": "zero", "id": 1}')
                while (reply := await next_reply(page))["id"] != 1:
                    pass
                assert reply["ok"]
        assert [live.commands for live in lives] == [[({"do": "zero"}, "coach")]] * 4

    share_group(scenario)


def test_a_phone_that_joins_another_seat_leaves_the_first(share_group: Any) -> None:
    async def scenario(lives: list[FakeLive], address: str, outside: str, invited: list[Invitation]) -> None:
        token = await enter(outside, invited[1].code)
        _, cookie, told = await pair(outside, invited[3].code, token["Cookie"])
        assert told == {"place": "/athlete?seat=4"}
        with pytest.raises(InvalidStatus):
            await sit_outside(outside, "?seat=2", token)
        async with sit_outside(outside, "?seat=4", {"Cookie": cookie.split(";")[0]}) as page:
            assert (await told_of(page))[1] == "A04"

    share_group(scenario)
