"""From a recording's file to what the page shows at the end. The heavy rooms are imported when an answer is due."""

from __future__ import annotations

import threading
from pathlib import Path
from typing import TYPE_CHECKING, Any

from biofeedback.errors import BiofeedbackError

if TYPE_CHECKING:
    from biofeedback.analysis.answer import SessionAnalysis
    from biofeedback.analysis.history import SessionPoint
    from biofeedback.analysis.response import Response

ONE_AT_A_TIME = threading.Lock()  # a group ends together; its answers must not crowd out what still runs


def analyse_file(path: Path) -> SessionAnalysis:
    """The analysis of one recording, also while it is still being written."""
    from biofeedback.analysis.answer import analyse_recording
    from biofeedback.storage.recording import open_recording, problems_of

    with problems_of(path):
        return analyse_recording(open_recording(path))


def find_answer(path: Path) -> dict[str, Any]:
    """Word, plain sentences and the numbers behind them."""
    with ONE_AT_A_TIME:
        return describe_analysis(analyse_file(path))


def summarise(path: Path) -> dict[str, Any]:
    """The answer, and each phase's mean effort and share in the band, in %."""
    from biofeedback.storage.recording import problems_of

    with ONE_AT_A_TIME, problems_of(path):
        return _summarise(analyse_file(path))


def _summarise(analysis: SessionAnalysis) -> dict[str, Any]:
    phases = [
        {
            "number": row.phase.number,
            "mean_percent": row.summary.mean_percent,
            "in_band_percent": row.summary.in_band_percent,
        }
        for row in analysis.phases
    ]
    return describe_analysis(analysis) | {"phases": phases}


def describe_analysis(analysis: SessionAnalysis) -> dict[str, Any]:
    """The answer, and in a few words what the report advises for the next time."""
    from biofeedback.report.outcome import describe_outcome
    from biofeedback.report.words import find_next_band, summarise_advice

    outcome = describe_outcome(analysis)
    answer = describe_answer(analysis.response)
    if outcome.kind == "check":
        answer["text"] = " ".join(outcome.sentences)
        if band := find_next_band(analysis):
            answer["next_band"] = [band.low_percent, band.high_percent]
        answer["details"] += [list(row) for row in summarise_advice(analysis)]
    return answer | {
        "kind": outcome.kind,
        "over": outcome.over,
        "headline": outcome.headline,
        "said": " ".join(outcome.sentences),
        "next": list(outcome.next_steps),
    }


def describe_answer(response: Response) -> dict[str, Any]:
    """Word, plain sentences and the numbers behind them."""
    from biofeedback.analysis.response_words import describe_response
    from biofeedback.analysis.words import describe_odds, describe_points

    details = [["contractions compared with relaxing before and after", str(response.n_contrasts)]]
    says = response.word != "too few ratings to say"  # a mean of one or two numbers reads like an answer
    if says and response.mean_change is not None:
        details.append(["discomfort while contracting, on average", describe_points(response.mean_change)])
    if says and response.low is not None and response.high is not None:
        ends = f"from {describe_points(response.low)} to {describe_points(response.high)}"
        details.append(["what also fits these ratings (95 of 100 times it is right)", ends])
    if response.test is not None:
        details.append(["an easing like this by the luck of the draw alone", describe_odds(response.test.p_less)])
    slope = response.drift_per_min.slope
    if slope is not None:
        details.append(["relaxed ratings by themselves, from minute to minute", describe_points(slope)])
    return {"word": response.word, "text": " ".join(describe_response(response)), "details": details}


def render_report(path: Path) -> str:
    """The report as one self-contained page."""
    from biofeedback.report.html import build_report
    from biofeedback.storage.recording import problems_of

    with ONE_AT_A_TIME, problems_of(path):
        return build_report(analyse_file(path))


def read_point(folder: str, name: str) -> tuple[str, SessionPoint | None, str]:
    """One session's contribution, or why there is none. Runs in a process of its own."""
    from biofeedback.analysis.history import summarise_session
    from biofeedback.storage.recording import problems_of

    path = Path(folder) / name
    try:
        with problems_of(path):
            return name, summarise_session(analyse_file(path), name), ""
    except (BiofeedbackError, OSError) as error:
        return name, None, str(error)
