"""What an analyst sees in a notebook."""

from __future__ import annotations

import pydoc

import numpy as np
import pytest

import biofeedback
from biofeedback.errors import BiofeedbackError
from biofeedback.storage.dictionary import COHORT, PHASES, RATINGS

from .analysis.made_session import make_check
from .commands.test_report import store
from .storage.helpers import need_module


@pytest.fixture
def path(tmp_path):
    return store(make_check(), tmp_path / "A01.hold")


def test_help_shows_the_functions():
    told = pydoc.render_doc(biofeedback, renderer=pydoc.plaintext)
    assert "open_recording(path" in told
    assert "open_folder(path" in told


def test_a_recording_says_what_it_is(path):
    recording = biofeedback.open_recording(path)
    assert repr(recording).startswith("<recording A01.hold: ")
    assert f"{recording.rate_hz:g} Hz" in repr(recording)
    page = recording._repr_html_()
    assert "Less discomfort while contracting" in page
    assert "<svg" in page
    assert 'href="http' not in page


def test_another_maximum_is_another_view_and_changes_nothing(path):
    recording = biofeedback.open_recording(path)
    before = path.read_bytes()
    guide = recording.account.guide
    maximum = recording.account.maxima[guide].strength
    other = recording.recalibrated(maximum={guide: 2 * maximum})
    k = recording.trace.guide
    mine, theirs = recording.effort_percent[:, k], other.effort_percent[:, k]
    known = np.isfinite(mine) & (mine > 20)
    np.testing.assert_allclose(theirs[known], mine[known] / 2, rtol=0.02)
    assert recording.recalibrated(maximum=maximum).trace.maxima[-1][1].strength == maximum
    zero = recording.recalibrated(baseline="zero")
    assert zero.trace.baseline_method == "zero"
    assert zero.recalibrated(maximum=3.0).trace.baseline_method == "zero"
    assert path.read_bytes() == before
    with pytest.raises(BiofeedbackError, match="no channel 'lod'; use one of"):
        recording.recalibrated(maximum={"lod": 3})
    with pytest.raises(BiofeedbackError, match="a maximum of -1 cannot be used"):
        recording.recalibrated(maximum=-1)


def test_frames_carry_their_units(path):
    need_module("pandas")
    frame = biofeedback.open_recording(path).to_dataframe()
    units = frame.attrs["units"]
    assert set(frame.columns) - {"phase", "phase_kind", "rating_phase"} <= set(units)
    assert units["time_s"] == "s"


def test_a_folder_as_tables(path):
    need_module("pandas")
    (path.parent / "sub").mkdir()
    store(make_check(contract=(7, 8, 7, 7, 8)), path.parent / "sub" / "B.hold")
    (path.parent / "broken.hold").write_bytes(b"nothing")
    folder = biofeedback.open_folder(path.parent)
    assert repr(folder).endswith("3 recordings>")
    assert folder.sessions["answer"].tolist() == ["less", "more"]
    assert folder.sessions["file"].tolist() == ["A01.hold", "sub/B.hold"]
    assert list(folder.problems) == ["broken.hold"]
    assert folder.ratings.groupby("file")["value"].count().tolist() == folder.sessions["n_ratings"].tolist()
    contracting = folder.phases[folder.phases["kind"] == "contract"].groupby("file").size()
    assert contracting.tolist() == folder.sessions["n_contract"].tolist()
    assert folder.levels.index.names == ["file", "time_s"]
    for frame, columns in ((folder.sessions, COHORT), (folder.ratings, RATINGS), (folder.phases, PHASES)):
        assert set(frame.columns) <= {one.name for one in columns} | {"file"}
        assert frame.attrs["units"]["discomfort" if frame is folder.phases else "band_low_percent"]
    assert folder.levels.attrs["units"]["force [%]"] == "% of maximum"
    assert "<li>sub/B.hold</li>" in folder._repr_html_()
    assert folder.levels.loc["A01.hold"].shape[0] == folder.recordings["A01.hold"].trace.n_levels
    with pytest.raises(BiofeedbackError, match="no recordings in"):
        biofeedback.open_folder(path.parent / "nowhere")


def test_for_mne_force_is_misc_and_emg_is_volts(tmp_path):
    need_module("mne")
    from biofeedback.model import Channel, Chunk, Event
    from biofeedback.storage.recorder import Recorder

    channels = [Channel(name="emg", kind="emg", unit="uV"), Channel(name="force", kind="force", unit="N")]
    counts = np.column_stack([np.arange(2000.0), np.full(2000, 7.0)])
    about = {"channels": [channel.to_dict() for channel in channels], "rate_hz": 1000.0}
    with Recorder.create(tmp_path / "a.hold", about, threaded=False) as recorder:
        recorder.append(Chunk(0, counts))
        recorder.event(Event(500, "rating", {"value": 4, "phase_index": None}))
    raw = biofeedback.open_recording(tmp_path / "a.hold").to_mne()
    assert raw.get_channel_types() == ["emg", "misc"]
    np.testing.assert_allclose(raw.get_data()[0], np.arange(2000) * 1e-6)
    assert (raw.get_data()[1] == 7.0).all()
    assert [(one["onset"], str(one["description"])) for one in raw.annotations] == [(0.5, "rating 4")]
