"""A trial on the start page: drawn up there, and what its evenings so far say. The order itself is not shown."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from typing import Any

from biofeedback.analysis.trial import N_BLOCKS, N_WAYS
from biofeedback.errors import PlanError
from biofeedback.wiring.assembly import read_code
from biofeedback.wiring.form_fields import Mistakes
from biofeedback.wiring.trials import WAYS, KeptTrial, begin_trial, collect_evenings, find_trial, list_own

USUAL_BLOCKS = (
    6  # find a difference of two points in nine of ten, at a scatter of one (tests/benchmarks/trial_table.py)
)


def describe_trial_of(folder: Path, athlete: str) -> dict[str, Any]:
    """The athlete's newest trial, None without one, and what can be drawn. PlanError for a damaged file."""
    code = read_code(athlete)
    trial = find_trial(folder, code)
    return {
        "trial": None if trial is None else _describe(folder, trial),
        "ways": [list(way) for way in WAYS.items()],
        "n_ways": list(N_WAYS),
        "n_blocks": USUAL_BLOCKS,
        "most_blocks": list(N_BLOCKS),
    }


def draw_from_form(folder: Path, form: Mapping[str, Any], *, utc: str) -> dict[str, Any]:
    """Draw and store the trial that the form asks for; FormError at ``ways`` or ``blocks``."""
    mistakes = Mistakes()
    ways = form.get("ways")
    chosen = [way for way in ways if isinstance(way, str)] if isinstance(ways, list) else []
    with mistakes.at("ways"):
        if not N_WAYS[0] <= len(set(chosen)) <= N_WAYS[1]:
            many = {0: "no way is", 1: "only one way is"}.get(len(set(chosen)), f"{len(set(chosen))} ways are")
            raise PlanError(f"{many} chosen", f"tick {N_WAYS[0]} to {N_WAYS[1]}")
    n_blocks = 0
    with mistakes.at("blocks"):
        n_blocks = _read_blocks(form.get("blocks"))
    mistakes.refuse()
    begin_trial(folder, read_code(str(form.get("athlete"))), chosen, n_blocks, utc=utc)
    return describe_trial_of(folder, str(form.get("athlete")))


def _read_blocks(text: object) -> int:
    low, high = N_BLOCKS
    if not (isinstance(text, str) and text.strip().isdecimal() and low <= int(text) <= high):
        raise PlanError("no such number of blocks", f"choose {low} to {high}; {USUAL_BLOCKS} is usual")
    return int(text)


def _describe(folder: Path, trial: KeptTrial) -> dict[str, Any]:
    from biofeedback.report.trial import describe_answer
    from biofeedback.wiring.trial_report import make_report

    entries = list_own(folder, trial.athlete)
    held = collect_evenings(trial, entries).held
    report = make_report(trial, entries) if held else None
    schedule = trial.schedule
    return {
        "name": trial.name,
        "ways": [[way, WAYS.get(way, "")] for way in schedule.ways],
        "n_blocks": schedule.n_blocks,
        "n_evenings": trial.n_evenings,
        "n_held": len(held),
        "is_over": len(held) >= trial.n_evenings,
        "seed": schedule.seed,
        "drawn_utc": trial.drawn_utc[:10],
        "stretch": " · ".join(filter(None, (trial.exercise, trial.side, trial.position))),
        "said": list(report.said) if report else [],
        "answers": [[title, describe_answer(answer, unit)] for title, unit, _, answer in report.answers]
        if report
        else [],
    }
