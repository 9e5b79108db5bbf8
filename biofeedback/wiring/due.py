"""What is due on an athlete's next evening, one line each; nothing here ever asks for more because discomfort fell."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from typing import Any

from biofeedback.account.lessons import LESSONS
from biofeedback.calibration.maxima import OLD_DAYS
from biofeedback.session.lessons import find_next, judge_course
from biofeedback.storage.evening import HARD_PERCENT, Evening, read_evening
from biofeedback.storage.library import Entry
from biofeedback.wiring.earlier import N_LOOKED_AT
from biofeedback.wiring.lent import Lent, Setup
from biofeedback.wiring.programmes import REST_DAYS, find_reasons

NO_MAXIMUM = "no maximum of this stretch and side: find one, or choose a plan by felt effort"
LESSON_KEY = '"repeats"'  # of an evening in the index


def list_due(lent: Lent | None, evening: Evening) -> Iterator[str]:
    """A maximum that is missing or old, and what has to be asked first."""
    if lent is None:
        yield NO_MAXIMUM
    elif lent.age_days is None or lent.age_days > OLD_DAYS:
        yield f"a new maximum: this one is more than {OLD_DAYS:.0f} days old"
    for one in evening.aftermath[-1:]:
        if one.new_pain or one.numbness:
            yield "ask first: the last evening ended with new pain or numbness"


def list_due_of_lessons(entries: Sequence[Entry], setup: Setup) -> Iterator[str]:
    """The next lesson of the course that was begun in this stretch, side and position."""
    alike = [entry for entry in entries[:N_LOOKED_AT] if LESSON_KEY in entry.evening and setup.is_same(entry)]
    repeats = [one for entry in reversed(alike) for one in read_evening(entry.evening).repeats]
    if repeats and (lesson := find_next(judge_course(repeats))):
        said = judge_course(repeats)[lesson].reason
        yield f"next lesson: {LESSONS[lesson].title.lower()} ({said})"


def list_due_of_answer(lent: Lent | None, own: Sequence[Entry], age_days: float | None) -> Iterator[str]:
    """The effort worth trying, of the last answer; none without a maximum, nor where something slows work down."""
    band = read_evening(own[0].evening).next_band
    if lent and band and not find_reasons(own, is_hard=band.low_percent >= HARD_PERCENT, age_days=age_days):
        yield f"effort worth trying: {band.low_percent:.0f}–{band.high_percent:.0f} %, from the last answer"


def list_due_of_trial(tonight: Mapping[str, Any] | None, last: Evening, age_days: float | None) -> Iterator[str]:
    """Tonight's way and how it is done."""
    if tonight is None:
        return
    yield f"evening {tonight['evening']} of {tonight['n_evenings']} of the trial: {tonight['drawn']}, {tonight['how']}"
    if tonight["drawn"] == "hard contraction" and last.hard and age_days is not None and 0 <= age_days < REST_DAYS:
        yield "hard work on consecutive days: wait a day, the draw waits too"
