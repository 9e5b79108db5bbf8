"""A maximum must have been measurable: ends of the range, glitches, pops, tugs, bounces, hum, still readings."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from biofeedback.account.values import Attempt
from biofeedback.calibration.attempt_values import Samples
from biofeedback.calibration.attempts import judge_attempt
from biofeedback.calibration.maximum_rule import EMG_TOLERANCE_PERCENT, judge_maximum
from biofeedback.model import Channel, Chunk, Flag
from biofeedback.signal.levels import LevelStream
from biofeedback.signal.rails import find_rail

from ..made_attempts import (
    START_S,
    Board,
    add_bounce,
    add_burst,
    add_glitches,
    add_pop,
    add_tug,
    judge,
    make_emg,
    make_force,
    measure_truth,
)

FORCE_10 = Board("force", 80, 1.0, 100, 1023.0)
FORCE_12 = Board("force", 1000, 1.0, 100, 4095.0)
FORCE_24 = Board("force", 80, 2000.0, 5000, 8388607.0, -8388608.0)
EMG_10, EMG_12 = Board("emg", 1000, 0.5, 512, 1023.0), Board("emg", 1000, 1.0, 2048, 4095.0)
SEEDS = range(6)


def rng(seed: int) -> np.random.Generator:
    return np.random.default_rng(seed)


@pytest.mark.parametrize("seed", SEEDS)
@pytest.mark.parametrize("declared", [False, True])
@pytest.mark.parametrize(("board", "maximum"), [(FORCE_10, 1300.0), (FORCE_12, 6000.0)])
def test_a_force_at_the_converters_end_is_no_maximum(board: Board, maximum: float, declared: bool, seed: int) -> None:
    attempt = judge(replace(board, declared=declared), make_force(rng(seed), board.rate_hz, maximum))
    assert not attempt.accepted
    assert ("the sensor was at its end" if declared else "of the attempt lie on") in attempt.reason
    assert "lower the gain or use a larger sensor" in attempt.reason


@pytest.mark.parametrize("seed", SEEDS)
@pytest.mark.parametrize(("board", "make", "maximum", "said"), [
    (FORCE_12, make_force, 2000, 1023.0), (FORCE_12, make_force, 6000, 1023.0), (EMG_12, make_emg, 200, 1023.0),
])  # fmt: skip
def test_ends_that_were_declared_too_low_are_told_and_the_athlete_is_not(
    board: Board, make, maximum: float, said: float, seed: int
) -> None:
    attempt = judge(board, make(rng(seed), 1000, maximum), rails=(0.0, said))
    assert not attempt.accepted
    assert "its converter was said to end at 1023" in attempt.reason
    assert "gain" not in attempt.reason


@pytest.mark.parametrize("seed", SEEDS)
@pytest.mark.parametrize(("board", "make", "maximum"), [(FORCE_12, make_force, 6000), (EMG_12, make_emg, 2500)])
def test_ends_that_were_declared_too_high_hide_no_end(board: Board, make, maximum: float, seed: int) -> None:
    for rails in ((-1.0, 16383.0), (-8388608.0, 8388607.0)):
        assert "of the attempt lie on one end" in judge(board, make(rng(seed), 1000, maximum), rails=rails).reason


@pytest.mark.parametrize("seed", SEEDS)
def test_an_amplifier_that_ends_before_its_converter_is_noticed(seed: int) -> None:
    soft = np.minimum(make_force(rng(seed), 1000, 5000), 3300 + rng(seed + 100).normal(0, 0.4, 9000))
    assert "on one end" in judge(FORCE_12, soft).reason


@pytest.mark.parametrize("seed", SEEDS)
@pytest.mark.parametrize("drift_per_s", [-200, -30, 60])
@pytest.mark.parametrize("side", [1, -1])
def test_an_end_that_drifts_is_no_maximum(side: int, drift_per_s: float, seed: int) -> None:
    """No value repeats there, and three attempts agree: it made maxima up to 61 % too low."""
    force, t = make_force(rng(seed), 1000, 5000), np.arange(9000) / 1000
    drifting = np.minimum(force, 3200 + drift_per_s * t + rng(seed + 100).normal(0, 0.4, 9000))
    board = FORCE_12 if side > 0 else replace(FORCE_12, codes_per_unit=-1.0, zero=4000.0)
    attempt = judge(board, drifting)
    assert not attempt.accepted
    assert "straight line" in attempt.reason
    assert "lower the gain or use a larger sensor" in attempt.reason


def test_a_hand_that_is_ten_times_as_steady_as_real_ones_is_no_line() -> None:
    """A slope of 1 % a second with 0.1 % about it; the steadiest second of four real holds has 0.28 %."""
    t = np.arange(9000) / 1000
    shape = np.clip((t - START_S - 0.2) / 0.4, 0, 1) * (1 - 0.01 * np.clip(t - START_S - 1, 0, None))
    force = 20 + 1000 * shape * (1 + 0.0015 * np.sin(2 * np.pi * 1.7 * t)) + rng(1).normal(0, 0.5, 9000)
    assert judge(FORCE_12, force).accepted


@pytest.mark.parametrize("seed", SEEDS)
@pytest.mark.parametrize(("board", "maximum"), [(EMG_10, 1200.0), (EMG_12, 2500.0)])
def test_muscle_activity_cut_off_on_both_sides_is_no_maximum(board: Board, maximum: float, seed: int) -> None:
    assert "on one end" in judge(board, make_emg(rng(seed), 1000, maximum)).reason


@pytest.mark.parametrize("seed", SEEDS)
@pytest.mark.parametrize(
    ("board", "make", "maximum"),
    [
        (FORCE_10, make_force, 600),
        (FORCE_12, make_force, 900),
        (FORCE_24, make_force, 400),
        (EMG_10, make_emg, 120),
        (EMG_12, make_emg, 350),
    ],
)
def test_a_good_attempt_is_accepted_with_its_true_value(board: Board, make, maximum: float, seed: int) -> None:
    values = make(rng(seed), board.rate_hz, maximum)
    attempt = judge(board, values)
    assert attempt.accepted, attempt.reason
    assert not attempt.told
    assert attempt.value == pytest.approx(measure_truth(board, values), rel=0.02)


@pytest.mark.parametrize("seed", SEEDS)
def test_a_jump_of_one_reading_is_cut_out_and_does_not_cost_the_attempt(seed: int) -> None:
    values = make_force(rng(seed), 80, 400)
    spoilt = add_glitches(rng(seed + 100), values, 80, 2, 600)
    attempt = judge(FORCE_24, spoilt)
    assert "jump that no muscle makes cut out" in attempt.told
    assert attempt.value == pytest.approx(measure_truth(FORCE_24, values), rel=0.02)
    assert Attempt.from_dict(attempt.to_dict()) == attempt


@pytest.mark.parametrize("seed", SEEDS)
def test_glitches_of_the_emg_are_cut_out(seed: int) -> None:
    values = make_emg(rng(seed), 1000, 120)
    attempt = judge(EMG_12, add_glitches(rng(seed + 100), values, 1000, 3, 1700))
    assert attempt.accepted, attempt.reason
    assert "glitch reading" in attempt.told
    assert attempt.value == pytest.approx(measure_truth(EMG_12, values), rel=0.02)


@pytest.mark.parametrize("seed", SEEDS)
@pytest.mark.parametrize("maximum", [150, 480])
def test_a_burst_of_glitches_does_not_make_a_maximum(maximum: float, seed: int) -> None:
    """Repaired one by one, or as small as the muscle's own swings, they still made up to 43 % too much."""
    values = make_emg(rng(seed), 1000, maximum)
    attempt = judge(EMG_12, add_burst(rng(seed + 100), values, 1000, 30, 1500))
    assert attempt.accepted, attempt.reason
    assert "jump that no muscle makes" in attempt.told
    assert attempt.value == pytest.approx(measure_truth(EMG_12, values), rel=0.05)


@pytest.mark.parametrize("seed", SEEDS)
def test_a_pop_or_a_pulled_cable_does_not_make_a_maximum(seed: int) -> None:
    """They gave 137 and 149 for 104 once."""
    values = make_emg(rng(seed), 1000, 104)
    truth = measure_truth(EMG_12, values)
    popped, tugged = add_pop(rng(seed), values, 1000, 900), add_tug(rng(seed), values, 1000, 700)
    for spoilt in (popped, tugged):
        attempt = judge(EMG_12, spoilt)
        assert "no muscle makes cut out" in attempt.told
        assert attempt.value == pytest.approx(truth, rel=0.08)
        assert attempt.accepted, attempt.reason


def test_a_cable_that_swings_all_the_time_is_the_sensors_fault_not_the_athletes() -> None:
    t = np.arange(9000) / 1000
    swing = 600 * np.sin(2 * np.pi * 9 * t) * (t > START_S + 0.5)
    attempt = judge(EMG_12, make_emg(rng(1), 1000, 100) + swing)
    assert not attempt.accepted
    assert "electrode" in attempt.reason
    assert "hold longer" not in attempt.reason


@pytest.mark.parametrize("seed", SEEDS)
@pytest.mark.parametrize("share", [0.25, 0.4])
def test_a_bounce_of_half_a_second_is_seen_beside_the_hold(seed: int, share: float) -> None:
    """At 1.25 times it was accepted once, 12 % too high."""
    bounced = add_bounce(rng(seed), make_force(rng(seed), 80, 400), 80, share)
    attempt = judge(FORCE_24, bounced)
    assert not attempt.accepted
    assert "above what lies beside them" in attempt.reason or "do not jerk" in attempt.reason


def test_hum_in_the_push_is_told_before_anything_about_the_athlete() -> None:
    t = np.arange(9000) / 1000
    short = make_emg(rng(3), 1000, 100) * (t < START_S + 1.5)  # let go too early as well
    attempt = judge(EMG_12, short + 120 * np.sin(2 * np.pi * 50 * t) * (t > START_S - 0.2))
    assert not attempt.accepted
    assert "mains hum carries" in attempt.reason or "baseline" in attempt.reason


def test_a_reading_that_stands_still_in_the_push_is_no_maximum() -> None:
    channel = Channel(name="force", kind="force", unit="N")
    counts = np.round(make_force(rng(4), 1000, 400))
    counts[round((START_S + 1.5) * 1000) :] = 371
    stream = LevelStream([channel], 1000)
    levels = stream.push(Chunk(0, counts[:, None]))
    attempt = judge_attempt(
        levels.values[300:, 0],
        levels.flags[300:, 0],
        100.0,
        channel=channel,
        samples=Samples(counts[: levels.n_levels * stream.hop], 1000, stream.hop),
    )
    assert "did not change for a second" in attempt.reason


def test_flags_alone_tell_of_hum_and_electrode_where_there_are_no_samples() -> None:
    levels = np.concatenate((np.full(100, 3.0), np.full(400, 100.0)))
    channel = Channel(name="emg", kind="emg", unit="uV")
    for flag, word in ((Flag.HUM, "hum"), (Flag.ELECTRODE, "electrode"), (Flag.FLAT, "did not change")):
        flags = np.zeros(500, np.uint16)
        flags[350:450] = flag
        assert word in judge_attempt(levels, flags, 100.0, channel=channel).reason


def test_an_emg_maximum_must_agree_with_itself() -> None:
    """100, 102 and 140 made 140 once."""

    def attempts(*values: float) -> list[Attempt]:
        return [Attempt("emg", "uV", v, v, 3.0, 0.3, 1.0, 4.0, accepted=True, reason="") for v in values]

    assert judge_maximum(attempts(100, 102, 140), tolerance_percent=EMG_TOLERANCE_PERCENT).strength is None
    assert judge_maximum(attempts(100, 102, 115), tolerance_percent=EMG_TOLERANCE_PERCENT).strength == 115


@pytest.mark.parametrize("side", [1, -1])
def test_an_end_is_a_heap_and_the_top_of_a_wave_is_none(side: int) -> None:
    t = np.arange(4000) / 1000
    wave = np.round(500 * np.sin(2 * np.pi * 1.3 * t))
    assert find_rail(side * wave, 1000, side=side, is_emg=False) is None
    assert find_rail(side * np.minimum(wave, 450), 1000, side=side, is_emg=False) is not None
    assert find_rail(side * np.repeat([0.0, 3.0], 2000), 1000, side=side, is_emg=False) is None, "too coarse to tell"


@pytest.mark.parametrize(("n_last", "n_before", "is_emg", "end"), [
    (2, 0, False, 1023.0), (1, 0, False, None), (1, 3, False, None), (2, 1, False, None), (3, 1, False, 1023.0),
    (4, 1, True, 1023.0), (3, 0, True, None), (8, 4, True, None), (9, 4, True, 1023.0),
])  # fmt: skip
def test_a_converters_last_code_needs_few_readings_and_twice_the_code_before_it(
    n_last: int, n_before: int, is_emg: bool, end: float | None
) -> None:
    counts = np.repeat([*np.arange(900.0, 922.0), 1022.0, 1023.0], [*[3] * 22, n_before, n_last])
    assert find_rail(counts, 1000, side=1, is_emg=is_emg) == end


def test_ends_of_raw_emg_are_learnt_while_it_runs_and_forgotten_when_they_are_passed() -> None:
    channel = Channel(name="emg", kind="emg")
    x = np.clip(np.round(rng(5).normal(0, 300, 20_000)), -400, 400)
    x[15_000:] = np.round(rng(6).normal(0, 300, 5000))
    flagged = (LevelStream([channel], 1000).push(Chunk(0, x[:, None])).flags[:, 0] & Flag.CLIPPED) > 0
    assert flagged[300:1500].mean() > 0.95
    assert not flagged[1630:].any()


def test_chunk_sizes_leave_no_trace_in_what_is_learnt() -> None:
    channel = Channel(name="emg", kind="emg")
    x = np.clip(np.round(rng(5).normal(0, 300, 12_000)), -400, 400)[:, None]
    x[4000:4300] = np.nan
    whole = LevelStream([channel], 1000).push(Chunk(0, x))
    stream = LevelStream([channel], 1000)
    parts = [stream.push(Chunk(at, x[at : at + 37])) for at in range(0, len(x), 37)]
    assert np.concatenate([part.flags for part in parts]).tobytes() == whole.flags.tobytes()


def test_an_unloaded_sensor_that_returns_to_one_value_is_at_no_end() -> None:
    """A quiet 12-bit board between known masses."""
    channel = Channel(name="force", kind="force")
    steps = np.repeat([400, 900, 1400, 2400, 1400, 900, 400], 4000).astype(float)
    x = np.round(np.convolve(steps, np.ones(300) / 300, "same"))[200:-200]
    assert not (LevelStream([channel], 1000).push(Chunk(0, x[:, None])).flags & Flag.CLIPPED).any()
