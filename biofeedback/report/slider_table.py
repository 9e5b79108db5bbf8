"""Discomfort by the slider, phase by phase, beside what was said when asked."""

from __future__ import annotations

from biofeedback.account.words import describe_phase
from biofeedback.analysis.answer import SessionAnalysis
from biofeedback.analysis.sliding import END_S
from biofeedback.report.figuring import number
from biofeedback.report.table import Table

NOTE = (
    f"Mean of the touched moments, and of the last {END_S:g} s. Untouched moments are unknown and left out. "
    "Where it was asked for, the answer leads; the slider follows what is felt with a lag of about a second."
)


def tabulate_slider(analysis: SessionAnalysis) -> Table | None:
    """Mean and end value of every phase; None where nobody used a slider."""
    rows = tuple(
        (
            f"{row.phase.number} {describe_phase(row.phase.kind, short=True)}",
            number(row.slid.mean, 1),
            number(row.slid.end, 1),
            f"{row.slid.touched_percent:.0f}",
            number(None if row.rating is None else row.rating.value, 1),
        )
        for row in analysis.phases
        if row.slid is not None
    )
    head = ("phase", "mean", "at the end", "touched, %", "asked for")
    return Table("Discomfort by the slider", head, rows, (0,), NOTE) if rows else None
