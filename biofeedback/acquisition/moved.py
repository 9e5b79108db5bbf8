"""Which of several sensors is the one in the hand: all are watched, and the one that is pulled or shaken stands out."""

from __future__ import annotations

import contextlib
import threading
from collections.abc import Callable, Sequence

import numpy as np

from biofeedback.acquisition.source import EndOfSource, Source
from biofeedback.errors import BiofeedbackError
from biofeedback.model import FloatArray

STILL_S = 2.0  # at first, in which nobody touches any
LEAST_TIMES = 8.0  # a channel's own scatter while still: noise reaches four times as often as not
CLEAR_TIMES = 3.0  # the next one


def judge_moved(runs: Sequence[FloatArray], rates_hz: Sequence[float]) -> int | None:
    """Which of these readings (n, n_channels) moved, by its index; None where none or several did.

    By how far a channel left what it was in the first two seconds, in its own scatter then: no sensor has to be
    calibrated for it, and another one's larger numbers count for nothing.
    """
    scores = [_find_score(run, round(STILL_S * rate_hz)) for run, rate_hz in zip(runs, rates_hz, strict=True)]
    ranked = sorted(range(len(scores)), key=lambda k: -scores[k])
    if not ranked or scores[ranked[0]] < LEAST_TIMES:
        return None
    if len(ranked) > 1 and scores[ranked[0]] < CLEAR_TIMES * scores[ranked[1]]:
        return None
    return ranked[0]


def _find_score(run: FloatArray, n_still: int) -> float:
    still, later = run[:n_still], run[n_still:]
    if len(still) < 4 or not len(later):
        return 0.0
    step = np.array([_find_step(column) for column in run.T])
    scatter = np.maximum(np.nanstd(still, axis=0), step / 2)  # a quiet converter's scatter is less than its step
    away = np.nanmax(np.abs(later - np.nanmedian(still, axis=0)), axis=0)
    scores = np.where(scatter > 0, away / np.where(scatter > 0, scatter, 1.0), 0.0)
    return float(np.nanmax(scores, initial=0.0))


def _find_step(column: FloatArray) -> float:
    values = np.unique(column[np.isfinite(column)])
    return float(np.diff(values).min()) if len(values) > 1 else 0.0


def watch_all(
    sources: Sequence[Source],
    watch: Callable[[Source], FloatArray],
) -> tuple[list[FloatArray], list[str]]:
    """Open and watch all at once; readings by source, empty where it failed, and what failed."""
    runs: list[FloatArray] = [np.empty((0, 1)) for _ in sources]
    failed: list[str] = []

    def watch_one(k: int) -> None:
        try:
            with contextlib.closing(sources[k]):
                sources[k].open()
                runs[k] = watch(sources[k])
        except (BiofeedbackError, EndOfSource) as error:
            failed.append(str(error))

    threads = [threading.Thread(target=watch_one, args=(k,), name="which", daemon=True) for k in range(len(sources))]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    return runs, failed
