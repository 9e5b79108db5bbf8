import itertools

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from biofeedback.acquisition.clock import RateMeter
from biofeedback.acquisition.decoder import BadLines, Frames, LineDecoder, Text
from biofeedback.acquisition.timeline import Timeline
from biofeedback.model import Channel, Chunk, Gap, Note
from biofeedback.signal.levels import LevelStream


def frames(n, *, sequence=None, first=0):
    counts = np.arange(first, first + n, dtype=float)[:, None]
    return Frames(counts, None if sequence is None else np.array(sequence, dtype=np.int64))


def numbered(*numbers):
    """Frames whose one value is their sequence number."""
    return Frames(np.array(numbers, dtype=float)[:, None], np.array(numbers, dtype=np.int64))


def layout(items):
    return [
        (item.first_frame, item.n_frames, item.reason) if isinstance(item, Gap) else (item.first_frame, item.n_frames)
        for item in items
        if not isinstance(item, Note)
    ]


def values_by_frame(items):
    return {
        item.first_frame + i: value
        for item in items
        if isinstance(item, Chunk)
        for i, value in enumerate(item.counts[:, 0].tolist())
    }


def notes(items):
    return [item.text for item in items if isinstance(item, Note)]


def test_an_unreadable_line_is_one_missing_frame():
    line = Timeline(100, 1)
    items = line.place([frames(3), BadLines(1, "x"), frames(2), BadLines(2, "y"), frames(1)], 0.0)
    assert layout(items) == [
        (0, 3),
        (3, 1, "unreadable line"),
        (4, 2),
        (6, 2, "unreadable line"),
        (8, 1),
    ]
    assert line.n_missing == 3


def test_noise_before_the_first_frame_takes_no_time():
    line = Timeline(100, 1)
    items = line.place([BadLines(50, "boot noise"), Text("# hello"), frames(2)], 0.0)
    assert layout(items) == [(0, 2)]
    assert notes(items) == ["# hello"]


def test_words_without_end_do_not_fill_the_recording():
    line = Timeline(100, 1)
    items = []
    for k in range(1000):
        items += line.place([Text(f"debug {k}"), frames(1)], k / 100)
    assert len(notes(items)) <= 50 + 20
    assert notes(items)[49] == "debug 49"
    assert "lines of words that were not kept" in notes(items)[-1]


def test_noise_does_not_make_time_run_away():
    line = Timeline(100, 1)
    line.place([frames(1)], 0.0)
    items = line.place([BadLines(100_000, "wrong baud")], 1.0)
    assert sum(item.n_frames for item in items) <= 100 + 25


@pytest.mark.parametrize("lost", [1, 7, 24])
def test_sequence_numbers_give_the_exact_length_of_a_gap(lost):
    line = Timeline(100, 1)
    items = line.place([numbered(5, 6), numbered(7 + lost, 8 + lost)], 0.0)
    assert layout(items) == [(0, 2), (2, lost, "lost on the way"), (2 + lost, 2)]


def test_with_sequence_numbers_an_unreadable_line_is_not_counted_twice():
    line = Timeline(100, 1)
    items = line.place([numbered(0, 1), BadLines(2, "x"), numbered(4, 5)], 0.0)
    assert layout(items) == [(0, 2), (2, 2, "unreadable line"), (4, 2)]


@pytest.mark.parametrize("bits", [8, 16, 32])
@pytest.mark.parametrize("declared", [True, False])
@pytest.mark.parametrize("lost", [0, 3])
def test_sequence_wraps(bits, declared, lost):
    top = 1 << bits
    line = Timeline(100, 1, sequence_modulus=top if declared else None)
    items = line.place([numbered(top - 2, top - 1), numbered(lost, lost + 1)], 0.0)
    expected = [(0, 2), (2 + lost, 2)]
    assert [piece for piece in layout(items) if len(piece) == 2] == expected
    assert line.n_missing == lost


def test_outage_longer_than_a_turn_of_the_counter():
    line = Timeline(100, 1, sequence_modulus=256)
    line.place([numbered(*range(10))], 0.0)
    items = []
    for tenth in range(1, 61):  # 6 s of silence are 600 frames, the counter has turned twice
        items += line.silence(tenth / 10)
    items += line.place([numbered(*((np.arange(611, 621)) % 256).tolist())], 6.1)
    assert values_by_frame(items) == {611 + i: float((611 + i) % 256) for i in range(10)}


def test_restart_of_the_device_is_placed_by_the_wall_clock():
    line = Timeline(100, 1)
    line.place([numbered(*range(5000, 5010))], 0.0)
    items = line.place([Text("boot"), numbered(0, 1, 2)], 0.2)
    assert layout(items) == [(10, 17, "device restarted"), (27, 3)]
    assert "restarts at 0" in notes(items)[1]


@pytest.mark.parametrize("word", ["#boot proto=1", None])
def test_restart_soon_after_the_start_is_no_repetition(word):
    line = Timeline(100, 1)
    items = line.place([numbered(*range(10))], 0.0)
    if word:
        items += line.place([Text(word)], 0.4)
    else:
        line.resume()  # the reader knows that the wire was interrupted
    items += line.place([numbered(0, 1, 2)], 0.5)
    assert layout(items) == [(0, 10), (10, 47, "device restarted"), (57, 3)]


def test_board_that_went_on_while_the_wire_was_interrupted():
    line = Timeline(100, 1)
    items = line.place([numbered(*range(10))], 0.0)
    line.resume()
    items += line.place([numbered(50, 51)], 0.43)
    assert layout(items) == [(0, 10), (10, 40, "lost on the way"), (50, 2)]


def test_one_impossible_sequence_number_is_discarded_not_believed():
    line = Timeline(100, 1)
    items = line.place([numbered(10, 11), numbered(91012), numbered(13, 14)], 0.0)
    assert layout(items) == [(0, 2), (2, 1, "lost on the way"), (3, 2)]
    assert line.n_discarded == 1


def test_frames_that_come_twice_are_discarded():
    line = Timeline(100, 1)
    items = line.place([numbered(0, 1, 2), numbered(1, 2, 3, 4)], 0.0)
    assert values_by_frame(items) == {i: float(i) for i in range(5)}
    assert line.n_discarded == 2
    assert notes(items) == ["2 frames dropped: sent twice, too late, or with an impossible number"]


def test_frames_left_out_are_told_once_a_second_and_none_is_forgotten():
    line = Timeline(100, 1)
    items = []
    for k in range(1, 300):  # every frame comes twice
        items += line.place([numbered(k, k)], k / 100)
    items += line.silence(4.0)
    told = [int(text.split()[0]) for text in notes(items)]
    assert sum(told) == line.n_discarded == 299
    assert len(told) <= 5


def test_device_times_of_a_slow_board_are_kept_and_its_unevenness_is_told():
    """10 and 15 ms in turn, as a converter with data ready every 5 ms gives to a loop that asks for 80 a second."""
    line = Timeline(80, 1)
    times_us = np.cumsum(np.tile([10000.0, 15000.0], 500))
    items = []
    for k, time_us in enumerate(times_us):
        items += line.place([Frames(np.array([[float(k)]]), None, np.array([time_us % 2**32]))], time_us * 1e-6)
    chunks = [item for item in items if isinstance(item, Chunk)]
    assert np.concatenate([chunk.device_us for chunk in chunks]) == pytest.approx(times_us)
    assert notes(items) == [
        "by the board's clock 80 readings/s, 12.50 ms apart (SD 2.50 ms); "
        "levels are made from readings resampled by that clock"
    ]


def test_device_times_stay_with_their_frames_when_some_are_left_out():
    line = Timeline(100, 1)
    both = Frames(np.array([[0.0], [1.0], [2.0]]), np.array([0, 1, 2]), np.array([0.0, 11e3, 19e3]))
    again = Frames(np.array([[2.0], [3.0]]), np.array([2, 3]), np.array([19e3, 30e3]))
    chunks = [item for item in line.place([both, again], 0.0) if isinstance(item, Chunk)]
    assert [chunk.device_us.tolist() for chunk in chunks] == [[0.0, 11e3, 19e3], [30e3]]


def test_a_fast_board_needs_no_device_times():
    (chunk,) = Timeline(1000, 1).place([Frames(np.zeros((1, 1)), np.array([0]), np.array([5.0]))], 0.0)
    assert chunk.device_us is None


def test_silence_becomes_a_gap_as_the_wall_clock_goes_on():
    line = Timeline(100, 1)
    line.place([frames(10)], 1.0)
    assert line.silence(1.29) == []
    assert layout(line.silence(1.5)) == [(10, 40, "no data")]
    assert layout(line.silence(1.75)) == [(50, 25, "no data")]
    items = line.place([frames(2)], 2.0)
    items += line.place([], 2.2)  # no more of a burst has come
    assert layout(items) == [(75, 33, "no data"), (108, 2)]


@pytest.mark.parametrize("rate_hz", [10, 80, 1000])
@pytest.mark.parametrize("jitter", [-0.3, 0.0, 0.3])
def test_what_comes_after_silence_stands_where_it_would_have_without(rate_hz, jitter):
    line = Timeline(rate_hz, 1)
    items = []
    for k in [*range(rate_hz), *range(3 * rate_hz, 4 * rate_hz)]:  # frame k is taken, and comes, at k / rate
        late = jitter if k == 3 * rate_hz else 0.0
        items += line.silence((k + late) / rate_hz)
        items += line.place([Frames(np.array([[float(k)]]))], (k + late) / rate_hz)
    assert values_by_frame(items) == {k: k for k in [*range(rate_hz), *range(3 * rate_hz, 4 * rate_hz)]}


def test_after_silence_the_sequence_says_how_long_it_was():
    line = Timeline(100, 1)
    line.place([numbered(*range(10))], 0.0)
    items = line.silence(0.5)
    items += line.place([numbered(*range(80, 90))], 0.82)
    assert layout(items) == [(10, 40, "no data"), (50, 30, "lost on the way"), (80, 10)]


def test_late_burst_does_not_shift_time():
    line = Timeline(100, 1)
    line.place([numbered(*range(10))], 0.0)
    items = line.silence(0.6)  # frames 10..59 are given up
    items += line.place([numbered(*range(10, 65))], 0.55)  # the radio had only been slow
    assert values_by_frame(items) == {i: float(i) for i in range(60, 65)}
    assert line.n_discarded == 50


def test_device_that_had_paused_goes_on_where_time_is_now():
    line = Timeline(100, 1)
    line.place([numbered(*range(10))], 0.0)
    items = line.silence(2.0)
    for i in range(10, 110):
        items += line.place([numbered(i)], 2.0 + (i - 9) / 100)
    assert any("paused" in text for text in notes(items))
    assert values_by_frame(items)  # not discarded for ever
    assert max(values_by_frame(items).values()) == 109


def test_trusted_sequence_reproduces_gaps_of_any_length_at_any_speed():
    line = Timeline(1000, 1, first_sequence=0, trusted=True)
    items = line.place([numbered(5), numbered(500_000), numbered(2_000_000)], 0.0)
    assert sorted(values_by_frame(items)) == [5, 500_000, 2_000_000]
    assert layout(line.advance(2_000_010)) == [(2_000_001, 9, "missing in the source")]


def test_rate_of_arrival_is_reported_when_it_is_off():
    line = Timeline(80, 1)
    items = []
    for k in range(1, 77 * 11):
        items += line.place([frames(1)], k / 76.3)
    assert line.measured_rate_hz == pytest.approx(76.3, rel=0.003)
    assert notes(items) == ["frames arrive at 76.3 Hz, -4.6 % off the declared 80 Hz"]


def test_rate_within_one_percent_is_not_reported():
    line = Timeline(80, 1)
    items = []
    for k in range(1, 81 * 40):
        items += line.place([frames(1)], k / 80.7)
    assert notes(items) == []


def test_rate_needs_a_second():
    meter = RateMeter()
    meter.add(1, 0.0)
    meter.add(90, 0.9)
    assert meter.rate_hz is None
    meter.add(30, 1.2)
    assert meter.rate_hz == pytest.approx(100.0)


def test_refuses_frames_of_another_width():
    with pytest.raises(ValueError, match="2 channels"):
        Timeline(100, 1).place([Frames(np.zeros((1, 2)))], 0.0)


@given(
    st.lists(st.tuples(st.integers(0, 30), st.integers(1, 40), st.booleans()), min_size=1, max_size=20),
    st.sampled_from([1 << 8, 1 << 16, 1 << 32]),
    st.integers(0, 1 << 32),
)
def test_every_frame_is_in_exactly_one_chunk_or_gap_and_where_its_number_says(runs, modulus, start):
    """Losses shorter than what is believed at once, over any wrap, in any batching."""
    line = Timeline(200, 1, sequence_modulus=modulus)
    items, true, batch = line.place([Frames(np.array([[0.0]]), np.array([start % modulus]))], 0.0), 1, []
    truth = {0: 0.0}
    for lost, n, send in runs:
        true += lost
        index = np.arange(true, true + n)
        truth |= {int(i): float(i) for i in index}
        batch.append(Frames(index[:, None].astype(float), (start + index) % modulus))
        true += n
        if send:
            items += line.place(batch, true / 200)
            batch = []
    items += line.place(batch, true / 200)
    assert values_by_frame(items) == truth
    covered = [item for item in items if not isinstance(item, Note)]
    assert covered[0].first_frame == 0
    assert all(a.end_frame == b.first_frame for a, b in itertools.pairwise(covered))


def timed(*moments_ms):
    counts = np.array(moments_ms, dtype=float)[:, None]
    return Frames(counts, None, np.array(moments_ms, dtype=float) * 1000)


def test_device_time_alone_gives_the_length_of_a_gap():
    line = Timeline(80, 1)
    items = line.place([timed(0, 10, 25, 35, 50), BadLines(1, "x"), timed(75, 85), timed(250, 260)], 0.0)
    assert layout(items) == [(0, 5), (5, 1, "unreadable line"), (6, 2), (8, 12, "lost on the way"), (20, 2)]


@given(st.lists(st.sampled_from([10.0, 15.0]), min_size=50, max_size=200), st.sampled_from([76.0, 78.5, 80.0, 81.5]))
def test_uneven_sampling_at_about_the_declared_rate_is_no_loss(steps, rate_hz):
    moments = np.cumsum(np.resize([10.0, 15.0], len(steps))) * 80 / rate_hz
    line = Timeline(80, 1)
    items = line.place([timed(*moments.tolist())], 0.0)
    assert line.n_missing == 0
    assert sum(item.n_frames for item in items) == len(steps)


def test_device_time_that_begins_again_is_a_restart():
    line = Timeline(100, 1)
    items = line.place([timed(*range(5000, 6000, 10))], 0.0)
    items += line.place([timed(0, 10, 20)], 1.0)
    assert layout(items) == [(0, 100), (100, 97, "device restarted"), (197, 3)]


def test_device_time_that_begins_again_is_no_wrap_of_a_counter():
    """250 readings, then 0: an 8-bit counter would have lost 6."""
    line = Timeline(100, 1)
    line.place([timed(*range(0, 2500, 10))], 0.0)
    assert layout(line.place([timed(0, 10, 20)], 1.0)) == [(250, 97, "device restarted"), (347, 3)]


def test_drift_of_the_devices_clock_is_known_after_some_seconds():
    line = Timeline(100, 1)
    for k in range(1500):
        line.place([timed(k * 10 * (1 + 200e-6))], k / 100)
    assert line.clock_drift_ppm == pytest.approx(200, abs=5)


def test_from_the_wire_to_levels_an_uneven_board_gives_the_sine_that_was_there():
    """80 lines a second, taken 10 and 15 ms after each other, over a wrap of the microseconds, arriving in bursts."""
    taken_s = np.cumsum(np.tile([0.010, 0.015], 1200))
    counts = np.rint(1e6 + 1e5 * np.sin(2 * np.pi * taken_s))
    lines = [b"%d,%d\n" % ((4.28e9 + 1e6 * t) % 2**32, c) for t, c in zip(taken_s, counts, strict=True)]
    decoder, line = LineDecoder(columns="t_us,force"), Timeline(80, 1)
    stream = LevelStream([Channel(name="force", kind="force")], 80.0)
    levels = []
    for at in range(0, len(lines), 3):
        items = line.place(decoder.feed(b"".join(lines[at : at + 3])), float(taken_s[min(at + 2, len(lines) - 1)]))
        levels += [stream.push(item).values[:, 0] for item in items if not isinstance(item, Note)]
    values = np.concatenate(levels)
    # readings at 10, 25, 35, 50 ms ...: frame 0 of the even grid lies at 11.25 ms
    shown_s = 0.01125 + (np.arange(len(values)) + 1) / stream.level_rate_hz - stream.delay_s[0]
    late = slice(800, None)
    angle = 2 * np.pi * shown_s[late]
    design = np.stack((np.sin(angle), np.cos(angle), np.ones_like(angle)), axis=1)
    sine, cosine, middle = np.linalg.lstsq(design, values[late], rcond=None)[0]
    assert sine == pytest.approx(1e5, rel=0.005)
    assert abs(cosine / sine) / (2 * np.pi) < 0.0001  # seconds
    assert middle == pytest.approx(1e6, rel=1e-5)


@pytest.mark.parametrize("n_lost", [600, 1200, 5000, 30_000])
@pytest.mark.parametrize("modulus", [None, 65536])
def test_a_computer_that_stalled_finds_what_the_port_kept_then_a_gap(n_lost, modulus):
    """The port keeps the first 300 readings of the stall, the rest is lost; all the news comes at one moment."""
    line = Timeline(1000.0, 1, sequence_modulus=modulus)

    def sent(first, n):
        numbers = np.arange(first, first + n)
        return Frames(numbers[:, None].astype(float), numbers if modulus is None else numbers % modulus)

    items, sequence = [], 0
    for _ in range(300):
        items += line.place([sent(sequence, 16)], sequence / 1000)
        sequence += 16
    back_s = (sequence + 300 + n_lost) / 1000
    items += line.place([sent(sequence, 300)], back_s)
    sequence += 300 + n_lost
    for k in range(30):
        items += line.place([sent(sequence, 16)], back_s + 0.016 * k)
        sequence += 16
    assert [item for item in items if isinstance(item, Gap)] == [Gap(5100, n_lost, "lost on the way")]
    assert notes(items) == []
    assert line.next_frame == sequence
