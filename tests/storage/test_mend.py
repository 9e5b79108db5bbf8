"""Settings that are damaged in both copies, put right where the checksum proves it; and what a damaged page costs."""

from __future__ import annotations

import random
import sqlite3
import zlib
from pathlib import Path

import pytest

from biofeedback.errors import RecordingError
from biofeedback.storage.carve import carve_rows
from biofeedback.storage.check import check_recording, repair_recording
from biofeedback.storage.mend import mend_settings
from biofeedback.storage.recording import open_recording
from biofeedback.storage.schema import checksum

from .hostile import PAGE, are_right, make_sound

VALUE = '[{"name":"force0","unit":"N"}]'


def tear(value: str, *bits: int) -> tuple[str, str, int]:
    """A setting with some of its value's bits turned, beside its true checksum."""
    content = bytearray(value.encode())
    for bit in bits:
        content[bit // 8] ^= 1 << bit % 8
    return "channels", content.decode("utf-8", "surrogateescape"), checksum(("channels", value))


def test_the_checksum_is_the_crc_of_zlib() -> None:
    """CRC-32 of "123456789" is CBF43926: the check value of its catalogue (from memory; zlib agrees)."""
    assert zlib.crc32(b"123456789") == 0xCBF43926


def test_one_turned_bit_is_put_right_wherever_it_is() -> None:
    for bit in range(8 * len(VALUE)):
        assert mend_settings([tear(VALUE, bit)]) == {"channels": VALUE}
    for bit in range(32):
        assert mend_settings([("channels", VALUE, checksum(("channels", VALUE)) ^ 1 << bit)]) == {"channels": VALUE}


def test_two_copies_make_one_where_they_were_hit_at_different_places() -> None:
    rng = random.Random(1)
    for _ in range(30):
        bits = rng.sample(range(8 * len(VALUE)), 6)
        assert mend_settings([tear(VALUE, *bits[:3]), tear(VALUE, *bits[3:])]) == {"channels": VALUE}


def test_nothing_is_made_up() -> None:
    rng = random.Random(2)
    for _ in range(100):
        bits = rng.sample(range(8 * len(VALUE)), 4)
        assert mend_settings([tear(VALUE, *bits)]) == {}
        assert mend_settings([tear(VALUE, *bits), tear(VALUE, *bits)]) == {}
    assert mend_settings([("a\0b", "1", 0), ("", "", 0)]) == {}


def test_a_recording_whose_channels_are_damaged_in_both_copies_is_repaired(tmp_path: Path) -> None:
    path = make_sound(tmp_path)
    data = bytearray(path.read_bytes())
    at, other = _find_all(data, b'"name":"force0"')
    data[at + 9] ^= 0x80  # no text any more
    data[other + 12] ^= 1
    path.write_bytes(data)
    assert "channels" in str(check_recording(path).problems)
    verdict = repair_recording(path, tmp_path / "copy.hold")
    assert "setting channels is damaged in every copy; its checksum tells what it was" in verdict.problems
    repaired = open_recording(tmp_path / "copy.hold")
    assert [channel.name for channel in repaired.channels] == ["force0", "emg1"]
    assert are_right(repaired.counts())
    assert len(repaired.events) == 24


def test_channels_that_are_beyond_mending_are_told_and_the_rows_saved(tmp_path: Path) -> None:
    path = make_sound(tmp_path)
    data = bytearray(path.read_bytes())
    for at in _find_all(data, b'"name":"force0"'):
        data[at : at + 8] = b"........"
    path.write_bytes(data)
    verdict = repair_recording(path, tmp_path / "copy.hold")
    assert "channels or rate are lost" in str(verdict.problems)
    lost = {table for table, _, _ in carve_rows(path)} - {table for table, _, _ in carve_rows(tmp_path / "copy.hold")}
    assert not lost
    with pytest.raises(RecordingError):
        open_recording(tmp_path / "copy.hold")


def test_a_page_of_noise_costs_the_other_pages_nothing(tmp_path: Path) -> None:
    """Its numbers say of rows larger than any file; what is not read is not counted as reading."""
    path = make_sound(tmp_path)
    data = bytearray(path.read_bytes())
    whole = len({key for table, key, _ in carve_rows(path) if table == "chunks"})
    rng = random.Random(3)
    leaf = max(at for at in range(0, len(data), PAGE) if data[at] == 0x0D)
    data[leaf - PAGE : leaf] = b"\x0d\0\0\xff\xff" + rng.randbytes(PAGE - 5)
    path.write_bytes(data)
    assert len({key for table, key, _ in carve_rows(path) if table == "chunks"}) >= whole - 2


def test_a_lost_end_is_told_where_events_speak_of_it(tmp_path: Path) -> None:
    path = make_sound(tmp_path)
    with sqlite3.connect(path) as connection:
        last = connection.execute("SELECT first_frame FROM chunks ORDER BY 1 DESC LIMIT 4").fetchall()[-1][0]
        connection.execute("UPDATE chunks SET crc32 = crc32 + 1 WHERE first_frame >= ?", (last,))
    connection.close()
    verdict = repair_recording(path, tmp_path / "copy.hold")
    assert f"{last / 1000:.2f} s to 5.75 s: {5750 - last} frames are missing" in verdict.problems
    assert open_recording(tmp_path / "copy.hold").n_frames == 5750


def _find_all(data: bytes, wanted: bytes) -> list[int]:
    found, at = [], data.find(wanted)
    while at >= 0:
        found.append(at)
        at = data.find(wanted, at + 1)
    return found
