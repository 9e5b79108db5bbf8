import contextlib
from dataclasses import dataclass, field

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from biofeedback.acquisition.reader import make_reader
from biofeedback.acquisition.replay import open_replay
from biofeedback.acquisition.source import EndOfSource, SourceUrl
from biofeedback.acquisition.sources import open_source
from biofeedback.errors import SourceError
from biofeedback.model import Channel, Chunk, Gap, Note


@dataclass
class Recorded:
    items_: list
    channels: tuple = (Channel(name="force", kind="force"), Channel(name="emg", kind="emg"))
    rate_hz: float = 100.0
    settings: dict = field(default_factory=lambda: {"simulated": True})

    @property
    def n_frames(self):
        return max(item.end_frame for item in self.items_ if not isinstance(item, Note))

    def items(self):
        return iter(self.items_)


class Time:
    """A clock that only sleeping moves."""

    def __init__(self):
        self.now_s = 0.0

    def __call__(self):
        return self.now_s

    def sleep(self, seconds):
        self.now_s += seconds


def play(source):
    reader = make_reader(source)
    source.open()
    items = []
    with contextlib.suppress(EndOfSource):
        while True:
            items += reader.read()
    return items


def series(items, n_frames):
    """Values per frame; NaN where a gap is or nothing at all."""
    values = np.full((n_frames, 2), np.nan)
    for item in items:
        if isinstance(item, Chunk):
            values[item.first_frame : item.end_frame] = item.counts
    return values


def hold_file(tmp_path):
    path = tmp_path / "a.hold"
    path.write_bytes(b"SQLite format 3\x00")
    return path


chunks = st.lists(
    st.tuples(st.integers(0, 3000), st.integers(1, 40), st.sampled_from([1.0, 0.5, -1e-7, 8388607.0])),
    min_size=1,
    max_size=6,
)


@given(chunks, st.integers(0, 500), st.sampled_from(["max", "1", "4"]))
def test_recording_comes_back_exactly_gaps_included(tmp_path_factory, parts, tail, speed):
    items, at = [], 0
    for lost, n, scale in parts:
        if lost:
            items.append(Gap(at, lost, "no data"))
        counts = scale * np.arange(at + lost, at + lost + 2 * n, dtype=float).reshape(n, 2)
        items.append(Chunk(at + lost, counts))
        at += lost + n
    if tail:
        items.append(Gap(at, tail, "no data"))
    recording = Recorded(items)
    path = hold_file(tmp_path_factory.mktemp("replay"))
    source = open_source(f"replay:{path}?speed={speed}", open_recording=lambda name: recording)
    time = Time()
    source.player.clock, source.player.sleep = time, time.sleep
    played = play(source)
    n_frames = recording.n_frames
    assert np.array_equal(series(played, n_frames), series(items, n_frames), equal_nan=True)
    covered = [item for item in played if not isinstance(item, Note)]
    assert covered[0].first_frame == 0
    assert covered[-1].end_frame == n_frames
    assert source.is_simulated
    if speed != "max":
        assert time() == pytest.approx(n_frames / 100 / float(speed), abs=0.025)


def test_device_times_come_back(tmp_path):
    times_us = np.cumsum(np.tile([10000.0, 15000.0], 100)) + 2.0**32
    chunk = Chunk(0, np.arange(400.0).reshape(200, 2), times_us)
    recorded = Recorded([chunk, Gap(200, 30, "no data"), Chunk(230, chunk.counts, times_us + 2.875e6)], rate_hz=80.0)
    source = open_source(f"replay:{hold_file(tmp_path)}?speed=max", open_recording=lambda path: recorded)
    back = [item for item in play(source) if isinstance(item, Chunk)]
    assert np.concatenate([item.device_us for item in back if item.first_frame < 200]) == pytest.approx(times_us)


def test_notes_come_back_as_they_were(tmp_path):
    notes = [Note(0, "boot v1"), Note(5, "sensor\nback, 20 \N{DEGREE SIGN}C")]
    recorded = Recorded([notes[0], Chunk(0, np.zeros((5, 2))), notes[1], Chunk(5, np.ones((1, 2)))])
    source = open_source(f"replay:{hold_file(tmp_path)}?speed=max", open_recording=lambda path: recorded)
    assert [item for item in play(source) if isinstance(item, Note)] == notes


def test_what_one_clock_lacks_does_not_cost_the_other_channel(tmp_path):
    counts = np.arange(40.0).reshape(20, 2)
    counts[5:9, 1] = np.nan
    source = open_source(
        f"replay:{hold_file(tmp_path)}?speed=max", open_recording=lambda path: Recorded([Chunk(0, counts)])
    )
    assert np.array_equal(series(play(source), 20), counts, equal_nan=True)


def test_text_log_at_four_times_the_pace(tmp_path):
    log = tmp_path / "port.log"
    log.write_bytes(b"header\r\n" + b"".join(b"%d,%d\r\n" % (k, 2 * k) for k in range(100)) + b"12,\r\n5,6\r\n")
    time = Time()
    url = f"replay:{log}?rate=50&channels=force,emg&speed=4"
    source = open_replay(url, SourceUrl.parse(url))
    source.player.clock, source.player.sleep = time, time.sleep
    played = play(source)
    assert played[0] == Note(0, "header")
    assert series(played, 102)[99].tolist() == [99.0, 198.0]
    assert series(played, 102)[101].tolist() == [5.0, 6.0]
    assert time() == pytest.approx(103 / 50 / 4, abs=0.02)


def test_text_log_must_say_its_rate(tmp_path):
    log = tmp_path / "port.log"
    log.write_bytes(b"1\n")
    with pytest.raises(SourceError, match=r"does not say its rate and channels; for example replay:port\.log"):
        open_source(f"replay:{log}")


@pytest.mark.parametrize("speed", ["0", "-1", "fast"])
def test_speed_must_be_a_positive_number_or_max(tmp_path, speed):
    with pytest.raises(SourceError, match="speed="):
        open_source(f"replay:{hold_file(tmp_path)}?speed={speed}", open_recording=lambda name: Recorded([]))


def test_recording_without_a_way_to_open_it(tmp_path):
    with pytest.raises(SourceError, match="only text logs"):
        open_source(f"replay:{hold_file(tmp_path)}")


def test_what_is_due_together_comes_in_one_piece(tmp_path):
    """Recorder and filters take their time for each piece: an hour would take minutes."""
    recorded = Recorded([Chunk(0, np.zeros((3000, 2))), Gap(3000, 500, "no data"), Chunk(3500, np.zeros((3000, 2)))])
    source = open_source(f"replay:{hold_file(tmp_path)}?speed=max", open_recording=lambda path: recorded)
    assert len([item for item in play(source) if isinstance(item, Chunk)]) < 12
