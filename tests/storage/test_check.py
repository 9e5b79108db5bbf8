from __future__ import annotations

import argparse
import contextlib
import errno
import math
import random
import shutil
import sqlite3
from contextlib import closing
from pathlib import Path

import numpy as np
import pytest

from biofeedback.cli import main
from biofeedback.commands import check as command
from biofeedback.errors import RecordingError
from biofeedback.model import Channel, Chunk, Event, Gap, Note
from biofeedback.storage import check as check_module
from biofeedback.storage import disk
from biofeedback.storage.check import LOST, check_recording, repair_recording
from biofeedback.storage.recorder import Recorder
from biofeedback.storage.recording import open_recording
from biofeedback.storage.rename import rename_athlete

from .helpers import execute, make_counts, make_settings, wait_until_saved

N_FRAMES = 20_000


@pytest.fixture
def path(tmp_path: Path) -> Path:
    path = tmp_path / "a.hold"
    with Recorder.create(path, make_settings(rate_hz=1000.0, athlete="A01"), threaded=False) as recorder:
        recorder.append(Chunk(0, make_counts(N_FRAMES // 2)))
        recorder.append(Gap(N_FRAMES // 2, 500, "nothing came"))
        recorder.append(Note(N_FRAMES // 2, "boot line"))
        recorder.append(Chunk(N_FRAMES // 2 + 500, make_counts(N_FRAMES // 2 - 500, first=N_FRAMES // 2 + 500)))
        for k in range(20):
            recorder.event(Event(k * 1000, "rating", {"value": k / 2}, "2026-11-24T10:00:00Z"))
    return path


def run(*paths: Path, repair: bool = False) -> int:
    return command.run(argparse.Namespace(paths=list(paths), repair=repair, like=None, json=False))


def test_a_sound_recording_is_called_sound(path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    before = path.read_bytes()
    verdict = check_recording(path)
    assert verdict.is_sound
    assert (verdict.duration_s, verdict.n_events, verdict.remarks) == (20.0, 20, ())
    assert run(path) == 0
    assert capsys.readouterr().out.splitlines()[-1] == "sound: 1 of 1"
    assert path.read_bytes() == before


def test_damage_is_told_exactly_and_the_copy_has_all_the_rest(path: Path, tmp_path: Path) -> None:
    execute(path, "UPDATE chunks SET data = zeroblob(length(data)) WHERE first_frame = 2500")
    execute(path, "DELETE FROM chunks WHERE first_frame = 6000")
    execute(path, "UPDATE events SET data = '{\"value\":9}' WHERE id = 4")
    execute(path, "UPDATE meta SET value = '\"B02\"' WHERE key = 'athlete'")
    before = path.read_bytes()
    verdict = repair_recording(path, tmp_path / "copy.hold")
    assert verdict.problems == (
        'setting 4 in meta is damaged; it reads: athlete = "B02"',
        "the chunk at 2.50 s is damaged",
        'event 4 is damaged; it reads: 3000, 2026-11-24T10:00:00Z, rating, {"value":9}',
        "2.50 s to 2.75 s: 250 frames are missing",
        "6.00 s to 6.25 s: 250 frames are missing",
    )
    assert path.read_bytes() == before
    recording = open_recording(tmp_path / "copy.hold")
    expected = make_counts(N_FRAMES)
    for first, end in ((2500, 2750), (6000, 6250), (10_000, 10_500)):
        expected[first:end] = np.nan
    np.testing.assert_array_equal(recording.counts(), expected)
    assert [event.data["value"] for event in recording.events] == [k / 2 for k in range(20) if k != 3]
    gaps = [item for item in recording.items() if isinstance(item, Gap)]
    assert gaps == [Gap(2500, 250, LOST), Gap(6000, 250, LOST), Gap(10_000, 500, "nothing came")]
    assert recording.settings["athlete"] == "A01"  # every setting is there twice
    assert check_recording(tmp_path / "copy.hold").is_sound


def test_a_copy_never_replaces_a_file(path: Path) -> None:
    with pytest.raises(RecordingError, match="exists already"):
        repair_recording(path, path)


def test_without_channels_and_readings_there_is_nothing_to_repair(path: Path, tmp_path: Path) -> None:
    lose_channels(path)
    execute(path, "DELETE FROM chunks")
    with pytest.raises(RecordingError, match="no readings are left; restore it from a backup"):
        repair_recording(path, tmp_path / "copy.hold")
    assert not (tmp_path / "copy.hold").exists()


def lose_channels(path: Path) -> None:
    for table in ("meta", "meta_copy"):
        execute(path, f"UPDATE {table} SET value = '[]' WHERE key = 'channels'")


def test_rows_without_channels_are_saved_and_get_those_of_another_recording(
    path: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    other, stranger = tmp_path / "other.hold", tmp_path / "stranger.hold"
    for each, n_channels in ((other, 2), (stranger, 3)):
        channels = [Channel(name=f"force{k}", kind="force", unit="N").to_dict() for k in range(n_channels)]
        with Recorder.create(each, make_settings() | {"channels": channels}, threaded=False) as recorder:
            recorder.append(Chunk(0, make_counts(10) if n_channels == 2 else np.ones((10, 3))))
    before = open_recording(path)
    counts, events = before.counts(), before.events
    lose_channels(path)
    whole = path.read_bytes()

    verdict = check_recording(path)
    assert math.isnan(verdict.duration_s)
    assert "check --repair --like OTHER" in verdict.problems[-1]
    assert main(["check", str(path), "--repair"]) == 1
    assert "length unknown" in capsys.readouterr().out
    copy = path.with_name(f"{path.stem}-repaired.hold")
    with pytest.raises(RecordingError, match="no usable settings"):
        open_recording(copy)

    assert main(["check", str(copy), "--repair", "--like", str(stranger)]) == 1
    assert "stranger.hold has 3 channels" in capsys.readouterr().err
    assert main(["check", str(copy), "--repair", "--like", str(other)]) == 1
    assert f"those of {other} are taken" in capsys.readouterr().out
    again = open_recording(copy.with_name(f"{copy.stem}-repaired.hold"))
    assert again.counts().tobytes() == counts.tobytes()
    assert again.events[:-1] == events or again.events[1:] == events
    said = [event.data for event in again.events if event not in events]
    assert said == [
        {"text": "channels and rate were lost; they are those of other.hold, another recording", "by": "repair"}
    ]
    assert again.settings["settings_like"] == "other.hold"
    assert check_recording(again.path).is_sound
    assert path.read_bytes() == whole


def test_like_is_for_repair(path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["check", str(path), "--like", str(path)]) != 0
    assert "--like is for --repair" in capsys.readouterr().err


@pytest.mark.parametrize("threaded", [True, False])
def test_the_copy_of_the_settings_lies_far_from_them(tmp_path: Path, threaded: bool) -> None:
    """No one stretch of 20,000 bytes reaches both; nor while it is written, nor in a repaired or renamed copy."""
    path = tmp_path / "a.hold"
    with Recorder.create(path, make_settings(), threaded=threaded) as recorder:
        written = find_roots(path)
        recorder.append(Chunk(0, make_counts(6000)))
    repair_recording(path, tmp_path / "b.hold")
    renamed = rename_athlete(path, "A09")
    for roots in (written, *map(find_roots, (renamed, tmp_path / "b.hold"))):
        assert abs(roots["meta"] - roots["meta_copy"]) * 4096 > 20_000
    assert check_recording(renamed).is_sound


def find_roots(path: Path) -> dict[str, int]:
    with closing(sqlite3.connect(f"file:{path}?mode=ro", uri=True)) as connection:
        return dict(connection.execute("SELECT name, rootpage FROM sqlite_master WHERE name LIKE 'meta%'").fetchall())


def test_whatever_byte_is_changed_nothing_wrong_is_read_and_everything_else_is_saved(
    path: Path, tmp_path: Path
) -> None:
    """Silent damage of the disk: one bit, in a random place of the file."""
    content = path.read_bytes()
    expected = make_counts(N_FRAMES)
    rng = random.Random(5)
    n_found = n_saved = 0
    for k in range(120):
        position = rng.randrange(len(content))
        damaged, copy = tmp_path / f"{k}.hold", tmp_path / f"{k}-copy.hold"
        damaged.write_bytes(content[:position] + bytes([content[position] ^ 0x04]) + content[position + 1 :])
        try:
            verdict = repair_recording(damaged, copy)
        except RecordingError:
            n_found += 1
            continue
        n_found += not verdict.is_sound
        counts = open_recording(copy).counts()
        known = ~np.isnan(counts[:, 0])
        np.testing.assert_array_equal(counts[known], expected[: len(counts)][known])
        n_saved += known.sum() >= N_FRAMES - 500 - 4 * 250
    assert n_found >= 95  # the rest fell on bytes that hold nothing
    assert n_saved >= 100


def test_a_damaged_page_costs_its_own_rows_only(path: Path, tmp_path: Path) -> None:
    content = bytearray(path.read_bytes())
    page = next(
        k
        for k in range(3, len(content) // 4096)
        if content[k * 4096] == 0x0D and content[k * 4096 + 3 : k * 4096 + 5] != b"\0\0"
    )  # a leaf of a table: SQLite file format, section 1.6
    content[page * 4096 : (page + 1) * 4096] = bytes(4096)
    path.write_bytes(content)
    verdict = repair_recording(path, tmp_path / "copy.hold")
    assert any("database page" in problem for problem in verdict.problems)
    assert check_recording(tmp_path / "copy.hold").is_sound
    counts = open_recording(tmp_path / "copy.hold").counts()
    known = ~np.isnan(counts[:, 0])
    assert known.sum() > N_FRAMES * 0.8
    np.testing.assert_array_equal(counts[known], make_counts(N_FRAMES)[: len(counts)][known])


def test_a_copy_that_stopped_half_way_says_how_much_is_missing(path: Path) -> None:
    whole = path.read_bytes()
    page_bytes = int.from_bytes(whole[16:18], "big")
    kept = len(whole) // page_bytes * 3 // 4 * page_bytes
    path.write_bytes(whole[:kept])
    lost_percent = 100 - 100 * kept / len(whole)
    assert (
        f"the file is cut short: its last {lost_percent:.0f} % are missing, with the readings and events in them"
        in check_recording(path).problems
    )


@pytest.mark.parametrize("first_byte", [0, 100, 4096])
def test_a_destroyed_header_costs_nothing(path: Path, tmp_path: Path, first_byte: int) -> None:
    """The first page tells where the tables are, the second holds the settings; rows are found without either."""
    content = bytearray(path.read_bytes())
    content[first_byte : first_byte + 100] = b"\xa5" * 100
    path.write_bytes(content)
    verdict = repair_recording(path, tmp_path / "copy.hold")
    assert not verdict.is_sound
    recording = open_recording(tmp_path / "copy.hold")
    expected = make_counts(N_FRAMES)
    expected[10_000:10_500] = np.nan
    counts = recording.counts()
    known = ~np.isnan(counts[:, 0])
    np.testing.assert_array_equal(counts[known], expected[known])
    assert known.sum() == N_FRAMES - 500
    assert [event.data["value"] for event in recording.events] == [k / 2 for k in range(20)]


def test_rows_that_run_over_several_pages_are_put_together(tmp_path: Path) -> None:
    """Eight channels: each row has 8000 bytes, more than a page; see SQLite file format, section 1.6, on overflow."""
    counts = make_counts(5000, n_channels=8)
    counts[2000:, 3] += 0.5  # 16,000 bytes a row from here on
    with Recorder.create(tmp_path / "a.hold", make_settings(8, 1000.0), threaded=False) as recorder:
        recorder.append(Chunk(0, counts))
    content = (tmp_path / "a.hold").read_bytes()
    (tmp_path / "a.hold").write_bytes(bytes(100) + content[100:])
    repair_recording(tmp_path / "a.hold", tmp_path / "copy.hold")
    np.testing.assert_array_equal(open_recording(tmp_path / "copy.hold").counts(), counts)
    rng = random.Random(6)
    n_lost = 0
    for k in range(40):
        damaged, copy = tmp_path / f"{k}.hold", tmp_path / f"{k}-copy.hold"
        position = rng.randrange(20_000, len(content))
        damaged.write_bytes(
            bytes(100) + content[100:position] + bytes([content[position] ^ 1]) + content[position + 1 :]
        )
        repair_recording(damaged, copy)
        found = open_recording(copy).counts()
        known = ~np.isnan(found[:, 0])
        np.testing.assert_array_equal(found[known], counts[: len(found)][known])
        n_lost += len(counts) - known.sum() > 0
        assert known.sum() >= len(counts) - 250  # one changed bit costs one row at most
    assert n_lost > 20


def test_a_damaged_file_with_its_log_is_read_from_both(tmp_path: Path) -> None:
    (tmp_path / "cut").mkdir()
    with Recorder.create(tmp_path / "a.hold", make_settings(rate_hz=1000.0)) as recorder:
        for first in range(0, 5000, 500):
            recorder.append(Chunk(first, make_counts(500, first=first)))
            wait_until_saved(recorder)
        for suffix in ("", "-wal"):
            shutil.copy(tmp_path / f"a.hold{suffix}", tmp_path / "cut" / f"a.hold{suffix}")
    path = tmp_path / "cut" / "a.hold"
    path.write_bytes(b"\0" * 100 + path.read_bytes()[100:])
    repair_recording(path, tmp_path / "copy.hold")
    np.testing.assert_array_equal(open_recording(tmp_path / "copy.hold").counts(), make_counts(5000))


def test_a_file_without_the_second_copy_of_its_settings_is_sound(path: Path) -> None:
    execute(path, "DROP TABLE meta_copy")
    assert check_recording(path).is_sound


def test_missing_events_are_told(path: Path) -> None:
    execute(path, "DELETE FROM events WHERE id IN (3, 4)")
    assert check_recording(path).problems == ("event 3 is missing", "event 4 is missing")


def test_an_interrupted_recording_is_sound_and_repair_leaves_one_file(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    (tmp_path / "cut").mkdir()
    with Recorder.create(tmp_path / "a.hold", make_settings()) as recorder:
        recorder.append(Chunk(0, make_counts(100)))
        wait_until_saved(recorder)
        for suffix in ("", "-wal"):
            shutil.copy(tmp_path / f"a.hold{suffix}", tmp_path / "cut" / f"a.hold{suffix}")
    assert run(tmp_path / "cut", repair=True) == 0
    output = capsys.readouterr().out
    assert "it is still being written or was interrupted: keep a.hold-wal beside it" in output
    assert "all that is sound is in" in output
    assert open_recording(tmp_path / "cut" / "a-repaired.hold").n_frames == 100


def test_the_command_tells_damage_by_its_exit_code(path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    (path.parent / "b.hold").write_text("no recording")
    execute(path, "DELETE FROM chunks WHERE first_frame = 6000")
    assert run(path.parent) == 1
    captured = capsys.readouterr()
    assert "6.00 s to 6.25 s: 250 frames are missing" in captured.out
    assert "b.hold is not a recording" in captured.err
    assert captured.out.splitlines()[-1] == "sound: 0 of 2"
    empty = path.parent / "nothing"
    empty.mkdir()
    with pytest.raises(RecordingError, match="no recordings in"):
        run(empty)


def test_plain_sqlite_agrees_that_a_repaired_copy_is_whole(path: Path, tmp_path: Path) -> None:
    execute(path, "DELETE FROM chunks WHERE first_frame = 6000")
    repair_recording(path, tmp_path / "copy.hold")
    connection = sqlite3.connect(tmp_path / "copy.hold")
    assert connection.execute("PRAGMA integrity_check").fetchall() == [("ok",)]
    connection.close()


@pytest.mark.parametrize("n_rows", [0, 3, 60])
def test_a_copy_that_cannot_be_finished_is_not_left_half_made(
    path: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, n_rows: int
) -> None:
    """A full disk, after so many rows."""
    left = n_rows
    insert = check_module.insert_rows

    def fill_up(*arguments: object) -> None:
        nonlocal left
        left -= 1
        if left < 0:
            raise sqlite3.OperationalError("database or disk is full")
        insert(*arguments)

    monkeypatch.setattr(check_module, "insert_rows", fill_up)
    with pytest.raises(RecordingError, match=r"copy.hold cannot be written"):
        repair_recording(path, tmp_path / "copy.hold")
    assert sorted(one.name for one in tmp_path.iterdir()) == ["a.hold"]


def test_a_copy_that_is_there_already_is_never_written_over(path: Path, tmp_path: Path) -> None:
    (tmp_path / "copy.hold").write_bytes(b"somebody's")
    with pytest.raises(RecordingError, match="exists already"):
        repair_recording(path, tmp_path / "copy.hold")
    assert (tmp_path / "copy.hold").read_bytes() == b"somebody's"


@pytest.mark.parametrize("at", [60, 68, 71])
def test_a_damaged_mark_in_the_header_keeps_nobody_from_saving_the_rest(path: Path, tmp_path: Path, at: int) -> None:
    """user_version and application_id (SQLite file format, section 1.3)."""
    counts = open_recording(path).counts()
    content = bytearray(path.read_bytes())
    content[at] ^= 0x40
    path.write_bytes(content)
    assert check_recording(path).problems == ("its header does not say that it is a recording",)
    repair_recording(path, tmp_path / "copy.hold")
    np.testing.assert_array_equal(open_recording(tmp_path / "copy.hold").counts(), counts)


def test_half_a_copy_is_not_left_behind(tmp_path, monkeypatch):
    def fail(path):
        raise OSError(errno.ENOSPC, "no space left")

    monkeypatch.setattr(disk, "flush_file", fail)
    with contextlib.closing(sqlite3.connect(tmp_path / "a.hold")) as connection, pytest.raises(OSError, match="space"):
        disk.copy_database(connection, tmp_path / "copy.hold")
    assert [path.name for path in tmp_path.iterdir()] == ["a.hold"]
