"""What is noted about the wire, and how often: a recording must not be filled with words. Pure."""

from __future__ import annotations

import numpy as np

from biofeedback.acquisition.clock import IntervalMeter, RateMeter
from biofeedback.model import FloatArray

RATE_TOLERANCE_PERCENT = 1.0
UNSURE_PERCENT = 2.0  # of a rate over 10 s: jitter on the way; half a minute tells more
MOST_WORDS, WORDS_PER_S = 50.0, 2.0  # lines of words at once, and in the long run
TELL_S = 1.0  # between two remarks about frames left out


class Remarks:
    """Texts worth a note, each when it is due. ``watches_times``: the device times of this board are kept."""

    def __init__(self, rate_hz: float, *, watches_times: bool) -> None:
        self._rate_hz = rate_hz
        self._intervals = IntervalMeter(rate_hz) if watches_times else None  # until it has been told
        self._is_rate_told = False
        self.rate_hz: float | None = None  # that was told
        self._n_left_out, self._left_out_s = 0, -np.inf
        self._words, self._words_s, self._n_unkept = MOST_WORDS, 0.0, 0

    def watch(self, device_s: FloatArray) -> None:
        """When the next readings were taken."""
        if self._intervals is not None:
            self._intervals.add(device_s)

    def quote(self, text: str, now_s: float) -> list[str]:
        """The board's own words; what a board prints without end is counted instead."""
        self._words = min(MOST_WORDS, self._words + WORDS_PER_S * max(0.0, now_s - self._words_s))
        self._words_s = now_s
        if self._words < 1.0:
            self._n_unkept += 1
            return []
        self._words -= 1.0
        if self._n_unkept:
            text = f"{text} (after {self._n_unkept} lines of words that were not kept)"
            self._n_unkept = 0
        return [text]

    def judge_rate(self, meter: RateMeter, slow_meter: RateMeter) -> list[str]:
        """Once each: a rate that is not the declared one, and how evenly a slow board reads."""
        if not meter.is_settled:
            return []
        texts = []
        for one, limit_percent in ((meter, UNSURE_PERCENT), (slow_meter, RATE_TOLERANCE_PERCENT)):
            measured = one.rate_hz
            if self._is_rate_told or measured is None or not one.is_settled:
                continue
            deviation = 100 * (measured / self._rate_hz - 1)
            if abs(deviation) > limit_percent and not one.has_stalled:
                self._is_rate_told = True
                self.rate_hz = measured
                off = f"{deviation:+.1f} % off the declared {self._rate_hz:g} Hz"
                texts = [f"frames arrive at {measured:.4g} Hz, {off}"]
        if self._intervals is not None and (text := self._intervals.describe()):
            self._intervals = None
            texts.append(f"{text}; levels are made from readings resampled by that clock")
        return texts

    def count_left_out(self, n_so_far: int, now_s: float) -> list[str]:
        """Frames that could not be placed are on record, though not one by one."""
        n = n_so_far - self._n_left_out
        if not n or now_s - self._left_out_s < TELL_S:
            return []
        self._n_left_out, self._left_out_s = n_so_far, now_s
        return [f"{n} {'frame' if n == 1 else 'frames'} dropped: sent twice, too late, or with an impossible number"]
