"""How far the stretch went, before and after: repeats, the person's own repeatability, and whether it changed."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from biofeedback.account.kinds import RangeRead
from biofeedback.analysis.reliability import Change, RepeatError, estimate_repeat_error

LEAST_CHANGE = 1.0  # degree or cm: what is read to whole ones cannot tell less (common practice, no source)
# one rater, straight-leg raise by smartphone: MDC95 3.3 degrees (J Bodyw Mov Ther 2024, 10.1016/j.jbmt.2024.05.033,
# abstract read); here for comparison only, never as this person's own
PUBLISHED_MDC95_DEGREES = 3.3


@dataclass(frozen=True, slots=True)
class RangeResult:
    """One way of reading the range: at which discomfort, in which unit, by which method, contracting or relaxed.

    ``before`` and ``after`` are all repeats in order; ``error`` is pooled over them, from this session alone.
    """

    at: str
    unit: str
    method: str
    contracting: bool
    before: tuple[float, ...]
    after: tuple[float, ...]
    error: RepeatError
    change: Change | None

    @property
    def name(self) -> str:
        """In words."""
        return f"{self.at}{', contracting' if self.contracting else ''}{f', {self.method}' if self.method else ''}"


def judge_ranges(ranges: Sequence[RangeRead]) -> tuple[RangeResult, ...]:
    """Each way of reading by itself, in the order first read."""
    ways = dict.fromkeys((one.at, one.unit, one.method, one.contracting) for one in ranges)
    results = []
    for way in ways:
        own = [one for one in ranges if (one.at, one.unit, one.method, one.contracting) == way]
        before, after = (tuple(one.value for one in own if one.when == when) for when in ("before", "after"))
        error = estimate_repeat_error([before, after])
        change = _judge_change(before, after, error, way[1]) if before and after else None
        results.append(RangeResult(*way, before, after, error, change))
    return tuple(results)


def mean_of(values: Sequence[float]) -> float:
    """Mean of at least one repeat."""
    return sum(values) / len(values)


def _judge_change(before: Sequence[float], after: Sequence[float], error: RepeatError, unit: str) -> Change:
    moved = mean_of(after) - mean_of(before)
    if error.mdc95 is None and error.df < 2:
        return Change(moved, "unknown", f"no repeatability: {error.reason}; read it two or three times each")
    limit = max(error.mdc95 or 0.0, LEAST_CHANGE)  # repeats that agree exactly are as good as the reading
    if abs(moved) <= limit:
        return Change(moved, "within measurement error", f"less than the {limit:.1f} {unit} that repeats differ by")
    return Change(moved, "up" if moved > 0 else "down", f"more than the {limit:.1f} {unit} that repeats differ by")


def describe_range(result: RangeResult) -> str:
    """One sentence for a report."""
    unit = "°" if result.unit == "deg" else f" {result.unit}"
    told = []
    for when, values in (("before", result.before), ("after", result.after)):
        if values:
            n = f" ({len(values)} times)" if len(values) > 1 else ""
            told.append(f"{mean_of(values):.1f}{unit} {when}{n}")
    change = result.change
    if change is None:
        verdict = ""
    elif change.word in ("up", "down"):
        verdict = f"; {change.difference:+.1f}{unit}, {change.reason}"
    else:
        verdict = f"; {change.difference:+.1f}{unit} is not called a change: {change.reason}"
    return f"Range at {result.name}: {', '.join(told)}{verdict}."
