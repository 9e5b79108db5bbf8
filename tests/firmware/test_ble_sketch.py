"""The Bluetooth sketch, compiled with stand-ins for core and library and run: what it notifies, the tool reads."""

import re
import shutil
import subprocess
from pathlib import Path

import numpy as np
import pytest

from biofeedback.acquisition.ble_source import read_name_id
from biofeedback.acquisition.codecs import encode_cobs
from biofeedback.acquisition.decoder import Frames, Text
from biofeedback.acquisition.identify import read_info
from biofeedback.acquisition.profiles import load_profile

from ..requirements import need

HERE = Path(__file__).parent
SKETCH = HERE.parents[1] / "firmware-notes" / "ble_sketch" / "ble_sketch.ino"


@pytest.fixture(scope="module")
def printed(tmp_path_factory):
    need(shutil.which("g++"), "not installed: g++")
    folder = tmp_path_factory.mktemp("ble_sketch")
    text = SKETCH.read_text()
    prototypes = re.findall(r"^(\w[\w ]* \*?\w+\([^;{}]*\)) \{", text, re.MULTILINE)  # as the editor does
    (folder / "prototypes.h").write_text("".join(f"{prototype};\n" for prototype in prototypes))
    program = folder / "run"
    command = ["g++", "-std=gnu++17", "-O1", "-Wall", "-Wextra", "-Werror", "-fsanitize=undefined"]
    command += ["-fno-sanitize=shift", f"-I{HERE / 'stubs'}", f"-I{folder}", f"-I{SKETCH.parent}"]
    subprocess.run([*command, "-o", str(program), str(HERE / "stubs" / "run_ble_sketch.cpp")], check=True)
    done = subprocess.run([program], capture_output=True, text=True, check=True, timeout=60)
    assert done.stderr == ""
    return done.stdout.splitlines()


@pytest.fixture(scope="module")
def decoded(printed):
    decoder = load_profile("frame-radio").make_decoder()
    packets = [bytes.fromhex(line.split()[1]) for line in printed if line.startswith("notify")]
    pieces = decoder.feed(b"\0" + b"".join(b"\0" + encode_cobs(packet) + b"\0" for packet in packets))
    assert decoder.n_bad_lines == 0
    return pieces


def test_it_advertises_its_service_and_a_name_that_ends_in_its_id(printed):
    name = next(line for line in printed if line.startswith("name ")).removeprefix("name ")
    assert read_name_id(name) == "00000002"
    assert len(name.encode()) <= 29  # of the 31 of a scan response (Core 5.4, Vol 3 Part C 11)
    assert f"service {load_profile('frame-radio').radio.service}".upper() in [line.upper() for line in printed]


def test_a_rate_pin_that_is_tied_low_is_not_shorted(printed):
    assert "rate-pin pulled up" in printed


def test_it_answers_who_it_is_with_the_rails_of_its_converters(decoded):
    words = [piece.text for piece in decoded if isinstance(piece, Text)]
    info = read_info(words[0])
    assert (info.board_id, info.rate_hz) == ("00000002", 500.0)
    assert info.rails == ((0, 4095), (-8388608, 8388607))
    assert words[1:] == ["#error unknown command", "#ok start binary", "#ok stop"]


def test_frames_come_without_a_hole_over_the_wrap_of_its_clock(decoded):
    frames = [piece for piece in decoded if isinstance(piece, Frames)]
    sequence = np.concatenate([piece.sequence for piece in frames])
    times = np.concatenate([piece.device_us for piece in frames])
    assert len(sequence) == pytest.approx(2500, abs=12)
    assert np.array_equal(sequence, np.arange(len(sequence)))
    assert set(np.diff(times) % 2**32) == {2000.0}
    assert times.min() < 1e6  # it has wrapped
    emg = np.concatenate([piece.counts[:, 0] for piece in frames])
    assert (emg.min(), emg.max()) == (pytest.approx(205, abs=3), pytest.approx(3891, abs=3))  # of 12 bits


def test_conversions_that_are_not_settled_are_not_shown_also_after_a_cable_was_off(decoded):
    force = np.concatenate([piece.counts[:, 1] for piece in decoded if isinstance(piece, Frames)])
    shown = force[force != -8388608]
    assert set(shown % 100) == {0.0}
    assert shown.max() < 0x7F0000  # none of the rubbish of power-up
    lost = np.flatnonzero(force == -8388608)
    away = lost[lost > 500]
    assert 0.2 < len(away) / 500 < 0.45  # half a second off, shown after a quarter of it, and four conversions more
