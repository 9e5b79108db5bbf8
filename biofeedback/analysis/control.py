"""Contracting the stretched muscle against contracting a remote one at the same felt effort.

Stretched minus relaxed is the whole effect; stretched minus remote is its local part, beyond distraction, expectation
and the general easing that static effort brings elsewhere too (Koltyn & Umeda 2007, Hoeger Bement 2008).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import product

import numpy as np

from biofeedback.analysis.interval import find_t_quantile

TOLERANCE = 1e-9  # statistics that differ only in the last bits are equal


@dataclass(frozen=True, slots=True)
class Control:
    """Mean changes in points of the 0-10 scale, negative is less discomfort; ``low`` to ``high``: 95 % of ``local``.

    ``p_less`` is one-sided over all orders that the lot could have drawn, None where it did not.
    """

    whole: float
    remote: float
    local: float
    low: float | None
    high: float | None
    n_pairs: int
    p_less: float | None

    def sentence(self) -> str:
        """What the control says, in one sentence."""
        if self.low is None or self.high is None:
            return f"{self.n_pairs} pairs of stretched and remote contractions are too few to tell them apart."
        if self.high < 0:
            what = "The stretched muscle's own contraction eased more than squeezing a hand did"
        elif self.low > 0:
            what = "Squeezing a hand eased more than the stretched muscle's own contraction did"
        else:
            what = "No clear difference between contracting the stretched muscle and squeezing a hand"
        p = "" if self.p_less is None else f", p = {self.p_less:.3g} one-sided"
        return f"{what}: {self.local:+.1f} points (95 % interval {self.low:+.1f} to {self.high:+.1f}{p})."


def compare_with_remote(rated: Sequence[tuple[str, float | None]], *, drawn: bool) -> Control | None:
    """Pair each stretched contraction with the remote one of its draw; None without a complete pair.

    ``rated``: kind (passive, contract, remote) and rating of each phase in the order held, rests left out. Each
    contraction counts against the mean of the relaxed phases on both sides of it, so that a steady drift cancels.
    """
    changes = [(kind, _change(rated, k)) for k, (kind, _) in enumerate(rated) if kind in ("contract", "remote")]
    pairs = []
    for one, two in zip(changes[::2], changes[1::2], strict=False):
        found = dict((one, two))
        if set(found) == {"contract", "remote"} and None not in found.values():
            pairs.append((found["contract"], found["remote"]))
    if not pairs:
        return None
    values = np.array(pairs, dtype=np.float64)
    differences = values[:, 0] - values[:, 1]
    n, local = len(differences), float(differences.mean())
    low = high = None
    if n >= 3:
        half = float(find_t_quantile(n - 1) * differences.std(ddof=1) / np.sqrt(n))
        low, high = local - half, local + half
    return Control(
        float(values[:, 0].mean()), float(values[:, 1].mean()), local, low, high, n,
        _flip(differences) if drawn else None,
    )  # fmt: skip


def _change(rated: Sequence[tuple[str, float | None]], k: int) -> float | None:
    if not 0 < k < len(rated) - 1:
        return None
    (before_kind, before), (_, during), (after_kind, after) = rated[k - 1 : k + 2]
    if (before_kind, after_kind) != ("passive", "passive") or before is None or during is None or after is None:
        return None
    return during - (before + after) / 2


def _flip(differences: np.ndarray[tuple[int, ...], np.dtype[np.float64]]) -> float:
    """Share of the orders that lean at least as far towards the stretched muscle: all sign flips (Edgington)."""
    observed = differences.sum()
    sums = [float(np.dot(signs, differences)) for signs in product((1, -1), repeat=len(differences))]
    return float(np.mean(np.array(sums) <= observed + TOLERANCE))
