"""One attempt by numbers without noise: value, duration, bounce, jerk, rest and gaps to both sides of their limits."""

from __future__ import annotations

import dataclasses

import numpy as np
import pytest

from biofeedback.account.values import Attempt
from biofeedback.calibration.attempts import (
    check_baseline,
    default_spike_percent,
    detrended,
    judge_attempt,
    longest_run,
    rose,
)
from biofeedback.model import Channel, Flag

FORCE = Channel(name="force", kind="force", unit="N")
ENVELOPE = Channel(name="emg", kind="emg", unit="mV", envelope=True)
RAW = Channel(name="emg", kind="emg", unit="mV")


def judge(
    push: list[float], rest: list[float] | None = None, *, channel: Channel = FORCE, rate_hz: float = 100.0, **more
) -> Attempt:
    """An attempt of a second's rest (at 0 unless said otherwise) and this push."""
    rest = [0.0] * max(2, round(rate_hz)) if rest is None else rest
    levels = np.array([*rest, *push])
    flags = more.pop("flags", np.zeros(len(levels), np.uint16))
    return judge_attempt(levels, flags, rate_hz, channel=channel, **more)


def test_value_peak_baseline_and_where_the_best_half_second_began() -> None:
    """At 4 levels a second a half second is two of them; worked out by hand."""
    found = judge([12.0, 50, 90, 100, 95, 80, 60, 50, 40, 11], [9.0, 11, 10, 10], rate_hz=4.0)
    assert found.value == pytest.approx(97.5 - 10)
    assert (found.peak, found.baseline, found.best_from_s) == (90.0, 10.0, 0.75)
    assert found.duration_s == pytest.approx(5 / 4)  # above 10 + 43.75: not the 50 on either side
    assert found.baseline_sd == pytest.approx(np.std([9, 11, 10, 10] - np.polyval(
        np.polyfit(range(4), [9, 11, 10, 10], 1), range(4)), ddof=1))  # fmt: skip
    assert (found.channel, found.unit, found.accepted) == ("force", "N", False)
    assert found.reason.startswith("the push lasted 1.25 s; 3 s are needed")


def test_raw_emg_takes_its_rest_off_in_quadrature() -> None:
    found = judge([5.0, 13.0, 13.0, 13.0], [5.0, 5.0, 5.0, 5.0], channel=RAW, rate_hz=4.0)
    assert found.value == pytest.approx(12.0)
    assert found.duration_s == pytest.approx(3 / 4)  # above sqrt(6^2 + 5^2) = 7.8
    assert judge([5.0, 7.8, 13.0, 13.0], [5.0] * 4, channel=RAW, rate_hz=4.0).duration_s == pytest.approx(2 / 4)
    assert judge([5.0, 7.9, 13.0, 13.0], [5.0] * 4, channel=RAW, rate_hz=4.0).duration_s == pytest.approx(3 / 4)


def test_at_one_level_a_second_rest_is_two_levels_and_the_best_is_one() -> None:
    found = judge([100.0, 110.0, 100.0, 100.0], [1.0, 3.0], rate_hz=1.0)
    assert (found.baseline, found.value, found.duration_s, found.best_from_s) == (2.0, 108.0, 4.0, 1.0)


@pytest.mark.parametrize(("n", "duration_s"), [(50, 0.0), (100, 0.0), (130, 0.3), (149, 0.49)])
def test_what_is_too_short_to_measure_says_how_long_it_was(n: int, duration_s: float) -> None:
    found = judge([], [0.0] * n)
    assert (found.value, found.peak, found.baseline, found.best_from_s) == (None, None, None, None)
    assert found.duration_s == pytest.approx(duration_s)
    assert found.reason == f"the push lasted {duration_s:.2f} s; 3 s are needed; hold longer"


@pytest.mark.parametrize(("n_levels", "accepted"), [(299, False), (300, True)])
@pytest.mark.parametrize("scale", [1.0, 0.001])
def test_three_seconds_above_half(n_levels: int, accepted: bool, scale: float) -> None:
    push = [0.0] * 20 + [100.0 * scale] * n_levels + [50.0 * scale] * 100  # half itself is not above half
    assert judge(push).accepted is accepted
    assert judge([100.0 * scale] * 100, needed_s=1.0).accepted


@pytest.mark.parametrize("scale", [1.0, 0.001])
@pytest.mark.parametrize(
    ("channel", "best", "accepted"),
    [(FORCE, 107.9, True), (FORCE, 108.1, False), (ENVELOPE, 149.9, True), (ENVELOPE, 150.1, False)],
)
@pytest.mark.parametrize("at", [0, 50, 137, 350])
def test_half_a_second_that_stands_out_from_both_sides_is_a_bounce(
    channel: Channel, best: float, accepted: bool, scale: float, at: int
) -> None:
    push = np.full(400, 100.0)
    push[at : at + 50] = best
    found = judge((scale * push).tolist(), channel=channel)
    assert found.accepted is accepted
    assert found.value == pytest.approx(scale * best)
    if not accepted:
        limit = 8 if channel is FORCE else 50
        assert found.reason.startswith(f"a bounce: the best 0.5 s are {best - 100:.0f} % above what lies beside them")
        assert f"; {limit} % is allowed" in found.reason


@pytest.mark.parametrize(("best", "accepted"), [(149.9, True), (150.0, True), (150.1, False)])
def test_a_bounce_of_exactly_what_is_allowed_is_allowed(best: float, accepted: bool) -> None:
    """Half more than beside it: a fraction that binary numbers hold without rounding."""
    push = [100.0] * 150 + [best] * 50 + [100.0] * 200
    assert judge(push, channel=ENVELOPE).accepted is accepted


@pytest.mark.parametrize("scale", [1.0, 0.001])
def test_a_jerk_of_exactly_what_is_allowed_is_allowed(scale: float) -> None:
    push = [100.0] * 150 + [109.0, 87.0] + [100.0] * 48 + [98.0] * 200  # the best half second stays at about 100
    push = [scale * level for level in push]
    found = judge(push)
    assert found.value is not None
    assert found.peak is not None
    excess_percent = 100 * (found.peak / found.value - 1)
    assert excess_percent == pytest.approx(9.0, abs=0.5)
    assert judge(push, spike_percent=excess_percent).accepted
    assert not judge(push, spike_percent=float(np.nextafter(excess_percent, 0.0))).accepted


@pytest.mark.parametrize(("before", "after", "accepted"), [(105.0, 60.0, True), (60.0, 105.0, True), (60, 60, False)])
def test_the_better_of_the_two_sides_tells_of_a_bounce(before: float, after: float, accepted: bool) -> None:
    for lead in (0, 20):
        push = [60.0] * lead + [before] * 50 + [109.0] * 50 + [after] * 50 + [60.0] * 250
        assert judge(push).accepted is accepted


@pytest.mark.parametrize(
    ("channel", "jerk", "accepted"),
    [(FORCE, 125.0, True), (FORCE, 126.0, False), (ENVELOPE, 160.0, True), (ENVELOPE, 162.0, False)],
)
def test_a_jerk_is_a_peak_far_above_the_best_half_second(channel: Channel, jerk: float, accepted: bool) -> None:
    """Two levels of a jerk lift the best half second by 1 and 2.4 %: counted with it."""
    value = (48 * 100 + 2 * jerk) / 50
    push = np.full(400, 100.0)
    push[200:202] = jerk
    push = push * 100 / value  # the best half second at 100 again
    push[200:202] = jerk
    found = judge(push.tolist(), channel=channel)
    excess_percent = 100 * (jerk / found.value - 1)
    assert found.accepted is (excess_percent <= default_spike_percent(channel))
    assert found.accepted is accepted or abs(excess_percent - default_spike_percent(channel)) < 2
    assert judge(push.tolist(), channel=channel, spike_percent=excess_percent + 0.1).accepted
    assert judge(push.tolist(), channel=channel, spike_percent=excess_percent - 0.1).reason.startswith(
        f"a jerk: its peak is {excess_percent:.0f} % above the best 0.5 s mean"
    )


def test_the_usual_limits_of_a_jerk() -> None:
    assert [default_spike_percent(channel) for channel in (FORCE, ENVELOPE, RAW)] == [25.0, 60.0, 60.0]


@pytest.mark.parametrize("times_sd", [5.9, 6.1])
def test_a_push_within_six_sd_of_rest_never_rose(times_sd: float) -> None:
    rest = [-1.0, 1.0] * 50
    sd = float(np.std(detrended(np.array(rest)), ddof=1))
    found = judge([times_sd * sd] * 400, rest)
    is_risen = times_sd > 6
    assert found.reason.startswith("before the push, rest shook" if is_risen else "the push never rose clearly above")
    assert rose(found) is is_risen
    assert is_risen or f"by {times_sd * sd:.3g} N, and more than {6 * sd:.3g} is needed (6 times" in found.reason


@pytest.mark.parametrize("value", [0.0, -5.0])
def test_a_push_that_fell_or_did_nothing_never_rose(value: float) -> None:
    found = judge([value] * 400)
    assert found.reason.startswith(f"the push never rose above rest but fell to {value:.3g} N")
    assert (found.duration_s, found.accepted, rose(found)) == (0.0, False, False)


def test_a_push_with_nothing_beside_it_is_short_and_no_bounce() -> None:
    found = judge([0.0] * 100 + [100.0] * 50 + [0.0] * 100)
    assert found.reason.startswith("the push lasted 0.50 s")
    assert judge([-5.0] * 100 + [100.0] * 50 + [-5.0] * 100, needed_s=0.5).accepted


def test_whoever_cannot_be_measured_may_have_pushed() -> None:
    found = judge([-5.0] * 400)
    assert rose(dataclasses.replace(found, baseline_sd=None))
    assert rose(dataclasses.replace(found, value=None))
    assert rose(judge([], [0.0] * 50))
    assert not rose(judge([1e-9] * 400, [0.0, 1e-9] * 50))


@pytest.mark.parametrize("side", [1, -1])
@pytest.mark.parametrize(
    ("percent", "said"), [(4.99, ""), (5.01, "before the push, rest moved by 5.0 % of the effort")]
)
def test_a_trend_of_more_than_a_twentieth_of_the_effort_is_no_rest(side: int, percent: float, said: str) -> None:
    rest = side * np.linspace(-0.5, 0.5, 100) * percent
    assert check_baseline(rest, 100.0).startswith(said)
    assert bool(check_baseline(rest, 100.0)) is bool(said)
    assert not check_baseline(rest, 100.0, 6.0)
    assert not check_baseline(rest + 1000.0, 101.0)  # where it lies means nothing


@pytest.mark.parametrize(
    ("percent", "said"), [(4.99, ""), (5.01, "before the push, rest shook by 5.0 % of the effort")]
)
def test_an_sd_of_more_than_a_twentieth_of_the_effort_is_no_rest(percent: float, said: str) -> None:
    wave = np.resize([1.0, -1.0, -1.0, 1.0], 20)
    wave = wave / np.std(wave, ddof=1)  # no trend in it
    assert abs(np.polyfit(range(20), wave, 1)[0]) < 1e-12
    assert check_baseline(percent * wave, 100.0).startswith(said)
    assert bool(check_baseline(percent * wave, 100.0)) is bool(said)
    assert check_baseline(percent * wave, None) == check_baseline(percent * wave, 0.0) == ""


def test_detrended_is_what_a_fitted_line_leaves() -> None:
    levels = np.array([3.0, 1.0, 4.0, 1.0, 5.0, 9.0, 2.0])
    fitted = np.polyval(np.polyfit(np.arange(7), levels, 1), np.arange(7))
    assert detrended(levels) == pytest.approx(levels - fitted)


@pytest.mark.parametrize(("mask", "n"), [("", 0), ("000", 0), ("010", 1), ("110111", 3), ("111", 3), ("1011", 2)])
def test_longest_run_of_true(mask: str, n: int) -> None:
    assert longest_run(np.array([c == "1" for c in mask], dtype=bool)) == n


@pytest.mark.parametrize("where", [50, 300])
def test_a_gap_is_told_by_its_flag_or_by_a_level_that_is_no_number(where: int) -> None:
    flags = np.zeros(500, np.uint16)
    flags[where : where + 2] = np.uint16(Flag.MISSING)
    said = "attempt has a gap of 0.02 s; check the cable or radio, then repeat"
    assert judge([100.0] * 400, flags=flags).reason == said
    levels = [0.0] * 100 + [100.0] * 400
    levels[where : where + 2] = [float("nan")] * 2
    assert judge(levels[100:], levels[:100]).reason == said


def test_levels_at_the_end_of_the_range_are_told_where_there_are_no_samples() -> None:
    flags = np.zeros(500, np.uint16)
    flags[300:325] = np.uint16(Flag.CLIPPED)
    assert judge([100.0] * 400, flags=flags).reason.startswith("for 0.25 s the sensor was at its end")
