import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from biofeedback.account.values import Attempt
from biofeedback.calibration.attempts import judge_attempt, longest_run
from biofeedback.calibration.maximum_rule import judge_maximum
from biofeedback.model import Channel, Flag

FORCE = Channel(name="force", kind="force", unit="N")
EMG = Channel(name="emg", kind="emg", unit="uV")
ENVELOPE = Channel(name="emg", kind="emg", unit="mV", envelope=True)
RATE = 100.0


def push(*, baseline=50.0, plateau=400.0, push_s=4.0, wait_s=0.0, noise=0.0, seed=0):
    """A second of baseline, then a rectangular push ending with the window."""
    levels = np.full(100 + round((wait_s + push_s) * 100), baseline)
    levels[100 + round(wait_s * 100) :] += plateau
    return levels + np.random.default_rng(seed).normal(0, noise, len(levels)) if noise else levels


def judge(levels, channel=FORCE, flags=None, **options):
    flags = np.zeros(len(levels), np.uint16) if flags is None else flags
    return judge_attempt(levels, flags, RATE, channel=channel, **options)


def good(value):
    return judge(push(plateau=value))


def test_value_is_best_half_second_above_baseline():
    levels = push(noise=2.0)
    levels[250:300] += 20.0
    attempt = judge(levels)
    assert attempt.accepted
    assert attempt.reason == ""
    assert attempt.value == pytest.approx(levels[250:300].mean() - levels[:100].mean(), abs=1.0)
    assert attempt.best_from_s == pytest.approx(1.5, abs=0.05)
    assert attempt.peak == pytest.approx(levels.max() - levels[:100].mean())
    assert Attempt.from_dict(attempt.to_dict()) == attempt


def test_emg_noise_is_removed_in_quadrature_and_envelope_linearly():
    levels = push(baseline=3.0, plateau=2.0)
    assert judge(levels, EMG).value == pytest.approx(4.0)  # sqrt(5^2 - 3^2)
    assert judge(levels, ENVELOPE).value == pytest.approx(2.0)


@pytest.mark.parametrize(("push_s", "is_accepted"), [(3.0, True), (2.99, False)])
def test_three_seconds_are_needed(push_s, is_accepted):
    attempt = judge(push(push_s=push_s))
    assert attempt.accepted is is_accepted
    assert is_accepted or attempt.reason == "the push lasted 2.99 s; 3 s are needed; hold longer"


def test_short_touch_names_its_length():
    levels = push(wait_s=3.9, push_s=0.1)
    assert judge(levels).reason == "the push lasted 0.10 s; 3 s are needed; hold longer"


def test_window_too_short_to_measure_is_refused_not_raised():
    attempt = judge(np.zeros(110))
    assert not attempt.accepted
    assert attempt.value is None
    assert attempt.reason.startswith("the push lasted 0.10 s; 3 s are needed")


@pytest.mark.parametrize("plateau", [0.0, -300.0])
def test_maximum_of_zero_or_wrong_sign_is_refused(plateau):
    attempt = judge(push(plateau=plateau))
    assert not attempt.accepted
    assert attempt.reason.startswith("the push never rose above rest")
    assert "sign" in attempt.reason


def test_noise_alone_is_no_maximum():
    assert judge(push(plateau=0.0, noise=5.0)).reason.startswith("the push never rose clearly above rest")


def test_spike_limit_both_sides():
    levels = push()
    levels[-1] += 90.0
    attempt = judge(levels)
    excess_percent = 100 * (attempt.peak / attempt.value - 1)
    assert excess_percent == pytest.approx(22.0, abs=0.2)
    assert judge(levels, spike_percent=excess_percent + 0.01).accepted
    assert not judge(levels, spike_percent=excess_percent - 0.01).accepted
    assert attempt.accepted  # 25 % by default
    levels[-1] += 20.0
    assert not judge(levels).accepted


def test_jerk_is_refused_with_its_size():
    levels = push()
    levels[150:158] += 300.0
    assert "% above the best 0.5 s mean; 25 % is allowed; build up" in judge(levels).reason


@pytest.mark.parametrize(("flag", "word"), [(Flag.CLIPPED, "rail"), (Flag.MISSING, "gap")])
def test_clipping_and_gaps_are_refused(flag, word):
    levels = push()
    flags = np.zeros(len(levels), np.uint16)
    flags[200:210] = flag
    if flag == Flag.MISSING:
        levels[200:210] = np.nan
    attempt = judge(levels, flags=flags)
    assert not attempt.accepted
    assert "0.10 s" in attempt.reason
    assert word in attempt.reason


@pytest.mark.parametrize(("trend_percent", "is_accepted"), [(4.9, True), (5.1, False)])
def test_moving_baseline_limit(trend_percent, is_accepted):
    levels = push()
    levels[:100] += np.linspace(-0.5, 0.5, 100) * trend_percent / 100 * 400.0
    attempt = judge(levels)
    assert attempt.value == pytest.approx(400.0)
    assert attempt.accepted is is_accepted
    assert is_accepted or "rest moved by 5.1 % of the effort" in attempt.reason


@pytest.mark.parametrize(("sd_percent", "is_accepted"), [(4.9, True), (5.1, False)])
def test_scattering_baseline_limit(sd_percent, is_accepted):
    levels = push()
    wiggle = np.tile([-1.0, 1.0, 1.0, -1.0], 25)
    levels[:100] += wiggle / wiggle.std(ddof=1) * sd_percent / 100 * 400.0
    attempt = judge(levels)
    assert attempt.accepted is is_accepted
    assert is_accepted or "rest shook by 5.1 %" in attempt.reason


# Agreement of the two best within 5 % (10 % hand-held): common practice, no single source.
@pytest.mark.parametrize(
    ("values", "options", "state", "n_more"),
    [
        ((), {}, "more", 3),
        ((100.0,), {}, "more", 2),
        ((100.0, 100.0), {}, "more", 1),
        ((100.0, 95.0, 80.0), {}, "accepted", 0),
        ((100.0, 94.9, 80.0), {}, "more", 2),
        ((80.0, 94.9, 100.0), {}, "more", 1),  # last is best by more than 5 %
        ((100.0, 90.0, 80.0), {"tolerance_percent": 10.0}, "accepted", 0),
        ((100.0, 89.9, 80.0), {"tolerance_percent": 10.0}, "more", 2),
        ((100.0, 90.0, 80.0, 85.0), {}, "more", 1),
        ((100.0, 90.0, 80.0, 96.0), {}, "accepted", 0),
        ((100.0, 90.0, 80.0, 85.0, 85.0), {}, "unsettled", 0),
        ((100.0, 90.0, 80.0, 85.0, 110.0), {}, "more", 1),
        ((100.0, 90.0, 80.0, 85.0, 110.0, 120.0), {}, "unsettled", 0),
        ((100.0, 90.0, 80.0, 85.0, 110.0, 114.0), {}, "accepted", 0),
    ],
)
def test_decision_table(values, options, state, n_more):
    verdict = judge_maximum([good(value) for value in values], **options)
    assert (verdict.state, verdict.n_more) == (state, n_more)
    assert (verdict.strength is not None) == (state == "accepted")
    assert verdict.best == (pytest.approx(max(values)) if values else None)


def test_rejected_and_refused_attempts_do_not_count_but_stay():
    attempts = [good(100.0), good(120.0).rejected("lifted the hip"), judge(push(push_s=1.0)), good(99.0)]
    assert judge_maximum(attempts).n_more == 1
    assert attempts[1].value == pytest.approx(120.0)
    assert attempts[1].reason == "lifted the hip"
    verdict = judge_maximum([*attempts, good(98.0)])
    assert verdict.state == "accepted"
    assert verdict.strength == pytest.approx(100.0)
    assert verdict.best_index == 0


@given(st.lists(st.floats(50, 500), min_size=3, max_size=6))
def test_accepted_maximum_is_always_supported_by_a_second_attempt(values):
    verdict = judge_maximum([good(value) for value in values])
    if verdict.state == "accepted":
        best, second = sorted(values)[-1], sorted(values)[-2]
        assert verdict.strength == pytest.approx(best)
        assert second >= 0.95 * best - 1e-6


@given(st.lists(st.booleans(), max_size=40))
def test_longest_run(mask):
    expected = max((len(run) for run in "".join("1" if m else " " for m in mask).split()), default=0)
    assert longest_run(np.array(mask, bool)) == expected
