"""When several attempts make a maximum."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

from biofeedback.account.values import Attempt

IMPROVING_PERCENT = 2.0  # a last attempt better by more asks for one more, in a graded maximum; common practice
EMG_TOLERANCE_PERCENT = 20.0  # between the two best: an EMG repeats half as well as a force; common practice, no source


@dataclass(frozen=True, slots=True)
class MaximumVerdict:
    """What the attempts so far amount to.

    ``strength`` is the maximum once ``state`` is "accepted", else None; ``best`` is the best accepted attempt so far
    and ``best_index`` its place among all attempts. ``n_more`` is how many further attempts are asked for (at most).
    """

    state: Literal["more", "accepted", "unsettled"]
    strength: float | None
    n_more: int
    reason: str
    best: float | None
    best_index: int | None


def judge_maximum(
    attempts: Sequence[Attempt],
    *,
    tolerance_percent: float = 5.0,
    n_needed: int = 3,
    n_extra: int = 2,
    improving_percent: float | None = None,
) -> MaximumVerdict:
    """Say whether the attempts on one channel settle its maximum; refused and rejected ones do not count.

    Settled when at least ``n_needed`` are good and the two best differ by at most ``tolerance_percent`` of the better
    one (5 %; 10 % for a hand-held dynamometer: common practice, no single source). Else up to ``n_extra`` more; if the
    last of those is best by more than the tolerance the athlete may still be improving: one more. With
    ``improving_percent`` the last one that is best by more than that asks for one more as well, up to ``n_extra``.
    """
    good = [(a.value, index) for index, a in enumerate(attempts) if a.accepted and a.value is not None]
    ranked = sorted(good, key=lambda pair: (-pair[0], pair[1]))
    best, best_index = ranked[0] if ranked else (None, None)

    def verdict(state: Literal["more", "accepted", "unsettled"], n_more: int, reason: str) -> MaximumVerdict:
        return MaximumVerdict(state, best if state == "accepted" else None, n_more, reason, best, best_index)

    if len(good) < n_needed or best is None or len(ranked) < 2:
        n_more = max(n_needed, 2) - len(good)
        noun = "attempt" if len(good) == 1 else "attempts"
        return verdict("more", n_more, f"{len(good)} good {noun} of {n_needed}; {n_more} more")
    differ_percent = 100 * (best - ranked[1][0]) / best
    is_rising = (
        improving_percent is not None
        and best_index == good[-1][1]
        and 100 * (best / ranked[1][0] - 1) > improving_percent + 1e-9
        and len(good) < n_needed + n_extra
    )
    if is_rising and differ_percent <= tolerance_percent:
        return verdict("more", 1, f"the last attempt was the best by {differ_percent:.1f} %; one more")
    if differ_percent <= tolerance_percent + 1e-9:
        return verdict(
            "accepted", 0, f"the two best differ by {differ_percent:.1f} %; {tolerance_percent:g} % is allowed"
        )
    differ = f"the two best differ by {differ_percent:.1f} %; {tolerance_percent:g} % is allowed"
    last_is_best = best_index == good[-1][1]
    n_left = n_needed + n_extra - len(good)
    if last_is_best and n_left >= 0:
        return verdict("more", 1, f"{differ}; the last attempt was the best; one more")
    if n_left > 0:
        return verdict("more", n_left, f"{differ}; up to {n_left} more")
    return verdict("unsettled", 0, f"{differ}; rest, check position and strap, and find the maximum again")
