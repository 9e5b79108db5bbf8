"""Wires that stall and then bring everything at once: nothing is lost of it, and no time comes out of nothing."""

import numpy as np
import pytest

from biofeedback.acquisition.decoder import Frames
from biofeedback.acquisition.timeline import Timeline
from biofeedback.model import Chunk, Gap, Note

RATE_HZ = 100
STALLS = [(k * 5.0 + 3.0, k * 5.0 + 3.0 + length_s) for k, length_s in enumerate([0.4, 0.7, 1.2] * 20)]  # 5 minutes
KINDS = ["plain", "sequence", "time"]


def make_frames(kind, first, n, lost=()):
    numbers = np.arange(first, first + n)
    for begin, end in lost:
        numbers = numbers[(numbers < begin * RATE_HZ) | (numbers >= end * RATE_HZ)]
    sequence = numbers % 65536 if kind == "sequence" else None
    times_us = numbers * 1e6 / RATE_HZ % 2**32 if kind == "time" else None
    return Frames(numbers[:, None].astype(float), sequence, times_us)


def play(kind, *, patience_s, stalls=STALLS, total_s=300.0, pieces=1, lost=(), step_s=0.02):
    """Frame k is taken at k / 100 s; during a stall nothing arrives, at its end all of it, in ``pieces`` batches."""
    line, items, sent = Timeline(RATE_HZ, 1, patience_s=patience_s), [], 0
    rng = np.random.default_rng(3)
    ahead = sorted(stalls, reverse=True)
    for k in range(1, round(total_s / step_s) + 1):
        now_s = k * step_s
        while ahead and ahead[-1][1] <= now_s:
            ahead.pop()
        if ahead and ahead[-1][0] <= now_s:
            items += line.silence(now_s)
            continue
        due = round(now_s * RATE_HZ)
        n = due - sent
        share = [n] if n <= 2 or pieces == 1 else np.diff(np.linspace(0, n, pieces + 1).astype(int))
        for j, n_piece in enumerate(share):
            frames = make_frames(kind, sent, int(n_piece), lost)
            items += line.place([frames], now_s + 0.004 * j + 0.003 * rng.random())
            sent += int(n_piece)
    items += line.place([], total_s + 1.0)
    return line, items


def values(items):
    return [value for item in items if isinstance(item, Chunk) for value in item.counts[:, 0].tolist()]


@pytest.mark.parametrize("kind", KINDS)
@pytest.mark.parametrize("pieces", [1, 4])
def test_nothing_is_lost_and_no_time_is_gained_over_sixty_stalls(kind, pieces):
    line, items = play(kind, patience_s=1.5, pieces=pieces)
    assert values(items) == list(range(300 * RATE_HZ))
    assert not [item for item in items if isinstance(item, Gap)]
    assert line.next_frame == 300 * RATE_HZ


@pytest.mark.parametrize("kind", KINDS)
def test_an_hour_of_stalls_loses_no_frame_and_gains_no_time(kind):
    """240 stalls of up to 1.4 s on a clock that nobody waits for: within one frame of wall time after the hour."""
    lengths_s = np.random.default_rng(5).uniform(0.3, 1.4, 240)
    stalls = [(15.0 * k + 3.0, 15.0 * k + 3.0 + length_s) for k, length_s in enumerate(lengths_s)]
    line, items = play(kind, patience_s=1.5, stalls=stalls, total_s=3600.0, step_s=0.1)
    is_whole = values(items) == list(range(3600 * RATE_HZ))
    assert is_whole
    assert not [item for item in items if isinstance(item, Gap)]
    assert abs(line.next_frame - 3600 * RATE_HZ) <= 1


@pytest.mark.parametrize("kind", KINDS)
def test_a_wire_that_turns_out_to_burst_is_waited_for_from_then_on(kind):
    """On a cable nobody expects it: the first stall costs readings, the later ones do not; time is right throughout."""
    line, items = play(kind, patience_s=0.3)
    assert abs(line.next_frame - 300 * RATE_HZ) <= 1
    kept = values(items)
    assert len(kept) > 300 * RATE_HZ - 200
    assert set(range(60 * RATE_HZ, 300 * RATE_HZ)) <= set(kept)
    where = {
        int(v): item.first_frame + i
        for item in items
        if isinstance(item, Chunk)
        for i, v in enumerate(item.counts[:, 0])
    }
    assert max(abs(frame - number) for number, frame in where.items()) <= 2
    assert any("in a burst" in item.text for item in items if isinstance(item, Note))


@pytest.mark.parametrize("kind", KINDS)
def test_what_a_stall_swallowed_is_a_gap_of_the_right_length_in_the_right_place(kind):
    stalls = [(10.0, 11.0), (20.0, 21.0)]
    line, items = play(kind, patience_s=1.5, stalls=stalls, total_s=30.0, lost=stalls)
    assert abs(line.next_frame - 3000) <= 12
    gaps = [item for item in items if isinstance(item, Gap)]
    assert len(gaps) == 2
    assert [gap.n_frames for gap in gaps] == pytest.approx([100, 100], abs=12)
    assert [gap.first_frame for gap in gaps] == pytest.approx([1000, 2000], abs=12)


def test_a_silence_beyond_all_patience_does_not_stop_the_session():
    line = Timeline(RATE_HZ, 1, patience_s=1.5)
    line.place([make_frames("plain", 0, 100)], 1.0)
    assert line.silence(2.4) == []
    assert line.is_silent
    assert sum(item.n_frames for item in line.silence(2.6)) == 150
    assert sum(item.n_frames for item in line.silence(3.0)) == 40


def test_a_wire_that_is_known_to_be_gone_is_not_waited_for():
    line = Timeline(RATE_HZ, 1, patience_s=1.5)
    line.place([make_frames("plain", 0, 100)], 1.0)
    assert sum(item.n_frames for item in line.silence(1.5, is_lost=True)) == 40


@pytest.mark.parametrize("spread", [10, 90, 40_000])
def test_sequence_numbers_at_random_do_not_run_the_clock_ahead(spread):
    rng = np.random.default_rng(1)
    line, items, number = Timeline(RATE_HZ, 1), [], 0
    for k in range(6000):
        number = (number + int(rng.integers(1, spread))) % 65536
        items += line.place([Frames(np.array([[float(k)]]), np.array([number]))], k / RATE_HZ)
    assert abs(line.next_frame - 6000) <= 1.5 * RATE_HZ
    assert len(values(items)) > 5500
    assert any("sequence numbers" in item.text for item in items if isinstance(item, Note))


@pytest.mark.parametrize(("actual_hz", "told"), [(101.3, True), (98.7, True), (100.7, False), (99.3, False)])
def test_a_rate_that_is_more_than_one_percent_off_is_told(actual_hz, told):
    line, items = Timeline(RATE_HZ, 1), []
    for k in range(round(40 * actual_hz)):
        items += line.place([make_frames("plain", k, 1)], k / actual_hz)
    texts = [item.text for item in items if isinstance(item, Note)]
    assert len(texts) == told
    assert all("declared" in text for text in texts)
