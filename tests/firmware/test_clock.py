"""A board whose crystal is off, measured by its microseconds against this computer's clock."""

import time

import numpy as np
import pytest

from biofeedback.acquisition.clock import DeviceClock, TimeUnwrapper

from .by_the_book import count_lines

pytestmark = [pytest.mark.toolchain, pytest.mark.slow, pytest.mark.waits(20)]


@pytest.mark.parametrize("drift_ppm", [3000.0, -1000.0])
def test_drift_is_found_over_a_wrap_of_the_counter(make_board, open_wire, drift_ppm):
    board = make_board(speed=1 + drift_ppm * 1e-6, boot_ms=0)
    wire = open_wire(board)
    clock, unwrapper = DeviceClock(), TimeUnwrapper()
    wire.read_until(count_lines(100))
    board.tell(f"poke t_us {2**32 - 5_000_000}", "OK")  # the counter wraps under way
    wire.read_until(lambda received: b",429496" in received)
    before = bytes(wire.received).rindex(b"\n")
    started_s = time.monotonic()
    while time.monotonic() < started_s + 15:
        wire.read()
        arrival_s = time.monotonic()
        lines = bytes(wire.received[before:]).split(b"\n")[1:-1]
        if lines:
            before = bytes(wire.received).rindex(b"\n")
            device_us = np.array([float(line.split(b",")[1]) for line in lines])
            clock.add(unwrapper.unwrap(device_us)[-1], arrival_s)
    # The simulated wire delivers once a millisecond: a line longer by a digit may come one later, 67 ppm of 15 s.
    assert clock.drift_ppm == pytest.approx(drift_ppm, abs=150)
