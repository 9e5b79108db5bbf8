"""What speaks against a rating, rule by rule at its border, on a session whose levels are put in by hand."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from biofeedback.account.values import PositionResult, Relaxation
from biofeedback.acquisition.felt_source import RATING
from biofeedback.analysis.answer import analyse_recording
from biofeedback.analysis.linking import (
    BEFORE_S,
    LEAST_IN_BAND_PERCENT,
    MOST_BAD_PERCENT,
    MOST_RELAXED_PERCENT,
    POSITION_S,
    find_stretch_start,
    link_ratings,
    list_doubts,
)
from biofeedback.model import Channel, Flag

from .made_session import FORCE, make_check

REACH = Channel(name="reach", kind="position", unit="cm")


@pytest.fixture(scope="module")
def trace():
    """Three phases: relaxed, contracting, relaxed, each rated near its end."""
    return analyse_recording(make_check(passive=(6, 6), contract=(4,))).trace


def put(trace, index, *, percent=None, flags=None, **phase):
    """The trace with other levels in one phase, and another phase."""
    one = trace.phases[index]
    span = slice(one.first_level, one.end_level)
    levels, marks = trace.percent.copy(), trace.flags.copy()
    if percent is not None:
        levels[span, 0] = percent
    if flags is not None:
        marks[span, 0] = flags
    phases = tuple(replace(p, **phase) if p is one else p for p in trace.phases)
    return replace(trace, percent=levels, flags=marks, phases=phases)


def marks_of(trace, index):
    return link_ratings(trace)[index].marks


def shares(trace, index, percent):
    """For each level of a phase up to its rating: True for that share of those counted, the first of them."""
    link = link_ratings(trace)[index]
    phase = trace.phases[index]
    n = round(link.in_phase_s * trace.level_rate_hz)
    skip = round(phase.grace_s * trace.level_rate_hz)
    inside = np.zeros(phase.end_level - phase.first_level, dtype=bool)
    inside[: skip + round((n - skip) * percent / 100)] = True
    return inside


def test_the_bounds_are_those_that_are_told() -> None:
    assert (LEAST_IN_BAND_PERCENT, MOST_RELAXED_PERCENT, MOST_BAD_PERCENT) == (50.0, 10.0, 20.0)
    assert (BEFORE_S, POSITION_S) == (5.0, 2.0)


def test_effort_out_of_its_band_for_more_than_half_of_the_time_is_marked(trace) -> None:
    for percent, is_marked in ((52.0, False), (48.0, True), (0.0, True)):
        told = marks_of(put(trace, 1, percent=np.where(shares(trace, 1, percent), 70.0, 30.0)), 1)
        assert bool(told) == is_marked
        assert all(text.startswith("effort out of band (") for text in told)
    assert marks_of(put(trace, 1, percent=np.nan), 1)[0] == "effort unknown"
    assert marks_of(put(trace, 1, percent=30.0, band=None), 1) == ()
    assert marks_of(put(trace, 1, percent=30.0, kind="rest"), 1) == ()


@pytest.mark.parametrize(("percent", "is_marked"), [(10.0, False), (10.1, True), (np.nan, False)])
def test_more_than_a_tenth_is_not_relaxed(trace, percent, is_marked) -> None:
    told = marks_of(put(trace, 0, percent=percent), 0)
    assert told == (("not relaxed (mean effort 10 %)",) if is_marked else ())


@pytest.mark.parametrize(("is_relaxed", "marks"), [(False, ("not relaxed",)), (True, ()), (None, ())])
def test_what_was_judged_on_the_way_counts_as_well(trace, is_relaxed, marks) -> None:
    judged = Relaxation(**(dict.fromkeys(Relaxation.__dataclass_fields__) | {"is_relaxed": is_relaxed}))
    assert marks_of(put(trace, 0, relaxation=judged), 0) == marks
    assert marks_of(put(trace, 0, relaxation=judged, percent=40.0), 0) == ("not relaxed (mean effort 40 %)",)
    assert marks_of(put(trace, 1, relaxation=judged), 1) == (), "of a contraction nothing is asked"


def test_a_bad_signal_is_marked_above_a_fifth_of_the_time(trace) -> None:
    for percent, is_marked in ((10.0, False), (40.0, True)):
        flags = np.zeros(trace.phases[0].end_level - trace.phases[0].first_level, np.uint16)
        n = round(link_ratings(trace)[0].in_phase_s * trace.level_rate_hz)
        flags[: round(n * percent / 100)] = Flag.HUM
        assert bool(marks_of(put(trace, 0, flags=flags), 0)) == is_marked
        felt = put(trace, 0, flags=flags)
        felt = replace(felt, account=replace(felt.account, channels=[RATING]))
        assert marks_of(felt, 0) == (), "without a sensor there is no signal"


def test_doubts_of_calibration_are_told_above_a_fifth_of_the_levels() -> None:
    doubtful = [flag for flag in Flag if list_doubts(np.full(10, flag, np.uint16))]
    assert doubtful
    for flag in doubtful:
        two, three = (np.array([flag] * n + [0] * (10 - n), np.uint16) for n in (2, 3))
        assert list_doubts(two) == ()
        assert len(list_doubts(three)) == 1
    assert len(list_doubts(np.full(10, sum(doubtful), np.uint16))) == len(doubtful)
    assert list_doubts(np.empty(0, np.uint16)) == ()


def test_a_rating_without_an_answer_carries_no_mark(trace) -> None:
    told = put(trace, 0, percent=40.0)
    silent = replace(told, ratings=(replace(told.ratings[0], value=None), *told.ratings[1:]))
    assert marks_of(silent, 0) == ()
    assert link_ratings(silent)[0].mean_percent == pytest.approx(40.0)


def with_reach(trace, moved):
    """A position channel that stands at 50 and, from the second phase on, elsewhere."""
    reach = np.full(trace.n_levels, 50.0)
    reach[trace.phases[1].first_level :] += moved
    return replace(
        trace, channels=(FORCE, REACH), level=np.column_stack([trace.level[:, 0], reach]),
        **{name: np.repeat(getattr(trace, name), 2, axis=1)
           for name in ("percent", "baseline", "plus_minus_percent", "flags")},
    )  # fmt: skip


@pytest.mark.parametrize(
    ("moved", "mark"),
    [(2.4, ""), (2.5, "drifted (+2.5 cm)"), (-2.6, "drifted (-2.6 cm)"), (4.9, "drifted (+4.9 cm)"),
     (5.0, "lost (+5 cm)"), (-7.0, "lost (-7 cm)")],
)  # fmt: skip
def test_a_position_that_moved_is_drifted_and_then_lost(trace, moved, mark) -> None:
    told = with_reach(trace, moved)
    link = link_ratings(told)[2]
    assert (link.position_drift, link.position_unit) == (pytest.approx(moved), "cm")
    assert link.marks == ((f"position {mark}",) if mark else ())


@pytest.mark.parametrize(
    ("state", "largest", "marks"),
    [("held", 9.0, ()), ("drifted", 3.25, ("position drifted (+3.25 cm)",)), ("lost", None, ("position lost",)),
     ("unknown", None, ("position lost (+7 cm)",))],
)  # fmt: skip
def test_what_was_judged_of_the_position_comes_before_what_is_found_here(trace, state, largest, marks) -> None:
    facts = dict.fromkeys(PositionResult.__dataclass_fields__) | {"state": state, "largest": largest}
    told = with_reach(trace, 7.0)
    phases = (*told.phases[:2], replace(told.phases[2], position=PositionResult(**facts)))
    assert link_ratings(replace(told, phases=phases))[2].marks == marks


def test_drift_is_from_the_two_seconds_after_the_grace_to_the_two_before_the_rating(trace) -> None:
    phase = trace.phases[0]
    rate = trace.level_rate_hz
    told = with_reach(trace, 0.0)
    level = told.level.copy()
    start, n = phase.first_level + round(phase.grace_s * rate), round(2.0 * rate)
    end = min(trace.ratings[2].frame // trace.hop, trace.phases[2].end_level)
    level[:, 1] = 1000.0
    level[start : start + n, 1] = 10.0
    level[end - n : end, 1] = 13.0
    assert link_ratings(replace(told, level=level))[2].position_drift == pytest.approx(3.0)
    level[start : start + n, 1] = np.nan
    link = link_ratings(replace(told, level=level))[2]
    assert (link.position_drift, link.position_unit) == (None, "cm")
    assert link_ratings(trace)[0].position_unit == ""


def test_tension_is_the_mean_baseline_above_the_zero_of_force_alone(trace) -> None:
    phase = trace.phases[0]
    end = min(trace.ratings[0].frame // trace.hop, phase.end_level)
    baseline = trace.baseline.copy()
    baseline[phase.first_level : end, 0] = 17.5
    baseline[phase.first_level, 0] = np.nan
    told = replace(trace, baseline=baseline)
    zero = trace.zero_at(phase.first_level * trace.hop, "force")
    link = link_ratings(told)[0]
    assert (link.passive_tension, link.tension_unit) == (pytest.approx(17.5 - zero), "N")
    assert link_ratings(replace(told, zeros=()))[0].passive_tension is None
    emg = replace(told, channels=(replace(FORCE, kind="emg", unit="uV"),))
    assert link_ratings(emg)[0].passive_tension is None
    unknown = replace(told, baseline=np.full_like(baseline, np.nan))
    assert link_ratings(unknown)[0].passive_tension is None


def test_a_rating_stands_with_the_time_in_its_phase_and_its_stretch(trace) -> None:
    first, second, third = link_ratings(trace)
    phases = trace.phases
    assert [link.in_phase_s for link in (first, second, third)] == pytest.approx([5.5] * 3, abs=0.02)
    assert [link.in_stretch_s for link in (first, second, third)] == pytest.approx(
        [5.5 + p.start_s - phases[0].start_s for p in phases], abs=0.02
    )
    assert (second.band_low_percent, second.band_high_percent, first.band_low_percent) == (60, 80, None)
    assert [link.phase_index for link in (first, second, third)] == [0, 1, 2]
    rest = put(trace, 1, kind="rest")
    assert link_ratings(rest)[2].in_stretch_s == pytest.approx(5.5, abs=0.02)
    assert find_stretch_start(rest.phases[2], rest.phases) is rest.phases[2]
    assert find_stretch_start(phases[2], phases) is phases[0]
    late = tuple(replace(p, first_level=p.first_level + 50 * (k == 2)) for k, p in enumerate(phases))
    assert find_stretch_start(late[2], late) is late[2], "time between two phases leaves the position"
    alone = replace(trace.ratings[0], phase_number=None, phase_index=None)
    link = link_ratings(replace(trace, ratings=(alone,)))[0]
    assert (link.kind, link.in_phase_s, link.in_stretch_s, link.cycle) == ("", None, None, None)
    at = alone.frame // trace.hop
    before = trace.percent[max(0, at - round(5.0 * trace.level_rate_hz)) : at, 0]
    assert link.mean_percent == pytest.approx(np.nanmean(before))
