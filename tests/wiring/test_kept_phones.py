"""Athletes' phones stay paired to their seats over a restart, for the evening; no more than hashes are on the disk."""

from __future__ import annotations

import argparse
import asyncio
import json
import os
import sys
import time
from collections.abc import Sequence
from pathlib import Path
from typing import Any

import pytest

from biofeedback.commands import forget
from biofeedback.errors import SessionError
from biofeedback.web.pairing import COACH, EVENING_S, Right
from biofeedback.web.server import open_page
from biofeedback.web.sharing import Sharing
from biofeedback.wiring import kept_phones
from biofeedback.wiring.kept_phones import PHONES_FILE, SECRET_FILE, PhoneKeeper, find_keeper

from ..web.fake_live import FakeLive
from ..web.test_server import fetch
from ..web.test_sharing import OUTSIDE, pair, pretend_network

PHONE = "192.0.2.7"
FIRST, SECOND = Right("athlete", 1), Right("athlete", 2)


class Evening:
    """A computer with a clock that its tests turn; ``start`` is the program started again."""

    def __init__(self, folder: Path) -> None:
        self.folder, self.now_s = folder, 1_800_000_000.0

    def start(self, *athletes: str) -> Sharing:
        keeper = find_keeper(self.folder, lambda: self.now_s)
        assert keeper is not None
        return Sharing("http://192.0.2.1:8765", athletes, lambda: self.now_s - 1_799_999_000.0, keeper=keeper)

    def join(self, sharing: Sharing, right: Right, address: str = PHONE, earlier: str | None = None) -> str:
        code = sharing.invite(right).code
        cookie = sharing.reply_to_code(code, address=address, earlier=earlier).headers["set-cookie"]
        return cookie.partition("=")[2].partition(";")[0]

    def find(self, sharing: Sharing, token: str, address: str = PHONE) -> Right | None:
        device = sharing.pairing.find_device(token, address, sharing._clock())
        return device.right if device else None


@pytest.fixture
def evening(tmp_path: Path) -> Evening:
    if sys.platform == "win32":
        pytest.skip("permissions are told otherwise there")
    return Evening(tmp_path)


def list_seats(sharing: Sharing) -> list[Any]:
    return [device["seat"] for device in sharing.describe()["devices"]]


def test_a_phone_finds_its_athletes_seat_after_a_restart_wherever_that_seat_is(evening: Evening) -> None:
    token = evening.join(evening.start("A01", "A02"), SECOND)
    again = evening.start("A03", "A01", "a02")
    assert evening.find(again, token) == Right("athlete", 3)
    assert evening.find(again, token, "192.0.2.8") is None  # bound to its address
    assert list_seats(again) == [3]  # listed, and can be sent away
    other = evening.start("A01")
    assert evening.find(other, token) is None  # nobody else's seat
    assert list_seats(other) == []
    assert evening.find(evening.start("A02"), token) == FIRST  # back with its athlete


def test_the_right_ends_with_the_evening_and_a_clock_set_back_makes_it_no_longer(evening: Evening) -> None:
    token = evening.join(evening.start("A01"), FIRST)
    evening.now_s += EVENING_S - 10
    late = evening.start("A01")
    assert evening.find(late, token) == FIRST
    evening.now_s += 11
    assert evening.find(late, token) is None  # the restart gave it no second evening
    assert evening.find(evening.start("A01"), token) is None
    evening.now_s -= 2 * EVENING_S
    assert evening.find(evening.start("A01"), token) is None


def test_who_is_sent_away_stays_away_and_all_means_also_those_who_are_not_here(evening: Evening) -> None:
    first = evening.start("A01", "A02")
    tokens = [evening.join(first, right) for right in (FIRST, SECOND)]
    again = evening.start("A01", "A02")
    again.revoke(1)
    assert [evening.find(evening.start("A01", "A02"), token) for token in tokens] == [None, SECOND]
    evening.start("A09").revoke()
    assert [evening.find(evening.start("A01", "A02"), token) for token in tokens] == [None, None]


def test_phones_of_who_has_no_seat_tonight_are_listed_and_end_one_by_one(evening: Evening) -> None:
    first = evening.start("A01", "A02", "A03")
    tokens = [evening.join(first, Right("athlete", seat)) for seat in (1, 2, 3)]
    keeper = find_keeper(evening.folder, lambda: evening.now_s, athletes=["a02"])
    tonight = Sharing("http://192.0.2.1:8765", ["A01"], lambda: evening.now_s, keeper=keeper)
    evening.now_s += 3600
    seated, absent = tonight.describe()["devices"], tonight.describe()["absent"]
    assert [one["athlete"] for one in seated] == ["A01"]
    assert [(one["athlete"], one["left_s"]) for one in absent] == [("a02", EVENING_S - 3600), ("", EVENING_S - 3600)]
    assert len({one["number"] for one in (*seated, *absent)}) == 3
    evening.join(tonight, FIRST)  # whatever else happens, each keeps its number
    assert [one["number"] for one in tonight.describe()["absent"]] == [one["number"] for one in absent]
    tonight.request_revocation(absent[0]["number"], by=2)  # any coach's device sends athletes away
    assert [one["number"] for one in tonight.describe()["absent"]] == [absent[1]["number"]]
    again = evening.start("A01", "A02", "A03")
    assert [evening.find(again, token) for token in tokens] == [FIRST, None, Right("athlete", 3)]
    with pytest.raises(SessionError, match="not joined any more"):
        tonight.revoke(absent[0]["number"])
    evening.now_s += EVENING_S
    assert tonight.describe()["absent"] == []


def test_forgetting_an_athlete_forgets_their_phones_and_nobody_elses(
    evening: Evening, capsys: pytest.CaptureFixture[str]
) -> None:
    evening.now_s = time.time()
    first = evening.start("A01", "A02")
    tokens = [evening.join(first, right) for right in (FIRST, SECOND)]
    parser = argparse.ArgumentParser()
    forget.add_arguments(parser)
    assert forget.run(parser.parse_args(["a01", "--folder", str(evening.folder), "--yes"])) == 0
    assert "1 phone will not find the seat again" in capsys.readouterr().out
    (row,) = json.loads((evening.folder / PHONES_FILE).read_text())
    keeper = find_keeper(evening.folder)
    assert keeper is not None
    assert row["whose"] == keeper.name("A02")
    assert [evening.find(evening.start("A01", "A02"), token) for token in tokens] == [None, SECOND]


def test_a_phone_that_joins_again_swaps_its_right_and_a_coachs_is_never_kept(evening: Evening) -> None:
    old = evening.join(evening.start("A01"), FIRST)
    other = evening.start("A02")
    new = evening.join(other, FIRST, earlier=old)
    coach = evening.join(other, COACH)
    assert evening.find(evening.start("A01"), old) is None
    again = evening.start("A02")
    assert (evening.find(again, new), evening.find(again, coach)) == (FIRST, None)


def test_only_hashes_are_on_the_disk_for_nobody_else_to_read(evening: Evening) -> None:
    token = evening.join(evening.start("A01"), FIRST)
    for name in (SECRET_FILE, PHONES_FILE):
        path = evening.folder / name
        assert path.stat().st_mode & 0o777 == 0o600
        assert token not in path.read_text()
        assert "A01" not in path.read_text()


@pytest.mark.parametrize("change", [{"address": "192.0.2.8"}, {"until_s": 9e9}, {"whose": "0" * 64}, {"proof": 3}])
def test_a_row_that_somebody_changed_is_nobodys(evening: Evening, change: dict[str, Any]) -> None:
    token = evening.join(evening.start("A01"), FIRST)
    path = evening.folder / PHONES_FILE
    (row,) = json.loads(path.read_text())
    path.write_text(json.dumps([row | change, 3, None, {}]))
    again = evening.start("A01")
    assert [evening.find(again, token, address) for address in (PHONE, "192.0.2.8")] == [None, None]
    assert list_seats(again) == []


def test_a_secret_that_others_could_read_is_thrown_away_with_every_right(evening: Evening) -> None:
    token = evening.join(evening.start("A01"), FIRST)
    os.chmod(evening.folder / SECRET_FILE, 0o640)
    assert evening.find(evening.start("A01"), token) is None
    assert (evening.folder / SECRET_FILE).stat().st_mode & 0o077 == 0


def test_where_everybody_can_read_all_files_no_secret_stays(evening: Evening, monkeypatch: pytest.MonkeyPatch) -> None:
    def save_openly(path: Path, text: str) -> None:
        path.write_text(text)
        path.chmod(0o644)

    monkeypatch.setattr(kept_phones, "save_text", save_openly)
    assert find_keeper(evening.folder) is None
    assert list(evening.folder.iterdir()) == []


@pytest.mark.parametrize("text", ["", "{", "{}", "[1]", "[" * 100_000])
def test_a_damaged_file_is_no_obstacle(evening: Evening, text: str) -> None:
    (evening.folder / PHONES_FILE).write_text(text)
    token = evening.join(evening.start("A01"), FIRST)
    assert evening.find(evening.start("A01"), token) == FIRST


def test_a_folder_that_is_gone_takes_no_session_with_it(tmp_path: Path) -> None:
    keeper = PhoneKeeper(tmp_path / "gone" / "deep", b"x" * 32)
    (tmp_path / "gone").write_text("a file where the folder was")
    keeper.save([])
    assert keeper.load() == []
    assert find_keeper(tmp_path / "gone") is None


def test_over_the_network_the_same_cookie_opens_the_seat_of_the_next_program(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    pretend_network(monkeypatch)

    async def run(port: int, cookie: str, *, codes: Sequence[Any] = ()) -> tuple[int, str, int]:
        invited: list[Any] = []
        options: dict[str, Any] = {"share": invited.extend, "keeper": find_keeper(tmp_path)}
        async with open_page(FakeLive(), port=port, **options) as address:
            port = int(address.rstrip("/").rpartition(":")[2])
            outside = f"http://{OUTSIDE}:{port}/"
            if not cookie:
                _, told, _ = await pair(outside, invited[0].code)
                cookie = told.partition(";")[0]
            status, _, _ = await fetch(outside, "/athlete", {"Cookie": cookie})
            return port, cookie, status

    port, cookie, status = asyncio.run(run(0, ""))
    assert status == 200
    assert asyncio.run(run(port, cookie))[2] == 200
    (tmp_path / PHONES_FILE).unlink()
    assert asyncio.run(run(port, cookie))[2] == 303  # a stranger is sent to where codes are typed
