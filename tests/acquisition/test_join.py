import queue
import threading
import time

import numpy as np
import pytest

from biofeedback.acquisition.join import Joiner
from biofeedback.acquisition.reader import Reader
from biofeedback.acquisition.sources import EndOfSource, open_source
from biofeedback.errors import SourceError
from biofeedback.model import Chunk, Gap, Note

from .listening import read_until


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
    frames = np.array([frame for frame, _ in rows])
    return frames, np.array([counts for _, counts in rows])


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
    later = frames > 10_000
    assert later.sum() > 9_000
    assert np.sqrt(np.mean((values[later, 0] - values[later, 1]) ** 2)) < 1e-3
    assert np.array_equal(np.diff(frames), np.ones(len(frames) - 1))


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
    values = np.array([counts for frame, counts in rows if frame > 800])
    assert len(values) > 750
    assert np.abs(values[:, 0] - values[:, 1]).max() < 0.0003


def test_constant_delay_of_one_wire_stays():
    frames, values = play((1000.0, 0.0, 0.001, 0.004), (80.0, 0.0, 0.031, 0.004))
    later = frames > 10_000
    assert np.median(values[later, 0] - values[later, 1]) == pytest.approx(0.030, abs=0.002)


def test_nothing_is_interpolated_across_a_gap_of_the_other_sensor():
    frames, values = play((1000.0, 0.0, 0.001, 0.002), (80.0, 0.0, 0.001, 0.002), missing=[(12.0, 13.0)])
    lost = np.setdiff1d(np.arange(11_000, 14_000), frames)
    assert 950 <= len(lost) <= 1060
    assert lost.min() >= 11_950
    assert lost.max() <= 13_050
    assert np.abs(values[frames > 10_000, 0] - values[frames > 10_000, 1]).max() < 0.01


def test_other_sensor_that_is_silent_is_waited_for_only_a_quarter_of_a_second():
    joiner = Joiner([100.0, 100.0], [1, 1])
    joiner.push(0, [Chunk(0, np.zeros((10, 1)))], 1.0)
    assert joiner.take(1.2) == []
    joiner.push(1, [Chunk(0, np.ones((40, 1)))], 1.21)
    assert [frame for frame, _ in joiner.take(1.21)] == list(range(10))
    joiner.push(0, [Chunk(10, np.zeros((30, 1)))], 1.3)
    assert joiner.take(1.54) == []
    assert [frame for frame, _ in joiner.take(1.56)] == list(range(10, 31))  # what came until 1.21 s


def test_two_simulated_sensors_through_the_reader():
    source = open_source("join:simulated:?seed=1&channels=emg&rate=1000|simulated:?seed=2&channels=force&rate=80")
    source.open()
    reader = Reader(source)
    items = []
    while sum(item.n_frames for item in items if isinstance(item, Chunk)) < 1000:
        items += reader.read()
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
    assert [line.split()[0] for line in source.read().splitlines()] == [b"%d" % k for k in range(10)]
    for _ in range(2):
        with pytest.raises(EndOfSource):
            source.read()


def test_what_ends_one_sensor_ends_the_whole_and_is_no_silence():
    source = open_source(TWO)
    source.open()
    reader = Reader(source)
    source._sources[1].read = lambda: 1 / 0
    with pytest.raises(ZeroDivisionError):
        read_until(reader, lambda _: False)
    source.close()


def test_threads_end_also_when_nobody_has_read(monkeypatch):
    before = threading.active_count()
    source = open_source(TWO)
    source._queue = queue.Queue(2)
    source.open()
    while not source._queue.full():
        time.sleep(0.01)
    source.close()
    assert threading.active_count() == before


def test_another_board_is_noticed_also_beside_one_that_never_says_who_it_is():
    source = open_source(TWO)
    source.open()
    reader = Reader(source)
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
    reader = Reader(source)
    read_until(reader, lambda _: reader.trouble)
    assert reader.trouble.startswith("simulated athlete A01, seed 2: the simulated sensor has been unplugged")
    read_until(reader, lambda _: not reader.trouble)
    source.close()


@pytest.mark.parametrize(
    ("url", "says"),
    [
        ("join:simulated:?seed=1", "needs two sources"),
        ("join:simulated:?seed=1|nonsense:x", "is no kind of source"),
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
