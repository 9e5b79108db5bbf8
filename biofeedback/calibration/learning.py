"""Whether a lesson is passed, by the person's own repeats, and how much of the number may go away.

Two ways lead through, each a rule that may be asked after every repeat. *Keeps it*: ``ROW`` repeats in a row were
kept. By somebody who keeps one in two that comes up in 2.7 % of series of twenty. *Has learned*: the errors fell beyond
chance (Kendall's S over its standard deviation, at a limit for every look from 6 to 20 repeats), and the last three
were kept. Together fewer than 5 % of those who do not learn, and keep no more than every second one, pass.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from math import sqrt

import numpy as np

from biofeedback.account.kinds import RepeatMade

ROW = 8
N_FALLEN_MIN = 6
FALLEN_LIMIT = 2.6  # one side of the limit at every look of `biofeedback.analysis.trends`
N_LAST = 3
FADE = ((0.6, 2 / 3), (0.8, 1 / 3))  # error against the first three, and the share of a repeat without the number
MOST_HIDDEN = 2 / 3


@dataclass(frozen=True, slots=True)
class Repeat:
    """One repeat of a lesson: its error (lower is better; None: could not be measured) and whether it was kept."""

    error: float | None
    kept: bool


@dataclass(frozen=True, slots=True)
class Progress:
    """What the repeats of one lesson come to; ``reason`` in words."""

    n: int
    passed: bool
    reason: str


def judge_repeats(repeats: Sequence[Repeat]) -> Progress:
    """Whether the person who made these repeats, oldest first, has the lesson. Once passed it stays so."""
    for n in range(1, len(repeats) + 1):
        why = _find_pass(repeats[:n])
        if why:
            return Progress(len(repeats), True, why)
    kept = sum(one.kept for one in repeats[-ROW:])
    if not repeats:
        return Progress(0, False, "not tried yet")
    return Progress(len(repeats), False, f"{kept} of the last {min(ROW, len(repeats))} kept; {ROW} in a row pass")


def _find_pass(repeats: Sequence[Repeat]) -> str:
    if len(repeats) >= ROW and all(one.kept for one in repeats[-ROW:]):
        return f"{ROW} in a row were kept"
    errors = [one.error for one in repeats if one.error is not None]
    if len(errors) < N_FALLEN_MIN or not all(one.kept for one in repeats[-N_LAST:]):
        return ""
    if find_fall(errors) >= FALLEN_LIMIT:
        return f"the error fell over {len(errors)} repeats, beyond chance, and the last {N_LAST} were kept"
    return ""


def find_fall(errors: Sequence[float]) -> float:
    """Kendall's S over its standard deviation (no ties taken off), above 0 where the errors fall."""
    values = np.asarray(errors, dtype=np.float64)
    n = values.size
    first, second = np.triu_indices(n, k=1)
    return -float(np.sign(values[second] - values[first]).sum()) / sqrt(n * (n - 1) * (2 * n + 5) / 18)


def find_hidden_share(repeats: Sequence[Repeat]) -> float:
    """The share of the next repeat that goes without the number: more as the error falls, and later in it.

    Every other repeat is shown whole again until a third of the error is gone, so that it stays feedback.
    """
    errors = [one.error for one in repeats if one.error is not None]
    if len(errors) < 2 * N_LAST:
        return 0.0
    gone = float(np.mean(errors[-N_LAST:])) / max(float(np.mean(errors[:N_LAST])), 1e-9)
    keeps = all(one.kept for one in repeats[-N_LAST:])
    share = next((share for limit, share in FADE if gone <= limit), 1 / 3 if keeps else 0.0)
    return 0.0 if share == 1 / 3 and len(repeats) % 2 else min(share, MOST_HIDDEN)


def list_repeats(made: Sequence[RepeatMade], lesson: str) -> list[Repeat]:
    """The repeats of one lesson, oldest first."""
    return [Repeat(one.error, one.kept) for one in made if one.lesson == lesson]
