from dataclasses import replace
from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from biofeedback.account.values import Maximum
from biofeedback.calibration.effort import EffortStream
from biofeedback.model import Channel, Flag, Levels

FORCE = Channel(name="force", kind="force", unit="N")
EMG = Channel(name="emg", kind="emg", unit="uV")
ENVELOPE = Channel(name="emg2", kind="emg", unit="mV", envelope=True)
POSITION = Channel(name="position", kind="position", unit="cm")
RATE = 100.0


def maximum(channel="force", strength=400.0, baseline=50.0, unit="N"):
    return Maximum(channel=channel, strength=strength, baseline=baseline, unit=unit)


def levels_of(*columns, first=0):
    values = np.column_stack([np.asarray(c, float) for c in columns])
    flags = np.where(np.isnan(values), Flag.MISSING, Flag.GOOD).astype(np.uint16)
    return Levels(first, values, flags)


def test_formulae_of_every_kind():
    stream = EffortStream([FORCE, EMG, ENVELOPE, POSITION], RATE)
    for index, level in enumerate([50.0, 3.0, 1.0, 10.0]):
        stream.set_rest(index, level, 0.1)
    stream.set_maximum(0, maximum())
    stream.set_maximum(1, maximum("emg", 100.0, 3.0, "uV"))
    stream.set_maximum(2, maximum("emg2", 4.0, 1.0, "mV"))
    effort = stream.push(levels_of([150.0, 650.0], [5.0, 2.0], [2.0, 10.0], [9.0, 12.5]))
    assert effort.percent[0] == pytest.approx([25.0, 4.0, 25.0, -1.0])  # EMG: 100 sqrt(5^2 - 3^2) / 100
    assert effort.percent[1] == pytest.approx([150.0, 0.0, 225.0, 2.5])  # never clipped at 100


def test_unknown_until_calibrated():
    stream = EffortStream([FORCE], RATE)
    assert np.isnan(stream.push(levels_of([1.0])).percent).all()
    stream.set_rest(0, 0.0, 0.1)
    assert np.isnan(stream.push(levels_of([1.0], first=1)).percent).all()
    stream.set_maximum(0, maximum())
    assert np.isfinite(stream.push(levels_of([1.0], first=2)).percent).all()


def test_baseline_of_the_attempt_serves_until_there_is_a_zero():
    stream = EffortStream([FORCE], RATE)
    stream.set_maximum(0, maximum())
    assert stream.push(levels_of([250.0])).percent[0, 0] == pytest.approx(50.0)


@pytest.mark.parametrize(
    ("method", "baseline", "percent"),
    [("attempts", "passive", 50.0), ("carried", "passive", 62.5), ("attempts", "zero", 62.5)],
)
def test_until_tension_is_learnt_the_attempts_own_baseline_is_nearest(method, baseline, percent):
    stream = EffortStream([FORCE], RATE, baseline=baseline)
    stream.set_rest(0, 0.0, 0.1)
    stream.set_maximum(0, replace(maximum(), method=method))
    assert stream.push(levels_of([250.0])).percent[0, 0] == pytest.approx(percent)
    stream.set_rest(0, 10.0, 0.1)  # a later zero is the later knowledge
    assert stream.push(levels_of([250.0], first=1)).percent[0, 0] == pytest.approx(60.0)


def test_missing_level_is_unknown_effort():
    stream = EffortStream([FORCE], RATE)
    stream.set_maximum(0, maximum())
    effort = stream.push(levels_of([np.nan, 250.0]))
    assert np.isnan(effort.percent[0, 0])
    assert effort.flags[0, 0] == Flag.MISSING
    assert effort.percent[1, 0] == pytest.approx(50.0)


def test_passive_tension_is_learnt_while_relaxed_and_carried_through_contraction():
    stream = EffortStream([FORCE], RATE)
    stream.set_rest(0, 0.0, 0.1)
    stream.set_maximum(0, maximum())
    stream.set_relaxed(True)
    stream.push(levels_of(np.full(500, 80.0)))
    stream.set_relaxed(False)
    effort = stream.push(levels_of(np.full(500, 180.0), first=500))
    assert effort.percent[:, 0] == pytest.approx(np.full(500, 25.0))


def test_at_one_level_a_second_each_of_them_teaches():
    stream = EffortStream([FORCE], 1.0)
    stream.set_rest(0, 0.0, 0.1)
    stream.set_maximum(0, maximum())
    stream.set_relaxed(True)
    baseline = [stream.push(levels_of([80.0], first=k)).baseline[0, 0] for k in range(8)]
    assert baseline[:3] == [50.0] * 3, "letting go comes first"
    assert baseline[3] > 70
    assert baseline[5:] == pytest.approx([80.0] * 3)


def test_after_a_new_zero_more_than_before_is_no_rise():
    """In a held position passive tension never rises; with another zero it is another position."""
    stream = EffortStream([FORCE], RATE)
    stream.set_rest(0, 0.0, 0.1)
    stream.set_maximum(0, maximum())
    stream.set_relaxed(True)
    stream.push(levels_of(np.full(400, 80.0)))
    stream.set_rest(0, 180.0, 0.1)
    stream.set_relaxed(True)
    stream.push(levels_of(np.full(200, 200.0), first=400))
    assert stream.push(levels_of(np.full(50, 200.0), first=600)).baseline[:, 0] == pytest.approx(np.full(50, 200.0))


def test_letting_go_is_not_learnt():
    stream = EffortStream([FORCE], RATE)
    stream.set_rest(0, 50.0, 0.1)
    stream.set_maximum(0, maximum())
    stream.set_relaxed(True)
    decay = 50.0 + 300.0 * np.exp(-np.arange(400) / 20.0)
    effort = stream.push(levels_of(decay))
    assert effort.baseline[:, 0] == pytest.approx(np.full(400, 50.0), abs=0.2)


PIECES = pytest.mark.parametrize("n_levels", [7, 10_000], ids=["live", "afterwards"])


def push_in_pieces(stream, levels, n_levels):
    """The force's baseline at the end of ``levels``, of which ``n_levels`` come together."""
    for first in range(0, len(levels.values), n_levels):
        part = slice(first, first + n_levels)
        effort = stream.push(Levels(first, levels.values[part], levels.flags[part]))
    return effort.baseline[-1, 0]


@PIECES
@pytest.mark.parametrize("flag", [Flag.CLIPPED, Flag.SETTLING, Flag.MISSING])
def test_relaxed_readings_that_are_none_are_not_learnt(flag, n_levels):
    """Eight relaxed seconds, 3 N/s above the true tension in the flagged ones: slow enough for a muscle."""
    force = np.full(1600, 80.0)
    force[800:] += 2.4 * np.minimum(1.0, np.arange(800) / 400)
    baselines = []
    for flags in (Flag.GOOD, flag):
        stream = EffortStream([FORCE], RATE)
        stream.set_rest(0, 0.0, 0.1)
        stream.set_maximum(0, maximum())
        stream.set_relaxed(True)
        levels = levels_of(force)
        levels.flags[800:] = flags
        baselines.append(push_in_pieces(stream, levels, n_levels))
    assert baselines[0] == pytest.approx(82.4, abs=0.3)  # good ones are
    assert baselines[1] == pytest.approx(80.0, abs=0.3)


@PIECES
def test_a_spike_in_a_relaxed_block_is_not_learnt(n_levels):
    stream = EffortStream([FORCE], RATE)
    stream.set_rest(0, 0.0, 0.1)
    stream.set_maximum(0, maximum())
    stream.set_relaxed(True)
    force = np.full(1000, 80.0)
    force[905:910] += 300.0
    levels = levels_of(force)
    levels.flags[905:910] = Flag.SPIKE
    assert push_in_pieces(stream, levels, n_levels) == pytest.approx(80.0, abs=0.1)


@PIECES
@pytest.mark.parametrize(
    ("flag", "is_learnt"), [(Flag.GOOD, False), (Flag.HUM, True), (Flag.ELECTRODE, True), (Flag.CLIPPED, True)]
)
def test_only_an_emg_that_can_be_believed_keeps_the_baseline_from_learning(flag, is_learnt, n_levels):
    stream = EffortStream([FORCE, EMG], RATE)
    stream.set_rest(0, 0.0, 0.1)
    stream.set_rest(1, 3.0, 0.1)
    stream.set_maximum(0, maximum())
    stream.set_maximum(1, maximum("emg", 100.0, 3.0, "uV"))
    stream.set_relaxed(True)
    levels = levels_of(np.full(1000, 80.0), np.full(1000, 40.0))  # 40 % of its maximum: a tense athlete
    levels.flags[:, 1] = flag
    found = push_in_pieces(stream, levels, n_levels)
    assert found == pytest.approx(80.0 if is_learnt else 50.0, abs=0.2)  # else the attempt's own baseline stays


def test_maximum_round_trip_and_misuse():
    one = Maximum(
        channel="force", strength=400.0, baseline=50.0, unit="N", position="90 deg", utc="2026-01-01T00:00:00Z"
    )
    assert Maximum.from_dict({**one.to_dict(), "newer": 1}) == one
    with pytest.raises(ValueError, match="strength 0"):
        maximum(strength=0.0)


@settings(max_examples=40, deadline=None)
@given(cuts=st.lists(st.integers(1, 3000), max_size=30), seed=st.integers(0, 5))
def test_result_does_not_depend_on_how_levels_are_cut(cuts, seed):
    rng = np.random.default_rng(seed)
    values = np.column_stack([80 + rng.normal(0, 1, 3000), np.abs(rng.normal(5, 1, 3000))])
    values[rng.integers(0, 3000, 10), 0] = np.nan
    values[600:700, 1] = 400.0  # a muscle at work while the athlete is asked to relax
    values[1500:1900, 1] = 0.1  # an electrode that has come off
    flags = np.zeros(values.shape, np.uint16)
    flags[300:560, 0] = Flag.CLIPPED
    flags[620:690, 1] = Flag.HUM  # then nobody knows whether it works
    commands = {137: True, 901: False, 1400: True, 2005: False, 2600: True}

    def run(boundaries):
        stream = EffortStream([FORCE, EMG], RATE)
        stream.set_rest(0, 0.0, 0.1)
        stream.set_rest(1, 1.0, 0.1)
        stream.set_maximum(0, maximum())
        stream.set_maximum(1, maximum("emg"))
        edges = sorted({0, 3000, *boundaries, *commands})
        parts = []
        for first, end in pairwise(edges):
            if first in commands:
                stream.set_relaxed(commands[first])
            parts.append(stream.push(Levels(first, values[first:end], flags[first:end])))
        names = ("percent", "baseline", "plus_minus_percent", "flags")
        return [np.concatenate([getattr(p, name) for p in parts]) for name in names]

    whole = run([])
    assert (whole[3][:, 1] & Flag.ELECTRODE).any()
    for pieces in (cuts, range(0, 3000, 49)):  # the latter never hold a whole block
        for once, cut in zip(whole, run(pieces), strict=True):
            assert once.tobytes() == cut.tobytes()


def push_seconds(stream, seconds, *values, first=0):
    """Constant levels for some seconds; the flags of the last level and the level after."""
    n = round(seconds * RATE)
    effort = stream.push(levels_of(*([value] * n for value in values), first=first))
    return effort.flags[-1], first + n


def test_contracting_without_a_relaxed_stretch_since_the_zero_is_marked():
    """22 % of passive tension counted as effort once, 81 % of it "in band", without a word."""
    stream = EffortStream([FORCE], RATE)
    stream.set_rest(0, 10.0, 0.1)
    flags, at = push_seconds(stream, 2, 98.0)
    stream.set_maximum(0, maximum(baseline=10.0))
    flags, at = push_seconds(stream, 2, 98.0, first=at)
    assert not flags[0] & Flag.TENSION, "nobody has asked for anything yet"
    stream.set_relaxed(False)
    flags, at = push_seconds(stream, 2, 98.0, first=at)
    assert flags[0] & Flag.TENSION
    stream.set_relaxed(True)
    flags, at = push_seconds(stream, 6, 98.0, first=at)
    stream.set_relaxed(False)
    flags, at = push_seconds(stream, 2, 198.0, first=at)
    assert not flags[0] & Flag.TENSION, "what the position alone pulls is known now"
    stream.set_rest(0, 10.0, 0.1)
    stream.set_relaxed(False)
    flags, at = push_seconds(stream, 2, 98.0, first=at)
    assert flags[0] & Flag.TENSION, "a new zero forgets it"


def test_a_muscle_quieter_than_its_own_rest_has_lost_an_electrode():
    """An input that is open or shorted is quieter than any skin: it looked relaxed."""
    stream = EffortStream([EMG, FORCE], RATE)
    stream.set_rest(0, 5.0, 0.3)
    flags, at = push_seconds(stream, 5, 5.0, 10.0)
    assert not flags[0] & Flag.ELECTRODE
    flags, at = push_seconds(stream, 1, 0.8, 10.0, first=at)
    assert not flags[0] & Flag.ELECTRODE, "a moment's quiet says nothing"
    flags, at = push_seconds(stream, 2, 0.8, 10.0, first=at)
    assert flags.tolist() == [Flag.ELECTRODE, Flag.GOOD]
    flags, at = push_seconds(stream, 2, 2.0, 10.0, first=at)
    assert not flags[0] & Flag.ELECTRODE, "someone who relaxes better than at the zero"


def test_a_lost_electrode_is_said_after_two_quiet_seconds_and_no_sooner():
    stream = EffortStream([EMG, FORCE], RATE)
    stream.set_rest(0, 5.0, 0.3)
    _, at = push_seconds(stream, 5, 5.0, 10.0)
    quiet = np.tile((0.8, 10.0), (3 * round(RATE), 1))
    flagged = np.flatnonzero(stream.push(levels_of(*quiet.T, first=at)).flags[:, 0] & Flag.ELECTRODE)
    assert flagged[0] == 2 * round(RATE), "quiet blocks are counted one by one"


def test_another_sensors_numbers_are_marked_until_somebody_says_what_holds():
    stream = EffortStream([FORCE, EMG], RATE)
    flags, at = push_seconds(stream, 1, 1.0, 1.0)
    assert flags.tolist() == [Flag.GOOD, Flag.GOOD]
    stream.set_stranger(True)
    flags, at = push_seconds(stream, 1, 1.0, 1.0, first=at)
    assert flags.tolist() == [Flag.STRANGER, Flag.STRANGER]
    stream.set_stranger(False)
    flags, at = push_seconds(stream, 1, 1.0, 1.0, first=at)
    assert flags.tolist() == [Flag.GOOD, Flag.GOOD]


def test_what_is_forgotten_is_unknown_from_the_next_level_on():
    stream = EffortStream([FORCE], RATE)
    stream.set_rest(0, 10.0, 0.1)
    stream.set_maximum(0, maximum(baseline=10.0))
    known = stream.push(levels_of([110.0] * 7))
    stream.set_relaxed(False)
    stream.forget()
    unknown = stream.push(levels_of([110.0] * 7, first=7))
    assert np.isfinite(known.percent).all()
    assert np.isnan(unknown.percent).all()
    assert not unknown.flags.any()
    assert stream.methods == ("zero",)
