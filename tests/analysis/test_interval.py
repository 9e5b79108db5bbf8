"""How much more would settle an answer, and the step of the scale as it was used."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import stats

from biofeedback.analysis.interval import count_more_cycles, find_rounding, find_t_quantile


def reach(total: int, sd: float) -> float:
    """Student's t times the error of ``total`` contractions against one relaxed phase more, less 3.7 parameters."""
    return float(stats.t.ppf(0.975, 2 * total + 1 - 3.7) * sd * np.sqrt(1 / total + 1 / (total + 1)))


@pytest.mark.parametrize("sign", [-1, 1])
@pytest.mark.parametrize("more", [1, 2, 5, 12])
def test_so_many_more_cycles_would_settle_it_and_one_less_would_not(more: int, sign: int) -> None:
    just = sign * reach(3 + more, 1.0)
    why = "if the change stays as large as it was"
    assert count_more_cycles(1.001 * just, 1.0, 3, n_min=3) == (more, why)
    assert count_more_cycles(0.999 * just, 1.0, 3, n_min=3) == (more + 1, why)


def test_what_rounding_may_imitate_comes_on_top() -> None:
    plain, careful = (count_more_cycles(-1.0, 1.0, 3, n_min=3, alias_points=points)[0] for points in (0.0, 0.3))
    assert plain is not None
    assert careful is not None
    assert plain < careful
    assert reach(3 + careful, 1.0) + 0.3 < 1 <= reach(3 + careful - 1, 1.0) + 0.3
    for mean in (0.3, -0.3):
        assert count_more_cycles(mean, 1.0, 3, n_min=3, alias_points=0.3)[0] is None
        assert "rounding" in count_more_cycles(mean, 1.0, 3, n_min=3, alias_points=0.3)[1]


def test_beyond_sixty_cycles_nothing_is_promised() -> None:
    just, over = reach(60, 1.0) * 1.001, reach(60, 1.0) * 0.999
    assert count_more_cycles(just, 1.0, 3, n_min=3)[0] == 57
    assert count_more_cycles(over, 1.0, 3, n_min=3) == (
        *(None, "with a change this small against its scatter, 60 cycles would not be enough"),
    )


def test_too_few_to_say_anything_need_those_that_are_missing() -> None:
    for mean, sd in ((None, 1.0), (-1.0, None), (-1.0, 1.0)):
        assert count_more_cycles(mean, sd, 1, n_min=3)[0] == 2
    assert count_more_cycles(None, None, 5, n_min=3)[0] == 1
    assert count_more_cycles(-9.0, 1.0, 3, n_min=3)[0] == 1


@pytest.mark.parametrize(
    ("ratings", "step"), [([3, 5, 0], 1.0), ([3, 5.5], 0.5), ([3.5, 2.3], 0.1), ([2.99], 0.1), ([], 1.0)]
)
def test_the_step_of_the_scale_is_the_coarsest_that_fits(ratings: list[float], step: float) -> None:
    assert find_rounding(ratings) == step


@pytest.mark.parametrize("df", [1.3, 4.0, 30.0])
def test_quantiles_are_scipys(df: float) -> None:
    assert find_t_quantile(df) == pytest.approx(stats.t.ppf(0.975, df))
