"""The course while it runs: each repeat is measured and put on record, and the number goes away as errors fall."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any

import numpy as np

from biofeedback.account.kinds import RepeatMade
from biofeedback.account.lessons import CHECK_AGAIN, LESSONS
from biofeedback.account.target import Target
from biofeedback.calibration.effort import Effort
from biofeedback.calibration.learning import Progress, find_hidden_share, judge_repeats, list_repeats
from biofeedback.calibration.tracking import Rest, find_onset, find_release, find_steady, measure_tracking
from biofeedback.model import FloatArray, Levels

if TYPE_CHECKING:
    from biofeedback.session.activity import SessionContext
    from biofeedback.session.plan import PlannedPhase

REST_S = 2.0  # before a cue: what rest is
WHOLE_SHARE = 0.9  # of a phase: one that was cut short is no repeat
LATEST_S = 1.0  # contracting and letting go within this of their cues is on cue (common practice)


def measure_repeat(
    lesson: str,
    phase_index: int,
    *,
    percent: FloatArray,
    values: FloatArray,
    before: FloatArray,
    after: FloatArray,
    target: Target | None,
    level_rate_hz: float,
    grace_s: float,
    delay_s: float = 0.0,
    beside: FloatArray | None = None,
) -> RepeatMade:
    """One repeat from its levels: effort and values (n,) of the channel that leads, its values before and after.

    ``beside``: effort (n,) of the other channel. Live and afterwards the same.
    """
    share = _find_share(percent, beside)
    if LESSONS[lesson].needs_maximum and target:
        seen, blind = (
            measure_tracking(percent, target, level_rate_hz, blind=hidden, grace_s=grace_s) for hidden in (False, True)
        )
        counts = blind if lesson == "blind" and blind.rms_error is not None else seen
        return RepeatMade(
            lesson=lesson,
            phase_index=phase_index,
            error=counts.rms_error,
            kept=counts.kept,
            constant_error=seen.constant_error,
            rms_error=seen.rms_error,
            cv_percent=seen.cv_percent,
            blind_constant_error=blind.constant_error,
            blind_rms_error=blind.rms_error,
            blind_cv_percent=blind.cv_percent,
            share_percent=share,
        )
    rest = Rest.of(before)
    if rest is None:
        return RepeatMade(lesson=lesson, phase_index=phase_index, share_percent=share)
    known = values[np.isfinite(values)]
    height = max(0.0, float(np.median(known)) - rest.level) if known.size else 0.0
    onset_s = find_onset(values, rest, level_rate_hz)
    release_s = find_release(after, rest, level_rate_hz, height=height)
    onset_s, release_s = (None if t is None else max(0.0, t - delay_s) for t in (onset_s, release_s))
    steady_s = find_steady(values, rest, level_rate_hz)
    if lesson == "find":
        error: float | None = values.size / level_rate_hz if steady_s is None else steady_s
        kept = steady_s is not None
    else:
        error = None if onset_s is None or release_s is None else onset_s + release_s
        kept = onset_s is not None and release_s is not None and max(onset_s, release_s) <= LATEST_S
    return RepeatMade(
        lesson=lesson,
        phase_index=phase_index,
        error=error,
        kept=kept,
        onset_s=onset_s,
        release_s=release_s,
        steady_s=steady_s,
        share_percent=share,
    )


def _find_share(percent: FloatArray, beside: FloatArray | None) -> float | None:
    """Mean effort of the wanted channel in that of both, in %."""
    if beside is None:
        return None
    known = np.isfinite(percent) & np.isfinite(beside)
    if not known.any():
        return None
    wanted, other = max(0.0, float(percent[known].mean())), max(0.0, float(beside[known].mean()))
    return 100 * wanted / (wanted + other) if wanted + other > 0 else None


@dataclass(slots=True)
class _Running:
    """A contraction of a lesson whose letting go is still to be seen."""

    index: int
    target: Target | None
    percent: FloatArray
    values: FloatArray
    before: FloatArray
    beside: FloatArray | None


class LessonWatch:
    """Collects the levels of a lesson's phases. A repeat ends with its contraction, on and off with what follows it."""

    def __init__(self, lesson: str, context: SessionContext) -> None:
        self._lesson = lesson
        self._context = context
        self._percent: list[FloatArray] = []
        self._values: list[FloatArray] = []
        self._beside: list[FloatArray] = []
        self._before: FloatArray = np.empty(0)
        self._running: _Running | None = None
        self._index = 0
        self._phase: PlannedPhase | None = None

    def begin(self, index: int, phase: PlannedPhase) -> PlannedPhase:
        """A phase begins; as it is to be carried out, with more of it blind as the errors fall."""
        n = max(1, round(REST_S * self._context.level_rate_hz))
        self._before = self._joined(self._values)[-n:]
        self._percent, self._values, self._beside = [], [], []
        self._index, self._phase = index, phase
        if phase.band is not None and self._lesson != "blind" and not phase.shape.blind:
            share = find_hidden_share(list_repeats(self._context.repeats, self._lesson))
            if share > 0:
                blind = ((round(phase.duration_s * (1 - share), 1), phase.duration_s),)
                self._phase = replace(phase, shape=replace(phase.shape, blind=blind))
        return self._phase

    def take(self, levels: Levels, effort: Effort) -> None:
        """Take the next levels of the phase."""
        guide, beside = self._context.guide, self._context.beside
        self._percent.append(effort.percent[:, guide])
        self._values.append(levels.values[:, guide])
        if beside is not None:
            self._beside.append(effort.percent[:, beside])

    def close(self, grace_s: float) -> RepeatMade | None:
        """The phase ends: the repeat that is over with it, if one is."""
        phase = self._phase
        values = self._joined(self._values)
        if phase is None or values.size < WHOLE_SHARE * phase.duration_s * self._context.level_rate_hz:
            self._running = None  # cut short: no repeat
            return None
        if phase.meaning.contracts:
            beside = self._joined(self._beside) if self._beside else None
            self._running = _Running(
                self._index, phase.target, self._joined(self._percent), values, self._before, beside
            )
            return None if self._lesson == "on-off" else self._measure(np.empty(0), grace_s)
        return self._measure(values, grace_s) if self._lesson == "on-off" else None

    def _measure(self, after: FloatArray, grace_s: float) -> RepeatMade | None:
        running, self._running = self._running, None
        if running is None:
            return None
        return measure_repeat(
            self._lesson,
            running.index,
            percent=running.percent,
            values=running.values,
            before=running.before,
            after=after,
            target=running.target,
            level_rate_hz=self._context.level_rate_hz,
            grace_s=grace_s,
            delay_s=self._context.delays_s[self._context.guide],
            beside=running.beside,
        )

    @staticmethod
    def _joined(parts: Sequence[FloatArray]) -> FloatArray:
        return np.concatenate(parts) if parts else np.empty(0)


def judge_course(made: Sequence[RepeatMade]) -> dict[str, Progress]:
    """How far each lesson has come."""
    return {lesson: judge_repeats(list_repeats(made, lesson)) for lesson in LESSONS}


def find_next(progress: dict[str, Progress]) -> str:
    """The lesson for what the person can do now: the first that is not passed; empty after the last."""
    return next((lesson for lesson, one in progress.items() if not one.passed), "")


CHECK_AGAIN_SAID = "Worth doing again: light and steady holds are learnt, so the contraction can be made as asked."


def is_check_due(made: Sequence[RepeatMade]) -> bool:
    """Whether the response check is worth doing again: what it asks has been learnt."""
    progress = judge_course(made)
    return all(progress[lesson].passed for lesson in CHECK_AGAIN)


def describe_repeat(one: RepeatMade) -> str:
    """The last repeat in words: told after it, so that it can be felt first."""
    if one.lesson == "find":
        return "not steady for 3 s yet" if one.steady_s is None else f"steady after {one.steady_s:.1f} s"
    if one.lesson == "on-off":
        if one.onset_s is None or one.release_s is None:
            return "no clear onset or release"
        return f"on after {one.onset_s:.2f} s, off after {one.release_s:.2f} s"
    errors = (
        ("with the number", one.rms_error, one.constant_error),
        ("without it", one.blind_rms_error, one.blind_constant_error),
    )
    told = [f"{name} {_say_error(rms, constant)}" for name, rms, constant in errors if rms is not None]
    share = "" if one.share_percent is None else f"; {one.share_percent:.0f} % of it from the wanted channel"
    return "; ".join(told) + share if told else "not measured"


def name_repeat(one: RepeatMade) -> str:
    """The last repeat in few words, for the athlete's page, where nothing may move."""
    if one.lesson == "find":
        return "not steady yet" if one.steady_s is None else f"steady after {one.steady_s:.1f} s"
    if one.lesson == "on-off":
        on, off = ("–" if time_s is None else f"{time_s:.1f} s" for time_s in (one.onset_s, one.release_s))
        return f"on {on}, off {off}"
    seen = "" if one.rms_error is None else f"{one.rms_error:.1f} % off"
    blind = "" if one.blind_rms_error is None else f"blind {one.blind_rms_error:.1f} %"
    return ", ".join(filter(None, (seen, blind))) or "not measured"


def _say_error(rms: float, constant: float | None) -> str:
    side = "low" if (constant or 0.0) < 0 else "high"
    return f"{rms:.1f} % off, {abs(constant or 0.0):.1f} too {side} on average"


def describe_lesson(lesson: str, made: Sequence[RepeatMade]) -> str:
    """One sentence about a lesson where it is offered."""
    progress = judge_course(made)
    one = progress[lesson]
    following = " Next for you." if find_next(progress) == lesson else ""
    return f"{'Passed: ' if one.passed else ''}{one.reason}.{following}"


def _describe_last(one: RepeatMade) -> dict[str, str]:
    return {"lesson": one.lesson, "said": describe_repeat(one), "short": name_repeat(one)}


def describe_course(made: Sequence[RepeatMade]) -> dict[str, Any]:
    """For the page: every lesson with its progress, which is next, and whether the check is worth doing again."""
    progress = judge_course(made)
    following = find_next(progress)
    return {
        "next": following,
        "last": _describe_last(made[-1]) if made else None,
        "check_again": is_check_due(made),
        "lessons": [
            {
                "name": lesson,
                "title": LESSONS[lesson].title,
                "n": one.n,
                "passed": one.passed,
                "said": one.reason,
            }
            for lesson, one in progress.items()
        ],
    }
