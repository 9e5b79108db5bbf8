"""Boards on the network, over the loop-back interface: every address of 127.0.0.0/8 is this computer (RFC 1122)."""

import itertools
import socket
import sys
import threading
import time

import pytest

from biofeedback.acquisition import described_source, udp_source
from biofeedback.acquisition.reader import Reader
from biofeedback.acquisition.sources import open_source
from biofeedback.errors import SourceError
from biofeedback.model import Chunk, Gap, Note

from .listening import n_frames, read_until, rows

pytestmark = pytest.mark.skipif(sys.platform == "darwin", reason="macOS has only 127.0.0.1")


@pytest.fixture
def port():
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as probe:
        probe.bind(("127.0.0.1", 0))
        return probe.getsockname()[1]


class Board:
    """Sends line k at k / rate, ``together`` of them in a datagram; holds them back while ``stalled``."""

    def __init__(self, port, *, address="127.0.0.1", rate_hz=100, line="{k},{k}5", together=1, end="", first=0):
        self.to, self.rate_hz, self.line, self.together, self.end = ("127.0.0.1", port), rate_hz, line, together, end
        self.stalled, self.over, self.first = False, threading.Event(), first
        self.socket = socket.socket(socket.AF_INET, socket.SOCK_DGRAM)
        self.socket.bind((address, 0))
        self.thread = threading.Thread(target=self.run, daemon=True)
        self.thread.start()

    def run(self):
        started_s, waiting = time.monotonic(), []
        for k in itertools.count():
            if self.over.wait(max(0.0, started_s + k / self.rate_hz - time.monotonic())):
                return
            waiting.append(self.line.format(k=self.first + k))
            while not self.stalled and len(waiting) >= self.together:
                self.socket.sendto(("\n".join(waiting[: self.together]) + self.end).encode(), self.to)
                del waiting[: self.together]

    def stop(self):
        self.over.set()
        self.thread.join()
        self.socket.close()


@pytest.fixture
def make_board(port):
    boards = []

    def make(**options):
        boards.append(Board(port, **options))
        return boards[-1]

    yield make
    for board in boards:
        board.stop()


@pytest.fixture
def opened():
    sources = []

    def open_one(url):
        source = open_source(url)
        sources.append(source)
        source.open()
        return source, Reader(source)

    yield open_one
    for source in sources:
        source.close()


def force(items):
    return [row[0] for row in rows(items)]


@pytest.mark.parametrize(("together", "end"), [(1, ""), (1, "\r\n"), (5, ""), (5, "\n")])
def test_lines_arrive_in_order_without_a_gap(port, make_board, opened, together, end):
    make_board(together=together, end=end)
    source, reader = opened(f"udp:127.0.0.1:{port}?rate=100&channels=force&columns=seq,force")
    items = read_until(reader, lambda items: n_frames(items) >= 60)
    assert not [item for item in items if isinstance(item, Gap)]
    values = force(items)
    assert values == [int(f"{int(values[0]) // 10 + i}5") for i in range(len(values))]
    assert (reader.device_id, reader.n_bad_lines, reader.trouble) == ("127.0.0.1", 0, "")
    assert source.description == f"board at 127.0.0.1, UDP port {port}"


def test_the_rate_is_measured_and_the_layout_understood(port, make_board, opened):
    make_board(line="F: {k} N", rate_hz=50)
    source, reader = opened(f"udp:{port}?channels=force:N")
    assert source.rate_hz == 50
    assert n_frames(read_until(reader, lambda items: n_frames(items) >= 20)) >= 20


def test_the_profile_for_such_boards_takes_time_and_number(port, make_board, opened):
    make_board(line="{k},{k}0000,7", rate_hz=100)
    source, reader = opened(f"udp:{port}?profile=wifi-lines")
    items = read_until(reader, lambda items: n_frames(items) >= 20)
    assert [channel.name for channel in source.channels] == ["force"]
    assert all(item.device_us is not None for item in items if isinstance(item, Chunk))


def test_of_two_senders_the_first_is_taken_and_the_other_told_by_its_address(port, make_board, opened):
    make_board()
    source, reader = opened(f"udp:127.0.0.1:{port}?rate=100&channels=force&columns=seq,force")
    make_board(address="127.0.0.2", first=5_000_000)
    items = read_until(reader, lambda items: n_frames(items) >= 80)
    assert max(force(items)) < 100_000
    assert not [item for item in items if isinstance(item, Gap)]
    assert reader.trouble.startswith(f"127.0.0.2 sends to UDP port {port} too; only 127.0.0.1 is taken")
    assert sum("127.0.0.2 sends" in item.text for item in items if isinstance(item, Note)) == 1
    assert source.device_id == "127.0.0.1"


def test_one_that_is_named_is_waited_for(port, make_board, opened):
    make_board()
    make_board(address="127.0.0.2", first=5_000_000)
    _, reader = opened(f"udp:127.0.0.1:{port}?rate=100&channels=force&columns=seq,force&from=127.0.0.2")
    items = read_until(reader, lambda items: n_frames(items) >= 30)
    assert min(force(items)) >= 5_000_000
    assert reader.device_id == "127.0.0.2"


def test_a_board_under_another_address_takes_over_after_a_silence_and_is_another_device(
    port, make_board, opened, monkeypatch
):
    monkeypatch.setattr(udp_source, "SUCCEEDS_S", 0.4)
    first = make_board()
    _, reader = opened(f"udp:127.0.0.1:{port}?rate=100&channels=force&columns=seq,force")
    read_until(reader, lambda items: n_frames(items) >= 20)
    first.stop()
    make_board(address="127.0.0.3", first=7_000_000)
    items = read_until(reader, lambda items: any(value >= 7_000_000 for value in force(items)))
    items += read_until(reader, lambda items: n_frames(items) >= 5)
    assert reader.device_id == "127.0.0.3"
    assert any("device 127.0.0.3 answers instead of 127.0.0.1" in i.text for i in items if isinstance(i, Note))


def test_a_stall_of_the_network_that_ends_in_a_burst_costs_nothing(port, make_board, opened):
    board = make_board(line="{k}")
    _, reader = opened(f"udp:127.0.0.1:{port}?rate=100&channels=force")
    items = read_until(reader, lambda items: n_frames(items) >= 50)
    board.stalled = True
    items += read_until(reader, lambda items: reader.trouble)
    assert reader.trouble.startswith("no data")
    time.sleep(0.4)
    board.stalled = False
    items += read_until(reader, lambda items: n_frames(items) >= 100)
    assert not [item for item in items if isinstance(item, Gap)]
    values = force(items)
    assert values == [values[0] + k for k in range(len(values))]
    assert reader.trouble == ""


def test_nothing_that_comes_is_told_with_where_to_send_it(port, monkeypatch):
    monkeypatch.setattr(described_source, "NO_DATA_S", 0.2)
    with pytest.raises(SourceError, match=rf"no data from UDP port {port}.*let the board send to .*, port {port}"):
        open_source(f"udp:{port}?channels=force").open()


def test_a_port_that_is_taken_is_told(port):
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as other:
        other.bind(("127.0.0.1", port))
        with pytest.raises(SourceError, match=f"UDP port {port} cannot be used"):
            open_source(f"udp:127.0.0.1:{port}?channels=force").open()


@pytest.mark.parametrize("target", ["", "0", "70000", "board", "127.0.0.1:", "4210x"])
def test_a_port_that_is_none_is_told(target):
    with pytest.raises(SourceError, match="does not name a port"):
        open_source(f"udp:{target}?channels=force")


def test_a_profile_of_another_wire_is_told():
    with pytest.raises(SourceError, match="is for serial"):
        open_source("udp:4210?profile=load-cell-text")


def test_any_bytes_in_datagrams_of_any_size_are_survived(port, opened, make_board):
    make_board()
    _, reader = opened(f"udp:127.0.0.1:{port}?rate=100&channels=force&columns=seq,force")
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as hostile:
        hostile.bind(("127.0.0.1", 0))
        for data in (b"", b"\0" * 60_000, b"1," * 30_000, b"\xff\n" * 100, b"-" * 9000):
            hostile.sendto(data, ("127.0.0.1", port))
    items = read_until(reader, lambda items: n_frames(items) >= 50)
    assert n_frames(items) >= 50
