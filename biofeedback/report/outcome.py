"""What a session's last plan came to, as it asked: a check by what contraction did, a hold by how it was held."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal, TypeAlias

from biofeedback.account.kinds import PlanBegun
from biofeedback.account.words import STOP_REASONS, get_meaning
from biofeedback.analysis.answer import PhaseRow, SessionAnalysis
from biofeedback.analysis.words import count
from biofeedback.report.words import depends_on_effort, describe_answer, describe_next, title_answer

TOO_FEW = "too few ratings to say"
NO_CHECK = "This plan does not compare contracting with relaxing: a check does."

OutcomeKind: TypeAlias = Literal["check", "hold", "stopped"]


@dataclass(frozen=True, slots=True)
class Outcome:
    """For the page: what is asked (``over``), the answer in a few words, the sentences, and what to do next."""

    kind: OutcomeKind
    over: str
    headline: str
    sentences: tuple[str, ...]
    next_steps: tuple[str, ...]


def describe_outcome(analysis: SessionAnalysis) -> Outcome:
    """What the last plan came to."""
    response = analysis.response
    plan = analysis.plans[-1] if analysis.plans else None
    rows = _rows_of_last_plan(analysis)
    compares = plan is None or compares_phases(plan, rows)
    stop = _find_last_stop(analysis)
    advice = describe_next(analysis, advises=compares)
    held = _describe_held(rows) if plan else ()
    if plan and stop is not None:
        reached = _count_reached(rows, plan)
        said = () if not compares or response.word == TOO_FEW else describe_answer(analysis)
        unfinished = "An unfinished check says nothing about what contraction did."
        last = (unfinished,) if compares and response.word == TOO_FEW else said
        sentences = (*([f"{stop}."] if stop else []), *held[1:], *last)
        return Outcome("stopped", "Stopped: what was reached", reached, sentences, advice)
    if plan and not compares:
        return Outcome(
            "hold", "How it was held", held[0] if held else "Nothing was held", (*held[1:], NO_CHECK), advice
        )
    title = title_answer(analysis)
    headline = f"{title[0].lower()}{title[1:]}" if depends_on_effort(analysis) else response.word
    return Outcome("check", "What contraction did to discomfort", headline, describe_answer(analysis), advice)


def compares_phases(plan: PlanBegun, rows: Sequence[PhaseRow] = ()) -> bool:
    """Whether a plan is a check: two contractions or more, each rated between two rated phases of relaxing.

    ``rows`` speak for a plan that was put on record without its phases.
    """
    phases = [(get_meaning(phase.kind), phase.ask) for phase in plan.phases]
    phases = phases or [(row.phase.meaning, row.rating is not None) for row in rows]
    if not plan.phases and len(phases) < 5:
        return True  # an early stop, or what an older version wrote: nobody knows what was meant
    n_contrasts = 0
    for (before, is_rated), (phase, asks), (after, is_rated_too) in zip(phases, phases[1:], phases[2:], strict=False):
        beside = before.relaxes and after.relaxes and is_rated and is_rated_too
        n_contrasts += bool(phase.contracts and asks and beside)
    return n_contrasts >= 2


def _find_last_stop(analysis: SessionAnalysis) -> str | None:
    """Why the last plan was stopped, with what was said about it; None when it ran to its end."""
    account = analysis.trace.account
    if not account.stopped:
        return None
    why = account.why_stopped
    said = f", said to be {STOP_REASONS[why].say}" if why in STOP_REASONS else ""
    return f"{account.stopped[0].upper()}{account.stopped[1:]}{said}"


def _rows_of_last_plan(analysis: SessionAnalysis) -> list[PhaseRow]:
    """The phases of the last plan: from the last one on that begins a plan."""
    rows: list[PhaseRow] = []
    for row in reversed(analysis.phases):
        rows.insert(0, row)
        if row.phase.index == 0:
            break
    return rows


def _describe_held(rows: Sequence[PhaseRow]) -> tuple[str, ...]:
    """How contractions were held, in a few words and then in sentences; nothing where none began."""
    held = [row for row in rows if row.phase.meaning.contracts]
    if not held:
        return ()
    measured = [row for row in held if row.summary.in_band_percent is not None and row.summary.counted_s > 0]
    total_s = sum(row.phase.end_s - row.phase.start_s for row in held)
    bands = {(row.phase.band.low_percent, row.phase.band.high_percent) for row in held if row.phase.band}
    names = " and ".join(f"{low:g}–{high:g} %" for low, high in sorted(bands))
    what = f"{count(len(held), 'contraction')}{f' at {names}' if names else ''}"
    if not measured:
        return f"Held for {total_s:.0f} s", f"{what}, {total_s:.0f} s together."
    counted_s = sum(row.summary.counted_s for row in measured)
    inside_s = sum(row.summary.counted_s * (row.summary.in_band_percent or 0.0) / 100 for row in measured)
    share = f"in the band {100 * inside_s / counted_s:.0f} % of {counted_s:.0f} s"
    means = [row.summary.mean_percent for row in measured if row.summary.mean_percent is not None]
    mean = f", mean {sum(means) / len(means):.0f} %" if means else ""
    return f"{share[0].upper()}{share[1:]}", f"{what}: {share}{mean}."


def _count_reached(rows: Sequence[PhaseRow], plan: PlanBegun) -> str:
    """ "2 of 5 contractions": those that lasted as long as they were meant to."""
    n_planned = sum(get_meaning(phase.kind).contracts for phase in plan.phases)
    if not n_planned:
        return "Stopped before the end"
    begun = [row for row in rows if row.phase.meaning.contracts]
    whole = [row for row in begun if row.phase.end_s - row.phase.start_s >= (row.phase.planned_s or 0.0) - 0.5]
    return f"{len(whole)} of {count(n_planned, 'contraction')} done"
