"""What the slider said in each phase stands in the report, beside the answers, and nowhere where nobody used one."""

from __future__ import annotations

from dataclasses import replace

from biofeedback.analysis.sliding import SlidPhase
from biofeedback.report.html import build_report
from biofeedback.report.slider_table import tabulate_slider


def test_mean_and_end_of_each_phase_stand_beside_the_answer(check):
    first, second = check.phases[:2]
    rows = (
        replace(first, slid=SlidPhase(first.phase.number, 6.04, 5.5, 98.4)),
        replace(second, slid=SlidPhase(second.phase.number, None, None, 0.0)),
        *check.phases[2:],
    )
    slid = replace(check, phases=rows)
    table = tabulate_slider(slid)
    said = first.rating.value
    assert table.rows[0] == ("1 relax", "6.0", "5.5", "98", f"{said:.1f}")
    assert table.rows[1][1:4] == ("–", "–", "0")
    assert len(table.rows) == 2
    assert table.text_columns == (0,)
    assert "Discomfort by the slider" in build_report(slid, full=True)


def test_without_a_slider_there_is_no_table(check, empty):
    assert tabulate_slider(check) is None
    assert tabulate_slider(empty) is None
