"""Sets and lessons in the report and over the weeks: what was recorded, and nothing for who did neither."""

from __future__ import annotations

from dataclasses import replace
from types import SimpleNamespace

import numpy as np
import pytest

from biofeedback.account.kinds import RepeatMade
from biofeedback.account.records import PhaseOnRecord
from biofeedback.analysis.learning import fit_learning
from biofeedback.calibration.recovery import HeldSet, count_hard_s, find_readiness, fit_muscle
from biofeedback.joints import muscle_of, predict_failure, predict_fatigue
from biofeedback.model import Band
from biofeedback.report.training_tables import describe_curve, describe_lessons, tabulate_lessons


def test_a_lesson_is_described_with_how_fast_the_error_falls():
    errors = [12.0, 9.0, 7.5, 6.0, 5.2, 4.8, 4.4, 4.2, 4.1, 4.0]
    repeats = [RepeatMade(lesson="light", phase_index=1, error=e, kept=e < 6.5) for e in errors]
    said = describe_lessons(repeats)
    assert len(said) == 1
    assert said[0].startswith("Hold it lightly (error: RMS error, % of maximum), 10 repeats: passed, the error fell")
    assert "% of what is left a repeat (95 % interval" in said[0]
    assert describe_lessons([]) == []
    assert describe_curve(fit_learning([3.0, 4.0])) == "no learning curve: 2 repeats; 6 are needed for a curve"


def test_the_table_of_a_session_without_lessons_is_none():
    assert tabulate_lessons(SimpleNamespace(trace=SimpleNamespace(account=SimpleNamespace(repeats=[])))) is None


def test_a_repeat_is_a_row_in_its_table_with_digits_that_mean_something():
    repeat = RepeatMade(
        lesson="light", phase_index=1, error=4.256, kept=True, constant_error=-1.26, rms_error=4.256, cv_percent=7.36,
        blind_constant_error=2.34, blind_rms_error=5.67, blind_cv_percent=8.91, onset_s=0.456, release_s=0.789,
        share_percent=91.4,
    )  # fmt: skip
    table = tabulate_lessons(SimpleNamespace(trace=SimpleNamespace(account=SimpleNamespace(repeats=[repeat]))))
    (row,) = table.rows
    assert [table.head[k] for k in table.text_columns] == ["lesson", "kept"]
    assert row[1:] == ("4.26", "yes", "−1.3", "4.3", "7.4", "2.3", "5.7", "8.9", "0.46", "0.79", "91")


def phase(number, band, first, end, kind="contract"):
    where = {"number": number, "index": number, "first_frame": first, "end_frame": end, "plan_number": 1}
    return PhaseOnRecord(kind=kind, title="", band=band, ask=False, **where)


def test_hard_seconds_are_those_of_bands_from_70_percent_on():
    phases = [
        phase(1, Band(80, 100), 0, 1500),
        phase(2, Band(20, 30), 2000, 6000),
        phase(3, Band(60, 80), 7000, 8000),
        replace(phase(4, Band(80, 100), 9000, None), end_frame=None),
    ]
    assert count_hard_s(phases, 100.0, 9500) == 15 + 10 + 5


# -- the model of recovery ------------------------------------------------------------------------------------------


def euler_loss(muscle, effort, low, fatigued, step_s=0.002):
    """The published equations by small steps: hold ``effort`` while it can be given, then all there is, to ``low``."""
    active, tired, time_s = effort / 100, fatigued / 100, 0.0
    while time_s < 2000:
        active = min(effort / 100, 1 - tired)
        if active < low / 100:
            return time_s
        tired += step_s * (muscle.fatigue_per_s * active - muscle.recovery_per_s * tired)
        time_s += step_s
    return None


@pytest.mark.parametrize("joint", ["knee", "ankle", "shoulder", "elbow"])
@pytest.mark.parametrize(("effort", "low", "tired"), [(90, 80, 0), (90, 80, 8), (70, 60, 0), (50, 40, 10)])
def test_the_expected_time_is_the_published_equations_integrated(joint, effort, low, tired):
    muscle = muscle_of(joint)
    assert muscle.loss_s(effort, low, tired) == pytest.approx(
        euler_loss(muscle, effort, low, tired), rel=0.01, abs=0.05
    )
    assert predict_failure(effort, joint=joint) < muscle.loss_s(effort, low)


def sets_of(muscle, rests, *, scatter=0.0, seed=0):
    """What a person with this muscle would do: 80-100 %, each set until the band is lost."""
    rng = np.random.default_rng(seed)
    fatigued, at_s, sets = 0.0, 0.0, []
    for rest_s in rests:
        lost_s = muscle.loss_s(90, 80, fatigued) * float(np.exp(scatter * rng.standard_normal()))
        end_s = at_s + lost_s + 2
        sets.append(
            HeldSet(start_s=at_s, end_s=end_s, effort_percent=90, asked_percent=90, low_percent=80, lost_s=lost_s)
        )
        fatigued = muscle.fatigued_after_rest(muscle.fatigued_after(90, lost_s + 2, fatigued), rest_s)
        at_s = end_s + rest_s
    return sets


def test_before_three_own_times_the_joint_answers_and_then_the_person():
    slow = replace(muscle_of("knee"), fatigue_per_s=0.0075, rest_factor=8.0)
    for n in (1, 2):
        assert fit_muscle(sets_of(slow, [60.0] * n), "knee") == (muscle_of("knee"), 0)
    errors = {"own": [], "joint": []}
    for seed in range(20):
        sets = sets_of(slow, [60.0, 60.0, 60.0, 60.0], scatter=0.1, seed=seed)
        fitted, n_own = fit_muscle(sets, "knee")
        assert n_own == 4
        for name, muscle in (("own", fitted), ("joint", muscle_of("knee"))):
            errors[name].append(abs(np.log(muscle.loss_s(90, 80) / slow.loss_s(90, 80))))
    assert np.mean(errors["own"]) < 0.4 * np.mean(errors["joint"])


def test_a_set_soon_after_the_last_is_wasted_and_one_after_a_rest_is_not():
    sets = sets_of(muscle_of("knee"), [0.0])
    soon = find_readiness(sets, at_s=sets[0].end_s + 5, asked_percent=90, low_percent=80, joint_name="hip")
    assert soon.is_wasted
    assert "no model for the hip: knee used" in soon.source
    later = find_readiness(
        sets, at_s=sets[0].end_s + 5 + soon.wait_s, asked_percent=90, low_percent=80, joint_name="hip"
    )
    assert not later.is_wasted
    assert later.expected_s == pytest.approx(later.fresh_s / 2, rel=0.02)
    rested = find_readiness(
        sets, at_s=sets[0].end_s + 5 + soon.rest_s, asked_percent=90, low_percent=80, joint_name="hip"
    )
    assert rested.fatigued_percent == pytest.approx(5.0, abs=0.1)


def test_the_functions_of_a_joint_are_its_muscles():
    assert predict_fatigue(90, 10, joint="knee") == muscle_of("knee").fatigued_after(90, 10)
