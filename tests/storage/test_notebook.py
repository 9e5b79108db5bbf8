from __future__ import annotations

import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest

import biofeedback
from biofeedback.errors import BiofeedbackError
from biofeedback.model import Channel, Chunk, Event, Gap
from biofeedback.storage.recorder import Recorder

from .helpers import need_module


@pytest.fixture
def path(tmp_path: Path) -> Path:
    """Five newtons of rest, then 105 N: half of a maximum of 200 N."""
    force = Channel(name="force", kind="force", unit="N", factor=0.5)
    about = {"channels": [force.to_dict()], "rate_hz": 1000.0, "athlete": "A01"}
    counts = np.repeat([10.0, 210.0], 4000)[:, None]
    with Recorder.create(tmp_path / "a.hold", about, threaded=False) as recorder:
        recorder.append(Chunk(0, counts))
        recorder.append(Gap(8000, 1000, "nothing came"))
        recorder.event(Event(0, "zero", {"channels": {"force": {"level": 5.0, "sd": 0.1}}}))
        maximum = {"channel": "force", "strength": 200.0, "baseline": 5.0, "unit": "N", "method": "typed"}
        recorder.event(Event(0, "maximum", maximum))
        phase = {"kind": "contract", "title": "Hold", "grace_s": 2.0, "duration_s": 5.0, "cycle": 1}
        recorder.event(Event(4000, "phase", {"index": 0, "band": [40, 60], **phase}))
        recorder.event(Event(7000, "rating", {"value": 6.5, "phase_index": 0, "by": "coach"}))
    return tmp_path / "a.hold"


def test_three_lines_give_numbers_with_units_effort_and_ratings(path: Path) -> None:
    recording = biofeedback.open_recording(path)
    np.testing.assert_array_equal(recording.values[:8000, 0], np.repeat([5.0, 105.0], 4000))
    assert np.isnan(recording.values[8000:]).all()
    assert recording.time_s[-1] == 8.999
    at_7_s = int(np.searchsorted(recording.trace.time_s, 7.0))
    assert recording.effort_percent[at_7_s, 0] == pytest.approx(50.0, abs=0.1)
    assert [rating.value for rating in recording.ratings] == [6.5]
    assert [row.phase.title for row in recording.phases] == ["Hold"]
    assert recording.analysis.response.word == "too few ratings to say"


def test_dataframe(path: Path) -> None:
    need_module("pandas")
    frame = biofeedback.open_recording(path).to_dataframe()
    about_ratings = ["discomfort", "rating_phase", "corrected_from"]
    assert list(frame.columns) == ["force [N]", "force [%]", "phase", "phase_kind", *about_ratings]
    assert frame.index.name == "time_s"
    assert frame["force [%]"][7.0:7.5].mean() == pytest.approx(50.0, abs=0.1)
    assert frame["phase"].isna().sum() == 400
    assert frame["discomfort"].dropna().to_dict() == {7.005: 6.5}


def test_without_pandas_the_cure_is_told(path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setitem(sys.modules, "pandas", None)
    with pytest.raises(BiofeedbackError, match="needs the package pandas; install it"):
        biofeedback.open_recording(path).to_dataframe()


def test_importing_the_package_costs_nothing() -> None:
    code = "import sys, biofeedback; print('numpy' in sys.modules, 'scipy' in sys.modules)"
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout.split() == ["False", "False"]
    with pytest.raises(AttributeError, match="no attribute 'nothing'"):
        biofeedback.nothing  # noqa: B018
