"""What the review page asks for: traces, reports and histories of a folder of recordings."""

from __future__ import annotations

from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING

from biofeedback.errors import RecordingError
from biofeedback.storage.library import filter_recordings, list_recordings
from biofeedback.wiring.answers import read_point, render_report, summarise
from biofeedback.wiring.bringing import BroughtFiles
from biofeedback.wiring.parallel import run_parallel

if TYPE_CHECKING:
    from biofeedback.analysis.trace import Trace
    from biofeedback.web.review import Review


def make_review(folder: Path, *, beside_live: bool = False) -> Review:
    """The review place over a folder of recordings."""
    from biofeedback.web.review import Review

    def history(athlete: str) -> str:
        return render_history(folder, athlete)

    return Review(folder, load_trace, render_report, summarise, history, beside_live, BroughtFiles(folder))


def load_trace(path: Path) -> Trace:
    """A recording recomputed: the numbers that were shown live."""
    from biofeedback.analysis.trace import compute_trace
    from biofeedback.storage.recording import open_recording, problems_of

    with problems_of(path):
        return compute_trace(open_recording(path))


def render_history(folder: Path, athlete: str) -> str:
    """All readable sessions of an athlete as one page, analysed in processes of their own."""
    from biofeedback.analysis.history import compare_sessions
    from biofeedback.report.history import build_history

    entries = filter_recordings(list_recordings(folder), athlete=athlete)
    names = [entry.name for entry in entries if not entry.problem]
    told = [point for _, point, _ in run_parallel(partial(read_point, str(folder)), names) if point]
    if not told:
        raise RecordingError(f"no session of {athlete} can be analysed", "open one of its reports: it says why")
    return build_history(compare_sessions(athlete, told))
