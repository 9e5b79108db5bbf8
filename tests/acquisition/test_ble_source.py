"""The real bleak, its real BlueZ backend and a real D-Bus; only the Bluetooth service itself is ours."""

import shutil
import struct
import sys
import threading

import pytest
from bleak import BleakScanner

from biofeedback.acquisition.codecs import compute_crc16
from biofeedback.acquisition.profiles import load_profile
from biofeedback.acquisition.reader import Reader
from biofeedback.acquisition.scan import scan_radios
from biofeedback.acquisition.sources import open_source
from biofeedback.errors import SourceError
from biofeedback.model import Chunk, Gap, Note

if sys.platform != "linux" or shutil.which("dbus-daemon") is None:
    pytest.skip("needs Linux and Debian's dbus-daemon", allow_module_level=True)

import itertools

from .fake_bluez import FakeBluez, Peripheral, private_system_bus
from .listening import radio_packet as packet
from .listening import read_until, rows


@pytest.fixture(scope="module")
def system_bus(tmp_path_factory):
    with private_system_bus(tmp_path_factory.mktemp("bus")):
        yield


@pytest.fixture(autouse=True)
def less_patience(monkeypatch, request):
    nobody = request.node.originalname in ("test_nobody_there", "test_another_name")  # waits to the end
    monkeypatch.setattr("biofeedback.acquisition.ble_source.SCAN_S", 0.1 if nobody else 0.5)
    monkeypatch.setattr("biofeedback.acquisition.ble_source.OPEN_S", 0.3 if nobody else 1.5)


@pytest.fixture
def make_peripheral(system_bus):
    running = []

    def make(profile_name, **options):
        radio = load_profile(profile_name).radio
        peripheral = Peripheral(radio.service, radio.data, radio.command, **options)
        running.append(FakeBluez(peripheral).__enter__())
        return peripheral

    yield make
    for bluez in running:
        bluez.__exit__()


@pytest.fixture
def opened():
    sources = []

    def open_url(url):
        source = open_source(url)
        sources.append(source)
        source.open()
        return source, Reader(source)

    yield open_url
    for source in sources:
        source.close()


def test_packets_arrive_in_order_after_the_start_command(make_peripheral, opened):
    board = make_peripheral("frame-radio")
    source, reader = opened("ble:board?profile=frame-radio&channels=force:N*0.01")
    assert board.commands == [b"start binary\n"]
    assert source.description == "board (AA:BB:CC:DD:EE:01)"
    assert source.channels[1].unit == "N"
    for seq in range(0, 600, 3):
        board.notify(packet(seq, *[(seq + i, -seq - i) for i in range(3)]))
    items = read_until(reader, lambda items: len(rows(items)) == 600)
    assert rows(items) == [[k, -k] for k in range(600)]
    assert not [item for item in items if isinstance(item, Gap)]
    assert (source.n_dropped, reader.n_bad_lines) == (0, 0)


def test_nameless_board(make_peripheral, opened):
    make_peripheral("frame-radio", name="")
    source, _ = opened("ble:?profile=frame-radio")
    assert source.description == "sensor (AA:BB:CC:DD:EE:01)"


def test_lost_packets_are_a_gap_of_their_length(make_peripheral, opened):
    board = make_peripheral("frame-radio")
    _, reader = opened("ble:?profile=frame-radio")
    board.notify(packet(65534, (1, 1), (2, 2)))
    board.notify(packet(5, (3, 3), (4, 4)))  # over the wrap of the sequence number
    items = read_until(reader, lambda items: len(rows(items)) == 4)
    assert [(item.first_frame, item.n_frames) for item in items] == [(0, 2), (2, 5), (7, 2)]


def test_corrupt_packet_and_words(make_peripheral, opened):
    board = make_peripheral("frame-radio")
    _, reader = opened("ble:?profile=frame-radio")
    words = b"#ok start binary"
    board.notify(words + struct.pack("<H", compute_crc16(words)))
    board.notify(packet(0, (1, 1)))
    board.notify(packet(1, (2, 2))[:-1] + b"\x00")
    board.notify(packet(2, (3, 3)))
    items = read_until(reader, lambda items: len(rows(items)) == 2)
    assert items[0] == Note(0, "#ok start binary")
    assert [type(item) for item in items[1:]] == [Chunk, Gap, Chunk]
    assert reader.n_bad_lines == 1


def test_link_is_lost_and_found_again(make_peripheral, opened):
    board = make_peripheral("frame-radio")
    _, reader = opened("ble:?profile=frame-radio")
    board.notify(packet(0, *[(k, k) for k in range(30)]))
    read_until(reader, lambda items: len(rows(items)) == 30)
    board.connect_errors[:] = ["le-connection-abort-by-remote", "le-connection-abort-by-remote"]
    board.drop_link()
    lost = read_until(reader, lambda _: reader.is_lost)
    assert "the radio link to board (AA:BB:CC:DD:EE:01) is lost" in reader.trouble
    found = read_until(reader, lambda _: not reader.is_lost)
    assert board.n_connections == 2
    assert board.commands == [b"start binary\n"] * 2
    board.notify(packet(0, *[(k, k) for k in range(30)]))  # it restarts
    back = read_until(reader, lambda items: len(rows(items)) == 30)
    covered = [item for item in lost + found + back if not isinstance(item, Note)]
    assert covered[0].first_frame == 30
    assert all(a.end_frame == b.first_frame for a, b in itertools.pairwise(covered))
    assert "the sensor is back" in [item.text for item in found if isinstance(item, Note)]


def test_out_of_range_and_back(make_peripheral, opened):
    board = make_peripheral("frame-radio")
    _, reader = opened("ble:?profile=frame-radio")
    board.is_near = False
    board.drop_link()
    read_until(reader, lambda _: reader.is_lost)
    board.is_near = True
    read_until(reader, lambda _: not reader.is_lost)


def test_a_fault_of_the_library_is_one_more_failed_try(make_peripheral, opened, monkeypatch):
    board = make_peripheral("frame-radio")
    _, reader = opened("ble:?profile=frame-radio")
    find, faults = BleakScanner.find_device_by_filter, [KeyError("/org/bluez/hci0/dev"), AssertionError()]

    async def fail_at_first(*args, **options):
        if faults:
            raise faults.pop()
        return await find(*args, **options)

    monkeypatch.setattr(BleakScanner, "find_device_by_filter", fail_at_first)
    board.drop_link()
    read_until(reader, lambda _: reader.is_lost)
    read_until(reader, lambda _: not reader.is_lost)
    assert not faults


def test_an_address_may_be_typed_in_small_letters(make_peripheral, opened):
    make_peripheral("frame-radio")
    source, _ = opened("ble:aa:bb:cc:dd:ee:01?profile=frame-radio")
    assert source.device_id == "AA:BB:CC:DD:EE:01"


def test_silent_link_is_taken_for_lost(make_peripheral, opened, monkeypatch):
    """A Bluetooth service that has crashed tells nobody."""
    monkeypatch.setattr("biofeedback.acquisition.ble_source.WATCHDOG_S", 0.3)
    board = make_peripheral("frame-radio")
    _, reader = opened("ble:?profile=frame-radio")
    read_until(reader, lambda _: reader.is_lost)
    read_until(reader, lambda _: not reader.is_lost)
    assert board.n_connections >= 2


def test_text_lines_in_pieces_over_the_uart_service(make_peripheral, opened):
    board = make_peripheral("uart-radio")
    _, reader = opened("ble:board?profile=uart-radio&channels=force:N*0.1&rate=10")
    for piece in (b"0\n12", b"3\n4", b"5", b"6\nx", b"\n7\n"):
        board.notify(piece)
    items = read_until(reader, lambda items: rows(items)[-1:] == [[7.0]])
    assert rows(items) == [[123.0], [456.0], [7.0]]  # what precedes the first line end is a fragment
    assert [item.n_frames for item in items if isinstance(item, Gap)] == [1]


def test_weight_scale_indicates(make_peripheral, opened):
    scale = make_peripheral("weight-scale", data_flag="indicate", name="scale")
    source, reader = opened("ble:scale?profile=weight-scale")
    for value in ("00 00 00", "00 A4 38", "00 FF FF", "01 10 27"):
        scale.notify(bytes.fromhex(value))
    items = read_until(reader, lambda items: len(rows(items)) == 3)
    newton = [source.channels[0].scaled(row[0]) for row in rows(items)]
    assert newton == pytest.approx([0.0, 72.5 * 9.80665, 45.359237 * 9.80665], rel=1e-7)
    assert [item.n_frames for item in items if isinstance(item, Gap)] == [1]


def test_scan_tells_which_profiles_fit(make_peripheral):
    make_peripheral("frame-radio")
    [seen] = scan_radios(seconds=0.3)
    assert (seen.name, seen.address, seen.profiles) == ("board", "AA:BB:CC:DD:EE:01", ("frame-radio", "uart-radio"))


def test_nobody_there(make_peripheral, opened):
    make_peripheral("frame-radio", is_near=False)
    with pytest.raises(SourceError, match=r"no Bluetooth device that fits profile frame-radio .*; switch it on"):
        opened("ble:?profile=frame-radio")


def test_another_name(make_peripheral, opened):
    make_peripheral("frame-radio")
    with pytest.raises(SourceError, match="no Bluetooth device other that fits"):
        opened("ble:other?profile=frame-radio")


def test_bluetooth_is_off(make_peripheral, opened):
    board = make_peripheral("frame-radio")
    board.bluez.call(board.bluez.switch_power, False)
    with pytest.raises(SourceError, match="Bluetooth is off or missing; switch it on"):
        opened("ble:?profile=frame-radio")


def test_no_bluetooth_service_at_all(system_bus, opened):
    with pytest.raises(SourceError, match="the Bluetooth service of this computer does not answer; start it"):
        opened("ble:?profile=frame-radio")


def test_threads_end_with_the_source(make_peripheral, opened):
    make_peripheral("frame-radio")
    source, _ = opened("ble:?profile=frame-radio")
    source.close()
    assert "ble" not in [thread.name for thread in threading.enumerate()]


@pytest.mark.parametrize(
    ("url", "says"),
    [
        ("ble:board", "add profile="),
        ("ble:board?profile=frame-lines", "write serial:"),
        ("ble:board?profile=frame-radio&baud=9600", "has no option 'baud'"),
    ],
)
def test_url_mistakes(url, says):
    with pytest.raises(SourceError, match=says):
        open_source(url)
