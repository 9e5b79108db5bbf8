"""What one session says of contraction, in sentences: the change, what it is worth, and what qualifies it."""

from __future__ import annotations

from biofeedback.analysis.response import Response
from biofeedback.analysis.words import (
    AT_END_PERCENT,
    MAY_COME_LATE,
    YARDSTICK_POINTS,
    blame_scale,
    count,
    describe_points,
)

WHOLE_SCALE = 10.0
ALIAS_POINTS = 0.25  # rounding that may imitate less is not worth a sentence
ALL_PERCENT = 100.0
ALL_AT_END = "Every rating stands at an end of the scale, where neither easing nor worsening need show."
N_DRIFT_MIN = 5  # relaxed ratings; with fewer, none equal, Sen's interval does not exist


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
    is_hidden = response.is_open or response.at_end_percent >= AT_END_PERCENT
    if is_hidden and response.word == "no clear difference":
        said = (*said, f"A change may be hidden: {blame_scale(response.at_end_percent)}.")
    elif response.is_open and not response.is_full:
        said = (*said, f"The true change may be larger: {blame_scale(response.at_end_percent)}.")
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
    if drift.slope is None or not response.n_contrasts or response.at_end_percent == ALL_PERCENT:
        return ""
    if drift.n < N_DRIFT_MIN or drift.low is None or drift.high is None:
        return "Too few relaxed ratings to say whether they drifted by themselves."
    if drift.word in ("falling", "rising"):
        size = abs(drift.slope)
        moved = f"{'fell' if drift.slope < 0 else 'rose'} by {format(size, '.1f' if size >= 0.05 else '.2g')} a minute"
        return f"The relaxed ratings {moved} by themselves; this is taken out of the comparison."
    most = max(-drift.low, drift.high) * span_min + response.rounding  # what rounding to the scale's steps may hide
    if response.at_end_percent >= AT_END_PERCENT:
        return ""  # the scale's end may hide a drift
    if most < (response.wanted_points or YARDSTICK_POINTS):
        return (
            "The relaxed ratings did not drift by themselves as far as would matter: "
            f"by {most:.1f} points at most in {span_min:.0f} min (95 % interval, rounding included)."
        )
    rounding = response.rounding / span_min
    return (
        f"Whether the relaxed ratings drifted by themselves is open: anything from {drift.low - rounding:+.1f} to "
        f"{drift.high + rounding:+.1f} a minute fits, rounding included; a drift is taken out of the comparison."
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
    if response.word == MAY_COME_LATE:
        return _describe_late(response, mean, over)
    ends = [_describe_end(low), _describe_end(high)]
    first = (
        f"There was {response.word} discomfort while contracting: {describe_points(mean)} than in the passive phases "
        f"around it, over {over} (95 % interval: {ends[0]} to {ends[1]})."
    )
    if response.is_full:
        return first, "It was rated 0 in every contraction: nothing was left to ease."
    verb = response.reach or "may reach"
    return first, f"That {verb} the usual yardstick for a change that matters, 2 points or 30 %."


def _describe_late(response: Response, mean: float, over: str) -> tuple[str, ...]:
    """A change against the relaxed phases that followed a contraction alone, which shows neither easing nor harm."""
    no, what, shown = ("worse", "An easing", "harm") if mean > 0 else ("easier", "A worsening", "an easing")
    return (
        f"Not decided: over {over} discomfort while contracting was {describe_points(mean)} than in the relaxed phases "
        f"that came after a contraction, but the first contraction was no {no} than the relaxed phase before it.",
        f"{what} that comes late and stays looks just like this, so {shown} is not shown.",
    )


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
