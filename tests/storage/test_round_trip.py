from __future__ import annotations

import tempfile
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from hypothesis.extra import numpy as hnp

from biofeedback.model import Chunk, FloatArray, Gap, Item, Note
from biofeedback.storage.check import check_recording, repair_recording
from biofeedback.storage.recorder import Recorder
from biofeedback.storage.recording import open_recording
from biofeedback.storage.schema import pack_counts, suggest_path, unpack_counts

from .helpers import make_settings

NUMBERS = st.one_of(
    st.floats(allow_nan=False),
    st.integers(-(2**31), 2**31 - 1).map(float),
    st.sampled_from([-0.0, 2.0**31, -(2.0**31) - 1, 5e-324, float("inf"), float("-inf")]),
)


@st.composite
def items_of_a_session(draw: st.DrawFn) -> list[Item]:
    items: list[Item] = []
    end = 0
    for kind in draw(st.lists(st.sampled_from(["chunk", "chunk", "gap", "note"]), max_size=12)):
        if kind == "chunk":
            n_frames = draw(st.integers(1, 60))
            whole = draw(st.booleans())
            numbers = st.integers(-1000, 1000).map(float) if whole else NUMBERS
            items.append(Chunk(end, draw(hnp.arrays(np.float64, (n_frames, 2), elements=numbers))))
            end += n_frames
        elif kind == "gap":
            items.append(Gap(end, draw(st.integers(1, 100)), draw(st.text())))
            end = items[-1].end_frame
        else:
            items.append(Note(end, draw(st.text())))
    return items


def lay_out(items: list[Item], n_frames: int) -> FloatArray:
    counts = np.full((n_frames, 2), np.nan)
    for item in items:
        if isinstance(item, Chunk):
            counts[item.first_frame : item.end_frame] = item.counts
    return counts


@pytest.mark.parametrize("threaded", [True, False])
@given(items=items_of_a_session(), rate_hz=st.sampled_from([1.0, 10.0, 80.0, 1000.0]))
@settings(max_examples=30, deadline=None)
def test_what_was_appended_is_what_is_read(threaded: bool, items: list[Item], rate_hz: float) -> None:
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "a.hold"
        with Recorder.create(path, make_settings(rate_hz=rate_hz), threaded=threaded) as recorder:
            for item in items:
                recorder.append(item)
        recording = open_recording(path)
        read = list(recording.items())
    n_frames = max([item.end_frame for item in items if not isinstance(item, Note)], default=0)
    assert recording.n_frames == n_frames
    # bit for bit: -0.0 and 0.0 are told apart
    assert lay_out(read, n_frames).tobytes() == lay_out(items, n_frames).tobytes()
    assert [item for item in read if isinstance(item, Gap)] == [item for item in items if isinstance(item, Gap)]
    assert [item for item in read if isinstance(item, Note)] == [item for item in items if isinstance(item, Note)]
    frames = [item.frame if isinstance(item, Note) else item.first_frame for item in read]
    assert frames == sorted(frames)


@given(hnp.arrays(np.float64, st.tuples(st.integers(0, 5), st.integers(1, 3)), elements=NUMBERS))
def test_packed_counts_give_back_every_bit(counts: FloatArray) -> None:
    dtype, data = pack_counts(counts)
    back = unpack_counts(dtype, data, *counts.shape).astype(np.float64)
    assert back.tobytes() == counts.tobytes()


@pytest.mark.parametrize("cut_at", [1, 7, 200])
def test_device_times_come_back_with_their_frames(tmp_path: Path, cut_at: int) -> None:
    path, n = tmp_path / "a.hold", 300
    counts, times_us = np.arange(2.0 * n).reshape(n, 2), 1e9 + 12500.3 * np.arange(n)
    with Recorder.create(path, make_settings(rate_hz=80.0)) as recorder:
        for at in range(0, n, cut_at):
            recorder.append(Chunk(at, counts[at : at + cut_at], times_us[at : at + cut_at]))
    chunks = [item for item in open_recording(path).items() if isinstance(item, Chunk)]
    assert np.array_equal(np.concatenate([chunk.counts for chunk in chunks]), counts)
    assert np.array_equal(np.concatenate([chunk.device_us for chunk in chunks]), times_us)
    assert check_recording(path).is_sound
    repair_recording(path, tmp_path / "copy.hold")
    (chunk,) = open_recording(tmp_path / "copy.hold").items()
    assert isinstance(chunk, Chunk)
    assert np.array_equal(chunk.device_us, times_us)


def test_whole_numbers_take_four_bytes_and_others_eight() -> None:
    assert pack_counts(np.array([[1.0, -(2.0**31)]]))[0] == "<i4"
    for number in (0.5, 2.0**31, -0.0, np.inf):
        assert pack_counts(np.array([[1.0, number]]))[0] == "<f8"


def test_suggested_names_sort_by_athlete_and_time_and_are_free(tmp_path: Path) -> None:
    path = suggest_path(tmp_path, "A01", "2026-11-24T18:05:09.123+00:00")
    assert path == tmp_path / "A01-20261124-180509.hold"
    path.touch()
    assert suggest_path(tmp_path, "A01", "2026-11-24T18:05:09Z").name == "A01-20261124-180509-2.hold"
    assert suggest_path(tmp_path, "../A 1", "").name == "A1.hold"
