"""Recordings in a notebook, with units and everything that follows from them.

>>> import biofeedback
>>> recording = biofeedback.open_recording("A01-20260105-180000.hold")
>>> recording.values, recording.effort_percent, recording.ratings
"""

from __future__ import annotations

import importlib
import os
from functools import cached_property
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from biofeedback.errors import BiofeedbackError
from biofeedback.model import FloatArray
from biofeedback.storage.recording import Recording

if TYPE_CHECKING:
    from biofeedback.analysis.answer import PhaseRow, SessionAnalysis
    from biofeedback.analysis.trace import RatingRow, Trace


def open_recording(path: str | os.PathLike[str]) -> NotebookRecording:
    """Open a recording for reading.

    Raises RecordingError when there is no such file, when it is no recording or damaged, or from a newer version.
    """
    return NotebookRecording(Path(path))


class NotebookRecording(Recording):
    """A recording with its numbers in units, the effort that was shown, and the answer; computed when first asked for.

    Besides ``path``, ``settings``, ``channels``, ``rate_hz``, ``n_frames``, ``duration_s``, ``events``, ``gaps``,
    ``notes``, ``items()`` and ``counts()`` of every recording.
    """

    @cached_property
    def values(self) -> FloatArray:
        """All frames in the channels' units, shape ``(n_frames, n_channels)``, NaN in gaps."""
        counts = self.counts()
        return np.column_stack([channel.scaled(counts[:, k]) for k, channel in enumerate(self.channels)])

    @cached_property
    def time_s(self) -> FloatArray:
        """Seconds of each frame from the first, shape ``(n_frames,)``."""
        return np.arange(self.n_frames, dtype=np.float64) / self.rate_hz

    @cached_property
    def analysis(self) -> SessionAnalysis:
        """Phases, attempts, doubts and the response; ``analysis.response.word`` is the answer."""
        from biofeedback.analysis.answer import analyse_recording

        return analyse_recording(self)

    @property
    def trace(self) -> Trace:
        """Levels, effort, baseline and flags on the level grid of about 100 Hz."""
        return self.analysis.trace

    @property
    def effort_percent(self) -> FloatArray:
        """Effort in % of maximum as it was shown, shape ``(n_levels, n_channels)``, at ``trace.time_s``."""
        return self.trace.percent

    @property
    def phases(self) -> tuple[PhaseRow, ...]:
        """One row per phase, with its summary and rating."""
        return self.analysis.phases

    @property
    def ratings(self) -> tuple[RatingRow, ...]:
        """Discomfort ratings, corrections applied."""
        return self.trace.ratings

    def to_dataframe(self) -> Any:
        """A pandas DataFrame on the level grid, index ``time_s``.

        Columns: ``NAME [UNIT]`` and ``NAME [%]`` for each channel, ``phase`` (number from 1, missing outside) and
        ``phase_kind``; where a rating was given ``discomfort`` (as corrected), ``rating_phase`` (the phase that it is
        about) and ``corrected_from``. An answer that came after its phase stands at that phase's last free level, so
        that ratings grouped by phase are those of the phase. Raises BiofeedbackError when pandas is not installed.
        """
        try:
            pandas = importlib.import_module("pandas")
        except ImportError as error:
            raise BiofeedbackError("a DataFrame needs the package pandas", "install it: pip install pandas") from error
        from biofeedback.analysis.placing import place_ratings

        trace = self.trace
        columns: dict[str, Any] = {}
        for k, channel in enumerate(self.channels):
            columns[f"{channel.name} [{channel.unit}]"] = trace.level[:, k]
            columns[f"{channel.name} [%]"] = trace.percent[:, k]
        phase, discomfort, rating_phase, original = (np.full(trace.n_levels, np.nan) for _ in range(4))
        kinds = np.full(trace.n_levels, None, dtype=object)
        for one in trace.phases:
            phase[one.first_level : one.end_level] = one.number
            kinds[one.first_level : one.end_level] = one.kind
        for rating, level in place_ratings(trace):
            discomfort[level] = rating.value
            rating_phase[level] = rating.phase_number or np.nan
            original[level] = (rating.originals or (np.nan,))[0]
        columns["phase"] = pandas.array(phase, dtype="Int64")
        columns["phase_kind"] = pandas.array(kinds, dtype="string")
        columns["discomfort"] = discomfort
        columns["rating_phase"] = pandas.array(rating_phase, dtype="Int64")
        columns["corrected_from"] = original
        return pandas.DataFrame(columns, index=pandas.Index(trace.time_s, name="time_s"))
