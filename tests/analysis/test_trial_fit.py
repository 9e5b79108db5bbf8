"""What one way did against another: the fit of evenings against least squares by numpy, set up by hand."""

from __future__ import annotations

import numpy as np
import pytest

from biofeedback.analysis.trial_fit import NO_WAY, Rows, fit_ways

ROWS = Rows(
    block=(0, 0, 0, 1, 1, 1, 2, 2, 2),
    way=(0, 1, 2, 1, 2, 0, 2, 0, 1),
    before=(NO_WAY, 0, 1, 2, 1, 2, NO_WAY, 2, 0),
    y=(5.0, 3.5, 4.2, 3.1, 4.4, 5.6, 4.0, 5.2, 3.3),
)


def solve(share: float) -> tuple[np.ndarray, float, float]:
    """Effects of the second and third way, the mean of the blocks, what is left of the squares."""
    design = np.zeros((9, 5))  # three blocks, two ways against the first
    for row, (block, way, before) in enumerate(zip(ROWS.block, ROWS.way, ROWS.before, strict=True)):
        design[row, block] = 1
        for k in (1, 2):
            known = (before == k) if before >= 0 else 1 / 3  # not known: any of the three
            design[row, 2 + k] = (way == k) + share * known
    beta, (left,), *_ = np.linalg.lstsq(design, np.array(ROWS.y))
    return beta[3:], float(beta[:3].mean()), float(left)


@pytest.mark.parametrize("share", [0.0, 0.1, 0.3])
def test_ways_are_told_apart_with_what_carries_over(share: float) -> None:
    fit = fit_ways(ROWS, 3, carry=(share,))
    assert fit is not None
    effects, level, left = solve(share)
    assert fit.effects[0] == pytest.approx([0.0, *effects])
    assert fit.means() == pytest.approx([level, *(level + effects)])
    assert (fit.df, fit.n_blocks) == (9 - 5, 3)
    assert fit.sd == pytest.approx(np.sqrt(left / 4))
    difference, error = fit.contrast(1, 2)
    assert difference == pytest.approx(effects[0] - effects[1])
    assert error > 0


def test_shares_are_weighed_by_how_well_they_agree_and_what_is_usual() -> None:
    carry = (0.0, 0.1, 0.3)
    fit = fit_ways(ROWS, 3, carry=carry)
    assert fit is not None
    left = np.array([solve(share)[2] for share in carry])
    weight = left**-2 * np.exp(-0.5 * ((np.array(carry) - 0.1) / 0.1) ** 2)  # four degrees of freedom
    assert fit.weight == pytest.approx(weight / weight.sum())
    each = np.array([np.subtract(*solve(share)[0]) for share in carry])
    difference, error = fit.contrast(1, 2)
    assert difference == pytest.approx(fit.weight @ each)
    alone = [one.contrast(1, 2)[1] ** 2 for share in carry if (one := fit_ways(ROWS, 3, carry=(share,)))]
    assert error**2 == pytest.approx(fit.weight @ (np.array(alone) + (each - difference) ** 2))


def test_without_a_way_or_a_scatter_nothing_is_said() -> None:
    assert fit_ways(ROWS, 4) is None
    few = Rows((0, 0), (0, 1), (NO_WAY, 0), (5.0, 4.0))
    assert fit_ways(few, 2) is None
