"""The reference firmware, as compiled for its chip, does what the protocol says; the real source reads it."""

import numpy as np
import pytest

from biofeedback.model import Chunk, Gap

from .by_the_book import check, count_lines, read_lines, read_packets
from .simulated_board import MILLIVOLT_PER_COUNT, RAMP_PER_S, SINES, make_wave

pytestmark = pytest.mark.toolchain


def find_delay_s(t_s, counts, frequency_hz, offset_mv, amplitude_mv):
    """How long before the board's time zero its sine began, by least squares, and what remains in counts."""
    value = counts * MILLIVOLT_PER_COUNT - offset_mv
    angle = 2 * np.pi * frequency_hz * t_s
    axes = np.stack([np.sin(angle), np.cos(angle), np.ones_like(angle)], 1)
    (sine, cosine, offset), *_ = np.linalg.lstsq(axes, value, rcond=None)
    assert np.hypot(sine, cosine) == pytest.approx(amplitude_mv, rel=1e-3)
    assert abs(offset) < MILLIVOLT_PER_COUNT
    delay_s = np.arctan2(cosine, sine) / (2 * np.pi * frequency_hz) % (1 / frequency_hz)
    return delay_s, (value - axes @ (sine, cosine, offset)) / MILLIVOLT_PER_COUNT


def hold_against_wave(frames, boot_s):
    """EMG recovered within quantisation, load cell within the time between its conversions."""
    t_s = frames[:, 1] / 1e6
    first_s, rest = find_delay_s(t_s, frames[:, 2], *SINES[0])
    assert boot_s < first_s < boot_s + 0.03
    second_s, second_rest = find_delay_s(t_s, frames[:, 3], *SINES[1])
    assert (second_s - first_s + 0.1) % (1 / SINES[1][0]) - 0.1 == pytest.approx(104e-6, abs=150e-6)  # one conversion
    for left in (rest, second_rest):
        assert np.abs(left).max() <= 0.75  # half a count, and what the sine does between two values of the wave
        assert left.std() == pytest.approx(1 / np.sqrt(12), rel=0.1)  # rounding and nothing else
    shown = frames[:, 4] >= 0  # the first conversions are still to come
    age_s = (t_s[shown] + first_s - frames[shown, 4] / RAMP_PER_S + 1) % 10 - 1
    assert np.quantile(age_s, 0.99) < 1 / 80 + 0.003
    assert age_s.min() > -0.003  # a line is written up to 2 ms after its tick, with the latest conversion


@pytest.mark.parametrize("duration_s", [10, pytest.param(60, marks=[pytest.mark.slow, pytest.mark.waits(60)])])
def test_full_rate_arrives_without_a_gap_and_as_it_was(make_board, listen_to, duration_s):
    """1000 frames a second of two EMG channels and an 80 Hz load cell at 500000 baud, in real time."""
    board = make_board(wave=make_wave(), bridge=1 << 16)  # what an operating system holds for a port
    listener = listen_to(board)
    listener.listen_frames(duration_s * 1000, timeout_s=duration_s * 5)
    stats = board.stats
    assert listener.of(Gap) == []
    assert sum(chunk.n_frames for chunk in listener.of(Chunk)) >= duration_s * 1000
    assert listener.reader.n_bad_lines == 0
    frames, _ = read_lines(listener.received)
    assert set(np.diff(frames[:, 0]) % 65536) == {1}
    assert set(np.diff(frames[:, 1])) == {1000}
    hold_against_wave(frames, 0.3)
    counts = np.concatenate([chunk.counts for chunk in listener.of(Chunk)])
    assert np.array_equal(counts[-1000:], frames[-1000:, 2:])
    assert stats["lost_full"] == 0
    assert stats["cell_off"] == 0


def test_load_cell_is_read_eighty_times_a_second_and_never_late(make_board, open_wire):
    board = make_board(wave=make_wave(), speed=0, boot_ms=0)
    wire = open_wire(board)
    frames, _ = read_lines(wire.read_until(count_lines(20_000)))
    changes = np.flatnonzero(np.diff(frames[:, 4]))
    assert len(changes) / np.ptp(frames[changes, 1] / 1e6) == pytest.approx(80, rel=0.01)
    assert np.ptp(np.diff(changes)) <= 3  # 12 or 13 frames, one more or less for a frame under way
    stats = board.stats
    assert stats["cell_unread"] <= 2


def test_compact_twin_carries_the_same(make_board, open_wire):
    board = make_board(wave=make_wave(), speed=0, boot_ms=0)
    wire = open_wire(board)
    wire.read_until(count_lines(3))  # commands sent while the board starts are lost
    wire.write(b"\nstart binary\n")
    received = wire.read_until(lambda received: len(received.partition(b"#ok start binary,")[2]) > 100_000)
    words, _, packets = received[received.index(b"#ok start binary,") :].partition(b"\n")
    assert words == b"#ok start binary,%d" % check(b"#ok start binary")
    assert packets[0] == 0
    frames, _ = read_packets(packets)
    assert len(frames) > 10_000
    assert frames[0, 0] == 0
    assert set(np.diff(frames[:, 0])) == {1}
    assert set(np.diff(frames[:, 1])) == {1000}
    hold_against_wave(frames, 0.0)
    assert len(packets) / len(frames) == pytest.approx(9.1, abs=0.1)  # as the protocol says


def test_binary_is_left_as_cleanly_as_it_is_entered(make_board, open_wire):
    wire = open_wire(make_board(speed=0, boot_ms=0))
    wire.read_until(count_lines(3))
    wire.write(b"start binary\ninfo\nno such thing\n")
    wire.read_until(lambda received: received.count(b"\0") > 60)
    wire.write(b"stop\n")
    received = wire.read_until(lambda received: b"#ok stop" in received and received.endswith(b"\n"))
    packets, text = received.split(b"\0\n#ok stop,")
    frames, words = read_packets(packets[packets.index(b"#ok start binary") :].partition(b"\n")[2] + b"\0")
    assert set(np.diff(frames[:, 0])) == {1}
    assert words[0].startswith("#info proto=1")
    assert words[0].endswith("send=binary lost=0")
    assert words[1] == "#error unknown command"
    assert text == b"%d\n" % check(b"#ok stop")
    before = len(wire.received)
    wire.read()
    wire.write(b"start\n")
    received = wire.read_until(lambda received: received.count(b"\n", before) > 100)
    frames, words = read_lines(b"\n" + received[before:])
    assert words == ["#ok start"]
    assert frames[:, 0].tolist() == list(range(len(frames)))


def test_commands_are_answered_by_the_book(make_board, open_wire):
    wire = open_wire(make_board(speed=0, boot_ms=0))
    wire.read_until(count_lines(3))
    for command in (b"\ninfo\n", b"\r\n\n", b"INFO\n", b"x" * 60 + b"\n", b"info\r"):
        wire.write(command)
        n = len(wire.received)
        wire.read_until(lambda received, n=n: len(received) > n + 3000)
    _, words = read_lines(wire.received)
    info = (
        "#info proto=1 fw=1 id={} rate=1000 columns=seq,t_us,emg_1,emg_2,force "
        "rails=0..1023,0..1023,-8388608..8388607 send=text lost=0"
    )
    words = [line for line in words if "boot" not in line]
    name = words[0].partition("id=")[2][:8]
    assert words == [info.format(name), "#error unknown command", "#error unknown command", info.format(name)]
    assert int(name, 16) not in (0, 0xFFFFFFFF)


def test_name_and_clock_after_a_reset(make_board, open_wire):
    """Same name, because it is kept for life; words say what happened; frames come again without being asked."""
    board = make_board(boot_ms=100)
    wire = open_wire(board)
    wire.read_until(count_lines(500))
    board.tell("reset")
    wire.read_until(lambda received: received.count(b"#boot") == 2)
    n = wire.received.count(b"\n")
    wire.read_until(count_lines(n + 100))
    first, second = bytes(wire.received).split(b"#boot")[1:]
    assert first.split(b"id=")[1][:8] == second.split(b"id=")[1][:8]
    assert b"reset=power" in first
    assert b"reset=button" in second
    assert first.endswith(b"\n")  # whatever line was cut is ended
    frames, _ = read_lines(b"\n" + second.partition(b"\n")[2])
    assert frames[0, :2].tolist() == [0, 1000]


def test_wrap_of_the_microsecond_counter(make_board, open_wire):
    board = make_board(speed=0, boot_ms=0)
    wire = open_wire(board)
    wire.read_until(count_lines(100))
    board.tell(f"poke t_us {2**32 - 500_296}", "OK")
    wire.read_until(lambda received: b",4294967000," in received)
    n = wire.received.count(b"\n")
    wire.read_until(count_lines(n + 1000))
    frames, _ = read_lines(wire.received)
    steps = np.diff(frames[:, 1]) % 2**32
    assert np.count_nonzero(steps != 1000) == 1  # the jump that was made here
    assert np.count_nonzero(np.diff(frames[:, 1]) < 0) == 1
    assert set(np.diff(frames[:, 0])) == {1}


@pytest.mark.parametrize("minutes", [1.2, pytest.param(75, marks=pytest.mark.long)])
def test_long_device_time_at_many_times_real_time(make_board, listen_to, minutes):
    """1.2 minutes cross the wrap of the sequence number, 75 that of the microsecond counter (71.6 min) too."""
    board = make_board(wave=make_wave(), speed=0, boot_ms=0)
    listener = listen_to(board, keep=False, in_step=True)
    listener.listen_frames(round(minutes * 60_000), timeout_s=minutes * 60)
    assert listener.of(Gap) == []
    assert listener.reader.n_bad_lines == 0
    assert board.stats["device_s"] >= minutes * 60


def test_cable_of_the_load_cell_falls_off(make_board, open_wire):
    board = make_board(wave=np.tile([2500, 2500, 123_456], (10, 1)), speed=0, boot_ms=0)
    wire = open_wire(board)
    wire.read_until(count_lines(1000))
    board.tell("cell off")
    wire.read_until(lambda received: received.count(b",-8388608,") > 1000)
    board.tell("cell on")
    n = wire.received.count(b",123456,")
    wire.read_until(lambda received: received.count(b",123456,") > n + 500)
    force = read_lines(wire.received)[0][:, 4]
    assert set(force) == {123_456, -8_388_608}
    edges = np.flatnonzero(np.diff(force)) + 1
    assert len(edges) == 3
    assert force[0] == -8_388_608


def test_numbers_of_every_size_are_printed_right(make_board, open_wire):
    """The firmware prints without dividing: its digits against what was converted, over the whole range."""
    codes = np.unique([s * (10**k + d) for k in range(7) for d in (-1, 0, 1) for s in (-1, 1)] + [8388607, -8388608])
    rows = np.repeat(np.stack([np.zeros_like(codes), np.full_like(codes, 5000), codes], 1), 30, axis=0)
    board = make_board(wave=rows, speed=0, boot_ms=0)
    wire = open_wire(board)
    wire.read_until(count_lines(len(rows) + 2000))
    frames, _ = read_lines(wire.received)
    assert set(codes) <= set(frames[:, 4])
    assert set(frames[:, 2]) == {0}
    assert set(frames[:, 3]) == {1023}
