"""Words chosen by rule: "more" and "no clear difference" come as readily as "less"."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING, Literal, TypeAlias

if TYPE_CHECKING:
    from biofeedback.analysis.dose import HeldBand
    from biofeedback.analysis.response import Response

YARDSTICK_POINTS, YARDSTICK_PERCENT = 2.0, 30.0  # Farrar et al., Pain 94 (2001) 149: chronic pain, a yardstick only
AT_END_PERCENT = 25.0  # with this many ratings at 0 or 10 the scale hides part of the change; common practice
WHOLE_SCALE = 10.0
ALIAS_POINTS = 0.25  # rounding that may imitate less is not worth a sentence
ALL_PERCENT = 100.0
ALL_AT_END = "Every rating stands at an end of the scale, where neither easing nor worsening need show."
AFTEREFFECT = (
    "That is against the relaxed phases that came after a contraction; the first contraction was no worse than the "
    "relaxed phase before it. An easing that comes late and stays looks just like this, so harm is not shown."
)
ResponseWord: TypeAlias = Literal["less", "more", "no clear difference", "too few ratings to say"]
Reach: TypeAlias = Literal["reaches", "may reach", "is below"]
DoseAdvice: TypeAlias = Literal["enough", "neither", "not decided"]
EXCLUDED_PERCENT = 5.0  # chance left to a band that is called not enough
N_DRIFT_MIN = 5  # relaxed ratings; with fewer, none equal, Sen's interval does not exist
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
        return "no clear difference", f"{interval} includes zero, but {_blame_scale(at_end_percent)}"
    if max(-low, high) < yardstick:
        return "no clear difference", f"{interval} includes zero, and any difference is below {yardstick:g} points"
    return "no clear difference", f"{interval} includes zero, and larger differences than {yardstick:g} points too"


def describe_response(response: Response) -> tuple[str, ...]:
    """What contraction did and what that is worth; then, where it applies, what qualifies it, a sentence each."""
    said = _describe_change(response)
    if response.word == "too few ratings to say" or said == (ALL_AT_END,):
        return said
    if response.shift is not None and response.shift.is_clear:
        first, last = describe_points(response.shift.first), describe_points(response.shift.last)
        said = (
            *said,
            f"The change itself moved over the contractions: from {first} in the first to {last} in the last.",
        )
    if response.is_aftereffect:
        said = (*said, AFTEREFFECT)
    is_hidden = response.is_open or response.at_end_percent >= AT_END_PERCENT
    if is_hidden and response.word == "no clear difference":
        said = (*said, f"A change may be hidden: {_blame_scale(response.at_end_percent)}.")
    elif response.is_open and not response.is_full:
        said = (*said, f"The true change may be larger: {_blame_scale(response.at_end_percent)}.")
    if response.alias_points >= ALIAS_POINTS:
        said = (
            *said,
            "These ratings hardly scatter, so rounding to the scale's steps could by itself imitate up to "
            f"{response.alias_points:.1f} points; the interval allows for that.",
        )
    if response.borrowed:
        said = (*said, "How much single ratings scatter was also learnt from this person's earlier sessions.")
    clean = response.without_marked
    if clean is not None and clean.word != response.word:
        said = (*said, f'Without the marked ratings the answer is "{clean.word}": {clean.reason}.')
    return said


def describe_drift(response: Response) -> str:
    """How the relaxed ratings moved by themselves, "did not" only where the interval leaves no drift that matters."""
    drift, span_min = response.drift_per_min, response.relaxed_over_min
    if drift.slope is None or not response.n_contrasts:
        return ""
    if drift.n < N_DRIFT_MIN or drift.low is None or drift.high is None:
        return "Too few relaxed ratings to say whether they drifted by themselves."
    if drift.word in ("falling", "rising"):
        size = abs(drift.slope)
        moved = f"{'fell' if drift.slope < 0 else 'rose'} by {format(size, '.1f' if size >= 0.05 else '.2g')} a minute"
        return f"The relaxed ratings {moved} by themselves; this is taken out of the comparison."
    most = max(-drift.low, drift.high) * span_min + response.rounding  # what rounding to the scale's steps may hide
    if most < (response.wanted_points or YARDSTICK_POINTS):
        return (
            "The relaxed ratings did not drift by themselves as far as would matter: "
            f"by {most:.1f} points at most in {span_min:.0f} min (95 % interval, rounding included)."
        )
    return (
        f"Whether the relaxed ratings drifted by themselves is open: anything from {drift.low:+.1f} to "
        f"{drift.high:+.1f} a minute fits; a drift is taken out of the comparison."
    )


def describe_return(response: Response) -> str:
    """Whether discomfort went back after contractions that changed it; "" where nothing is there to go back."""
    if response.word not in ("less", "more") or response.fell is None or response.came_back is None:
        return ""
    sign = -1 if response.word == "less" else 1  # a rating may rise into an easing contraction that a rise surrounds
    back = -sign * response.came_back
    if back > 0 and back >= abs(response.fell) / 2:
        moved = f"came back by {back:.1f}" if sign < 0 else f"fell back by {back:.1f}"
        return f"After the contractions discomfort {moved} points on average."
    return (
        f"After the contractions discomfort hardly {'came' if sign < 0 else 'fell'} back; these ratings cannot tell "
        "whether contraction or time did that, and an effect that lasts makes the change look smaller than it is."
    )


def describe_points(points: float) -> str:
    """ "1.2 points lower", "0.4 points higher", "the same"."""
    if abs(points) < 0.05:
        return "the same"
    return f"{abs(points):.1f} points {'lower' if points < 0 else 'higher'}"


def _describe_end(points: float) -> str:
    """An end of an interval that leaves zero out is never "the same", and the whole scale is no number."""
    if abs(points) >= WHOLE_SCALE:
        return f"as far {'down' if points < 0 else 'up'} as the scale goes"
    if abs(points) < 0.05:
        return f"hardly {'lower' if points < 0 else 'higher'}"
    return describe_points(points)


def _name_end(points: float) -> str:
    """An end of an interval that holds zero."""
    return _describe_end(points) if abs(points) >= WHOLE_SCALE else describe_points(points)


def count(n: int, noun: str) -> str:
    """ "1 cycle", "5 cycles"."""
    return f"{n} {noun}" if n == 1 else f"{n} {noun}s"


def _blame_scale(at_end_percent: float) -> str:
    return f"{at_end_percent:.0f} % of the ratings stand at the end of the scale, where it cannot show more"


def _describe_change(response: Response) -> tuple[str, ...]:
    if nothing := _describe_nothing(response):
        return (nothing,)
    mean, low, high = response.mean_change or 0.0, response.low or 0.0, response.high or 0.0
    over = count(response.n_contrasts, "contraction")
    if response.word == "no clear difference":
        first = (
            f"No clear difference: over {over} discomfort while contracting was {describe_points(mean)}, "
            f"and anything from {_name_end(low)} to {_name_end(high)} fits these ratings."
        )
        return first, _describe_outlook(response, max(-low, high))
    ends = [_describe_end(low), _describe_end(high)]
    first = (
        f"There was {response.word} discomfort while contracting: {describe_points(mean)} than in the passive phases "
        f"around it, over {over} (95 % interval: {ends[0]} to {ends[1]})."
    )
    if response.is_full:
        return first, "It was rated 0 in every contraction: nothing was left to ease."
    verb = response.reach or "may reach"
    return first, f"That {verb} the usual yardstick for a change that matters, 2 points or 30 %."


def _describe_nothing(response: Response) -> str:
    """Why there is no change to tell; empty when there is one."""
    if not response.contrasts:
        return "No contraction was held in a phase of its own, so there is nothing to compare."
    if response.word == "too few ratings to say":
        return f"Too few ratings to say what contraction did: {response.reason}."
    is_hidden = response.at_end_percent == ALL_PERCENT and response.word == "no clear difference"
    return ALL_AT_END if is_hidden else ""


def _describe_outlook(response: Response, largest: float) -> str:
    if response.shift is not None and response.shift.is_clear:
        return "The mean hides what happened, because the change did not stay the same."
    if response.wanted_points is not None and largest < response.wanted_points:
        return "Whatever there is, it is below the usual yardstick for a change that matters, 2 points or 30 %."
    if response.at_end_percent >= AT_END_PERCENT:
        return "More of the same will not settle it."
    if response.n_more_cycles is not None:
        return f"About {count(response.n_more_cycles, 'more cycle')} would settle it, {response.n_more_reason}."
    return f"More of the same will hardly settle it: {response.n_more_reason}."


def describe_enough(held: HeldBand, wanted_points: float) -> str:
    """What was rated in the band that is enough."""
    return (
        f"held {count(held.n, 'time')}, discomfort there was {describe_points(held.rated)} on average; "
        f"{wanted_points:.1f} points less would matter"
    )


def describe_neither(held: Sequence[HeldBand], wanted_points: float, *, is_worse: bool) -> str:
    """Why contraction is left out."""
    if is_worse:
        return f"every band that was held made it worse ({_list_rated(held)})"
    return f"no band that was held eases it by {wanted_points:.1f} points ({_list_rated(held)})"


def describe_open(held: Sequence[HeldBand], wanted_points: float, *, n_points: int, has_room: bool) -> str:
    """Why nothing is decided."""
    if not has_room:
        return "there was too little discomfort for an easing to show"
    if not held:
        return "no contraction has both a known effort and relaxed ratings on both sides"
    if n_points < N_POINTS_MIN:
        return f"{count(n_points, 'contraction')} with relaxed ratings on both sides are too few"
    if all(h.level.low > 0 for h in held):
        return f"what was held made it worse ({_list_rated(held)})"
    if all(h.level.chance_percent <= EXCLUDED_PERCENT for h in held):
        return f"what was held eases it by less than {wanted_points:.1f} points ({_list_rated(held)})"
    return f"the ratings leave open whether what was held eases it by {wanted_points:.1f} points ({_list_rated(held)})"


def _list_rated(held: Sequence[HeldBand]) -> str:
    return ", ".join(f"{h.name}: {describe_points(h.rated)}" for h in held)
