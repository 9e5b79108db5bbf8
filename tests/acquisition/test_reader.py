import random

import pytest

from biofeedback.acquisition.decoder import LineDecoder
from biofeedback.acquisition.reader import NO_SEQUENCE, Reader
from biofeedback.acquisition.source import WireSource
from biofeedback.errors import SourceError
from biofeedback.model import Channel, Chunk, Gap, Note


class Script(WireSource):
    """A source that does what it is told, one step per read; every read takes 50 ms of a clock of its own."""

    url = "script:"
    description = "script"
    n_dropped = 0
    channels = (Channel(name="force", kind="force"),)
    rate_hz = 100.0

    def __init__(self, *steps, returns_after_s=0.0):
        self.steps = list(steps)
        self.now_s = 0.0
        self.returns_after_s = returns_after_s
        self.tries_s = []

    def clock(self):
        return self.now_s

    def sleep(self, seconds):
        self.now_s += seconds

    def open(self):
        pass

    def close(self):
        pass

    def read(self):
        self.now_s += 0.05
        step = self.steps.pop(0) if self.steps else b""
        if isinstance(step, Exception):
            raise step
        if isinstance(step, float):  # this computer stalls
            self.now_s += step
            return b""
        return step

    def reopen(self):
        self.tries_s.append(self.now_s)
        return self.now_s >= self.returns_after_s


def read(script, n):
    reader = Reader(script, clock=script.clock, sleep=script.sleep)
    items = [item for _ in range(n) for item in reader.read()]
    return reader, items


def lines(*numbers):
    return b"".join(b"%d\n" % number for number in numbers)


def test_silence_is_a_gap_and_a_trouble_within_half_a_second():
    script = Script(lines(*range(5)))
    reader, items = read(script, 9)
    assert script.now_s < 0.5
    assert isinstance(items[1], Gap)
    assert reader.trouble == "no data: check that the sensor is on and its plug and cable"
    script.steps = [lines(1, 2)]
    reader.read()
    assert reader.trouble == ""


def test_stall_of_this_computer_is_not_silence():
    script = Script(lines(*range(5)), 5.0, lines(*range(5, 10)))
    reader, items = read(script, 3)
    assert [type(item) for item in items] == [Chunk, Chunk]
    assert reader.trouble == ""


@pytest.mark.parametrize(("rate_hz", "n_reads"), [(1.0, 20), (2.0, 10), (3.0, 7), (5.0, 4)])
def test_slow_board_that_keeps_its_rate_is_never_silent(rate_hz, n_reads):
    steps = [step for k in range(20) for step in (lines(k), *[b""] * (n_reads - 1))]
    script = Script(*steps)
    script.rate_hz = rate_hz
    reader, items = read(script, len(steps))
    assert [item.first_frame for item in items if isinstance(item, Chunk)] == list(range(20))
    assert not [item for item in items if isinstance(item, Gap)]
    assert reader.trouble == ""


def test_vanished_sensor_is_tried_again_and_found_within_two_seconds_of_its_return():
    script = Script(lines(1), SourceError("it has gone", "plug it in"), returns_after_s=30.0)
    reader, items = read(script, 700)
    assert [item.text for item in items if isinstance(item, Note)] == ["it has gone; plug it in", "the sensor is back"]
    assert script.tries_s[-1] - 30.0 < 2.0
    assert len(script.tries_s) < 40  # with patience
    assert not reader.is_lost
    gaps = [item for item in items if isinstance(item, Gap)]
    assert 2950 <= sum(gap.n_frames for gap in gaps) <= 3600


def test_unfinished_line_from_before_the_loss_is_not_glued_to_what_follows():
    script = Script(b"1\n2\n3", SourceError("gone", "wait"))
    reader, _ = read(script, 3)
    script.steps = [b"4\n5\n6\n"]
    items = [item for _ in range(3) for item in reader.read()]
    values = [value for item in items if isinstance(item, Chunk) for value in item.counts[:, 0].tolist()]
    assert values == [5.0, 6.0]
    assert reader.n_bad_lines == 0


def test_mostly_unreadable_lines_are_told_with_their_cure_and_forgotten_when_they_stop():
    bad = b"9x?\n" * 43 + b"1\n" * 7
    script = Script(bad)
    reader, items = read(script, 1)
    assert reader.trouble.startswith("86 % of lines are not as described, the board prints '1' (not a number)")
    assert any(isinstance(item, Note) and item.text == reader.trouble for item in items)
    script.steps = [b"1\n" * 60]
    reader.read()
    assert reader.trouble == ""


def test_counts_are_there_to_be_shown():
    reader, _ = read(Script(lines(1, 2), b"9x\n"), 2)
    assert (reader.n_lines, reader.n_bad_lines, reader.timeline.measured_rate_hz) == (3, 1, None)


def test_bytes_that_are_no_frames_do_not_stop_time():
    script = Script(lines(*range(5)), *[b"hello there\n"] * 40)
    reader, items = read(script, 41)
    gaps = [item for item in items if isinstance(item, Gap)]
    assert sum(gap.n_frames for gap in gaps) == 190  # of 200, 100 ms behind the clock
    assert reader.trouble == "the data cannot be read: check the baud rate and the profile"
    script.steps = [lines(1, 2)]
    reader.read()
    assert reader.trouble == ""


def test_another_baud_rate_is_the_cure_only_of_what_is_no_text():
    reader, _ = read(Script(b"\x81\xfe\x02\n" * 43 + b"1\n" * 7), 1)
    assert reader.trouble == "86 % of lines unreadable: check the baud rate"


def test_unreadable_lines_are_noted_also_when_they_come_too_slowly_to_be_judged_before_the_silence():
    script = Script(lines(*range(5)), *[b"9x?\n"] * 60)
    reader, items = read(script, 61)
    notes = [item.text for item in items if isinstance(item, Note)]
    assert notes == ["90 % of lines are not as described, the board prints '9x?' (not a number): describe it again"]
    assert reader.trouble == notes[0]


@pytest.mark.parametrize(("step", "word"), [(b"", "no data"), (b"waiting for a command\n", "cannot be read")])
def test_a_sensor_that_never_sends_a_frame_is_told_of(step, word):
    reader, items = read(Script(*[step] * 70), 70)
    assert not [item for item in items if not isinstance(item, Note)]
    assert word in reader.trouble
    reader.source.steps = [lines(1)]
    reader.read()
    assert reader.trouble == ""


def test_packets_that_this_computer_lost_itself_are_noted_once():
    script = Script(lines(1), lines(2), lines(3))
    script.n_dropped = 0
    reader, items = read(script, 1)
    script.n_dropped = 7
    items = [*reader.read(), *reader.read()]
    notes = [item.text for item in items if isinstance(item, Note)]
    assert notes == ["7 packets lost: this computer was too busy to take them"]


def test_a_rate_that_is_not_the_declared_one_is_shown_for_a_minute_with_what_to_do():
    script = Script(*[lines(*range(6)) for _ in range(400)])  # 120 a second, declared 100
    reader, _ = read(script, 250)
    assert "sends 120 readings a second, not 100 (+20.0 %)" in reader.trouble
    assert "set its rate to 120" in reader.trouble
    script.steps = [lines(*range(6)) for _ in range(1400)]
    for _ in range(1400):
        reader.read()
    assert reader.trouble == ""


def test_silence_is_told_also_while_the_rate_is():
    script = Script(*[lines(*range(6)) for _ in range(250)])
    reader, _ = read(script, 260)
    assert reader.trouble.startswith("no data")


def test_sequence_numbers_at_random_do_not_run_the_clock_away_and_are_told_for_a_minute():
    rng = random.Random(4)
    steps = [b"".join(b"%d,1\n" % rng.randrange(2**31) for _ in range(5)) for _ in range(1400)]
    script = Script(*steps)
    script.make_decoder = lambda: LineDecoder(columns="seq,force")
    reader, items = read(script, 100)
    assert abs(reader.timeline.next_frame / 100.0 - script.now_s) < 1.5
    assert reader.trouble == NO_SEQUENCE
    assert any("make no sense" in item.text for item in items if isinstance(item, Note))
    for _ in range(1250):
        reader.read()
    assert script.now_s > 65
    assert reader.trouble == ""
    assert abs(reader.timeline.next_frame / 100.0 - script.now_s) < 1.5
