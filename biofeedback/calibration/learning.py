"""Whether a lesson is passed, by the person's own repeats, and how much of the number may go away.

Two ways lead through. *Keeps it*: repeats are kept more often than by somebody who keeps at most seven in ten (Wald's
sequential test, Ann Math Stat 16 (1945) 117, mixed over the repeat from which on it goes well). *Has learned*: each new
error lies lower among the earlier ones than the errors of somebody do who stays the same, and the last three were
kept. Both are bets that such a person cannot win in the long run, so that one ever grows to ``EVIDENCE`` has a chance
below 1 / ``EVIDENCE`` however many repeats are made and looked at (Ville's inequality): together fewer than 5 % of
those who do not learn, and keep at most seven in ten, ever pass.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from biofeedback.account.kinds import RepeatMade

KEPT_AT_MOST = 0.7  # who keeps no more than this share, and does not learn, is not to pass
KEPT_BY_ABLE = 0.95  # who has the lesson keeps about this share
EVIDENCE = 40.0  # 1 over the chance of each of two ways: 2.5 % each
STAKE = 0.95  # of the bet that the next error is low among those before
N_LAST = 3
FADE = ((0.6, 2 / 3), (0.8, 1 / 3))  # error against the first three, and the share of a repeat without the number
MOST_HIDDEN = 2 / 3
MOST_AHEAD = 40  # repeats that are looked ahead for how many in a row would pass


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
    if not repeats:
        return Progress(0, False, "not tried yet")
    n = len(repeats)
    keeping, falling = find_keeping(repeats), find_falling([one.error for one in repeats])
    for k in range(n):
        if keeping[k] >= EVIDENCE:
            return Progress(n, True, "kept, clearly more often than seven times in ten")
        if falling[k] >= EVIDENCE and _kept_last(repeats[: k + 1]):
            said = f"the error fell over {k + 1} repeats, beyond chance, and the last {N_LAST} were kept"
            return Progress(n, True, said)
    kept = sum(one.kept for one in repeats)
    ahead = find_keeping([*repeats, *[Repeat(None, True)] * MOST_AHEAD])[n:]
    more = next((k for k, evidence in enumerate(ahead, 1) if evidence >= EVIDENCE), MOST_AHEAD)
    return Progress(n, False, f"{kept} of {n} kept; a falling error passes, or {more} more kept in a row")


def _kept_last(repeats: Sequence[Repeat]) -> bool:
    return len(repeats) >= N_LAST and all(one.kept for one in repeats[-N_LAST:])


def find_keeping(repeats: Sequence[Repeat]) -> list[float]:
    """After each repeat, how much likelier it is of who has the lesson than of who keeps seven in ten.

    A mean over the repeat k from which on they count, with weights 1 / (k (k + 1)), so that a bad start is forgiven.
    """
    evidence, found = 0.0, []
    for k, one in enumerate(repeats, 1):
        ratio = KEPT_BY_ABLE / KEPT_AT_MOST if one.kept else (1 - KEPT_BY_ABLE) / (1 - KEPT_AT_MOST)
        evidence = (evidence + 1 / (k * (k + 1))) * ratio
        found.append(evidence)
    return found


def find_falling(errors: Sequence[float | None]) -> list[float]:
    """After each repeat, what a bet on the next error being low among those before has grown to, from 1.

    Where errors come from one and the same distribution, the place of the newest among them is any with equal chance
    and the bet is fair. A None is left out.
    """
    evidence, found = 1.0, []
    known: list[float] = []
    for error in errors:
        if error is not None:
            known.append(error)
            others = np.asarray(known)
            place = (np.count_nonzero(others < error) + np.count_nonzero(others == error) / 2) / others.size
            evidence *= 1 + STAKE * (1 - 2 * float(place))
        found.append(evidence)
    return found


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
