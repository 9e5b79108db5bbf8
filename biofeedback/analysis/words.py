"""Words chosen by rule: "more" and "no clear difference" come as readily as "less"."""

from __future__ import annotations

from typing import Literal, TypeAlias

YARDSTICK_POINTS, YARDSTICK_PERCENT = 2.0, 30.0  # Farrar et al., Pain 94 (2001) 149: chronic pain, a yardstick only
AT_END_PERCENT = 25.0  # with this many ratings at 0 or 10 the scale hides part of the change; common practice
ResponseWord: TypeAlias = Literal[
    "less", "more", "no clear difference", "not decided, may come late", "too few ratings to say"
]
MAY_COME_LATE: ResponseWord = "not decided, may come late"
Reach: TypeAlias = Literal["reaches", "may reach", "is below"]
DoseAdvice: TypeAlias = Literal["enough", "neither", "not decided"]
EXCLUDED_PERCENT = 5.0  # chance left to a band that is called not enough
N_POINTS_MIN = 3  # contractions; fewer say nothing about effort


def find_wanted(relaxed_points: float) -> float:
    """The easing that would matter from a relaxed rating: 2 points or 30 %, whichever is less; never below 0."""
    return max(min(YARDSTICK_POINTS, YARDSTICK_PERCENT / 100 * relaxed_points), 0.0)


def judge_reach(low: float | None, high: float | None, relaxed_points: float | None) -> Reach | None:
    """Whether a change reaches the yardstick, by both ends of its 95 % interval; None where the interval is not known.

    It "reaches" when even the end nearer to zero does, "is below" when neither end does.
    """
    if low is None or high is None:
        return None
    matters = find_wanted(relaxed_points) if relaxed_points and relaxed_points > 0 else YARDSTICK_POINTS
    near, far = sorted((abs(low), abs(high)))
    near = near if low > 0 or high < 0 else 0.0
    return "reaches" if near >= matters else "may reach" if far >= matters else "is below"


def choose_word(
    n: int,
    low: float | None,
    high: float | None,
    *,
    n_min: int,
    yardstick: float,
    at_end_percent: float = 0.0,
    noun: str = "complete cycle",
) -> tuple[ResponseWord, str]:
    """Word and reason from ``n`` contrasts (or sessions) and the 95 % interval of their mean, in points.

    "less" and "more" only when the whole interval lies on one side of zero, and never from fewer than ``n_min``.
    ``yardstick`` only tells a small difference from an unknown one, which ratings at the end of the scale cannot.
    """
    if n < n_min or low is None or high is None:
        return "too few ratings to say", f"{count(n, noun)}, {n_min} are needed"
    interval = f"the 95 % interval, {low:+.1f} to {high:+.1f} points,"
    if high < 0:
        return "less", f"{interval} lies wholly below zero"
    if low > 0:
        return "more", f"{interval} lies wholly above zero"
    if at_end_percent >= AT_END_PERCENT:
        return "no clear difference", f"{interval} includes zero, but {blame_scale(at_end_percent)}"
    if max(-low, high) < yardstick:
        return "no clear difference", f"{interval} includes zero, and any difference is below {yardstick:g} points"
    return "no clear difference", f"{interval} includes zero, and larger differences than {yardstick:g} points too"


def describe_points(points: float) -> str:
    """ "1.2 points lower", "0.4 points higher", "the same"."""
    if abs(points) < 0.05:
        return "the same"
    return f"{abs(points):.1f} points {'lower' if points < 0 else 'higher'}"


def describe_odds(p: float) -> str:
    """How often chance alone does it: "in 3 of 100 orders", "in fewer than 1 of 100 orders"."""
    n = round(100 * p)
    return f"in {n} of 100 orders" if n else "in fewer than 1 of 100 orders"


def count(n: int, noun: str) -> str:
    """ "1 cycle", "5 cycles"."""
    return f"{n} {noun}" if n == 1 else f"{n} {noun}s"


def blame_scale(at_end_percent: float) -> str:
    """Why a change may not show."""
    return f"{at_end_percent:.0f} % of the ratings stand at the end of the scale, where it cannot show more"
