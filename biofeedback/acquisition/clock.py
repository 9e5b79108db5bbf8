"""Rates and clocks. Device time to session time is a running line under everything that has arrived. Pure.

A reading arrives after it was taken, never before: arrival = offset + rate x device time + delay, delay >= 0. The true
line therefore lies just under the points (device time, arrival); stalls and bursts only lift points off it. Of all
lines under the points the one nearest to them on average is an edge of their lower convex hull (Moon, Skelly &
Towsley, Estimation and removal of clock skew from network delay measurements, IEEE INFOCOM 1999).
"""

from __future__ import annotations

from collections import deque
from itertools import pairwise

import numpy as np

from biofeedback.acquisition.decoder import IntArray
from biofeedback.model import FloatArray

COMMON_RATES_HZ = (10.0, 20.0, 25.0, 40.0, 50.0, 80.0, 100.0, 125.0, 200.0, 250.0, 320.0, 400.0, 500.0, 1000.0, 2000.0)
SAME_RATE_PERCENT = 1.5  # a rate measured over 2 s this near to a common one is that one
WRAP_US = float(1 << 32)
BUCKET_S = 0.25  # of every bucket only the most prompt reading is kept
WINDOW_S = 120.0  # crystals drift with warmth; two minutes of buckets fix the slope to about 1 ppm per 0.1 ms of delay
MOST_NEWS = 64  # kept for when the line is asked for
TRUSTED_SLOPE_S = 4.0  # before this the slope is taken as 1
LATE_FRAMES = 0.75
LEAK = 0.9
MOST_DRIFT = 0.01  # ceramic resonators are within 0.5 %


class RateMeter:
    """Frames per second of arrival over the last ``window_s`` (10 s: 50 ms of jitter are then 0.5 %)."""

    def __init__(self, *, window_s: float = 10.0) -> None:
        self._window_s = window_s
        self._points: deque[tuple[float, int]] = deque()
        self._n = 0

    def reset(self) -> None:
        """Forget everything: the flow was interrupted."""
        self._points.clear()

    def add(self, n_frames: int, arrival_s: float) -> None:
        """``n_frames`` more have arrived."""
        self._n += n_frames
        if len(self._points) > 1 and arrival_s - self._points[-2][0] < self._window_s / 50:
            self._points[-1] = (arrival_s, self._n)
        else:
            self._points.append((arrival_s, self._n))
        while len(self._points) > 1 and arrival_s - self._points[1][0] >= self._window_s:  # one stays before
            self._points.popleft()

    @property
    def span_s(self) -> float:
        """Seconds that the measurement covers so far."""
        return self._points[-1][0] - self._points[0][0] if self._points else 0.0

    @property
    def is_settled(self) -> bool:
        """Seen for long enough, and often enough, that 100 ms of jitter are no more than about 1 %."""
        return len(self._points) >= 20 and self.span_s >= 0.9 * self._window_s

    @property
    def rate_hz(self) -> float | None:
        """None before 1 s has been seen."""
        span_s = self.span_s
        return None if span_s < 1.0 else (self._points[-1][1] - self._points[0][1]) / span_s

    @property
    def has_stalled(self) -> bool:
        """Nothing came for a second or more, within the window: its rate says nothing about the device."""
        return any(later[0] - earlier[0] >= 1.0 for earlier, later in pairwise(self._points))

    def count_lacking(self, arrival_s: float, rate_hz: float) -> int:
        """Frames that should have come by now, at ``rate_hz`` since the window began, and have not."""
        return max(0, round(-(self.count_ahead(arrival_s, rate_hz) or 0.0)))

    def count_ahead(self, arrival_s: float, rate_hz: float) -> float | None:
        """Frames that have come beyond what should have, at ``rate_hz`` since the window began; None: not known."""
        if not self._points:
            return None
        first_s, n_first = self._points[0]
        return self._n - n_first - (arrival_s - first_s) * rate_hz


class IntervalMeter:
    """How evenly a board takes its readings, by its own time; what looks like lost readings is left out."""

    def __init__(self, rate_hz: float) -> None:
        self._longest_s = 2.5 / rate_hz
        self._last_s = -np.inf
        self._n, self._sum, self._square = 0, 0.0, 0.0

    def add(self, device_s: FloatArray) -> None:
        """The next readings, at least one."""
        steps = _find_steps(device_s, self._last_s)
        steps = steps[(steps > 0) & (steps < self._longest_s)]
        self._n, self._sum, self._square = (
            self._n + len(steps),
            self._sum + float(steps.sum()),
            self._square + float(steps @ steps),
        )
        self._last_s = float(device_s[-1])

    def describe(self) -> str:
        """True rate and scatter in words; "" before anything was seen."""
        if not self._n:
            return ""
        mean_s = self._sum / self._n
        sd_s = max(0.0, self._square / self._n - mean_s**2) ** 0.5
        apart = f"{1000 * mean_s:.2f} ms apart (SD {1000 * sd_s:.2f} ms)"
        return f"by the board's clock {1.0 / mean_s:.4g} readings/s, {apart}"


def _find_steps(x: FloatArray, before: float) -> FloatArray:
    """From each value (n,) to the next, the first from ``before``; numpy's own takes its time over a few."""
    steps = np.empty(len(x))
    steps[0] = x[0] - before
    np.subtract(x[1:], x[:-1], out=steps[1:])
    return steps


def find_common_rate(measured_hz: float) -> float:
    """The common rate within 1.5 % of one that was measured over a few seconds, else the measured one."""
    near = [rate for rate in COMMON_RATES_HZ if abs(measured_hz / rate - 1) * 100 <= SAME_RATE_PERCENT]
    return near[0] if near else measured_hz


def is_measured(meter: RateMeter, seconds: float) -> bool:
    """After ``seconds`` at a common rate; any other is looked at twice as long: a busy computer is the usual cause."""
    is_common = meter.rate_hz is not None and find_common_rate(meter.rate_hz) in COMMON_RATES_HZ
    return meter.span_s >= (seconds if is_common else 2 * seconds)


class TimeUnwrapper:
    """Device microseconds that wrap, to seconds that do not; each reading may be a few earlier than the last."""

    def __init__(self, *, wrap_us: float = WRAP_US) -> None:
        self._wrap_us = wrap_us
        self._last_us: float | None = None
        self._turns_us = 0.0

    def unwrap(self, device_us: FloatArray) -> FloatArray:
        """Seconds for every reading of ``device_us`` (n,), in the order of arrival."""
        if not len(device_us):
            return np.empty(0)
        before = device_us[0] if self._last_us is None else self._last_us
        steps = _find_steps(device_us, before)
        half = self._wrap_us / 2
        turns = self._turns_us + self._wrap_us * np.cumsum((steps < -half).astype(float) - (steps > half))
        self._last_us, self._turns_us = float(device_us[-1]), float(turns[-1])
        return np.asarray((device_us + turns) * 1e-6)


class TimeNumbering:
    """Numbers frames by device time where the device does not count them itself.

    A frame that comes later than it should by less than 3/4 of a period is late, not a sign of a lost one: load-cell
    boards alternate 10 and 15 ms, and loops that print take their time.
    """

    def __init__(self, rate_hz: float) -> None:
        self._rate_hz = rate_hz
        self._last_s: float | None = None
        self._number = -1
        self._ahead = 0.0  # frames by which device time is ahead of the count

    def number(self, device_s: FloatArray) -> IntArray:
        """Numbers (n,) of frames taken at ``device_s``; they begin again at 0 after a restart."""
        numbers = []
        for moment_s in device_s.tolist():
            if self._last_s is None or moment_s < self._last_s - 1.0:
                self._number, self._ahead = -1, 0.0
                self._last_s = moment_s - 1.0 / self._rate_hz
            self._ahead += min((moment_s - self._last_s) * self._rate_hz, 2.0**40) - 1.0
            missing = round(self._ahead) if self._ahead > LATE_FRAMES else 0
            self._ahead = LEAK * (self._ahead - missing)  # a declared rate that is a little off must not pile up
            self._number += 1 + missing
            self._last_s = moment_s
            numbers.append(self._number)
        return np.array(numbers, dtype=np.int64)


class DeviceClock:
    """Maps device seconds to the clock that arrivals were stamped with, up to the least delay of the wire.

    ``drift_ppm`` is how much faster the device counts than that clock; None until 4 s have been seen.
    """

    def __init__(self, *, window_s: float = WINDOW_S) -> None:
        self._window_s = window_s
        self._points: deque[tuple[float, float]] = deque()
        self._origin: tuple[float, float] | None = None  # keeps the numbers small
        self._slope = 1.0
        self._offset_s = 0.0
        self._news: list[tuple[float, float]] = []  # readings of the newest bucket that the line does not know yet
        self._is_begun = False  # whether they begin that bucket

    def reset(self) -> None:
        """The device restarted: its time starts again."""
        self._points.clear()
        self._news.clear()
        self._origin, self._slope, self._offset_s = None, 1.0, 0.0

    @property
    def drift_ppm(self) -> float | None:
        """Parts per million by which the device's clock is fast."""
        self._reckon()
        return (1.0 / self._slope - 1.0) * 1e6 if self._is_sloped else None

    @property
    def _is_sloped(self) -> bool:
        return len(self._points) > 2 and self._points[-1][0] - self._points[0][0] >= TRUSTED_SLOPE_S

    def add(self, device_s: float, arrival_s: float) -> None:
        """The newest reading of a batch and when the batch arrived."""
        if self._origin is None:
            self._origin = (device_s, arrival_s)
        x, y = device_s - self._origin[0], arrival_s - self._origin[1]
        if self._points and x // BUCKET_S == self._points[-1][0] // BUCKET_S:
            if y - x < self._points[-1][1] - self._points[-1][0]:
                self._points[-1] = (x, y)
            if len(self._news) == MOST_NEWS:
                self._reckon()
        else:
            self._points.append((x, y))
            while x - self._points[0][0] > self._window_s:
                self._points.popleft()
            self._news, self._is_begun = [], True
        self._news.append((x, y))

    def to_session(self, device_s: FloatArray) -> FloatArray:
        """Arrival-clock seconds at which readings of ``device_s`` were taken."""
        if self._origin is None:
            raise ValueError("no reading has been added")
        self._reckon()
        return np.asarray(self._origin[1] + self._offset_s + self._slope * (device_s - self._origin[0]))

    def _reckon(self) -> None:
        """Lay the line, when somebody asks: anew for a new bucket, else it only yields to readings below it."""
        if self._news and self._is_begun:
            newest, self._points[-1] = self._points[-1], self._news[0]
            self._fit()
            self._points[-1] = newest
        for x, y in self._news:
            self._offset_s = min(self._offset_s, y - self._slope * x)
        self._news, self._is_begun = [], False

    def _fit(self) -> None:
        self._slope = 1.0
        if self._is_sloped:
            hull = _lower_hull(self._points)
            middle = sum(x for x, _ in self._points) / len(self._points)
            right = next(i for i, (x, _) in enumerate(hull) if x >= middle)
            (x0, y0), (x1, y1) = hull[right - 1], hull[right]
            self._slope = min(max((y1 - y0) / (x1 - x0), 1.0 - MOST_DRIFT), 1.0 + MOST_DRIFT)
        self._offset_s = min(y - self._slope * x for x, y in self._points)


def _lower_hull(points: deque[tuple[float, float]]) -> list[tuple[float, float]]:
    """Lower convex hull of points in order of x (Andrew's monotone chain, 1979)."""
    hull: list[tuple[float, float]] = []
    for point in points:
        while len(hull) > 1:
            (x0, y0), (x1, y1) = hull[-2], hull[-1]
            if (x1 - x0) * (point[1] - y0) > (y1 - y0) * (point[0] - x0):
                break
            hull.pop()
        hull.append(point)
    return hull
