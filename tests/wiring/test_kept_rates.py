"""A sensor that is not as fast as declared: one press keeps the rate for the next start."""

from __future__ import annotations

import argparse
import json

import pytest

from biofeedback.commands.live import add_arguments, request_chosen
from biofeedback.wiring.kept_rates import NAME, keep_rate, use_kept_rate

SERIAL = "serial:COM3?baud=9600&rate=80&channels=force:N"


def test_the_next_start_uses_the_rate_and_another_sensor_does_not(tmp_path) -> None:
    keep_rate(tmp_path, SERIAL, 79.6)
    assert use_kept_rate(tmp_path, SERIAL) == "serial:COM3?baud=9600&channels=force:N&rate=79.6"
    for other in (SERIAL.replace("COM3", "COM4"), SERIAL.replace("rate=80", "rate=10"), "simulated:?seed=1"):
        assert use_kept_rate(tmp_path, other) == other


def test_a_rate_that_is_kept_once_more_is_found_from_what_was_typed_at_first(tmp_path) -> None:
    keep_rate(tmp_path, SERIAL, 79.6)
    keep_rate(tmp_path, use_kept_rate(tmp_path, SERIAL), 82.04)
    assert use_kept_rate(tmp_path, SERIAL).endswith("rate=82.04")
    keep_rate(tmp_path, use_kept_rate(tmp_path, SERIAL), 80.0)  # round in a circle: what was typed is right again
    assert use_kept_rate(tmp_path, SERIAL) == SERIAL


def test_a_rate_that_the_profile_declares_is_put_right_too(tmp_path) -> None:
    keep_rate(tmp_path, "serial:COM3?profile=my-board", 9.997)
    assert use_kept_rate(tmp_path, "serial:COM3?profile=my-board") == "serial:COM3?profile=my-board&rate=9.997"
    keep_rate(tmp_path, "udp:4210", 51.2)
    assert use_kept_rate(tmp_path, "udp:4210") == "udp:4210?rate=51.2"


@pytest.mark.parametrize("text", ["", "[]", "{", '{"serial:COM3": 5}', json.dumps({"serial:COM3": {"": [1]}})])
def test_a_spoilt_file_keeps_nothing_and_hinders_nobody(tmp_path, text) -> None:
    (tmp_path / NAME).write_text(text)
    assert use_kept_rate(tmp_path, "serial:COM3") == "serial:COM3"
    keep_rate(tmp_path, "serial:COM3", 12.5)
    assert use_kept_rate(tmp_path, "serial:COM3") == "serial:COM3?rate=12.5"


def test_the_session_opens_the_sensor_with_the_rate_that_was_kept(tmp_path, capsys) -> None:
    parser = argparse.ArgumentParser()
    add_arguments(parser)
    args = parser.parse_args(["--folder", str(tmp_path)])
    assert request_chosen(SERIAL, "A01", args).source.rate_hz == 80
    keep_rate(tmp_path, SERIAL, 79.6)
    source = request_chosen(SERIAL, "A01", args).source
    assert (source.rate_hz, source.url) == (79.6, use_kept_rate(tmp_path, SERIAL))  # its recording says so
    assert NAME in capsys.readouterr().out
