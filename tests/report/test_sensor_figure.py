"""The picture of a sensor shows what the words say."""

from __future__ import annotations

from itertools import combinations
from pathlib import Path

import numpy as np
import pytest
from matplotlib.figure import Figure

from biofeedback.acquisition.health import Watched, judge_sensor
from biofeedback.acquisition.portrait import portray_sensor
from biofeedback.model import Channel, Chunk, Gap, Item
from biofeedback.report.sensor_figure import draw_sensor, write_sensor_picture

RATE_HZ = 1000.0
EMG = Channel(name="emg", kind="emg", unit="uV", rail_low_counts=0, rail_high_counts=1023)


def watch(counts: np.ndarray, *, lost: tuple[int, int] | None = None, times_us: np.ndarray | None = None) -> Watched:
    items: list[Item] = []
    for at in range(0, len(counts), 20):
        if lost and lost[0] <= at < lost[1]:
            items.append(Gap(at, 20, "lost on the way"))
        else:
            items.append(Chunk(at, counts[at : at + 20, None], None if times_us is None else times_us[at : at + 20]))
    arrivals = [(item.end_frame / RATE_HZ, 20) for item in items if isinstance(item, Chunk)]
    return Watched([EMG], RATE_HZ, items, arrivals, len(counts), 0)


def noise(n: int = 5000) -> np.ndarray:
    return np.rint(512 + np.random.default_rng(0).normal(0, 20, n))


def read_figure(watched: Watched) -> list[str]:
    """Every text of the drawn figure."""
    figure = Figure()
    draw_sensor(figure, portray_sensor(watched), [f.text for f in judge_sensor(watched) if f.cure], title="port")
    figure.draw_without_rendering()
    places = [axes.get_position() for axes in figure.axes]
    assert all(0 < place.x0 < place.x1 < 1 and 0 < place.y0 < place.y1 < 1 for place in places)
    assert not any(one.overlaps(other) for one, other in combinations(places, 2))
    texts = [text.get_text() for axes in figure.axes for text in (*axes.texts, axes.title, axes._left_title)]
    return [*texts, *(axes.get_title(loc="right") for axes in figure.axes)]


def test_a_good_board() -> None:
    texts = read_figure(watch(noise()))
    assert "Fit for use" in texts
    assert not [text for text in texts if "clipped" in text or "gap" in text or "never" in text]


def test_hum_clipping_gaps_and_a_dead_channel_are_in_the_picture() -> None:
    hum = noise() + np.rint(100 * np.sin(2 * np.pi * 60 * np.arange(5000) / RATE_HZ))
    assert any(text.startswith("60 Hz hum: 9") for text in read_figure(watch(hum)))
    clipped = np.clip(512 + 25 * (noise() - 512), 0, 1023)
    assert any(text.startswith("crosses: ") for text in read_figure(watch(clipped)))
    assert "hatched: 10 gaps, 0.2 s" in read_figure(watch(noise(), lost=(1000, 1200)))
    dead = read_figure(watch(np.full(5000, 7.0)))
    assert "never changes" in dead
    assert "Look at this first" in dead


def test_clipped_samples_and_gaps_are_where_they_were() -> None:
    counts = noise()
    counts[100:110] = 1023
    portrait = portray_sensor(watch(counts, lost=(1000, 1200)))
    (channel,) = portrait.channels
    assert np.flatnonzero(channel.clipped).tolist() == list(range(100, 110))
    assert np.flatnonzero(np.isnan(channel.counts)).tolist() == list(range(1000, 1200))
    assert (portrait.gaps[0][0], portrait.gaps[-1][1]) == (1.0, 1.2)


def test_a_line_of_known_height_stands_at_its_frequency_in_the_spectrum() -> None:
    """A sine of amplitude a has the power a^2 / 2 (Parseval)."""
    sine = 512 + 100 * np.sin(2 * np.pi * 125 * np.arange(5000) / RATE_HZ)
    (channel,) = portray_sensor(watch(sine)).channels
    assert channel.frequency_hz[np.argmax(channel.amplitude)] == 125
    assert np.sum(channel.amplitude**2) == pytest.approx(100**2 / 2, rel=0.01)


def test_intervals_are_by_the_boards_clock_where_there_is_one() -> None:
    times_us = np.cumsum(np.tile([800.0, 1200.0], 2500))
    portrait = portray_sensor(watch(noise(), times_us=times_us, lost=(1000, 1200)))
    assert sorted(set(np.round(portrait.intervals_ms, 6))) == [0.8, 1.2]
    assert portrait.clock == "by the board's clock"
    arrived = portray_sensor(watch(noise()))
    assert arrived.intervals_ms == pytest.approx(1.0)
    assert len(arrived.intervals_ms) == 4980


@pytest.mark.parametrize("n", [0, 1, 30])
def test_little_or_nothing_seen_is_drawn_all_the_same(tmp_path: Path, n: int) -> None:
    path = tmp_path / "check.svg"
    write_sensor_picture(path, portray_sensor(watch(noise(n))), ["no frames arrived"], title="port")
    assert path.read_text().startswith("<?xml")
