import errno
import itertools
import os
import socket
import threading

import pytest
import serial

from biofeedback.acquisition.reader import Reader
from biofeedback.acquisition.serial_source import explain_open_error
from biofeedback.acquisition.sources import open_source
from biofeedback.errors import SourceError
from biofeedback.model import Chunk, Gap, Note

pytestmark = pytest.mark.skipif(os.name != "posix", reason="pseudo-terminals are a Unix thing")


def read_until(reader, enough, *, most=400):
    items = []
    for _ in range(most):
        items += reader.read()
        if enough(items):
            return items
    raise AssertionError(f"not in {most} reads: {items[-3:]}")


def n_frames(items):
    return sum(item.n_frames for item in items if isinstance(item, Chunk))


def opened(url):
    source = open_source(url)
    source.open()
    return source


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
    while frames < 500:
        frames += n_frames(reader.read())
        reads += 1
    source.close()
    assert reads <= 75  # 500 ms at 100 wake-ups a second, and room for a busy machine


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


def test_no_data_is_said_within_seconds(pty_device, monkeypatch):
    monkeypatch.setattr("biofeedback.acquisition.serial_source.NO_DATA_S", 0.2)
    device = pty_device()
    device.talking = False
    with pytest.raises(SourceError, match=r"no data from .* within 0.2 s; check that the board is on"):
        opened(f"serial:{device.path}?rate=100&channels=force")


def test_wrong_baud_is_recognised(pty_device):
    device = pty_device(rate_hz=1000, line="\x9f{k}\xfe\x80\n")
    with pytest.raises(SourceError, match=r"100 % of lines unreadable; check the baud rate \(now 9600\)"):
        opened(f"serial:{device.path}?rate=100&channels=force&baud=9600")


def test_more_numbers_than_channels(pty_device):
    device = pty_device(rate_hz=1000, line="{k},1,2\n")
    with pytest.raises(SourceError, match=r"3 numbers where 1 are expected; a line is '\d+,1,2': name each column"):
        opened(f"serial:{device.path}?rate=100&channels=force")


def test_only_text(pty_device, monkeypatch):
    monkeypatch.setattr("biofeedback.acquisition.serial_source.NO_DATA_S", 0.2)
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


def test_socket_that_nobody_serves():
    with socket.create_server(("127.0.0.1", 0)) as server:
        number = server.getsockname()[1]
    with pytest.raises(SourceError, match="does not answer"):
        opened(f"serial:socket://127.0.0.1:{number}?rate=100&channels=force")
