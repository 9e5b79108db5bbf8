"""Recordings in a notebook, with units and everything that follows from them.

>>> import biofeedback
>>> recording = biofeedback.open_recording("A01-20260105-180000.hold")
>>> recording.values, recording.effort_percent, recording.ratings
"""

from __future__ import annotations

import html
import importlib
import os
import sys
from collections.abc import Mapping, Sequence
from functools import cached_property
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from biofeedback.errors import BiofeedbackError
from biofeedback.model import FloatArray
from biofeedback.storage.dictionary import COHORT, PHASES, RATINGS, ColumnMeaning, list_units
from biofeedback.storage.recording import Recording

MOST_LISTED = 12  # files in the HTML of a folder
VOLTS = {"uV": 1e-6, "µV": 1e-6, "μV": 1e-6, "mV": 1e-3, "V": 1.0}

if TYPE_CHECKING:
    from biofeedback.account.values import Maximum
    from biofeedback.analysis.answer import PhaseRow, SessionAnalysis
    from biofeedback.analysis.trace import RatingRow, Trace
    from biofeedback.calibration.effort import BaselineMethod


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

    def __init__(self, path: Path) -> None:
        super().__init__(path)
        self._maxima: dict[str, Maximum] = {}
        self._baseline: BaselineMethod = "passive"

    def __repr__(self) -> str:
        """What it is, in one line."""
        about = [str(self.settings.get(key)) for key in ("athlete", "exercise", "side") if self.settings.get(key)]
        names = ", ".join(f"{channel.name} [{channel.unit}]" for channel in self.channels)
        simulated = ", simulated" if self.settings.get("simulated") else ""
        size = f"{self.rate_hz:g} Hz, {self.duration_s:.1f} s{simulated}"
        return f"<recording {self.path.name}: {', '.join([*about, names])}, {size}>"

    def _repr_html_(self) -> str:
        """For notebooks: what it is, the answer in words, and its picture."""

        from biofeedback.report.answer_figures import draw_ratings
        from biofeedback.report.figures import PALETTE
        from biofeedback.report.page import draw_svg
        from biofeedback.report.words import ANSWER_TITLES

        head = f"<p><b>{html.escape(repr(self)[1:-1])}</b></p>"
        try:
            word = self.analysis.response.word
            has_ratings = any(rating.value is not None for rating in self.ratings)
        except BiofeedbackError as error:
            return f"{head}<p>{html.escape(str(error))}</p>"
        answer = f"<p>{html.escape(ANSWER_TITLES.get(word, word))}</p>"
        if not has_ratings:
            return head + answer
        colours = ";".join(f"--{name}:{colour}" for name, colour in PALETTE.items())
        svg = draw_svg(lambda figure: draw_ratings(figure, self.analysis), (7.0, 2.6))
        return f'{head}{answer}<div style="max-width:44em;background:{PALETTE["paper"]};{colours}">{svg}</div>'

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

        return analyse_recording(self, maxima=self._maxima or None, baseline=self._baseline)

    def recalibrated(
        self, *, maximum: Mapping[str, float] | float | None = None, baseline: BaselineMethod | None = None
    ) -> NotebookRecording:
        """The same recording on another maximum (by channel, or of the guide; above rest, in its unit) or baseline.

        ``baseline`` "passive" (the position's own tension), "running" or "zero". The file stays as it is; what is left
        out stays as it was. Raises BiofeedbackError for a channel that is not there or a maximum not above 0.
        """
        from biofeedback.account.values import Maximum

        other = NotebookRecording(self.path)
        given = {self.account.guide: maximum} if isinstance(maximum, int | float) else dict(maximum or {})
        units = {channel.name: channel.unit for channel in self.channels}
        for name, strength in given.items():
            if name not in units:
                raise BiofeedbackError(f"no channel {name!r}", f"use one of {', '.join(units)}")
            if not 0 < strength < float("inf"):
                raise BiofeedbackError(f"a maximum of {strength} cannot be used", "give a number above 0")
            old = self.account.maxima.get(name)
            typed = Maximum(channel=name, strength=strength, baseline=0.0, unit=units[name], method="typed")
            other._maxima[name] = old.revised(strength) if old else typed
        other._maxima = self._maxima | other._maxima
        other._baseline = baseline or self._baseline
        return other

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
        pandas = _import_pandas()
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
        frame = pandas.DataFrame(columns, index=pandas.Index(trace.time_s, name="time_s"))
        units = {f"{channel.name} [{channel.unit}]": channel.unit for channel in self.channels}
        percents = {
            f"{channel.name} [%]": channel.unit if channel.kind == "position" else "% of maximum"
            for channel in self.channels
        }
        points = {"discomfort": "points, 0-10", "corrected_from": "points, 0-10"}
        frame.attrs |= {"units": {"time_s": "s", **units, **percents, **points}, "recording": self.path.name}
        return frame

    def to_mne(self) -> Any:
        """The readings as an MNE ``RawArray``: EMG in volts, force and position as misc, phases and ratings annotated.

        Gaps are annotated "BAD_gap" and hold zeros. Slower channels hold their last reading. Raises BiofeedbackError
        when MNE is not installed.
        """
        from biofeedback.storage.annotations import list_annotations

        try:
            mne = importlib.import_module("mne")
        except ImportError as error:
            raise BiofeedbackError("to_mne() needs the package mne", f"install it: {_name_python()} mne") from error
        values = self.values.copy()
        types = ["emg" if channel.kind == "emg" else "misc" for channel in self.channels]
        for k, channel in enumerate(self.channels):
            if channel.kind == "emg":
                values[:, k] *= VOLTS.get(channel.unit, 1.0)
            if channel.rate_hz:
                known = np.maximum.accumulate(np.where(np.isfinite(values[:, k]), np.arange(len(values)), 0))
                values[:, k] = values[known, k]
        info = mne.create_info([channel.name for channel in self.channels], self.rate_hz, types)
        raw = mne.io.RawArray(np.nan_to_num(values).T, info, verbose="error")
        told = list_annotations(self)
        words = ["BAD_gap" if one.kind == "gap" else one.text for one in told]
        raw.set_annotations(
            mne.Annotations([one.onset_s for one in told], [one.duration_s or 0.0 for one in told], words)
        )
        return raw


def open_folder(path: str | os.PathLike[str]) -> NotebookFolder:
    """All recordings of a folder, sub-folders included, as tables. Raises BiofeedbackError when there are none."""
    return NotebookFolder(Path(path).expanduser())


class NotebookFolder:
    """Recordings of a folder as pandas DataFrames, made when first asked for.

    ``sessions`` (one row of features each, as `biofeedback cohort`), ``ratings``, ``phases`` and ``levels``; the column
    ``file`` says of which recording. Those that cannot be read or analysed are left out and listed in ``problems``.
    """

    def __init__(self, path: Path) -> None:
        from biofeedback.storage.schema import SUFFIX

        self.path = path
        self.files = sorted(path.rglob(f"*{SUFFIX}")) if path.is_dir() else []
        if not self.files:
            raise BiofeedbackError(f"no recordings in {path}", "name the folder that holds them")

    def __repr__(self) -> str:
        """What it is, in one line."""
        return f"<folder {self.path}: {len(self.files)} recordings>"

    def _repr_html_(self) -> str:
        """The same for notebooks, with the files: nothing is computed for it."""
        names = [html.escape(file.relative_to(self.path).as_posix()) for file in self.files[:MOST_LISTED]]
        more = f"<li>and {len(self.files) - MOST_LISTED} more</li>" if len(self.files) > MOST_LISTED else ""
        listed = "".join(f"<li>{name}</li>" for name in names)
        return (
            f"<p><b>folder {html.escape(str(self.path))}: {len(self.files)} recordings</b></p><ul>{listed}{more}</ul>"
        )

    @cached_property
    def _read(self) -> tuple[dict[str, NotebookRecording], dict[str, str]]:
        found: dict[str, NotebookRecording] = {}
        problems: dict[str, str] = {}
        for file in self.files:
            name = file.relative_to(self.path).as_posix()
            try:
                recording = open_recording(file)
                recording.analysis  # noqa: B018 - analysed now, so that what cannot be is found now
                found[name] = recording
            except BiofeedbackError as error:
                problems[name] = str(error)
        return found, problems

    @property
    def recordings(self) -> dict[str, NotebookRecording]:
        """By name in the folder."""
        return self._read[0]

    @property
    def problems(self) -> dict[str, str]:
        """Why a recording is left out, by its name."""
        return self._read[1]

    @cached_property
    def sessions(self) -> Any:
        """One row of features per recording; what the columns mean: ``biofeedback cohort --explain``."""
        from biofeedback.analysis.features import extract_features

        rows = [{"file": name, **extract_features(one.analysis)} for name, one in self.recordings.items()]
        return _with_units(_import_pandas().DataFrame(rows), COHORT)

    @cached_property
    def ratings(self) -> Any:
        """One row per rating, with the effort and the time before it."""
        from biofeedback.analysis.linking import tabulate_links

        rows = []
        for name, one in self.recordings.items():
            head, links = tabulate_links(one.analysis.ratings)
            rows += [{"file": name, **dict(zip(head, link, strict=True))} for link in links]
        return _with_units(_import_pandas().DataFrame(rows).replace("", None), RATINGS)

    @cached_property
    def phases(self) -> Any:
        """One row per phase: kind, band, times, mean effort, time in the band, rating."""
        rows = [
            {
                "file": name,
                "number": row.phase.number,
                "kind": row.phase.kind,
                "title": row.phase.title,
                "band_low_percent": row.phase.band.low_percent if row.phase.band else None,
                "band_high_percent": row.phase.band.high_percent if row.phase.band else None,
                "start_s": row.phase.start_s,
                "end_s": row.phase.end_s,
                "mean_percent": row.summary.mean_percent,
                "in_band_percent": row.summary.in_band_percent,
                "discomfort": row.rating.value if row.rating else None,
            }
            for name, one in self.recordings.items()
            for row in one.phases
        ]
        return _with_units(_import_pandas().DataFrame(rows), PHASES)

    @cached_property
    def levels(self) -> Any:
        """The levels of all recordings under each other, index ``file`` and ``time_s``."""
        frames = {name: one.to_dataframe() for name, one in self.recordings.items()}
        units = {name: unit for frame in frames.values() for name, unit in frame.attrs["units"].items()}
        joined = _import_pandas().concat(frames, names=["file", "time_s"])
        joined.attrs = {"units": units}
        return joined


def _with_units(frame: Any, columns: Sequence[ColumnMeaning]) -> Any:
    """The frame with ``attrs["units"]``, by its columns' names."""
    frame.attrs["units"] = {name: unit for name, unit in list_units(columns).items() if name in frame}
    return frame


def _import_pandas() -> Any:
    try:
        return importlib.import_module("pandas")
    except ImportError as error:
        raise BiofeedbackError(
            "a DataFrame needs the package pandas", f"install it: {_name_python()} pandas"
        ) from error


def _name_python() -> str:
    return f"{sys.executable} -m pip install"
