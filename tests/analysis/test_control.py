"""What contracting the stretched muscle does beyond squeezing a hand, from ratings with known effects."""

import numpy as np
import pytest

from biofeedback.analysis.control import compare_with_remote


def rate(order, *, stretched, remote, drift=0.0):
    """(kind, rating) of blocks of passive, x, passive, y, passive at 6, with known effects."""
    effect = {"contract": stretched, "remote": remote, "passive": 0.0}
    kinds = []
    for k in range(0, len(order), 2):
        kinds += ["passive", order[k], "passive", order[k + 1], "passive"]
    return [(kind, 6 + effect[kind] + drift * number) for number, kind in enumerate(kinds)]


ORDER = ["contract", "remote", "remote", "contract", "contract", "remote", "remote", "contract", "contract", "remote"]


@pytest.mark.parametrize("drift", [0.0, -0.05])
def test_the_whole_effect_and_its_local_part_are_recovered(drift):
    found = compare_with_remote(rate(ORDER, stretched=-2.0, remote=-0.5, drift=drift), drawn=True)
    assert found.whole == pytest.approx(-2.0)
    assert found.remote == pytest.approx(-0.5)
    assert found.local == pytest.approx(-1.5)
    assert found.n_pairs == 5
    assert found.p_less == 1 / 32  # all five pairs lean the same way: exact sign flips, one-sided


def test_without_a_draw_there_is_no_p_value():
    assert compare_with_remote(rate(ORDER, stretched=-2.0, remote=0.0), drawn=False).p_less is None


def test_the_interval_holds_the_truth_about_as_often_as_it_says():
    rng, held, n = np.random.default_rng(3), 0, 300
    for _ in range(n):
        rated = [(kind, value + rng.normal(0, 0.5)) for kind, value in rate(ORDER, stretched=-1.0, remote=-1.0)]
        found = compare_with_remote(rated, drawn=True)
        held += found.low <= 0.0 <= found.high
    assert 0.90 <= held / n <= 0.99


def test_too_few_pairs_are_said():
    assert compare_with_remote([("passive", 5.0), ("contract", 3.0), ("passive", 5.0)], drawn=True) is None
    two = compare_with_remote(rate(ORDER[:2], stretched=-2.0, remote=0.0), drawn=True)
    assert two is not None
    assert (two.low, two.high) == (None, None)
