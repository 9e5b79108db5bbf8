"""What is noted about a wire and what may be read in two ways: how often, from when on, and in which words."""

from __future__ import annotations

import numpy as np
import pytest

from biofeedback.acquisition.clock import RateMeter
from biofeedback.acquisition.line_columns import Line
from biofeedback.acquisition.line_doubts import BITS_WORDS, are_bits, find_direction, find_doubt
from biofeedback.acquisition.remarks import Remarks
from biofeedback.acquisition.text_tokens import tokenise


def meet(rate_hz: float, seconds: float, *, window_s: float = 10.0, pause_s: float = 0.0) -> RateMeter:
    meter = RateMeter(window_s=window_s)
    for k in range(int(seconds * 4) + 1):
        meter.add(round(rate_hz * k / 4) - round(rate_hz * (k - 1) / 4), 50.0 + k / 4 + (pause_s if k > 2 else 0.0))
    return meter


def test_a_boards_own_words_are_kept_fifty_at_once_and_two_a_second() -> None:
    remarks = Remarks(100.0, watches_times=False)
    assert sum(len(remarks.quote(f"hello {k}", 7.0)) for k in range(60)) == 50
    assert remarks.quote("still", 7.4) == []
    assert remarks.quote("again", 7.5) == ["again (after 11 lines of words that were not kept)"]
    assert remarks.quote("more", 7.5) == []
    assert remarks.quote("later", 8.5) == ["later (after 1 lines of words that were not kept)"]
    assert remarks.quote("and", 8.5) == ["and"]
    assert remarks.quote("an older one", 2.0) == []  # time that runs back brings no words
    assert sum(len(remarks.quote("after a minute", 200.0)) for _ in range(60)) == 50  # never more than that at once


@pytest.mark.parametrize(
    ("rate_hz", "slow_s", "told"),
    [
        (100.0, 40.0, None),
        (101.5, 20.0, None),  # over ten seconds 2 % may be jitter
        (97.9, 20.0, "frames arrive at 97.9 Hz, -2.1 % off the declared 100 Hz"),
        (102.1, 20.0, "frames arrive at 102.1 Hz, +2.1 % off the declared 100 Hz"),
        (101.5, 40.0, "frames arrive at 101.5 Hz, +1.5 % off the declared 100 Hz"),  # over half a minute not
        (100.9, 40.0, None),
    ],
)
def test_another_rate_than_the_declared_one_is_told_once(rate_hz: float, slow_s: float, told: str | None) -> None:
    meters = meet(rate_hz * 100, 20.0), meet(rate_hz * 100, slow_s, window_s=30.0)
    remarks = Remarks(10_000.0, watches_times=False)
    text = told and told.replace(f"{rate_hz:g} Hz", f"{100 * rate_hz:.4g} Hz").replace(" 100 Hz", " 10000 Hz")
    assert remarks.judge_rate(*meters) == ([text] if text else [])
    assert remarks.rate_hz == (pytest.approx(rate_hz * 100) if told else None)
    assert remarks.judge_rate(*meters) == []


def test_a_rate_is_not_judged_too_early_nor_after_a_stall() -> None:
    early, late = meet(80.0, 5.0), meet(80.0, 40.0, window_s=30.0)
    assert Remarks(100.0, watches_times=False).judge_rate(early, late) == []
    stalled = meet(80.0, 9.0, pause_s=1.0)
    assert stalled.is_settled
    assert stalled.has_stalled
    assert Remarks(100.0, watches_times=False).judge_rate(stalled, meet(80.0, 9.0, window_s=30.0)) == []


def test_how_evenly_a_slow_board_reads_is_told_once() -> None:
    remarks, meters = Remarks(10.0, watches_times=True), (meet(10.0, 20.0), meet(10.0, 20.0, window_s=30.0))
    assert remarks.judge_rate(*meters) == []  # it has sent no times
    remarks.watch(np.arange(50) / 10)
    (text,) = remarks.judge_rate(*meters)
    assert text.startswith("by the board's clock 10 readings/s, 100.00 ms apart (SD 0.00 ms)")
    assert text.endswith("; levels are made from readings resampled by that clock")
    remarks.watch(np.arange(50) / 10)
    assert remarks.judge_rate(*meters) == []
    quick = Remarks(10.0, watches_times=False)
    quick.watch(np.arange(50) / 10)
    assert quick.judge_rate(*meters) == []


def test_frames_left_out_are_counted_at_most_once_a_second() -> None:
    remarks = Remarks(100.0, watches_times=False)
    dropped = "dropped: sent twice, too late, or with an impossible number"
    assert remarks.count_left_out(0, 5.0) == []
    assert remarks.count_left_out(1, 5.0) == [f"1 frame {dropped}"]
    assert remarks.count_left_out(1, 9.0) == []
    assert remarks.count_left_out(4, 9.0) == [f"3 frames {dropped}"]
    assert remarks.count_left_out(9, 9.9) == []
    assert remarks.count_left_out(9, 10.0) == [f"5 frames {dropped}"]


@pytest.mark.parametrize(
    ("lines", "words"),
    [
        (["1·5", "1·6"], "neither point nor comma"),
        (["1٫5", "1٫6"], "neither point nor comma"),
        (["1_000", "1_001"], "neither point nor comma"),
        (["1'50", "1'60"], "neither point nor comma"),
        (["1'500", "1'600"], ""),  # thousands
        (["a_1", "a_2"], ""),
        (["1.5D+3", "1.6d-3"], "an exponent with D"),
        (["12-34", "12-35"], "may be a sign or a dash"),
        (["12-34", "12-34"], ""),  # always the same: a name
        (["1.5e-3", "1.6e-3"], ""),
        (["34-", "35-"], "a minus behind the number"),
        (["34-kg", "35-kg"], "a minus behind the number"),
        (["(12.5)", "(3)"], "round brackets around a number may mean minus"),
        (["f(12) g(3)", "f(1) g(2)"], ""),
        (["00000101", "00000111"], BITS_WORDS),
        (["00000101", "00000101"], ""),
        (["0000101", "0000111"], ""),  # seven signs may be a number
        (["12:30:05", "12:30:06"], ""),
        (["1·5"], ""),  # one line is no habit
        (["1·5", "1·6", *["17"] * 38], "neither point nor comma"),
        (["1·5", "1·6", *["17"] * 58], ""),  # fewer than one in twenty
        ([], ""),
    ],
)
def test_what_a_person_could_read_in_two_ways_is_said_with_the_cure(lines: list[str], words: str) -> None:
    found = find_doubt(lines)
    assert (words in found) if words else found == ""


def test_bits_are_in_every_line() -> None:
    assert are_bits(["00000101", "x 11111111"])
    assert not are_bits(["00000101", "17"])
    assert not are_bits(["00000101"])
    assert not are_bits([])


@pytest.mark.parametrize(
    ("lines", "words"),
    [
        (["push 5", "pull 6"], "a word seems to hold the sign (pull, push): let the board print a minus"),
        (["5 T", "6 c"], "a word seems to hold the sign (c, t)"),
        (["push 5", "push 6"], ""),
        (["push 5", "pull 6", "hold 7"], ""),  # a third word: it is something else
        (["5", "6"], ""),
    ],
)
def test_a_word_that_holds_the_sign_is_said(lines: list[str], words: str) -> None:
    parsed = [Line(line, tokens := tuple(tokenise(line)), tuple((t.kind, t.text) for t in tokens)) for line in lines]
    assert find_direction(parsed).startswith(words)
    assert bool(find_direction(parsed)) == bool(words)
