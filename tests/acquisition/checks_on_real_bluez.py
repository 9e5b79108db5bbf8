"""Run inside the emulated machine: unmodified source, bleak, bluetoothd, kernel; only the air is bumble's.

What ``test_ble_source.py`` shows on our own Bluetooth service, shown where nothing of the service is ours.
"""

import itertools
import subprocess
import sys
import time
from pathlib import Path

import pytest

from biofeedback.acquisition import ble_source
from biofeedback.acquisition.reader import Reader
from biofeedback.acquisition.scan import scan_radios
from biofeedback.acquisition.sources import open_source
from biofeedback.model import Chunk, Gap, Note

from .emulated_machine import BLUETOOTHD
from .listening import read_until, rows

RADIO = "ble:pull?profile=frame-radio&rate=480"
CONNECTION_TIMEOUT, REMOTE_USER_TERMINATED = 0x08, 0x13  # HCI error codes (Core Specification, volume 1, part F)


class RadioProcess:
    def __init__(self):
        command = [sys.executable, str(Path(__file__).with_name("radio_board.py"))]
        self.process = subprocess.Popen(command, stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True)
        assert self.process.stdout.readline() == "on air\n"

    def tell(self, order="tell"):
        """Give an order; number of connections and start commands so far, and of connections now."""
        self.process.stdin.write(order + "\n")
        self.process.stdin.flush()
        return tuple(map(int, self.process.stdout.readline().split()))

    def stop(self):
        self.process.kill()
        self.process.communicate()


def start_bluetoothd():
    with Path("/tmp/bluetoothd.log").open("ab") as log:
        return subprocess.Popen([BLUETOOTHD, "-n"], stdout=log, stderr=log)


def switch_on():
    for _ in range(50):
        done = subprocess.run(["bluetoothctl", "power", "on"], capture_output=True, text=True, timeout=20, check=False)
        if "succeeded" in done.stdout:
            return
        time.sleep(0.2)
    raise AssertionError(done.stdout + done.stderr)


@pytest.fixture(scope="module")
def service():
    running = [start_bluetoothd()]
    yield running
    running[-1].kill()
    running[-1].wait()


@pytest.fixture(scope="module")
def radio(service):
    radio = RadioProcess()
    switch_on()
    yield radio
    radio.stop()


@pytest.fixture
def board(radio):
    radio.tell("send packets")
    for _ in range(100):
        if not radio.tell()[2]:
            return radio
        time.sleep(0.1)
    raise AssertionError("the computer still holds the link")


@pytest.fixture
def opened():
    sources = []

    def open_url(url):
        begin_s = time.monotonic()
        source = open_source(url)
        sources.append(source)
        source.open()
        print(f"opened in {time.monotonic() - begin_s:.1f} s: {source.description}")
        return source, Reader(source)

    yield open_url
    for source in sources:
        begin_s = time.monotonic()
        source.close()
        print(f"closed in {time.monotonic() - begin_s:.1f} s")


def read_for(reader, seconds):
    end_s = time.monotonic() + seconds
    return read_until(reader, lambda _: time.monotonic() > end_s, most=100_000)


def check_places(items):
    """Every frame says its own number: where it lies must agree, over gaps of any length."""
    placed = [item for item in items if not isinstance(item, Note)]
    assert all(a.end_frame == b.first_frame for a, b in itertools.pairwise(placed))
    chunks = [item for item in placed if isinstance(item, Chunk)]
    first = chunks[0].counts[0, 1] - chunks[0].first_frame
    for chunk in chunks:
        assert chunk.counts[:, 1].tolist() == [first + k for k in range(chunk.first_frame, chunk.end_frame)]
        assert chunk.counts[:, 0].tolist() == [k % 65536 for k in chunk.counts[:, 1].tolist()]


def test_scan_tells_which_profiles_fit(board):
    [seen] = scan_radios(seconds=3.0)
    print(seen)
    assert seen.address == "F0:F1:F2:F3:F4:F5"
    assert set(seen.profiles) == {"frame-radio", "uart-radio", "weight-scale"}
    assert seen.name == "pull"


def test_80_packets_a_second_arrive_complete(board, opened):
    source, reader = opened(RADIO)
    assert source.device_id == "F0:F1:F2:F3:F4:F5"
    items = read_for(reader, 10.0)
    n = len(rows(items))
    print(f"{n} frames in 10 s, {reader.timeline.measured_rate_hz:.1f} a second")
    assert n == pytest.approx(4800, rel=0.2)  # a busy host slows the emulated board, but nothing may be missing
    assert not [item for item in items if isinstance(item, Gap)]
    check_places(items)
    assert (source.n_dropped, reader.n_bad_lines) == (0, 0)


@pytest.mark.parametrize(
    ("reason", "away_s"), [(CONNECTION_TIMEOUT, 7.0), (REMOTE_USER_TERMINATED, 0.0)], ids=["out of range", "let go"]
)
def test_link_is_lost_and_found_again(board, opened, reason, away_s):
    """7 s is longer than one scan: the first finds nobody, the next begins after the back-off."""
    assert ble_source.SCAN_S < 7.0
    before = board.tell()
    source, reader = opened(RADIO)
    items = read_for(reader, 3.0)
    board.tell(f"lose {reason} {away_s}")
    items += read_until(reader, lambda _: reader.is_lost)
    assert "the radio link to pull (F0:F1:F2:F3:F4:F5) is lost" in reader.trouble
    items += read_until(reader, lambda _: not reader.is_lost)
    items += read_for(reader, 3.0)
    missing = sum(item.n_frames for item in items if isinstance(item, Gap))
    assert [item.text for item in items if isinstance(item, Note)].count("the sensor is back") == 1
    print(f"{missing} frames missing: {missing / 480:.2f} s, of which {away_s:.1f} s off the air")
    assert away_s * 480 < missing < (away_s + 5.0) * 480
    check_places(items)
    assert isinstance(items[-1], Chunk)
    assert source.n_connects == 2
    assert board.tell() == (before[0] + 2, before[1] + 2, 1)


def test_silent_link_is_taken_for_lost(board, opened):
    source, reader = opened(RADIO)
    items = read_for(reader, 1.0)
    board.tell("send nothing")
    items += read_until(reader, lambda _: reader.is_lost)
    board.tell("send packets")
    items += read_until(reader, lambda items: not reader.is_lost and rows(items))
    check_places(items)
    assert source.n_connects == 2


def test_text_lines_in_pieces_over_the_uart_service(board, opened):
    board.tell("send lines")
    _, reader = opened("ble:pull?profile=uart-radio&rate=80")
    items = read_for(reader, 5.0)
    numbers = [row[0] for row in rows(items)]
    print(f"{len(numbers)} lines in 5 s")
    assert len(numbers) > 300
    assert numbers == [numbers[0] + k for k in range(len(numbers))]
    assert not [item for item in items if isinstance(item, Gap)]
    assert reader.n_bad_lines == 0


def test_weight_scale_indicates(board, opened):
    source, reader = opened("ble:pull?profile=weight-scale")
    board.tell("weigh 000000 00A438 00FFFF 011027")
    items = read_until(reader, lambda items: len(rows(items)) == 3)
    newton = [source.channels[0].scaled(row[0]) for row in rows(items)]
    assert newton == pytest.approx([0.0, 72.5 * 9.80665, 45.359237 * 9.80665], rel=1e-7)
    assert [item.n_frames for item in items if isinstance(item, Gap)] == [1]


def test_crashed_service_is_found_again(board, opened, service):
    source, reader = opened(RADIO)
    items = read_for(reader, 1.0)
    service[-1].kill()
    service[-1].wait()
    begin_s = time.monotonic()
    items += read_until(reader, lambda _: reader.is_lost)
    print(f"noticed after {time.monotonic() - begin_s:.1f} s; watchdog {ble_source.WATCHDOG_S} s")
    service.append(start_bluetoothd())
    switch_on()
    items += read_until(reader, lambda items: not reader.is_lost and rows(items))
    print(f"frames again after {time.monotonic() - begin_s:.1f} s")
    check_places(items)
    assert source.n_connects == 2
