"""Time as on a machine with nothing else to do: what is promised within seconds is asked of a busy one fairly."""

from __future__ import annotations

import os
import time
from collections.abc import Callable
from pathlib import Path

LOAD = Path("/proc/loadavg")  # its fourth word: how many run or wait for a core now, of how many there are (Linux)
N_CORES = len(os.sched_getaffinity(0)) if hasattr(os, "sched_getaffinity") else os.cpu_count() or 1


def count_running() -> int:
    """How many programs run or wait for a core at this moment; no more than there are cores where nobody tells."""
    try:
        return int(LOAD.read_text("ascii").split()[3].partition("/")[0])
    except OSError:
        return N_CORES


class FreeTime:
    """Where k share each core, a second counts 1/k: what is left for a program that has the machine for itself."""

    def __init__(self, clock: Callable[[], float] = time.monotonic, running: Callable[[], int] = count_running) -> None:
        self._clock, self._running = clock, running
        self._last_s = clock()
        self._share = self._look()
        self.spent_s = 0.0
        self.most = self._share

    def _look(self) -> float:
        return max(1.0, self._running() / N_CORES)

    def tick(self) -> float:
        """Free seconds since it was made; looks how busy the machine is, so it wants to be asked often."""
        now_s, share = self._clock(), self._look()
        self.spent_s += (now_s - self._last_s) / max(share, self._share)
        self._last_s, self._share = now_s, share
        self.most = max(self.most, share)
        return self.spent_s


def wait_until(condition: Callable[[], object], *, within_s: float, pause: Callable[[], object]) -> FreeTime:
    """The free time until ``condition`` holds, asked between pauses; fails after ``within_s`` of it."""
    free = FreeTime()
    while not condition():
        assert free.tick() < within_s, f"did not happen within {within_s:g} s"
        pause()
    free.tick()
    return free
