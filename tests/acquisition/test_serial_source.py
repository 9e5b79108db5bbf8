import contextlib
import errno
import itertools
import os
import socket
import struct
import threading
import time
from types import SimpleNamespace

import pytest
import serial
import serial.rfc2217

from biofeedback.acquisition.codecs import compute_crc16, encode_cobs
from biofeedback.acquisition.ports import explain_open_error
from biofeedback.acquisition.reader import Reader
from biofeedback.acquisition.scan import ask_port
from biofeedback.acquisition.sources import open_source
from biofeedback.errors import SourceError
from biofeedback.model import Chunk, Gap, Note

from .listening import n_frames, opened, read_until, rows

pytestmark = pytest.mark.skipif(os.name != "posix", reason="pseudo-terminals are a Unix thing")


def test_frames_arrive_in_order_without_a_gap(pty_device):
    device = pty_device(rate_hz=500, line="{k},{k}5\r\n", greeting=b"\x00\xff\r\nboot v1\r\n")
    source = opened(
        f"serial:{device.path}?rate=500&channels=force,emg&columns=seq,force&baud=115200".replace("force,emg", "force")
    )
    reader = Reader(source)
    items = read_until(reader, lambda items: n_frames(items) >= 300)
    source.close()
    assert not [item for item in items if isinstance(item, Gap)]
    values = [int(value) for item in items if isinstance(item, Chunk) for value in item.counts[:, 0]]
    assert values == [int(f"{values[0] // 10 + i}5") for i in range(len(values))]
    assert Note(0, "boot v1") in items


def test_reads_are_batched(pty_device):
    device = pty_device(rate_hz=1000)
    source = opened(f"serial:{device.path}?rate=1000&channels=force,emg")
    reader = Reader(source)
    reads = 0
    frames = 0
    while frames < 500 and reads <= 75:
        frames += n_frames(reader.read())
        reads += 1
    source.close()
    assert frames >= 500  # 500 ms at 100 wake-ups a second, and room for a busy machine


def test_what_piled_up_before_reading_began_is_left_out(pty_device):
    """A page is chosen and served between opening and reading; a port keeps 4 KiB of that time at least, no more."""
    device = pty_device(rate_hz=1000, line="{k},{k},00000000000000000000\n")
    source = opened(f"serial:{device.path}?rate=1000&channels=force&columns=seq,force,-")
    time.sleep(1.0)
    reader, sent = Reader(source), device.sent
    items = read_until(reader, lambda items: n_frames(items) >= 300)
    source.close()
    assert [item for item in items if isinstance(item, Gap | Note)] == []
    assert next(item for item in items if isinstance(item, Chunk)).counts[0, 0] >= sent


def test_measures_the_rate_when_none_is_given(pty_device):
    device = pty_device(rate_hz=80)
    source = opened(f"serial:{device.path}?channels=force,emg")
    source.close()
    assert source.rate_hz == 80
    assert "80 Hz (measured" in source.description


def test_unplugged_and_back(pty_device):
    device = pty_device(rate_hz=100)
    source = opened(f"serial:{device.path}?rate=100&channels=force&columns=seq,force")
    reader = Reader(source)
    before = read_until(reader, lambda items: n_frames(items) >= 20)
    device.unplug()
    lost = read_until(reader, lambda items: any(isinstance(item, Gap) for item in items))
    assert reader.is_lost
    assert "has gone" in reader.trouble
    device.sent += 100
    device.plug()
    back = read_until(reader, lambda items: n_frames(items) >= 20)
    source.close()
    assert not reader.is_lost
    assert reader.trouble == ""
    items = [item for item in before + lost + back if not isinstance(item, Note)]
    assert all(a.end_frame == b.first_frame for a, b in itertools.pairwise(items))
    assert any(isinstance(item, Note) and item.text == "the sensor is back" for item in back)


def test_plug_put_in_elsewhere_is_found_by_its_serial_number(pty_device, monkeypatch):
    here, there = pty_device(rate_hz=100), pty_device(rate_hz=100)
    present = {"A1": here.path, "B2": there.path}

    def comports():
        same = {"vid": 1, "pid": 2, "hwid": "usb", "description": "board"}
        return [SimpleNamespace(device=path, serial_number=number, **same) for number, path in present.items()]

    monkeypatch.setattr("serial.tools.list_ports.comports", comports)
    source = opened(f"serial:{here.path}?rate=100&channels=force&columns=seq,force")
    reader = Reader(source)
    read_until(reader, lambda items: n_frames(items) >= 10)
    del present["A1"]
    here.unplug()
    read_until(reader, lambda items: any(isinstance(item, Gap) for item in items))
    assert reader.is_lost  # another board does not take its place
    present["A1"] = present.pop("B2")
    read_until(reader, lambda items: n_frames(items) >= 10)
    source.close()


def test_no_data_is_said_within_seconds(pty_device, monkeypatch):
    monkeypatch.setattr("biofeedback.acquisition.described_source.NO_DATA_S", 0.2)
    device = pty_device()
    device.talking = False
    with pytest.raises(SourceError, match=r"no data from .* within 0.2 s; check that the board is on"):
        opened(f"serial:{device.path}?rate=100&channels=force")


@pytest.mark.parametrize(
    ("line", "options"),
    [
        ("Pull force: {k},5 N\r\n", "channels=force:N"),
        ('{{"time": "12:00:00", "force": {k}.5}}\n', "channels=force:N"),
        ("A: 7\nB: {k}.5\n", "channels=emg,force"),
        ("{k},5\n", "channels=force&decimal=comma"),
    ],
)
def test_lines_as_a_maker_prints_them_are_read_without_more_words(pty_device, line, options):
    device = pty_device(rate_hz=200, line=line)
    source = opened(f"serial:{device.path}?rate=200&{options}")
    reader = Reader(source)
    items = read_until(reader, lambda items: n_frames(items) >= 50)
    source.close()
    values = [value for item in items if isinstance(item, Chunk) for value in item.counts[:, -1]]
    assert values == [values[0] + i for i in range(len(values))]
    assert values[0] % 1 == 0.5
    assert reader.n_bad_lines == 0


def test_a_fraction_is_not_taken_for_a_column(pty_device):
    device = pty_device(rate_hz=200, line="{k},05\n")
    with pytest.raises(SourceError, match="the comma looks like that of a fraction"):
        opened(f"serial:{device.path}?rate=200&channels=force,emg")
    with pytest.raises(SourceError, match="decimal=dot is not known"):
        opened(f"serial:{device.path}?rate=200&channels=force,emg&decimal=dot")


def test_wrong_baud_is_recognised(pty_device):
    device = pty_device(rate_hz=1000, line="\x9f{k}\xfe\x80\n")
    with pytest.raises(SourceError, match=r"100 % of lines unreadable; check the baud rate \(now 9600\)"):
        opened(f"serial:{device.path}?rate=100&channels=force&baud=9600")


def test_more_numbers_than_channels(pty_device):
    device = pty_device(rate_hz=1000, line="{k},1,2\n")
    with pytest.raises(SourceError, match=r"3 numbers where 1 are expected; a line is '\d+,1,2': name each column"):
        opened(f"serial:{device.path}?rate=100&channels=force")


def test_only_text(pty_device, monkeypatch):
    monkeypatch.setattr("biofeedback.acquisition.described_source.NO_DATA_S", 1.0)
    device = pty_device(line="waiting for a command\n")
    with pytest.raises(SourceError, match="sends only text: 'waiting for a command'; it may wait"):
        opened(f"serial:{device.path}?rate=100&channels=force")


def test_missing_port():
    with pytest.raises(SourceError, match=r"there is no port /dev/tty-none; .*port.*check plug and cable"):
        opened("serial:/dev/tty-none?rate=80&channels=force")


def test_busy_port(pty_device):
    device = pty_device()
    with serial.Serial(device.path, exclusive=True), pytest.raises(SourceError, match="in use by another program"):
        opened(f"serial:{device.path}?rate=80&channels=force")


@pytest.mark.parametrize(
    ("fault", "says"),
    [
        ("PermissionError(13, 'Access is denied.', None, 5)", "COM3 is in use by another program"),
        ("FileNotFoundError(2, 'The system cannot find the file specified.', None, 2)", "there is no port COM3"),
    ],
)
def test_what_windows_says_only_in_words(fault, says):
    """As pyserial's serialwin32.py raises it; the system's words from memory."""
    error = explain_open_error("COM3", serial.SerialException(f"could not open port 'COM3': {fault}"))
    assert error.what == says


def test_permission_names_the_group():
    error = explain_open_error("/dev/ttyACM0", serial.SerialException(errno.EACCES, "could not open port"))
    assert "dialout" in error.cure


def test_port_behind_a_socket():
    server = socket.create_server(("127.0.0.1", 0))
    done = threading.Event()

    def serve():
        connection, _ = server.accept()
        with connection:
            k = 0
            while not done.wait(0.005):
                connection.sendall(b"%d 7\n" % k)
                k += 1

    thread = threading.Thread(target=serve)
    thread.start()
    source = opened(f"serial:socket://127.0.0.1:{server.getsockname()[1]}?rate=100&channels=force&columns=seq,force")
    items = read_until(Reader(source), lambda items: n_frames(items) >= 100)
    done.set()
    thread.join()
    source.close()
    server.close()
    assert not [item for item in items if isinstance(item, Gap)]


@pytest.mark.parametrize("is_closed", [False, True])
def test_trying_again_behind_a_network_stalls_nobody(monkeypatch, is_closed):
    """A board that has left its network answers nothing at all: the connection then takes its full 5 s to fail."""
    leaving, found, opened_ports = threading.Event(), threading.Event(), []

    def serve(server):
        with server.accept()[0] as connection:
            while not leaving.wait(0.02):
                connection.sendall(b"1\n")

    def open_slowly(*_, **__):
        assert found.wait(5.0)
        opened_ports.append(SimpleNamespace(open=lambda: None, close=opened_ports.clear))
        return opened_ports[0]

    with socket.create_server(("127.0.0.1", 0)) as server:
        serving = threading.Thread(target=serve, args=(server,))
        serving.start()
        source = opened(f"serial:socket://127.0.0.1:{server.getsockname()[1]}?rate=50&channels=force")
        leaving.set()
        serving.join()
    reader = Reader(source)
    read_until(reader, lambda _: reader.is_lost)
    monkeypatch.setattr(serial, "serial_for_url", open_slowly)
    begun_s = time.monotonic()
    assert not source.reopen()
    assert not source.reopen()
    assert time.monotonic() - begun_s < 0.5
    if is_closed:
        source.close()
    found.set()
    source._trying.join()
    assert source.reopen() is not is_closed
    source.close()
    assert not opened_ports


@pytest.mark.filterwarnings("ignore:set(Daemon|Name):DeprecationWarning")  # pyserial's own
def test_port_behind_rfc2217():
    """Against the server side that pyserial brings."""
    server = socket.create_server(("127.0.0.1", 0))
    done = threading.Event()

    def serve():
        connection, _ = server.accept()
        with connection, serial.serial_for_url("loop://", timeout=0.005) as port:
            connection.settimeout(0.005)
            manager = serial.rfc2217.PortManager(port, SimpleNamespace(write=connection.sendall))
            k = 0
            while not done.is_set():
                with contextlib.suppress(TimeoutError):
                    list(manager.filter(connection.recv(1024)))
                port.write(b"%d 7\n" % k)
                k += 1
                connection.sendall(b"".join(manager.escape(port.read(256))))

    thread = threading.Thread(target=serve)
    thread.start()
    source = open_source(
        f"serial:rfc2217://127.0.0.1:{server.getsockname()[1]}?rate=80&channels=force&columns=seq,force"
    )
    try:
        source.open()
        items = read_until(Reader(source), lambda items: n_frames(items) >= 50)
    finally:
        done.set()
        thread.join()
        source.close()
        server.close()
    assert not [item for item in items if isinstance(item, Gap)]


def test_socket_that_nobody_serves():
    with socket.create_server(("127.0.0.1", 0)) as server:
        number = server.getsockname()[1]
    with pytest.raises(SourceError, match="does not answer"):
        opened(f"serial:socket://127.0.0.1:{number}?rate=100&channels=force")


INFO = (
    b"#info proto=1 fw=1 id=%b rate=500 columns=seq,t_us,emg_1,emg_2,force "
    b"rails=0..1023,0..1023,-8388608..8388607 send=text lost=0"
)


class OurBoard:
    """Speaks the line protocol, text and packets, as firmware-notes/protocol.md has it."""

    def __init__(self, device, *, board_id=b"1A2B3C4D", silent_first=0):
        self.device, self.board_id, self.silent = device, board_id, silent_first
        device.answer = self.hear
        device.make_block = self.make_lines
        self.commands = []

    def hear(self, device, command):
        self.commands.append(command)
        if self.silent:  # the start loader still runs
            self.silent -= 1
        elif command == b"info":
            self.say(INFO % self.board_id)
        elif command == b"stop":
            device.talking, device.make_block = False, self.make_lines
            self.say(b"#ok stop")
        elif command.startswith(b"start"):
            device.talking, device.sent = True, 0
            self.say(b"#ok " + command)
            if command == b"start binary":
                device.write(b"\0")
                device.make_block = self.make_packets

    def say(self, text):
        if self.device.make_block == self.make_packets:
            self.device.write(encode_cobs(text + struct.pack("<H", compute_crc16(text))) + b"\0")
        else:
            self.device.write(b"%b,%d\n" % (text, compute_crc16(text)))

    def make_lines(self, first, n):
        lines = [b"%d,%d,%d,500,-%d" % (k, 2000 * k, k % 1000, k) for k in range(first, first + n)]
        return b"".join(b"%b,%d\n" % (line, compute_crc16(line)) for line in lines)

    def make_packets(self, first, n):
        if n > 30:  # this computer was busy
            return self.make_packets(first, 30) + self.make_packets(first + 30, n - 30)
        body = b"F" + struct.pack("<HI", first, 2000 * first)
        body += b"".join(struct.pack("<HHi", k % 1000, 500, -k) for k in range(first, first + n))
        return encode_cobs(body + struct.pack("<H", compute_crc16(body))) + b"\0"


@pytest.mark.parametrize("profile", ["frame-lines", "frame-packets"])
def test_board_that_is_asked_says_its_rate_channels_and_rails(pty_device, profile):
    device = pty_device()
    device.rate_hz, device.talking = 500, False
    board = OurBoard(device, silent_first=3)
    source = opened(f"serial:{device.path}?profile={profile}&channels=force:N*0.01")
    assert (source.rate_hz, source.board_id) == (500, "1A2B3C4D")
    assert [channel.name for channel in source.channels] == ["emg_1", "emg_2", "force"]
    assert (source.channels[2].unit, source.channels[2].factor) == ("N", 0.01)
    assert (source.channels[2].rail_low_counts, source.channels[0].rail_high_counts) == (-8388608, 1023)
    reader = Reader(source)
    items = read_until(reader, lambda items: n_frames(items) >= 200)
    source.close()
    assert not [item for item in items if isinstance(item, Gap)]
    sent = rows(items)
    first = -sent[0][2]
    assert sent == [[(first + i) % 1000, 500, -(first + i)] for i in range(len(sent))]
    assert (b"start binary" in board.commands) == (profile == "frame-packets")
    assert reader.n_bad_lines == 0


def test_a_board_that_was_only_asked_goes_on_sending(pty_device):
    """Whoever listens next may know no commands, and not every board is reset when its port is opened."""
    device = pty_device()
    device.rate_hz = 500
    OurBoard(device)
    info, reason = ask_port(device.path)
    assert (info.board_id, reason) == ("1A2B3C4D", "")
    columns = "seq,t_us,emg_1,emg_2,force,check"
    source = opened(f"serial:{device.path}?rate=500&channels=emg_1,emg_2,force&columns={columns}")
    source.close()


def test_board_that_was_reset_is_told_again_to_send_packets(pty_device):
    device = pty_device()
    device.rate_hz, device.talking = 500, False
    board = OurBoard(device)
    source = opened(f"serial:{device.path}?profile=frame-packets")
    reader = Reader(source)
    read_until(reader, lambda items: n_frames(items) >= 200)
    device.make_block = board.make_lines  # after a reset it speaks text, from the beginning
    device.sent = 0
    items = read_until(reader, lambda items: any(isinstance(i, Gap) for i in items) and isinstance(items[-1], Chunk))
    source.close()
    assert board.commands.count(b"start binary") == 2
    assert reader.trouble == ""
    assert any(isinstance(item, Note) and "#info" in item.text for item in items)


def test_another_board_in_its_place_is_noticed(pty_device):
    device = pty_device()
    device.rate_hz, device.talking = 500, False
    board = OurBoard(device)
    source = opened(f"serial:{device.path}?profile=frame-packets")
    reader = Reader(source)
    read_until(reader, lambda items: n_frames(items) >= 50)
    device.unplug()
    read_until(reader, lambda _: reader.is_lost)
    board.board_id = b"99999999"
    device.talking = False
    device.plug()
    items = read_until(reader, lambda items: n_frames(items) >= 50)
    source.close()
    assert (reader.device_id, reader.trouble) == ("99999999", "")
    assert "device 99999999 answers instead of 1A2B3C4D" in [item.text for item in items if isinstance(item, Note)]


def test_another_board_that_hears_nothing_while_it_starts_is_noticed_by_its_first_words(pty_device):
    """Opening the port resets many boards: what is asked then is lost, and text comes without being asked for."""
    device = pty_device()
    device.rate_hz, device.talking = 500, False
    board = OurBoard(device)
    source = opened(f"serial:{device.path}?profile=frame-lines")
    reader = Reader(source)
    read_until(reader, lambda items: n_frames(items) >= 50)
    device.unplug()
    read_until(reader, lambda _: reader.is_lost)
    board.silent_first = 10
    boot = b"#boot proto=1 fw=1 id=99999999 reset=button"
    device.greeting = b"\n%b,%d\n" % (boot, compute_crc16(boot))
    device.plug()
    items = read_until(reader, lambda items: n_frames(items) >= 50)
    source.close()
    assert "device 99999999 answers instead of 1A2B3C4D" in [item.text for item in items if isinstance(item, Note)]


@pytest.mark.parametrize(("other", "is_told"), [("B2", True), (None, True), ("A1", False)])
def test_a_plain_board_is_told_apart_by_its_plug(pty_device, monkeypatch, other, is_told):
    """The same maker, product and serial number is the same board; what no plug says cannot be asked about."""
    device, number = pty_device(rate_hz=100), ["A1"]

    def comports():
        return [SimpleNamespace(device=device.path, serial_number=number[0], vid=1, pid=2, hwid="usb", description="")]

    monkeypatch.setattr("serial.tools.list_ports.comports", comports)
    source = opened(f"serial:{device.path}?rate=100&channels=force&columns=seq,force")
    reader = Reader(source)
    read_until(reader, lambda items: n_frames(items) >= 5)
    assert reader.device_id == "1 2 A1"
    device.unplug()
    read_until(reader, lambda _: reader.is_lost)
    number[0] = other
    device.plug()
    items = read_until(reader, lambda items: n_frames(items) >= 5)
    source.close()
    told = [item.text for item in items if isinstance(item, Note) and "answers instead" in item.text]
    assert bool(told) is is_told


def test_board_that_is_pulled_out_while_it_is_asked(pty_device):
    """Boards with a USB port of their own do so by themselves when they are reset."""
    device = pty_device()
    pulling = threading.Timer(0.3, device.unplug)
    pulling.start()
    with pytest.raises(SourceError, match=r"has gone .* check plug and cable, then try again$"):
        opened(f"serial:{device.path}?profile=frame-lines")
    pulling.join()
    device.plug()


def test_board_that_does_not_answer(pty_device, monkeypatch):
    monkeypatch.setattr("biofeedback.acquisition.described_source.NO_DATA_S", 0.6)
    device = pty_device()
    with pytest.raises(SourceError, match="does not answer as a board of profile frame-lines; check the baud rate"):
        opened(f"serial:{device.path}?profile=frame-lines")
    assert device.received.count(b"info\n") >= 2  # patiently


@pytest.mark.parametrize(
    ("options", "says"),
    [
        ("profile=nothing", "there is no profile"),
        ("profile=weight-scale", "write ble:"),
        ("profile=load-cell-text&columns=force", "columns= and profile= at once"),
        ("profile=load-cell-text&channels=emg", "has no channel emg; it has force"),
    ],
)
def test_profile_mistakes(options, says):
    with pytest.raises(SourceError, match=says):
        open_source(f"serial:/dev/tty-none?{options}")
