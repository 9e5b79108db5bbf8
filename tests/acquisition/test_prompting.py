"""Boards that print a prompt and wait for a key: sent once, only while they wait."""

import pytest

from biofeedback.acquisition.described_source import make_layout
from biofeedback.acquisition.profiles import parse_profile
from biofeedback.acquisition.prompting import MOST_TRIES, Prompt, read_key
from biofeedback.acquisition.reader import make_reader
from biofeedback.acquisition.source import read_channels
from biofeedback.acquisition.sources import open_source
from biofeedback.errors import PlanError, SourceError

from .listening import opened, read_until, rows


@pytest.mark.parametrize(
    ("text", "sent"), [("s", b"s"), ("enter", b"\r\n"), ("start Enter", b"start\r\n"), ("a b", b"a b"), (None, None)]
)
def test_a_key_is_what_is_typed_and_enter_is_a_line_end(text, sent):
    assert read_key(text) == sent


@pytest.mark.parametrize("text", ["", "ä", "a\n", "x" * 17])
def test_what_no_board_waits_for_is_refused(text):
    with pytest.raises(SourceError, match="cannot be sent; write one"):
        read_key(text)


def due_times(comes, until_s=12.0):
    """When a key is due, looked at every 50 ms; ``comes``: (s, bytes) in order."""
    prompt, waiting, times = Prompt(0.0), list(comes), []
    for k in range(1, round(until_s * 20)):
        now_s = k / 20
        data = b""
        while waiting and waiting[0][0] <= now_s:
            data += waiting.pop(0)[1]
        if prompt.is_due(data, now_s):
            times.append(now_s)
    return times


def test_a_prompt_is_answered_after_half_a_second_and_not_for_ever():
    times = due_times([(1.0, b"Calibrate: press any key ")], 30.0)
    assert times == [1.5, 4.5, 7.5]
    assert len(times) == MOST_TRIES


def test_a_silent_board_is_given_the_time_to_start():
    assert due_times([])[0] == 2.5
    assert due_times([(2.4, b"ready?\r\n")])[0] == 2.9


def test_readings_are_never_answered_however_slow_or_stalled():
    assert due_times([(k, b"Weight: 12.5 kg\r\n") for k in range(1, 6)], 60.0) == []
    assert due_times([(0.1, b"1\n2\n3\n4\n")], 60.0) == []
    assert due_times([(0.1, b"Weight: 1 kg\nWeight: 2 kg\nWei")], 60.0) == []


def test_a_board_that_starts_anew_is_answered_again():
    lines = [(2.0 + k / 10, b"12.5\n") for k in range(20)]
    assert due_times([(0.5, b"press s"), *lines, (6.0, b"\r\nHello, press s to begin\r\n")]) == [1.0, 6.5, 9.5]


def test_a_board_that_waits_begins_by_its_key_and_by_no_other(pty_device):
    def hear(device, command):
        raise AssertionError(command)

    device = pty_device(rate_hz=80, line="Weight: {k} kg\r\n", greeting=b"Remove all load, then press c ")
    device.talking = False
    hears = device.hear

    def hear_key(data):
        device.talking = device.talking or b"c" in data
        hears(data)

    device.hear = hear_key
    source = opened(f"serial:{device.path}?channels=force:N*9.80665&key=c&rate=80")
    assert len(rows(read_until(make_reader(source), lambda items: len(rows(items)) > 10))) > 10
    source.close()
    assert bytes(device.received) == b"c"


def test_listening_tells_what_comes_whatever_it_is(pty_device):
    device = pty_device(rate_hz=80, line="Weight: {k} kg\r\n", greeting=b"HX711 ready\r\n")
    source = open_source(f"serial:{device.path}?channels=force")
    received = source.listen(5.0, is_enough=lambda received: received.count(b"\n") > 20)
    assert received.startswith(b"HX711 ready\r\nWeight: ")
    source.close()


def test_a_pattern_in_the_source_reads_what_it_says(pty_device):
    device = pty_device(rate_hz=80, line="No {k}; Kraft: {k},5 kg; Akku 7\r\n")
    pattern = "No {-}%3B Kraft: {force} kg%3B Akku {-}"
    source = opened(f"serial:{device.path}?channels=force:N&pattern={pattern}&decimal=comma&rate=80")
    found = rows(read_until(make_reader(source), lambda items: len(rows(items)) > 5))
    assert all(row[0] % 1 == 0.5 for row in found)
    source.close()


@pytest.mark.parametrize(
    ("pattern", "channels"), [("Weight: {emg} kg", "force:N"), ("Weight: {force", "force:N"), ("no number", "force:N")]
)
def test_a_pattern_that_does_not_fit_is_told_with_its_cure(pattern, channels):
    with pytest.raises(SourceError, match="write a line as the board prints it"):
        make_layout(pattern, ".", read_channels(channels))


def test_a_profile_holds_its_key():
    text = (
        'transport = "serial"\n[lines]\npattern = "W {force}"\n[commands]\nkey = "go enter"\n'
        '[[channel]]\nname = "force"\nkind = "force"\n'
    )
    assert parse_profile(text, "a.toml").key == b"go\r\n"
    with pytest.raises(PlanError, match="line 5"):
        parse_profile(text.replace("go enter", "ä"), "a.toml")
