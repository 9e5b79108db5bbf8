"""The log as we read it against what SQLite itself takes of it (the outside check: the sqlite3 library)."""

from __future__ import annotations

import random
import shutil
import sqlite3
from pathlib import Path

import pytest

from biofeedback.model import Chunk, Event
from biofeedback.storage.log import parse_log, read_log
from biofeedback.storage.recorder import Recorder

from .helpers import make_counts, make_settings, wait_until_saved

FRAME = 24 + 4096  # SQLite file format, section 4.1


@pytest.fixture(scope="module")
def interrupted(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A file and its log as a power cut leaves them: copied between two commits of a living writer."""
    folder = tmp_path_factory.mktemp("log")
    (folder / "cut").mkdir()
    with Recorder.create(folder / "a.hold", make_settings(rate_hz=1000.0)) as recorder:
        for first in range(0, 4000, 500):
            recorder.append(Chunk(first, make_counts(500, first=first)))
            recorder.event(Event(first, "rating", {"value": first}))
            wait_until_saved(recorder)
        for suffix in ("", "-wal"):
            shutil.copy(folder / f"a.hold{suffix}", folder / "cut" / f"a.hold{suffix}")
    return folder / "cut" / "a.hold"


def count_taken(path: Path, log: bytes, folder: Path) -> int:
    """How many frames SQLite takes of a log: its checkpoint says so."""
    shutil.copy(path, folder / "b.hold")
    (folder / "b.hold-wal").write_bytes(log)
    connection = sqlite3.connect(folder / "b.hold")
    n_frames = int(connection.execute("PRAGMA wal_checkpoint").fetchone()[1])
    connection.close()
    return n_frames


def test_a_whole_log_is_whole(interrupted: Path) -> None:
    log = read_log(interrupted)
    assert log is not None
    assert log.n_sound == len(log.frames) == log.n_committed
    assert not log.is_damaged
    assert not log.is_unfinished


def test_no_log(tmp_path: Path) -> None:
    assert read_log(tmp_path / "a.hold") is None
    (tmp_path / "a.hold-wal").write_bytes(b"")
    assert read_log(tmp_path / "a.hold") is None


@pytest.mark.parametrize("seed", range(30))
def test_sqlite_takes_as_many_committed_frames_as_we_count(interrupted: Path, tmp_path: Path, seed: int) -> None:
    rng = random.Random(seed)
    content = Path(f"{interrupted}-wal").read_bytes()
    if seed % 3 == 0:
        content = content[: rng.randrange(32, len(content))]
    else:
        at = rng.randrange(len(content))
        content = content[:at] + bytes([content[at] ^ 1 << rng.randrange(8)]) + content[at + 1 :]
    log = parse_log(content)
    assert log.n_committed == count_taken(interrupted, content, tmp_path)
    assert log.is_damaged == (seed % 3 != 0)


@pytest.mark.parametrize("cut", [0, 10, 24, 25, 4000])
def test_a_log_that_was_cut_off_is_unfinished_not_damaged(interrupted: Path, cut: int) -> None:
    content = Path(f"{interrupted}-wal").read_bytes()
    log = parse_log(content[: len(content) - FRAME + cut])
    assert not log.is_damaged
    assert log.is_unfinished


def test_frames_of_an_earlier_log_are_no_damage(tmp_path: Path) -> None:
    """After a checkpoint SQLite restarts the log over its old frames."""
    path = tmp_path / "a.hold"
    live = sqlite3.connect(path)
    live.execute("PRAGMA journal_mode = WAL")
    live.execute("CREATE TABLE t (x BLOB)")
    for _ in range(20):
        live.execute("INSERT INTO t VALUES (randomblob(3000))")
        live.commit()
    live.execute("PRAGMA wal_checkpoint(RESTART)")
    live.execute("INSERT INTO t VALUES (1)")
    live.commit()
    content = Path(f"{path}-wal").read_bytes()
    live.close()
    log = parse_log(content)
    assert log.n_sound == len(log.frames) == log.n_committed < len(content) // FRAME
    assert not log.is_damaged
    assert not log.is_unfinished
    for at in (32 + 100, 32 + 9, 32 + 24 + 100):  # a bit of the one frame that counts
        damaged = parse_log(content[:at] + bytes([content[at] ^ 4]) + content[at + 1 :])
        assert damaged.is_damaged
