"""Sums of many hops at once are numpy's own to the last digit; numpy is what they are compared with."""

import numpy as np
import pytest

from biofeedback.signal.many import MANY, Reach, add_places, add_windows, find_middle
from biofeedback.signal.spikes import SPIKE_REACH_EMG, SpikeCheck


def is_same(a, b):
    """Bit for bit: a negative zero is not a positive one."""
    return a.shape == b.shape and np.ascontiguousarray(a).tobytes() == np.ascontiguousarray(b).tobytes()


def make_numbers(rng, shape):
    """Of many sizes, so that every order of adding rounds otherwise, and some zeros of either sign."""
    numbers = rng.normal(0, 1, shape) * 10.0 ** rng.integers(-8, 8, shape)
    numbers[rng.random(shape) < 0.1] = -0.0
    numbers[:, -2:] = -0.0
    return numbers


@pytest.mark.parametrize("n", [*range(1, 35), 127, 128, 129, 200])
def test_sums_of_hops_are_numpys(n):
    x = make_numbers(np.random.default_rng(n), (2, 9, n))
    assert is_same(add_places(np.ascontiguousarray(x.transpose(2, 0, 1))), np.add.reduce(x, axis=-1))


@pytest.mark.parametrize("n", [*range(1, 35), 127, 128, 129, 200])
def test_sums_of_windows_are_numpys(n):
    x = make_numbers(np.random.default_rng(n), (2, 3 * n + 40))
    windows = x.take(Reach(n - 1)(x.shape[1] - n + 1), axis=1)
    assert is_same(add_windows(x, n), np.add.reduce(windows, axis=-1))


def test_another_order_of_adding_would_be_noticed():
    x = make_numbers(np.random.default_rng(0), (2, 500))
    windows = x.take(Reach(24)(476), axis=1)
    assert not is_same(windows[..., ::-1].copy().sum(axis=-1), np.add.reduce(windows, axis=-1))


def test_median_and_range_of_nine_are_those_of_sorting():
    rng = np.random.default_rng(1)
    x = rng.integers(0, 6, (2, 400)).astype(float)  # ties
    x[:, 100:300] = rng.normal(0, 1, (2, 200))
    x[0, [17, 18, 220]] = np.nan
    median, width = find_middle(x)
    ordered = np.sort(x.take(Reach(8)(392), axis=1), axis=-1)
    known = np.isfinite(ordered).all(axis=-1)
    assert np.array_equal(median[known], ordered[..., 4][known])
    assert np.array_equal(width, ordered[..., -1] - ordered[..., 0], equal_nan=True)


@pytest.mark.parametrize("seed", range(8))
def test_spikes_of_muscle_activity_are_found_alike_in_many_hops_and_in_few(seed):
    """Among them hops just below and just above the limit, gaps and silence."""
    rng = np.random.default_rng(seed)
    sums = rng.gamma(4.0, 1.0, (2, 2 * SPIKE_REACH_EMG + 3 * MANY))
    sums[0, 60:90] = 0.0
    for at in (40, 110, 170):
        around = sums[:, at - SPIKE_REACH_EMG : at + SPIKE_REACH_EMG + 1].sum(axis=1) - sums[:, at]
        sums[:, at] = 4.0 * around * rng.choice([0.99, 1 - 1e-15, 1 + 1e-9, 1.01], 2)
    sums[1, 130] = np.nan if seed % 2 else 1.0
    check, n_before = SpikeCheck(0, 100), 2 * SPIKE_REACH_EMG
    together = check.find_emg(sums)
    few = [check.find_emg(sums[:, at : at + n_before + 1]) for at in range(sums.shape[1] - n_before)]
    assert np.array_equal(together, np.concatenate(few, axis=1))
    assert together.any()
    calm = rng.gamma(4.0, 1.0, sums.shape)
    assert not check.find_emg(calm).any()
