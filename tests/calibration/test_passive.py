"""A hamstring held stretched relaxes by 33 % in 90 s (Magnusson et al. 1996): effort must not follow it."""

import pickle
from itertools import pairwise

import numpy as np
import pytest

from biofeedback.account.values import Maximum
from biofeedback.calibration.effort import EffortStream
from biofeedback.calibration.passive import EXPECTED_AT_S, EXPECTED_FALL, PassiveTension
from biofeedback.model import Channel, Levels

FORCE = Channel(name="force", kind="force", unit="N")
EMG = Channel(name="emg", kind="emg", unit="uV")
RATE = 100.0
TENSION, STRENGTH, TARGET = 100.0, 300.0, 25.0


def solid(tau_s):
    """Standard linear solid that has lost 33 % after 90 s."""
    share = 0.33 / (1 - np.exp(-90 / tau_s))
    return lambda t: 1 - share * (1 - np.exp(-t / tau_s))


def power(t):
    """Power law that has lost 33 % after 90 s, exponent derived: -ln 0.67 / ln 91."""
    return (1 + t) ** (np.log(0.67) / np.log(91))


CURVES = {"solid 10 s": solid(10), "solid 15 s": solid(15), "solid 30 s": solid(30), "power law": power}


def simulate(curve, contractions, *, duration_s=125.0, seed=0, force_noise=0.1, tension=TENSION):
    """Force and true effort on the level grid: tension, plus effort in ``contractions`` ``(from_s, to_s)``."""
    rng = np.random.default_rng(seed)
    t = (np.arange(round(duration_s * RATE)) + 0.5) / RATE
    effort = np.zeros_like(t)
    for from_s, to_s in contractions:
        rise = 1 - np.exp(-np.clip(t - from_s - 0.3, 0, None) / 0.15)
        fall = np.exp(-np.clip(t - to_s - 0.3, 0, None) / 0.15)
        effort += TARGET * rise * fall
    noise = rng.normal(0, force_noise, len(t)) + 0.015 * STRENGTH * effort / 100 * rng.normal(0, 1, len(t))
    return t, tension * curve(t) + STRENGTH * effort / 100 + noise, effort


def compute_effort(force, contractions, *, baseline="passive"):
    stream = EffortStream([FORCE], RATE, baseline=baseline)
    stream.set_rest(0, 0.0, 0.1)
    stream.set_maximum(0, Maximum(channel="force", strength=STRENGTH, baseline=60.0, unit="N"))
    edges = sorted({0.0, *(t for pair in contractions for t in pair), len(force) / RATE})
    parts, relaxed = [], True
    for from_s, to_s in pairwise(edges):
        stream.set_relaxed(relaxed)
        first, end = round(from_s * RATE), round(to_s * RATE)
        values = force[first:end, None]
        parts.append(stream.push(Levels(first, values, np.zeros(values.shape, np.uint16))))
        relaxed = not relaxed
    percent, plus_minus = (
        np.concatenate([getattr(p, name)[:, 0] for p in parts]) for name in ("percent", "plus_minus_percent")
    )
    return percent, plus_minus, stream


def errors(percent, effort, from_s, to_s):
    """Five-second means of shown minus true effort."""
    part = slice(round(from_s * RATE), round(to_s * RATE))
    difference = percent[part] - effort[part]
    n = round(5 * RATE)
    return difference[: len(difference) // n * n].reshape(-1, n).mean(axis=1)


def stretched(t):
    """Stretched exponential: a spectrum of times that no single solid and no power law has."""
    return 1 - 0.33 * (1 - np.exp(-np.sqrt(t / 25))) / (1 - np.exp(-np.sqrt(90 / 25)))


def two_processes(t):
    """A fast and a slow one, 5 and 60 s."""
    return 1 - 0.18 * (1 - np.exp(-t / 5)) - 0.19 * (1 - np.exp(-t / 60))


def logarithm(t):
    """Falls by as much in every tenfold of time."""
    return 1 - 0.33 * np.log1p(t) / np.log(91)


STRANGE = {"stretched exponential": stretched, "two processes": two_processes, "logarithm": logarithm}


def test_what_is_expected_of_a_muscle_is_what_magnusson_measured(published):
    """The product's own expectation, and every curve it is tried on; no open recording of such a hold was found."""
    data = published("magnusson_1996")
    assert data["held_s"] == EXPECTED_AT_S
    assert pytest.approx(data["decline_percent"]) == 100 * EXPECTED_FALL
    for curve in {**CURVES, **STRANGE}.values():
        assert 100 * (1 - curve(np.array(data["held_s"]))) == pytest.approx(data["decline_percent"], rel=0.05)
    # one reading, and nothing else known: the fall that the model then expects by itself
    tension = PassiveTension(0.0)
    tension.learn(0.0, 100.0)
    assert 100.0 - tension.predict(EXPECTED_AT_S).level == pytest.approx(data["decline_percent"], abs=0.1)


@pytest.mark.parametrize("name", ["solid 30 s", "power law", *STRANGE])
def test_two_readings_and_what_is_known_of_others_beat_a_constant(name):
    curve = {**CURVES, **STRANGE}[name]
    tension = PassiveTension(0.0)
    for at_s in (1.75, 2.25):
        tension.learn(at_s, 100.0 * curve(at_s))
    found, truth = tension.predict(62.0), 100.0 * curve(62.0)
    assert abs(found.level - truth) < 0.6 * abs(100.0 * curve(2.0) - truth)
    assert abs(found.level - truth) < 3 * found.sd


@pytest.mark.parametrize("settle_s", [5.0, 15.0])
@pytest.mark.parametrize("name", STRANGE)
def test_a_muscle_of_no_family_of_ours_is_followed_better_and_doubted_enough(name, settle_s):
    contractions = [(settle_s, settle_s + 60.0)]
    for seed in range(3):
        _, force, effort = simulate(STRANGE[name], contractions, duration_s=settle_s + 62.0, seed=seed)
        percent, plus_minus, _ = compute_effort(force, contractions)
        without, _, _ = compute_effort(force, contractions, baseline="running")
        error = np.abs(errors(percent, effort, settle_s + 2, settle_s + 60))
        assert error.max() < 0.8 * np.abs(errors(without, effort, settle_s + 2, settle_s + 60)).max()
        assert error[-1] < 3 * plus_minus[round((settle_s + 59) * RATE)]


@pytest.mark.parametrize("name", CURVES)
def test_light_band_is_right_to_a_point_through_120_seconds(name, capsys):
    contractions = [(20.0, 120.0)]
    worst = {"passive": [], "running": [], "zero": []}
    for seed in range(5):
        _, force, effort = simulate(CURVES[name], contractions, seed=seed)
        for baseline, found in worst.items():
            percent, _, _ = compute_effort(force, contractions, baseline=baseline)
            found.append(np.abs(errors(percent, effort, 22, 120)).max())
    with capsys.disabled():
        row = ", ".join(f"{baseline} {max(found):.2f}" for baseline, found in worst.items())
        print(f"\n  {name:10} largest error in points: {row}", end="")
    assert max(worst["passive"]) < 1.0
    assert min(worst["running"]) > 1.5  # what the model gains
    assert min(worst["zero"]) > 20.0


@pytest.mark.parametrize("name", CURVES)
def test_alternating_phases_stay_right(name):
    contractions = [(20.0 + 40 * i, 40.0 + 40 * i) for i in range(5)]
    _, force, effort = simulate(CURVES[name], contractions, duration_s=240.0, seed=3)
    percent, _, stream = compute_effort(force, contractions)
    for from_s, to_s in contractions:
        assert np.abs(errors(percent, effort, from_s + 2, to_s)).max() < 1.0
    assert name.split()[0] in " ".join(stream.methods).replace("standard linear ", "")


def test_uncertainty_widens_through_a_contraction_and_covers_the_error():
    contractions = [(20.0, 120.0)]
    ratios = []
    for name, curve in CURVES.items():
        for seed in range(6):
            _, force, effort = simulate(curve, contractions, seed=seed, force_noise=1.5)
            percent, plus_minus, _ = compute_effort(force, contractions)
            assert np.all(np.diff(plus_minus[2200:11900]) > -1e-3), name
            assert plus_minus[11900] > 3 * plus_minus[2000]
            ratios.append(np.abs(errors(percent, effort, 110, 120)).max() / plus_minus[11900])
    assert np.mean(np.array(ratios) < 1) > 0.6  # one SD
    assert np.mean(np.array(ratios) < 2) > 0.9


def test_no_passive_tension_nothing_taken_away():
    contractions = [(20.0, 120.0)]
    _, force, effort = simulate(solid(15), contractions, tension=0.0)
    percent, _, _ = compute_effort(force, contractions)
    assert np.abs(errors(percent, effort, 22, 120)).max() < 0.2


def test_another_position_is_learnt_anew():
    tension = PassiveTension(0.0)
    for i in range(60):
        tension.learn(i / 2, 100.0 * solid(15)(i / 2))
    tension.begin_stretch(60.0)
    tension.learn(61.5, 140.0)
    assert tension.predict(62.0).level == pytest.approx(67.0, abs=2)  # one reading might be a knock on the strap
    tension.learn(62.0, 139.0)
    assert tension.predict(62.5).level == pytest.approx(139.0, abs=2)


def test_two_sets_with_a_rest_out_of_the_position():
    """Tension starts again at full height when the athlete comes back; 3 s are spent getting there."""
    t, hold, effort = simulate(solid(15), [(20.0, 60.0)], duration_s=60.0, seed=1)
    rest = np.random.default_rng(2).normal(0, 0.1, 3000)
    enter = np.clip(t / 3, 0, 1)
    force = np.concatenate([hold, rest, hold * enter])
    stream = EffortStream([FORCE], RATE)
    stream.set_rest(0, 0.0, 0.1)
    stream.set_maximum(0, Maximum(channel="force", strength=STRENGTH, baseline=60.0, unit="N"))
    relaxed_from = {0: True, 2000: False, 9000: True, 11000: False}
    parts = []
    for first, end in pairwise([*relaxed_from, len(force)]):
        stream.set_relaxed(relaxed_from[first])
        values = force[first:end, None]
        parts.append(stream.push(Levels(first, values, np.zeros(values.shape, np.uint16))).percent[:, 0])
    percent = np.concatenate(parts)
    assert np.abs(errors(percent, effort, 22, 60)).max() < 0.5
    assert np.abs(errors(percent[9000:], effort, 22, 60)).max() < 0.5


def test_a_knock_on_the_strap_is_not_learnt():
    tension = PassiveTension(0.0)
    for i in range(60):
        tension.learn(i / 2, (100.0 if i != 30 else 180.0) * solid(15)(i / 2))
    assert tension.predict(30.0).level == pytest.approx(100.0 * solid(15)(30.0), abs=0.3)


@pytest.mark.parametrize(("rise_percent_per_s", "is_learnt"), [(0.3, True), (0.7, False), (5.0, False)])
def test_a_rise_while_relaxing_is_contraction_and_not_learnt(rise_percent_per_s, is_learnt):
    t = np.arange(2000) / RATE
    force = 60.0 + rise_percent_per_s / 100 * STRENGTH * np.clip(t - 8, 0, 10)
    _, _, stream = compute_effort(force[:800], [])
    effort = stream.push(Levels(800, force[800:, None], np.zeros((1200, 1), np.uint16)))
    at_18_s = effort.percent[980, 0]
    assert at_18_s == pytest.approx(0.0 if is_learnt else 10 * rise_percent_per_s, abs=1.5)


def test_a_tense_athlete_does_not_become_the_baseline_when_emg_tells():
    stream = EffortStream([FORCE, EMG], RATE)
    for index, (rest, strength) in enumerate([(0.0, 300.0), (3.0, 200.0)]):
        stream.set_rest(index, rest, 0.1)
        name = stream.channels[index].name
        stream.set_maximum(index, Maximum(channel=name, strength=strength, baseline=rest, unit="N"))
    stream.set_relaxed(True)
    flags = np.zeros((1000, 2), np.uint16)
    calm = np.column_stack([np.full(1000, 60.0), np.full(1000, 3.0)])
    tense = np.column_stack([np.full(1000, 100.0), np.full(1000, 30.0)])
    stream.push(Levels(0, calm, flags))
    effort = stream.push(Levels(1000, tense, flags))
    assert effort.percent[-1, 0] == pytest.approx(100 * 40 / 300, abs=2)


def make_readings(rng, n):
    """Times and levels of relaxed half seconds: a falling tension, knocks, other positions, contractions."""
    times_s, levels, base, at_s = [], [], 100.0, 0.0
    for _ in range(n):
        at_s += 0.5 if rng.random() < 0.95 else rng.choice([1.0, 2.5, 20.0])
        base *= rng.choice([0.6, 1.7]) if rng.random() < 0.04 else 1.0
        knock = rng.choice([5.0, -60.0, 90.0]) if rng.random() < 0.06 else 0.0
        times_s.append(float(at_s))
        levels.append(float(base * solid(30)(at_s) + knock + rng.normal(0, 0.3)))
    return times_s, levels


@pytest.mark.parametrize("relaxes", [True, False])
@pytest.mark.parametrize("seed", range(6))
def test_readings_learnt_together_leave_the_same_bits_as_one_by_one(seed, relaxes):
    rng = np.random.default_rng(seed)
    one, together = PassiveTension(5.0, relaxes=relaxes), PassiveTension(5.0, relaxes=relaxes)
    shift_s = 0.0
    for stretch in range(4):
        times_s, levels = make_readings(rng, int(rng.integers(1, 150)))
        times_s = [time_s + shift_s for time_s in times_s]
        for tension in (one, together):
            tension.strength = 0.0 if stretch == 0 else 400.0
            tension.begin_stretch(times_s[0] - 0.25)
        expected, found, at = [], [], 0
        for time_s, level in zip(times_s, levels, strict=True):
            one.learn(time_s, level)
            expected += [one.predict(time_s + 0.25), one.predict(time_s + 0.75)]
        while at < len(times_s):
            end = at + int(rng.choice([1, 2, 7, 200]))
            for fits in together.learn_all(times_s[at:end], levels[at:end]):
                now = times_s[at : at + fits.n]
                at += fits.n
                near_and_far = together.foresee([t + 0.25 for t in now] + [t + 0.75 for t in now], fits)
                for near, far in zip(near_and_far[: fits.n], near_and_far[fits.n :], strict=True):
                    found += [near, far]
        assert found == expected
        ahead_s = [times_s[-1] + 0.5 * k for k in range(1, 60)]
        assert together.foresee(ahead_s) == [one.predict(time_s) for time_s in ahead_s]
        assert together.method == one.method
        shift_s = ahead_s[-1]


def test_cost_of_an_update_does_not_grow():
    tension = PassiveTension(0.0)
    sizes = []
    for i in range(1000):
        tension.learn(i / 2, 100.0 * solid(15)(i / 2))
        sizes.append(len(pickle.dumps(tension)))
    assert sizes[-1] <= sizes[20] + 10
    assert tension.predict(500.0).level == pytest.approx(67.0, abs=0.5)


def two_paces(t):
    """Something fast and something slow, as real muscles have: no single shape, and its slow part shows late."""
    return 60 + 20 * np.exp(-t / 4) + 60 * np.exp(-t / 200)


@pytest.mark.parametrize("learnt_s", [20.0, 40.0])
@pytest.mark.parametrize("curve", [two_paces, lambda t: 50 + 15 * np.exp(-t / 6) + 35 * np.exp(-t / 90)])
def test_the_interval_holds_where_something_slower_was_not_to_be_seen_yet(curve, learnt_s):
    """Held out for two minutes the tension was 3 to 5 SD off."""
    worst = []
    for seed in range(12):
        rng = np.random.default_rng(seed)
        tension = PassiveTension(0.0)
        tension.strength = 400.0
        tension.begin_stretch(0.0)
        times_s = np.arange(2.0, 2.0 + learnt_s, 0.5)
        for time_s in times_s:
            tension.learn(time_s, curve(time_s) + rng.normal(0, 0.3))
        ahead_s = times_s[-1] + np.array([20.0, 60.0, 120.0])
        found = [tension.predict(time_s) for time_s in ahead_s]
        worst.append(max(abs(curve(t) - one.level) / one.sd for t, one in zip(ahead_s, found, strict=True)))
    assert np.median(worst) < 2.6
