"""What a board is told when its port is opened, and when it is told once more: with a port and a clock made by hand."""

from __future__ import annotations

from typing import Any

import pytest

from biofeedback.acquisition import serial_source
from biofeedback.acquisition.codecs import compute_crc16
from biofeedback.acquisition.packets import PacketLayout
from biofeedback.acquisition.profile import Profile
from biofeedback.acquisition.serial_source import SerialSource
from biofeedback.errors import SourceError
from biofeedback.model import Channel

FORCE = Channel(name="force", kind="force", unit="N")
INFO = b"#info proto=1 fw=1 id=A1 rate=100 columns=seq,force rails=0..1023 send=text lost=0"
LINES = b"".join(b"%d,%d\n" % (k, 5 * k) for k in range(10))


class Desk:
    """A clock that runs while somebody sleeps, and a port that notes what is written to it and when it is read."""

    timeout = 0

    def __init__(self, monkeypatch: pytest.MonkeyPatch, coming: list[bytes]) -> None:
        self.time_s, self.coming = 1000.0, coming
        self.log: list[bytes] = []  # what was written; b"" for reads
        monkeypatch.setattr(serial_source, "open_port", lambda *_, **__: self)
        monkeypatch.setattr(serial_source, "identify_port", lambda path: None)

    def sleep(self, seconds: float) -> None:
        self.time_s += seconds

    def read(self, most: int) -> bytes:
        self.log.append(b"")
        return self.coming.pop(0) if self.coming else b""

    def write(self, data: bytes) -> None:
        self.log.append(data)

    def close(self) -> None:
        self.log.append(b"closed")

    def written(self) -> list[bytes]:
        return [data for data in self.log if data]

    def make_source(self, **says: Any) -> SerialSource:
        facts: dict[str, Any] = {"channels": (FORCE,), "columns": ("seq", "force"), "rate_hz": 100.0} | says
        profile = Profile(name="made", title="", transport="serial", **facts)
        return SerialSource("made", profile, url="serial:made", clock=lambda: self.time_s, sleep=self.sleep)


@pytest.mark.parametrize(("start", "told"), [(b"go\n", [b"\ngo\n"]), (None, [])])
def test_a_board_that_talks_already_is_told_to_start_before_it_is_heard(
    monkeypatch: pytest.MonkeyPatch, start: bytes | None, told: list[bytes]
) -> None:
    """It may be sending in another way than wanted; the line end before frees the command from what came before."""
    desk = Desk(monkeypatch, [LINES])
    source = desk.make_source(start=start)
    source.open()
    assert desk.log == [*told, b""]
    assert source.read() == LINES


def test_a_board_that_is_asked_is_stopped_asked_and_started_in_this_order(monkeypatch: pytest.MonkeyPatch) -> None:
    answer = b"\n%b,%d\n" % (INFO, compute_crc16(INFO))
    lines = b"".join(b"%b,%d\n" % (line, compute_crc16(line)) for line in LINES.split())
    desk = Desk(monkeypatch, [answer, lines])
    source = desk.make_source(info=b"info\n", start=b"go\n", stop=b"stop\n")
    source.open()
    assert desk.log == [b"\nstop\ninfo\n", b"", b"\ngo\ninfo\n", b""]
    assert source.board_id == "A1"


PACKETS = PacketLayout(framing="cobs", frame=(("force", "u16"),), n_frames=10)
SYNCED = PacketLayout(framing="sync", sync=b"\xaa\x55", frame=(("force", "u16"),), n_frames=1)


# the packets, what marks one, and what is no mark there
KINDS = [(None, b"\n", b"\0"), (PACKETS, b"\0", b"\n"), (SYNCED, b"\xaa\x55", b"\n\0\xaa")]


@pytest.mark.parametrize("kind", KINDS)
@pytest.mark.parametrize(
    ("waited_s", "is_whole", "is_told"), [(0.49, False, False), (0.51, False, True), (0.51, True, False)]
)
def test_half_a_second_without_what_marks_a_line_or_packet_and_it_is_told_again(
    monkeypatch: pytest.MonkeyPatch,
    waited_s: float,
    is_whole: bool,
    is_told: bool,
    kind: tuple[PacketLayout | None, bytes, bytes],
) -> None:
    packets, mark, other = kind
    desk = Desk(monkeypatch, [LINES])
    source = desk.make_source(start=b"go\n")
    source.open()
    assert source.read() == LINES  # heard now, at this moment
    source.profile = desk.make_source(start=b"go\n", packets=packets).profile
    desk.log.clear()
    desk.time_s += waited_s - serial_source.LINE_S  # a read waits that long
    sent = b"1" + (mark if is_whole else other) + b"2"
    desk.coming = [sent, b"3"]
    assert source.read() == sent
    assert desk.written() == [b"\ngo\n"] * is_told
    assert source.read() == b"3"
    assert desk.written() == [b"\ngo\n"] * is_told, "and then no more for another half second"


def test_a_board_that_nobody_has_to_start_is_told_nothing_however_long_it_is_silent(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    desk = Desk(monkeypatch, [LINES])
    source = desk.make_source()
    source.open()
    for _ in range(40):
        source.read()
    assert desk.time_s > 1001.0
    assert desk.written() == []


def test_a_port_where_nothing_comes_is_let_go_of(monkeypatch: pytest.MonkeyPatch) -> None:
    desk = Desk(monkeypatch, [])
    with pytest.raises(SourceError, match="no data from made within 3 s"):
        desk.make_source().open()
    assert 1003.0 < desk.time_s < 1003.2
    assert desk.log[-1] == b"closed"


@pytest.mark.parametrize(("is_open", "cure"), [(True, "recording continues by itself"), (False, "then try again")])
def test_a_port_that_goes_is_waited_for_once_there_was_something(
    monkeypatch: pytest.MonkeyPatch, is_open: bool, cure: str
) -> None:
    desk = Desk(monkeypatch, [LINES] if is_open else [])
    source = desk.make_source()
    if is_open:
        source.open()
        source.read()
    else:
        source.connect()

    def go(most: int) -> bytes:
        raise OSError("no such device")

    monkeypatch.setattr(desk, "read", go)
    with pytest.raises(SourceError, match=cure):
        source.read()
    assert desk.log[-1] == b"closed"
