"""A zero that moves is told; people at rest, in a stretch and at work are not taken for one."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from biofeedback.account.values import Maximum
from biofeedback.acquisition.athlete import AthleteSimulator, make_channel
from biofeedback.acquisition.physiology import Athlete
from biofeedback.calibration.drift import LIMIT_PERCENT, ZeroDrift
from biofeedback.calibration.effort import EffortStream
from biofeedback.model import Channel, Chunk, Cue, Flag, Levels
from biofeedback.signal.levels import LevelStream

FORCE = Channel(name="force", kind="force", unit="N")
RATE_HZ = 100.0
STRENGTH_N = 400.0
LIMIT_N = LIMIT_PERCENT / 100 * STRENGTH_N


def make_stream(channel: Channel = FORCE, *, zero: float = 0.0, strength: float | None = STRENGTH_N) -> EffortStream:
    stream = EffortStream([channel], RATE_HZ)
    stream.set_rest(0, zero, 0.05)
    if strength:
        stream.set_maximum(0, Maximum(channel="force", strength=strength, baseline=zero, unit=channel.unit))
    return stream


def find_drift(stream: EffortStream, force: np.ndarray, *, sizes: tuple[int, ...] = (997,)) -> np.ndarray:
    """Which levels are flagged; the force is cut into pushes of ``sizes``."""
    parts, at, k = [], 0, 0
    while at < len(force):
        piece = force[at : at + sizes[k % len(sizes)], None]
        parts.append(stream.push(Levels(at, piece, np.zeros(piece.shape, np.uint16))).flags[:, 0])
        at, k = at + len(piece), k + 1
    return (np.concatenate(parts) & Flag.DRIFT).astype(bool)


def noise(n: int, seed: int = 0) -> np.ndarray:
    return np.random.default_rng(seed).normal(0.0, 0.05, n)


@settings(max_examples=40, deadline=None)
@given(st.floats(0.002, 0.19), st.booleans(), st.integers(0, 9))
def test_an_unloaded_ramp_is_told_where_it_passes_the_limit(newton_per_s: float, falls: bool, seed: int) -> None:
    ramp = newton_per_s * np.arange(round(2.0 * LIMIT_N / newton_per_s * RATE_HZ)) / RATE_HZ
    found = find_drift(make_stream(), (-ramp if falls else ramp) + noise(len(ramp), seed))
    told = ramp[np.argmax(found)]
    assert found.any()
    assert found[np.argmax(found) :].all()
    assert LIMIT_N - 0.5 < told < LIMIT_N + 3.0 * newton_per_s + 0.5


@settings(max_examples=25, deadline=None)
@given(st.lists(st.integers(1, 400), min_size=1, max_size=9))
def test_how_the_levels_are_cut_leaves_no_trace(sizes: list[int]) -> None:
    ramp = -0.2 * np.arange(6000) / RATE_HZ + noise(6000)
    assert np.array_equal(find_drift(make_stream(), ramp, sizes=tuple(sizes)), find_drift(make_stream(), ramp))


def test_a_zero_that_fell_while_the_position_was_held_is_told_two_seconds_after_letting_go() -> None:
    stretched = np.full(6000, 80.0)
    found = find_drift(make_stream(), np.concatenate((stretched, np.full(1000, -10.0))) + noise(7000))
    assert np.argmax(found) / RATE_HZ == pytest.approx(62.0, abs=0.51)


def test_a_zero_that_rose_while_the_position_was_held_looks_like_passive_tension() -> None:
    """What force alone cannot tell is not claimed."""
    assert not find_drift(make_stream(), np.concatenate((np.full(6000, 80.0), np.full(6000, 12.0)))).any()


def test_zeroing_again_takes_it_back() -> None:
    stream = make_stream()
    assert find_drift(stream, np.full(1000, -10.0))[-1]
    stream.set_rest(0, -10.0, 0.05)
    levels = Levels(1000, np.full((1000, 1), -10.0), np.zeros((1000, 1), np.uint16))
    assert not (stream.push(levels).flags & Flag.DRIFT).any()


def test_a_push_the_other_way_is_forgotten_when_the_zero_is_seen_again() -> None:
    force = np.concatenate([np.zeros(500), np.full(400, -30.0), np.zeros(500)]) + noise(1400)
    found = find_drift(make_stream(), force)
    assert found.any()
    assert not found[-200:].any()


@pytest.mark.parametrize(
    ("channel", "strength", "limit"),
    [
        (FORCE, None, 5.0),
        (Channel(name="force", kind="force", unit="g"), None, 5.0 / 0.00980665),
        (Channel(name="force", kind="force"), None, 20 * 0.3),
        (FORCE, 10.0, 6 * 0.3),  # a weak maximum on a noisy board
        (FORCE, 400.0, 8.0),
    ],
)
def test_the_limit_is_relative_to_the_maximum_then_to_newtons_then_to_noise(
    channel: Channel, strength: float | None, limit: float
) -> None:
    drift = ZeroDrift(channel, 0.0, 0.3, block_s=0.5)
    drift.strength = strength or 0.0
    assert drift.limit == pytest.approx(limit)


def test_counts_that_flip_between_two_codes_are_no_drift() -> None:
    coarse = Channel(name="force", kind="force")
    stream = EffortStream([coarse], RATE_HZ)
    stream.set_rest(0, 512.0, 0.0)
    assert not find_drift(stream, 512.0 + np.repeat(np.arange(40) % 2, 100)).any()


def run_session(athlete: Athlete, *, ramp_newton_per_s: float = 0.0) -> np.ndarray:
    """Zero, three maxima, passive and contracting in turn, let go; which levels are flagged, from the zero on."""
    channel, rate_hz = make_channel("force"), 80.0
    body = AthleteSimulator(athlete, [channel], rate_hz, keep_truth=False)
    levels, found = LevelStream([channel], rate_hz), []
    effort = EffortStream([channel], levels.level_rate_hz)
    cues = [("release", None, 5.0)]
    cues += [("relax", None, 20.0), ("maximum", None, 4.0)] * 3
    cues += [("relax", None, 20.0), ("contract", 25.0, 20.0), ("relax", None, 20.0), ("contract", 70.0, 15.0)]
    cues += [("relax", None, 20.0), ("release", None, 20.0)]
    frame = 0
    for k, (kind, target, duration_s) in enumerate(cues):
        body.cue(Cue(kind, target))
        effort.set_relaxed(k > 6 and kind == "relax")
        counts = body.produce(round(duration_s * rate_hz)).astype(float)
        counts += ramp_newton_per_s / channel.factor * (frame + np.arange(len(counts))[:, None]) / rate_hz
        pushed = levels.push(Chunk(frame, counts))
        frame += len(counts)
        if k == 0:
            still = pushed.values[-200:, 0]
            effort.set_rest(0, float(still.mean()), float(still.std()))
            continue
        if k == 7:
            strength = athlete.maximum_newton
            effort.set_maximum(0, Maximum(channel="force", strength=strength, baseline=0.0, unit="N"))
        found.append(effort.push(pushed).flags[:, 0])
    return (np.concatenate(found) & Flag.DRIFT).astype(bool)


@settings(max_examples=12, deadline=None)
@given(
    st.integers(0, 2**31),
    st.floats(120.0, 900.0),
    st.floats(0.0, 150.0),
    st.floats(10.0, 50.0),
    st.floats(5.0, 60.0),
)
def test_attempts_holds_and_passive_relaxation_are_no_drift(
    seed: int, maximum_newton: float, passive_newton: float, relaxation_percent: float, relaxation_s: float
) -> None:
    athlete = Athlete(
        seed=seed,
        maximum_newton=maximum_newton,
        passive_newton=passive_newton,
        relaxation_percent=relaxation_percent,
        relaxation_s=relaxation_s,
    )
    assert not run_session(athlete).any()


def test_a_session_whose_zero_falls_is_told_at_the_latest_when_the_athlete_lets_go() -> None:
    assert run_session(Athlete(maximum_newton=400.0), ramp_newton_per_s=-0.06)[-1]


@settings(max_examples=20, deadline=None)
@given(st.floats(0.15, 2.0), st.floats(5.0, 80.0), st.integers(0, 9))
def test_sinking_slowly_into_a_stretch_is_no_drift(percent_per_s: float, percent: float, seed: int) -> None:
    """0.15 % of maximum a second is half a minute for the first 5 %."""
    n = round(percent / percent_per_s * RATE_HZ)
    sinking = np.concatenate((np.zeros(500), np.linspace(0.0, percent, n), np.full(3000, percent)))
    tremor = 0.2 * np.sin(2 * np.pi * 9.3 * np.arange(len(sinking)) / RATE_HZ)
    force = STRENGTH_N / 100 * sinking + tremor + noise(len(sinking), seed)
    assert not find_drift(make_stream(), force).any()


@pytest.mark.slow
@pytest.mark.waits(30)  # of computing: long enough to be waited for alone, if it came last
def test_no_false_alarm_in_a_hundred_sessions() -> None:
    rng = np.random.default_rng(0)
    alarms = [
        run_session(
            Athlete(
                seed=seed,
                maximum_newton=float(rng.uniform(120, 900)),
                passive_newton=float(rng.uniform(0, 150)),
                relaxation_s=float(rng.uniform(5, 60)),
                relaxation_percent=float(rng.uniform(10, 50)),
                tremor_percent=float(rng.uniform(0, 2)),
            )
        ).any()
        for seed in range(100)
    ]
    assert sum(alarms) == 0


@pytest.mark.parametrize(
    ("means", "levels"),
    [
        ([0.0, 0.0, 0.0, -4.0], [0.0, 0.0, 0.0, -4.0]),  # four half seconds within 4 N make a quiet reading
        ([0.0, 0.0, 0.0, -4.1], [0.0, 0.0, 0.0, 0.0]),
        ([-3.0] * 4, [0.0, 0.0, 0.0, -3.0]),  # below is no load: it is followed at once
        ([-3.0, -3.0, -3.0, 1.5], [0.0, 0.0, 0.0, 0.0]),  # they differ by more than 4 N
        ([-3.0, -3.0, math.nan, -3.0, -3.0, -3.0, -3.0], [0.0] * 6 + [-3.0]),
        ([3.0] * 6, [0.0, 0.0, 0.0, 0.1, 0.2, 0.3]),  # above it creeps by 8 N in 40 s
        ([0.05] * 6, [0.0, 0.0, 0.0, 0.05, 0.05, 0.05]),  # and no further than the reading
        ([4.0] * 4, [0.0, 0.0, 0.0, 0.1]),
        ([4.1] * 4, [0.0, 0.0, 0.0, 0.0]),  # further off than near is a load
        ([-9.0] * 4 + [3.0] * 4, [0.0] * 3 + [-9.0] * 4 + [3.0]),  # the zero seen again, away from where it was
        ([-9.0] * 4 + [4.1] * 4, [0.0] * 3 + [-9.0] * 5),
        ([-5.0] * 4 + [-2.0] * 4, [0.0] * 3 + [-5.0, -4.9, -4.8, -4.7, -4.6]),
    ],
)
def test_the_resting_level_is_followed_as_said(means: list[float], levels: list[float]) -> None:
    """A maximum of 400 N, so a limit of 8 and what is near within 4 N; worked out by hand, at half seconds."""
    drift = ZeroDrift(FORCE, 0.0, 0.05, block_s=0.5)
    drift.strength = STRENGTH_N
    found = []
    for mean in means:
        drift.push(mean)
        found.append(drift.level)
    assert found[: len(levels)] == pytest.approx(levels[: len(found)])


def test_a_moved_zero_is_told_beyond_the_limit_and_until_it_is_near_again() -> None:
    drift = ZeroDrift(FORCE, 0.0, 0.05, block_s=0.5)
    drift.strength = STRENGTH_N
    for mean, has_moved in ((-8.0, False), (-8.1, True), (-4.1, True)):
        told = drift.push_all([mean] * 4)
        assert told[-1] is has_moved
        assert drift.has_moved is has_moved
    assert drift.push_all([-4.0] * 50)[-1] is False  # crept back to within half the limit
