"""A trial's file and its recordings as one report."""

from __future__ import annotations

from collections.abc import Sequence

from biofeedback.analysis.trial import analyse_trial
from biofeedback.report.trial import TrialReport
from biofeedback.storage.library import Entry
from biofeedback.wiring.trials import WAYS, KeptTrial, TrialRecord, collect_evenings, measure_evenings

RANGE_YARDSTICK = 5.0  # deg or cm; common practice, no source


def make_report(trial: KeptTrial, entries: Sequence[Entry]) -> TrialReport:
    """Both outcomes: discomfort at the same range ("easier") and range at the same discomfort ("further")."""
    record = collect_evenings(trial, entries)
    discomfort, reach, unit = measure_evenings(record)
    return TrialReport(
        name=trial.name,
        athlete=trial.athlete,
        stretch=" · ".join(filter(None, (trial.exercise, trial.side, trial.position))),
        drawn_utc=trial.drawn_utc,
        ways={way: WAYS.get(way, "") for way in trial.schedule.ways},
        n_blocks=trial.schedule.n_blocks,
        seed=trial.schedule.seed,
        answers=(
            ("Discomfort at the same range", "points", discomfort, analyse_trial(trial.schedule, discomfort)),
            (
                "Range at the same discomfort",
                unit,
                reach,
                analyse_trial(trial.schedule, reach, yardstick=RANGE_YARDSTICK),
            ),
        ),
        said=record.said,
        harms=_list_harms(record),
        simulated=any(one.entry.simulated for one in record.held),
    )


def _list_harms(record: TrialRecord) -> tuple[str, ...]:
    told = []
    for one in record.held:
        for after in one.evening.aftermath:
            named = [name for name, felt in (("new pain", after.new_pain), ("numbness", after.numbness)) if felt]
            if named:
                told.append(f"evening {one.number}, {one.done or 'nothing of it'}: {' and '.join(named)}")
    return tuple(told)
