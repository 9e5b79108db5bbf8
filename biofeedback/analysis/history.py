"""One athlete over weeks: what was measured in each session, what changed, and whether the change is real."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import UTC, datetime

import numpy as np

from biofeedback.account.kinds import RepeatMade
from biofeedback.account.target import BAND_LOST
from biofeedback.account.words import name_easing
from biofeedback.analysis.answer import SessionAnalysis, list_dose_points, rate_phases
from biofeedback.analysis.dose import Dose, DosePoint, agree_with, compute_dose
from biofeedback.analysis.ranges import judge_ranges, mean_of
from biofeedback.analysis.ratings import pool_scatters
from biofeedback.analysis.reliability import (
    Change,
    ChangeWord,
    Reliability,
    RepeatError,
    SideDifference,
    compare_sides,
    compute_reliability,
    estimate_repeat_error,
    estimate_session_error,
)
from biofeedback.analysis.response import RatedPhase, Response, compute_response
from biofeedback.analysis.sessions import SessionsAnswer, combine_responses
from biofeedback.analysis.trends import Trend, TrendWord, fit_theil_sen, judge_together, judge_trend
from biofeedback.analysis.words import YARDSTICK_POINTS, find_wanted
from biofeedback.model import is_from_phone, same_name

DAY_S = 86_400.0
N_SESSIONS_ICC = 3
ALIKE = "most pairs of sessions gave the same value"
AS_ONE_OF = "the order of all sessions would be a change by itself; as one of {m} measures it may be luck"
CHANGES: dict[TrendWord, ChangeWord] = {
    "rising": "up",
    "falling": "down",
    "no clear trend": "within measurement error",
    "unknown": "unknown",
}
MEASURES = (  # attribute of SessionPoint, what it is called, unit ("" is the session's own, in ATTRIBUTE_unit)
    ("maximum", "maximum", ""),
    ("reach", "position reached", ""),
    ("range", "range at the furthest tolerated", ""),
    ("passive_discomfort", "discomfort while relaxed", "points"),
    ("change", "change while contracting", "points"),
    ("in_band_percent", "time in band", "%"),
    ("steadiness_cv_percent", "steadiness CV", "%"),
    ("lost_band_s", "first set until the band was lost", "s"),
    ("set_decline_percent", "last set against the first", "%"),
)


@dataclass(frozen=True, slots=True)
class SessionPoint:
    """What one session contributes; None where it was not measured. ``maximum`` only when found by attempts.

    ``reach``: what the position channel read in the stretch, where there is one. ``before``: what was done beforehand
    that may ease discomfort by itself.
    """

    name: str
    started_utc: str
    exercise: str
    side: str
    position: str
    simulated: bool
    maximum: float | None
    maximum_unit: str
    reach: float | None
    reach_unit: str
    attempts: tuple[float, ...]
    passive_discomfort: float | None
    change: float | None
    in_band_percent: float | None
    steadiness_cv_percent: float | None
    response: Response
    dose_points: tuple[DosePoint, ...]
    rated: tuple[RatedPhase, ...] = ()
    range: float | None = None
    range_unit: str = ""
    lost_band_s: float | None = None
    set_decline_percent: float | None = None
    repeats: tuple[RepeatMade, ...] = ()
    before: tuple[str, ...] = ()

    @property
    def key(self) -> tuple[str, str, str, bool, tuple[str, ...]]:
        """What sessions must have in common to be read together, however it was written."""
        names = (self.exercise, self.side, self.position)
        exercise, side, position = map(same_name, names)
        return exercise, side, position, self.simulated, self.before

    @property
    def sideless_key(self) -> tuple[str, str, bool]:
        """For strength, left against right, whatever was done before."""
        exercise, _, position, simulated, _ = self.key
        return exercise, position, simulated

    @property
    def day(self) -> float:
        """Days since 1970, in UTC; NaN when the date cannot be read."""
        try:
            moment = datetime.fromisoformat(self.started_utc)
        except ValueError:
            return float("nan")
        return (moment if moment.tzinfo else moment.replace(tzinfo=UTC)).timestamp() / DAY_S


@dataclass(frozen=True, slots=True)
class Measure:
    """One measure over the sessions of a group: values (oldest first) with their days, and what became of it.

    ``change`` is judged on all sessions: the trend over the whole time, real when its order is (`judge_trend`);
    ``strength`` is that order over its limit, ``correlation`` that of neighbouring sessions. ``error`` is this
    person's own, from session to session.
    """

    name: str
    unit: str
    days: tuple[float, ...]
    values: tuple[float, ...]
    trend_per_week: Trend
    error: RepeatError
    change: Change | None
    strength: float | None
    correlation: float | None

    @property
    def may_be_real(self) -> bool:
        """Whether there were sessions enough, and values that differ: else nothing can be called real by luck."""
        return self.strength is not None and len(set(self.values)) > 1


@dataclass(frozen=True, slots=True)
class HistoryGroup:
    """All sessions of one exercise, side and position, so that positions match; simulated ones by themselves.

    So are those after ``before`` (warmth, massage, ...), which may ease discomfort by itself. Names are as the newest
    session writes them.

    ``latest`` is the newest session's answer with the scatter that earlier sessions taught, where they agree.

    ``repeats`` is the error of a maximal attempt within a session, from all sessions' good attempts; ``agreement``
    how well one attempt tells sessions apart (ICC), None with fewer than three sessions of two attempts.
    """

    exercise: str
    side: str
    position: str
    simulated: bool
    before: tuple[str, ...]
    points: tuple[SessionPoint, ...]
    measures: tuple[Measure, ...]
    repeats: RepeatError
    agreement: Reliability | None
    answer: SessionsAnswer
    dose: Dose
    latest: Response


@dataclass(frozen=True, slots=True)
class SideRow:
    """Left against right maximum of one exercise in one position: strength depends on it."""

    exercise: str
    position: str
    difference: SideDifference


@dataclass(frozen=True, slots=True)
class History:
    """An athlete's sessions by exercise, side and position; ``undated`` names recordings without a usable date."""

    athlete: str
    groups: tuple[HistoryGroup, ...]
    sides: tuple[SideRow, ...]
    undated: tuple[str, ...]


def summarise_session(analysis: SessionAnalysis, name: str) -> SessionPoint:
    """What one recording contributes to the history."""
    settings, maximum = analysis.settings, analysis.maximum
    measured = maximum if maximum is not None and maximum.method == "attempts" else None
    contracting = [row.summary for row in analysis.phases if row.phase.meaning.contracts]
    ratings = [
        row.rating.value
        for row in analysis.phases
        if row.phase.meaning.compares_as == "passive" and row.rating is not None
    ]
    known = [value for value in ratings if value is not None]
    reach, reach_unit = _find_reach(analysis)
    far, far_unit = _find_range(analysis)
    sets = [hold.exit.left_s for hold in analysis.holds if hold.phase.until == BAND_LOST]
    lost = [left_s for left_s in sets if left_s is not None]
    return SessionPoint(
        name=name,
        started_utc=str(settings.get("started_utc") or ""),
        exercise=str(settings.get("exercise") or ""),
        side=str(settings.get("side") or ""),
        position=str(settings.get("position") or ""),
        simulated=bool(settings.get("simulated")),
        maximum=measured.strength if measured else None,
        maximum_unit=measured.unit if measured else "",
        reach=reach,
        reach_unit=reach_unit,
        attempts=tuple(
            row.attempt.value
            for row in analysis.attempts
            if measured and row.attempt.accepted and row.attempt.value is not None
        ),
        passive_discomfort=_mean(known),
        change=analysis.response.mean_change,
        in_band_percent=_mean([s.in_band_percent for s in contracting if s.in_band_percent is not None]),
        steadiness_cv_percent=_mean(
            [s.steadiness_cv_percent for s in contracting if s.steadiness_cv_percent is not None]
        ),
        response=analysis.response,
        dose_points=tuple(list_dose_points(analysis.phases, analysis.response)),
        rated=rate_phases(analysis.phases),
        range=far,
        range_unit=far_unit,
        lost_band_s=lost[0] if lost else None,
        set_decline_percent=find_decline_percent(lost),
        repeats=tuple(analysis.trace.account.repeats),
        before=name_easing(settings.get("covariates")),
    )


def compare_sessions(athlete: str, points: Sequence[SessionPoint]) -> History:
    """Group by exercise, side and position, simulated apart from real, and judge every measure in each group."""
    dated = sorted((p for p in points if np.isfinite(p.day)), key=lambda p: (p.day, p.name))
    keys = sorted({p.key for p in dated})
    groups = []
    for key in keys:
        own = tuple(p for p in dated if p.key == key)
        measures = _judge_together([_judge_measure(own, *measure) for measure in MEASURES])
        answer = combine_responses([p.response for p in own])
        attempts = [p.attempts for p in own if p.maximum_unit == own[-1].maximum_unit]
        repeats, agreement = estimate_repeat_error(attempts), _compare_attempts(attempts)
        known = tuple(measure for measure in measures if measure.values)
        relaxed = _mean([p.response.mean_passive for p in own if p.response.mean_passive is not None])
        dose = compute_dose(
            [replace(d, session=n) for n, p in enumerate(own) for d in p.dose_points],
            wanted_points=YARDSTICK_POINTS if relaxed is None else find_wanted(relaxed) or YARDSTICK_POINTS,
            relaxed_points=relaxed,
        )
        dose = agree_with(dose, answer.word)
        name = (own[-1].exercise, own[-1].side, own[-1].position, own[-1].simulated, own[-1].before)
        groups.append(HistoryGroup(*name, own, known, repeats, agreement, answer, dose, _answer_latest(own)))
    undated = tuple(p.name for p in points if not np.isfinite(p.day))
    return History(athlete, tuple(groups), _compare_sides(dated), undated)


def _answer_latest(points: Sequence[SessionPoint]) -> Response:
    """The newest session once more, single ratings' scatter learnt from the earlier ones too."""
    newest = points[-1]
    if not newest.rated or newest.response.test is not None:
        return newest.response
    earlier = pool_scatters([p.response.scatter for p in points[:-1] if p.response.scatter is not None])
    return compute_response(newest.rated, earlier=earlier)


def find_decline_percent(lost_s: Sequence[float]) -> float | None:
    """The last set until the band was lost against the first; None with one set, or one that was lost at once."""
    return 100 * lost_s[-1] / lost_s[0] - 100 if len(lost_s) > 1 and lost_s[0] > 0 else None


def _compare_attempts(attempts: Sequence[Sequence[float]]) -> Reliability | None:
    """Sessions against attempts, as many of each as the session with the fewest has; sessions with one are left out."""
    several = [own for own in attempts if len(own) > 1]
    if len(several) < N_SESSIONS_ICC:
        return None
    n_trials = min(map(len, several))
    try:
        return compute_reliability([own[:n_trials] for own in several])
    except ValueError:  # attempts that agree exactly have no error to compare with
        return None


def _judge_together(measures: Sequence[Measure]) -> list[Measure]:
    """The same measures, real only what is so among all that could have been."""
    judged = [m for m in measures if m.may_be_real]
    real = judge_together([m.strength or 0.0 for m in judged])
    lucky = {m.name for m, is_real in zip(judged, real, strict=True) if not is_real}
    said = AS_ONE_OF.format(m=len(judged))
    return [
        replace(m, change=replace(m.change, word="not decided", reason=said))
        if m.name in lucky and m.change is not None and m.change.word in ("up", "down")
        else m
        for m in measures
    ]


def _judge_measure(points: Sequence[SessionPoint], attribute: str, title: str, unit: str) -> Measure:
    own_unit = f"{attribute}_unit" if not unit else "name"
    known = [(p.day, float(v), getattr(p, own_unit)) for p in points if (v := getattr(p, attribute)) is not None]
    if not unit:  # a maximum in newtons cannot be compared with one in kilograms
        known = [row for row in known if row[2] == known[-1][2]]
        unit = known[-1][2] if known else ""
    days, values = tuple(row[0] for row in known), tuple(row[1] for row in known)
    error = estimate_session_error(values) if values else RepeatError(None, None, 0, "never measured")
    weeks = [(day - days[0]) / 7 for day in days]
    trend, lasting = fit_theil_sen(weeks, values), judge_trend(weeks, values)
    change = None
    if len(values) > 1:
        moved = values[-1] - values[0] if trend.slope is None else trend.slope * weeks[-1]
        is_flat = lasting.word in ("rising", "falling") and moved * (lasting.score or 0.0) <= 0
        word: ChangeWord = CHANGES["no clear trend" if is_flat else lasting.word]
        if lasting.is_open and not is_flat:
            word = "not decided"
        change = Change(moved, word, ALIKE if is_flat else lasting.reason)
    return Measure(title, unit, days, values, trend, error, change, lasting.strength, lasting.correlation)


def _find_reach(analysis: SessionAnalysis) -> tuple[float | None, str]:
    """The position channel's reading at the zero taken in the stretch, and its unit."""
    trace = analysis.trace
    for channel in trace.channels:
        if channel.kind == "position" and not is_from_phone(channel) and analysis.phases:
            return trace.zero_at(round(analysis.phases[-1].phase.end_s * trace.rate_hz), channel.name), channel.unit
    return None, ""


def _find_range(analysis: SessionAnalysis) -> tuple[float | None, str]:
    """The furthest tolerated while relaxed, the mean of the repeats before the plan; else of those after it."""
    far = [r for r in judge_ranges(analysis.trace.account.ranges) if r.at == "furthest tolerated" and not r.contracting]
    for values, unit in [*((r.before, r.unit) for r in far), *((r.after, r.unit) for r in far)]:
        if values:
            return mean_of(values), unit
    return None, ""


def _compare_sides(points: Sequence[SessionPoint]) -> tuple[SideRow, ...]:
    rows = []
    for key in sorted({p.sideless_key for p in points}):
        own = [p for p in points if p.sideless_key == key and p.maximum is not None]
        unit = own[-1].maximum_unit if own else ""
        left, right = (
            [p.maximum for p in own if p.side == side and p.maximum_unit == unit and p.maximum is not None]
            for side in ("left", "right")
        )
        if left and right:
            rows.append(SideRow(own[-1].exercise, own[-1].position, compare_sides(left, right)))
    return tuple(rows)


def _mean(values: Sequence[float]) -> float | None:
    return float(np.mean(values)) if values else None
