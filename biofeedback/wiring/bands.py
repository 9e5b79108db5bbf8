"""The effort worth trying of evenings that were answered before it was kept with the answer: worked out once."""

from __future__ import annotations

from collections.abc import Callable
from contextlib import suppress
from pathlib import Path

from biofeedback.errors import BiofeedbackError
from biofeedback.model import Band
from biofeedback.storage.library import find_band, lacks_band, list_recordings
from biofeedback.storage.recording import Recording, problems_of
from biofeedback.wiring.answers import ONE_AT_A_TIME


def seek_bands(folder: Path, is_over: Callable[[], bool]) -> int:
    """Of each athlete's newest evening, the latest first; each is kept in the index when it is found. How many."""
    from biofeedback.wiring.athletes import group_by_athlete

    n_sought = 0
    with suppress(BiofeedbackError):
        entries = [entry for entry in list_recordings(folder) if entry.athlete and not entry.problem]
        for newest, *_ in group_by_athlete(entries).values():
            if lacks_band(newest) and not is_over():
                find_band(folder, newest, _work_out)
                n_sought += 1
    return n_sought


def _work_out(recording: Recording) -> Band | None:
    from biofeedback.analysis.answer import analyse_recording
    from biofeedback.report.outcome import describe_outcome
    from biofeedback.report.words import find_next_band

    with ONE_AT_A_TIME, problems_of(recording.path):
        analysis = analyse_recording(recording)
        return find_next_band(analysis) if describe_outcome(analysis).kind == "check" else None
