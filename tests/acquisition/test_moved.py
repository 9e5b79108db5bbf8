"""Which of two boards of one name is the one that is pulled."""

import numpy as np
import pytest

from biofeedback.acquisition.moved import judge_moved, watch_all
from biofeedback.acquisition.sources import open_source
from biofeedback.errors import SourceError

RATE_HZ = 80.0


def run(*, pulled=0.0, noise=3.0, seed=0, seconds=8.0, slow=0.0, level=8000.0):
    rng = np.random.default_rng(seed)
    n = round(seconds * RATE_HZ)
    t = np.arange(n) / RATE_HZ
    counts = level + noise * rng.normal(size=n) + slow * t
    counts[(t > 4) & (t < 5)] += pulled
    return np.round(counts)[:, None]


@pytest.mark.parametrize("seed", range(20))
def test_the_one_that_is_pulled_stands_out_and_at_rest_none_does(seed):
    assert judge_moved([run(seed=seed), run(seed=seed + 100, pulled=300)], [RATE_HZ] * 2) == 1
    assert judge_moved([run(seed=seed, pulled=-300), run(seed=seed + 100, level=-1e6, noise=40)], [RATE_HZ] * 2) == 0
    assert judge_moved([run(seed=seed), run(seed=seed + 100)], [RATE_HZ] * 2) is None


def test_two_that_move_alike_are_not_told_apart():
    assert judge_moved([run(seed=1, pulled=300), run(seed=2, pulled=320)], [RATE_HZ] * 2) is None


def test_a_dead_one_a_silent_one_and_one_with_an_exact_rest_are_no_trouble():
    still = np.full((640, 1), 512.0)
    pulled = still.copy()
    pulled[400:420] = 515.0  # six half steps
    assert judge_moved([still, np.empty((0, 1)), run(pulled=400)], [RATE_HZ] * 3) == 2
    assert judge_moved([still, pulled], [RATE_HZ] * 2) is None
    pulled[400:420] = 600.0
    pulled[5] = 513.0
    assert judge_moved([still, pulled], [RATE_HZ] * 2) == 1
    assert judge_moved([], []) is None


def test_all_are_watched_at_once_and_what_fails_is_told():
    class Broken:
        def open(self):
            raise SourceError("it is off", "switch it on")

        def close(self): ...

    runs, failed = watch_all([open_source("simulated:?seed=1"), Broken()], lambda source: np.ones((3, 2)))
    assert [len(each) for each in runs] == [3, 0]
    assert failed == ["it is off; switch it on"]


def test_the_first_two_seconds_and_no_more_are_what_is_still():
    calm, pulled = run(seed=1), run(seed=2)
    pulled[round(2.05 * RATE_HZ) : round(2.5 * RATE_HZ)] += 300
    assert judge_moved([calm, pulled], [RATE_HZ] * 2) == 1
    early = run(seed=2)
    early[: round(1.95 * RATE_HZ)] += 300 * (np.arange(round(1.95 * RATE_HZ)) % 2)[:, None]
    assert judge_moved([calm, early], [RATE_HZ] * 2) is None  # it was moved before: that is its scatter
