"""Readiness for the next set; with sets that were held, tests/session and tests/report have more."""

from __future__ import annotations

import dataclasses
import math

import pytest

from biofeedback.account.records import PhaseOnRecord
from biofeedback.calibration.recovery import HeldSet, count_hard_s, find_readiness, fit_muscle
from biofeedback.joints import Muscle, muscle_of
from biofeedback.model import Band

HELD = HeldSet(start_s=0.0, end_s=40.0, effort_percent=90, asked_percent=90, low_percent=80, lost_s=30.0)


def ready(at_s: float, *sets: HeldSet):
    return find_readiness(sets, at_s=at_s, asked_percent=90, low_percent=80, joint_name="hip")


def test_a_muscle_recovers_from_the_very_moment_that_a_set_ends():
    tired = [ready(40.0 + rest_s, HELD).fatigued_percent for rest_s in (0.0, 0.5, 1.0, 30.0)]
    assert tired == sorted(tired, reverse=True)
    assert len(set(tired)) == 4
    assert ready(0.0).fatigued_percent == 0


@pytest.mark.parametrize(("wait_s", "is_wasted"), [(0.0, False), (0.5, True), (90.0, True)])
def test_a_set_that_should_wait_at_all_is_wasted_now(wait_s, is_wasted):
    assert dataclasses.replace(ready(45.0, HELD), wait_s=wait_s).is_wasted is is_wasted


def hold_sets(muscle: Muscle, rests_s: tuple[float, ...], *, lost: int = 99, effort: float = 90.0) -> list[HeldSet]:
    """Sets in a band from 80 to 100 %, each held until ``muscle`` loses it, with these rests between; from ``lost`` on
    they end 5 s before."""
    sets, at_s, fatigued = [], 10.0, 0.0
    for k, rest_s in enumerate((*rests_s, 0.0)):
        held_s = muscle.loss_s(90.0, 80.0, fatigued) or 0.0
        end_s = at_s + held_s - (5.0 if k >= lost else 0.0)
        sets.append(
            HeldSet(
                start_s=at_s,
                end_s=end_s,
                effort_percent=effort,
                asked_percent=90.0,
                low_percent=80.0,
                lost_s=None if k >= lost else held_s,
            )
        )
        fatigued = muscle.fatigued_after_rest(muscle.fatigued_after(90.0, end_s - at_s, fatigued), rest_s)
        at_s = end_s + rest_s
    return sets


def search_muscle(sets: list[HeldSet], joint: str) -> Muscle:
    """Every pair of rates on a grid of 25 steps to three SD either side of the joint's, the least misfit taken.

    People differ by 47 % in how fast they tire (Frey-Law, Looft & Heitsman 2012), by a factor exp(0.5) in resting
    (common practice, no source); one person's times scatter by 15 % (common practice, no source).
    """
    of_joint, found = muscle_of(joint), []
    for tiring in [k / 4 - 3 for k in range(25)]:
        for resting in [k / 4 - 3 for k in range(25)]:
            muscle = Muscle(
                of_joint.fatigue_per_s * 1.47**tiring,
                of_joint.recovery_per_s,
                of_joint.rest_factor * math.exp(0.5 * resting),
            )
            misfit, fatigued = tiring**2 + resting**2, 0.0
            for before, one in zip([None, *sets[:-1]], sets, strict=True):
                if before is not None:
                    fatigued = muscle.fatigued_after_rest(fatigued, one.start_s - before.end_s)
                if one.lost_s is not None:
                    expected_s = muscle.loss_s(one.asked_percent, one.low_percent, fatigued)
                    error = math.log(max(one.lost_s, 0.5) / max(3600.0 if expected_s is None else expected_s, 0.5))
                    misfit += (error / 0.15) ** 2
                fatigued = min(100.0, muscle.fatigued_after(one.effort_percent, one.end_s - one.start_s, fatigued))
            found.append((misfit, len(found), muscle))
    return min(found)[2]


@pytest.mark.parametrize(("tiring", "resting"), [(1.5, 1.0), (0.7, 2.0), (1.0, 0.4)])
def test_own_times_of_losing_the_band_find_the_muscle_that_fits_them_best(tiring: float, resting: float) -> None:
    of_joint = muscle_of("knee")
    person = Muscle(of_joint.fatigue_per_s * tiring, of_joint.recovery_per_s, of_joint.rest_factor * resting)
    sets = hold_sets(person, (60.0, 90.0, 45.0))
    fitted, n_own = fit_muscle(sets, "knee")
    expected = search_muscle(sets, "knee")
    assert n_own == 4
    assert (fitted.fatigue_per_s, fitted.recovery_per_s, fitted.rest_factor) == pytest.approx(
        (expected.fatigue_per_s, expected.recovery_per_s, expected.rest_factor)
    )
    assert fitted.fatigue_per_s == pytest.approx(person.fatigue_per_s, rel=0.2)


def test_two_own_times_are_not_yet_gone_by() -> None:
    sets = hold_sets(muscle_of("knee"), (60.0, 60.0), lost=2)
    assert fit_muscle(sets, "knee") == (muscle_of("knee"), 0)


def readiness(sets: list[HeldSet], at_s: float, joint: str = "knee"):
    return find_readiness(sets, at_s=at_s, asked_percent=90.0, low_percent=80.0, joint_name=joint)


def test_what_is_expected_of_the_next_set_is_what_the_model_says_of_a_muscle_that_tired_this_much() -> None:
    muscle = muscle_of("knee")
    sets = hold_sets(muscle, (30.0,))
    at_s = sets[-1].end_s + 20.0
    found = readiness(sets, at_s)
    fatigued = 0.0
    for held_s, rest_s in ((sets[0].end_s - 10.0, 30.0), (sets[1].end_s - sets[1].start_s, 20.0)):
        fatigued = muscle.fatigued_after_rest(muscle.fatigued_after(90.0, held_s, fatigued), rest_s)
    assert found.fatigued_percent == pytest.approx(fatigued)
    assert found.fresh_s == pytest.approx(muscle.loss_s(90.0, 80.0))
    assert found.expected_s == pytest.approx(muscle.loss_s(90.0, 80.0, fatigued))
    assert found.rest_s == pytest.approx(muscle.rest_s(fatigued, able_percent=95.0))
    assert found.n_own == 0


@pytest.mark.parametrize("rest_s", [0.0, 10.0, 30.0])
def test_a_set_is_wasted_until_it_would_last_half_as_long_as_a_fresh_one(rest_s: float) -> None:
    muscle = muscle_of("knee")
    sets = hold_sets(muscle, (5.0, 5.0), lost=2)
    at_s = sets[-1].end_s + rest_s
    found = readiness(sets, at_s)
    fresh_s = muscle.loss_s(90.0, 80.0)
    assert fresh_s is not None

    def lasts_s(wait_s: float) -> float:
        return muscle.loss_s(90.0, 80.0, muscle.fatigued_after_rest(found.fatigued_percent, wait_s)) or 0.0

    if lasts_s(0.0) >= 0.5 * fresh_s:
        assert (found.wait_s, found.is_wasted) == (0.0, False)
    else:
        assert lasts_s(found.wait_s) >= 0.5 * fresh_s > lasts_s(found.wait_s - 0.5)
        assert found.is_wasted


def test_a_light_set_that_never_tires_is_never_wasted() -> None:
    sets = hold_sets(muscle_of("knee"), (5.0,))
    found = find_readiness(sets, at_s=sets[-1].end_s, asked_percent=5.0, low_percent=1.0, joint_name="knee")
    assert (found.fresh_s, found.expected_s, found.wait_s, found.is_wasted) == (None, None, 0.0, False)


def test_numbers_that_no_model_takes_are_taken_as_near_as_it_goes() -> None:
    """More than the maximum, a set that ends before it begins, one that begins before the last is over."""
    odd = HeldSet(start_s=50.0, end_s=40.0, effort_percent=130.0, asked_percent=110.0, low_percent=105.0)
    even = HeldSet(start_s=50.0, end_s=50.0, effort_percent=100.0, asked_percent=100.0, low_percent=100.0)
    assert readiness([HELD, odd], 30.0).fatigued_percent == readiness([HELD, even], 50.0).fatigued_percent
    assert find_readiness([], at_s=0.0, asked_percent=130.0, low_percent=110.0, joint_name="knee").fresh_s == (
        muscle_of("knee").loss_s(100.0, 100.0)
    )


@pytest.mark.parametrize(
    ("joint", "said"),
    [
        ("knee", "three-compartment model of the knee"),
        ("trunk", "three-compartment model of the trunk, rest factor assumed"),
        ("hip", "three-compartment model of the knee; no model for the hip: knee used"),
    ],
)
def test_what_readiness_rests_on_is_said(joint: str, said: str) -> None:
    assert readiness([], 0.0, joint).source == said
    sets = hold_sets(muscle_of("knee"), (60.0, 60.0))
    assert readiness(sets, 900.0, joint).source == "the athlete's own 3 times"


def phase(first: int, end: int | None, band: Band | None, kind: str = "contract") -> PhaseOnRecord:
    return PhaseOnRecord(
        number=1, index=0, kind=kind, title="", first_frame=first, end_frame=end, band=band, ask=False, plan_number=1
    )


def test_hard_is_a_contraction_in_a_band_whose_middle_is_at_seventy_percent_or_more() -> None:
    phases = [
        phase(0, 500, Band(60, 80)),  # 5 s, its middle just there
        phase(500, 700, Band(60, 79)),
        phase(700, 800, Band(80, 100), kind="passive"),
        phase(800, 900, None),
        phase(900, None, Band(80, 100)),  # runs since 900
    ]
    assert count_hard_s(phases, 100.0, 1000) == pytest.approx(5.0 + 1.0)
    assert count_hard_s(phases[:1], 50.0, 400) == pytest.approx(8.0)  # no later than now
