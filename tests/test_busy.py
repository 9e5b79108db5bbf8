"""The measure by which waits are judged: strict on a quiet machine, fair on a busy one, never endless."""

from __future__ import annotations

import pytest

from .busy import N_CORES, FreeTime, count_running, wait_until


def test_a_second_is_a_second_where_nobody_waits_and_a_share_where_many_do() -> None:
    now, running = [0.0], [1]
    free = FreeTime(lambda: now[0], lambda: running[0])
    now[0] = 1.0
    assert free.tick() == 1.0
    running[0] = 4 * N_CORES
    now[0] = 2.0
    assert free.tick() == 1.25
    running[0] = 1  # quiet again now; but what went by was busy at its begin
    now[0] = 3.0
    assert free.tick() == 1.5
    now[0] = 4.0
    assert free.tick() == 2.5
    assert free.most == 4.0


def test_what_does_not_happen_fails_and_what_does_tells_when() -> None:
    tries: list[int] = []
    with pytest.raises(AssertionError, match=r"within 0\.05 s"):
        wait_until(lambda: False, within_s=0.05, pause=lambda: tries.append(1))
    assert tries
    assert wait_until(lambda: True, within_s=0.05, pause=tries.clear).spent_s < 0.05


def test_the_machine_tells_that_somebody_runs() -> None:
    assert count_running() >= 1
