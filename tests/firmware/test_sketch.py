"""The Arduino-style sketch, compiled with the real core and run: the same protocol."""

import re

import numpy as np
import pytest

from .by_the_book import read_lines

pytestmark = pytest.mark.toolchain


def test_sketch_speaks_the_protocol(sketch_elf, make_board, open_wire):
    t = np.arange(4000) / 1000
    sine = 2500 + 1000 * np.sin(2 * np.pi * 0.5 * t)
    wave = np.stack([sine, sine, 10_000 * t], 1)
    wire = open_wire(make_board(elf=sketch_elf, wave=wave, speed=0, boot_ms=0))
    wire.read_until(lambda received: received.count(b"\n") > 50)
    wire.write(b"\ninfo\nwhat\n")
    wire.read_until(lambda received: received.count(b"\n") > 6000)
    frames, words = read_lines(wire.received)
    info = "#info proto=1 fw=1 id=00000001 rate=500 columns=seq,t_us,emg_1,force rails=0..1023,-8388608..8388607"
    assert re.fullmatch(re.escape(info) + r" send=text lost=\d", words[-2])
    assert words[-1] == "#error unknown command"
    assert set(np.diff(frames[:, 1])) <= {2000, 4000}
    assert np.array_equal(np.diff(frames[:, 0]) * 2000, np.diff(frames[:, 1]))  # a late frame is a hole, never a lie
    assert len(frames) >= 0.998 * (np.ptp(frames[:, 0]) + 1)
    angle = 2 * np.pi * 0.5 * frames[:, 1] / 1e6
    axes = np.stack([np.sin(angle), np.cos(angle), np.ones_like(angle)], 1)
    parts, *_ = np.linalg.lstsq(axes, frames[:, 2], rcond=None)
    assert np.abs(frames[:, 2] - axes @ parts).max() < 3  # up to 2 ms late: 1.3 counts of this sine
    assert np.hypot(*parts[:2]) == pytest.approx(1000 / 5000 * 1023, rel=2e-3)
    assert len(np.unique(frames[:, 3])) > 200
    assert (frames[200:, 3] >= 0).all()


def test_sketch_stops_and_starts(sketch_elf, make_board, open_wire):
    wire = open_wire(make_board(elf=sketch_elf, speed=0, boot_ms=0))
    wire.read_until(lambda received: received.count(b"\n") > 50)
    wire.write(b"stop\nstart binary\nstart\n")
    wire.read_until(lambda received: b"#ok start" in received)
    n = wire.received.count(b"\n")
    wire.read_until(lambda received: received.count(b"\n") > n + 100)
    _, words = read_lines(wire.received)
    assert words[-3:] == ["#ok stop", "#error unknown command", "#ok start"]
    frames, _ = read_lines(b"\n" + bytes(wire.received).partition(b"#ok start,")[2].partition(b"\n")[2])
    assert frames[:5, 0].tolist() == [0, 1, 2, 3, 4]
