import contextlib
import queue
import threading
import time
from types import SimpleNamespace

import numpy as np
import pytest

from biofeedback.acquisition.join import JoinedSource
from biofeedback.acquisition.joiner import Joiner
from biofeedback.acquisition.reader import make_reader
from biofeedback.acquisition.source import EndOfSource
from biofeedback.acquisition.sources import open_source
from biofeedback.errors import SourceError
from biofeedback.model import Chunk, Flag, Gap, Note
from biofeedback.signal.levels import LevelStream
from biofeedback.storage.recorder import Recorder
from biofeedback.storage.recording import open_recording

from .listening import read_until, rows


def play(*sensors, seconds=20.0, missing=()):
    """Sensors given as (rate, drift in ppm, delay in s, jitter in s): each shows the true time. Rows that come out."""
    rng = np.random.default_rng(5)
    rates = [rate_hz for rate_hz, *_ in sensors]
    joiner = Joiner(rates, [1] * len(rates))
    batches = []
    for which, (rate_hz, drift_ppm, delay_s, jitter_s) in enumerate(sensors):
        n = max(1, round(rate_hz / 50))
        for first in range(0, int(seconds * rate_hz), n):
            taken = np.arange(first, first + n) / rate_hz / (1 + drift_ppm * 1e-6)
            arrival = taken[-1] + delay_s + jitter_s * rng.random()
            item = Chunk(first, taken[:, None])
            if which == 1 and any(low <= taken[0] < high for low, high in missing):
                item = Gap(first, n, "lost on the way")
            batches.append((arrival, which, item))
    rows = []
    for arrival, which, item in sorted(batches, key=lambda batch: batch[0]):
        joiner.push(which, [item], arrival)
        rows += joiner.take(arrival)
    return split(rows)


def split(items):
    """Numbers (n,) and counts (n, n_channels) of the frames that came, after making sure that there are no holes."""
    ends = [item.end_frame for item in items]
    assert [item.first_frame for item in items] == [0, *ends[:-1]]
    chunks = [item for item in items if isinstance(item, Chunk)]
    frames = np.concatenate([np.arange(0), *(np.arange(item.first_frame, item.end_frame) for item in chunks)])
    return frames, np.concatenate([np.zeros((0, 2)), *(item.counts for item in chunks)])


@pytest.mark.parametrize(
    "second",
    [
        (80.0, 0.0, 0.001, 0.004),
        (80.0, 100.0, 0.001, 0.004),
        (76.3, -3000.0, 0.001, 0.004),
        (250.0, 50.0, 0.001, 0.004),
    ],
)
def test_two_sensors_show_one_time(second):
    frames, values = play((1000.0, -100.0, 0.001, 0.004), second)
    later = (frames > 10_000) & np.isfinite(values[:, 1])
    assert later.sum() > 9_000
    assert np.sqrt(np.mean((values[later, 0] - values[later, 1]) ** 2)) < 1e-3
    assert np.isfinite(values[np.abs(frames - 10_000) < 5_000]).all()


@pytest.mark.parametrize("uneven", [0, 1])
def test_a_board_that_reads_unevenly_and_says_when_is_joined_by_its_own_time(uneven):
    """Load-cell converters between two of their own readings: 10 and 15 ms in turn at 80 a second."""
    joiner, batches = Joiner([80.0, 80.0], [1, 1]), []
    for which in (0, 1):
        taken = np.arange(1600) / 80.0 + (0.00125 * (-1.0) ** np.arange(1600) if which == uneven else 0.0)
        device_us = 1e6 * (500.0 + taken * 1.0001) if which == uneven else None
        for first in range(0, 1600, 2):
            part = slice(first, first + 2)
            times = None if device_us is None else device_us[part]
            batches.append((taken[part][-1] + 0.001, which, Chunk(first, taken[part, None], times)))
    rows = []
    for arrival, which, item in sorted(batches, key=lambda batch: batch[0]):
        joiner.push(which, [item], arrival)
        rows += joiner.take(arrival)
    frames, values = split(rows)
    values = values[(frames > 800) & np.isfinite(values).all(axis=1)]
    assert len(values) > 750
    assert np.abs(values[:, 0] - values[:, 1]).max() < 0.0003


def test_constant_delay_of_one_wire_stays():
    frames, values = play((1000.0, 0.0, 0.001, 0.004), (80.0, 0.0, 0.031, 0.004))
    later = frames > 10_000
    assert np.nanmedian(values[later, 0] - values[later, 1]) == pytest.approx(0.030, abs=0.002)


def test_nothing_is_interpolated_across_a_gap_of_the_other_sensor():
    frames, values = play((1000.0, 0.0, 0.001, 0.002), (80.0, 0.0, 0.001, 0.002), missing=[(12.0, 13.0)])
    assert np.array_equal(frames, np.arange(len(frames)))  # the first sensor loses nothing by it
    assert np.isfinite(values[:, 0]).all()
    lost = 11_000 + np.flatnonzero(np.isnan(values[11_000:14_000, 1]))
    assert 950 <= len(lost) <= 1060
    assert lost.min() >= 11_950
    assert lost.max() <= 13_050
    assert np.nanmax(np.abs(values[frames > 10_000, 0] - values[frames > 10_000, 1])) < 0.01


def test_other_sensor_that_is_silent_is_waited_for_only_a_quarter_of_a_second():
    joiner = Joiner([100.0, 100.0], [1, 1])
    joiner.push(0, [Chunk(0, np.zeros((10, 1)))], 1.0)
    assert joiner.take(1.2) == []
    joiner.push(1, [Chunk(0, np.ones((40, 1)))], 1.21)
    early = joiner.take(1.21)
    assert split(early)[0].tolist() == list(range(10))
    joiner.push(0, [Chunk(10, np.zeros((30, 1)))], 1.3)
    assert joiner.take(1.54) == []
    frames, values = split(early + joiner.take(1.56))
    assert frames.tolist() == list(range(40))
    assert np.flatnonzero(np.isfinite(values[:, 1])).tolist() == list(range(31))  # what came until 1.21 s


def play_outage(silent, outage_s=(5.0, 35.0), *, total_s=40.0):
    """Two boards of 100 Hz; of one the wire brings nothing for a while, as its reader tells it. What comes out."""
    joiner, out = Joiner([100.0, 100.0], [1, 1]), []
    for k in range(int(total_s * 20)):
        now_s = (k + 1) * 0.05
        for which in (0, 1):
            taken = np.arange(5 * k, 5 * k + 5) / 100.0
            is_away = which == silent and outage_s[0] <= now_s - 0.05 < outage_s[1]
            item = Gap(5 * k, 5, "no data") if is_away else Chunk(5 * k, taken[:, None])
            joiner.push(which, [item], now_s + 0.001)
        out += joiner.take(now_s + 0.001)
    return split(out)


@pytest.mark.parametrize("silent", [0, 1])
def test_thirty_silent_seconds_of_one_board_cost_the_other_nothing(silent):
    frames, values = play_outage(silent)
    other = values[:, 1 - silent]
    assert np.isfinite(other[10:-60]).all()
    assert other[1000:3400] == pytest.approx(frames[1000:3400] / 100.0, abs=0.02)
    assert np.isnan(values[510:3490, silent]).all()
    assert np.isfinite(values[3600:-60, silent]).all()


def test_a_gap_of_the_first_that_comes_all_at_once_is_filled_with_what_the_other_had_meanwhile():
    joiner = Joiner([100.0, 100.0], [1, 1])
    joiner.push(0, [Chunk(0, np.arange(100)[:, None] / 100.0)], 1.0)
    for k in range(60):
        joiner.push(1, [Chunk(10 * k, np.arange(10 * k, 10 * k + 10)[:, None] / 100.0)], (k + 1) / 10)
    joiner.push(0, [Gap(100, 450, "lost on the way"), Chunk(550, np.arange(550, 600)[:, None] / 100.0)], 6.0)
    frames, values = split(joiner.take(7.0))
    assert frames.tolist() == list(range(600))
    assert values[1:-1, 1] == pytest.approx(frames[1:-1] / 100.0)  # at its ends no neighbour is on both sides
    assert np.isnan(values[100:550, 0]).all()


def test_where_both_are_silent_there_is_a_gap():
    joiner = Joiner([100.0, 100.0], [1, 1])
    for which in (0, 1):
        joiner.push(which, [Chunk(0, np.zeros((100, 1)))], 1.0)
        joiner.push(which, [Gap(100, 50, "no data")], 1.6)
    (chunk, gap) = joiner.take(2.0)
    assert (chunk.n_frames, gap) == (100, Gap(100, 50, "no data"))


def test_a_joined_recording_keeps_what_one_board_sent_while_the_other_was_away(tmp_path):
    """From the boards over the file to the levels: of the other board's channel alone is anything missing."""
    url = "join:simulated:?seed=1&channels=emg&rate=1000|simulated:?seed=2&channels=force&rate=100"
    source = open_source(f"{url}&unplug_at=1&unplug_for=1.2")
    source.open()
    reader = make_reader(source)
    path = tmp_path / "a.hold"
    settings = {"channels": [channel.to_dict() for channel in source.channels], "rate_hz": source.rate_hz}
    troubles = set()
    with Recorder.create(path, settings, threaded=False) as recorder:
        items = []
        for _ in range(2000):
            if sum(item.n_frames for item in items if not isinstance(item, Note)) >= 3500:
                break
            items += (new := reader.read())
            troubles.add(reader.trouble)
            for item in new:
                recorder.append(item)
    source.close()
    notes = [item.text for item in items if isinstance(item, Note)]
    assert any(text.startswith("simulated athlete A01, seed 2: no data") for text in notes)
    assert any(text.startswith("simulated athlete A01, seed 2: data again after") for text in notes)
    assert any("seed 2" in trouble and "seed 1" not in trouble for trouble in troubles)
    recording = open_recording(path)
    counts = recording.counts()
    assert np.isfinite(counts[:, 0]).all()
    lost = np.isnan(counts[:-500, 1])
    assert 1000 < lost.sum() < 2300  # away for 1.2 s, tried again after up to a second
    stream = LevelStream(recording.channels, recording.rate_hz)
    flags = np.concatenate([stream.push(item).flags for item in recording.items() if not isinstance(item, Note)])
    missing = (flags & Flag.MISSING) > 0
    assert not missing[:, 0].any()
    assert missing[:, 1].any()
    replay = make_reader(open_source(f"replay:{path}?speed=max", open_recording=open_recording))
    replay.source.open()
    again = []
    with contextlib.suppress(EndOfSource):
        while True:
            again += replay.read()
    assert np.array_equal(split_all(again), counts, equal_nan=True)


def split_all(items):
    return np.concatenate([item.counts for item in items if isinstance(item, Chunk)])


def test_two_simulated_sensors_through_the_reader():
    source = open_source("join:simulated:?seed=1&channels=emg&rate=1000|simulated:?seed=2&channels=force&rate=80")
    source.open()
    reader = make_reader(source)
    items = read_until(reader, lambda items: len(rows(items)) >= 1000)
    source.close()
    assert [channel.name for channel in source.channels] == ["emg", "force"]
    assert (source.rate_hz, source.is_simulated) == (1000, True)
    assert any(isinstance(item, Note) and "force interpolated linearly" in item.text for item in items)
    assert not [item for item in items if isinstance(item, Gap)]
    assert {item.counts.shape[1] for item in items if isinstance(item, Chunk)} == {2}


TWO = "join:simulated:?seed=1&channels=emg&rate=1000|simulated:?seed=2&channels=force&rate=80"


def test_what_came_before_the_end_is_read_before_the_end():
    source = open_source(TWO)
    source._joiner = Joiner([100.0, 100.0], [1, 1])
    for which, n in ((0, 10), (1, 12)):
        source._queue.put((which, [Chunk(0, np.zeros((n, 1)))], source._clock()))
    source._queue.put(EndOfSource())
    assert split(source.read_items())[0].tolist() == list(range(10))
    for _ in range(2):
        with pytest.raises(EndOfSource):
            source.read_items()


def test_what_ends_one_sensor_ends_the_whole_and_is_no_silence():
    source = open_source(TWO)
    source.open()
    reader = make_reader(source)
    source._sources[1].read = lambda: 1 / 0
    with pytest.raises(ZeroDivisionError):
        read_until(reader, lambda _: False)
    source.close()


def test_threads_end_also_when_nobody_has_read(monkeypatch):
    before = threading.active_count()
    source = open_source(TWO)
    source._queue = queue.Queue(2)
    source.open()
    for _ in range(1000):
        if source._queue.full():
            break
        time.sleep(0.01)
    source.close()
    assert threading.active_count() == before


def test_another_board_is_noticed_also_beside_one_that_never_says_who_it_is():
    source = open_source(TWO)
    source.open()
    reader = make_reader(source)
    assert reader.device_id == ""
    seen = []
    for name in ("1A2B3C4D", "99999999"):
        source._readers[1].device_id = name
        read_until(reader, lambda items: any(isinstance(item, Chunk) for item in items))
        seen.append(reader.device_id)
    source.close()
    assert "" not in seen
    assert seen[0] != seen[1]


def test_the_sensor_that_is_silent_is_named():
    source = open_source(TWO.replace("seed=2", "seed=2&unplug_at=0.5&unplug_for=1"))
    source.open()
    reader = make_reader(source)
    read_until(reader, lambda _: reader.trouble)
    assert reader.trouble.startswith("simulated athlete A01, seed 2: the simulated sensor has been unplugged")
    read_until(reader, lambda _: not reader.trouble)
    source.close()


@pytest.mark.parametrize(
    ("url", "says"),
    [
        ("join:simulated:?seed=1", "needs two sources"),
        ("join:simulated:?seed=1|nonsense:x", "is not a kind of source"),
    ],
)
def test_url_mistakes(url, says):
    with pytest.raises(SourceError, match=says):
        open_source(url)


@pytest.mark.parametrize(
    ("url", "says"),
    [
        ("join:simulated:?channels=force|simulated:?channels=force", "a channel of one name"),
        ("join:simulated:?channels=force|simulated:?channels=emg", "name its sensor first"),
    ],
)
def test_sensors_that_do_not_go_together(url, says):
    source = open_source(url)
    with pytest.raises(SourceError, match=says):
        source.open()


@pytest.mark.parametrize(
    ("said", "heard"), [((None, None), None), ((None, 3.0), 3.0), ((4.0, 3.0), 4.0), ((0.0, 3.0), 0.0)]
)
def test_what_a_simulated_athlete_says_is_heard_whichever_sensor_they_pull(said, heard):
    sources = [SimpleNamespace(said=one, description="board", is_simulated=True) for one in said]
    assert JoinedSource(sources, url="join:").said == heard
