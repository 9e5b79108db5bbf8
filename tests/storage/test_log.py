"""The log as we read it against what SQLite itself takes of it (the outside check: the sqlite3 library)."""

from __future__ import annotations

import random
import shutil
import sqlite3
from pathlib import Path
from typing import Literal

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


def sum_up(data: bytes, sums: tuple[int, int], order: Literal["big", "little"]) -> tuple[int, int]:
    """The checksum as section 4.2 of the file format writes it down."""
    s0, s1 = sums
    words = [int.from_bytes(data[k : k + 4], order) for k in range(0, len(data), 4)]
    for x0, x1 in zip(words[::2], words[1::2], strict=True):
        s0 = (s0 + x0 + s1) % 2**32
        s1 = (s1 + x1 + s0) % 2**32
    return s0, s1


def make_log(
    n_frames: int,
    *,
    n_page: int = 512,
    order: Literal["big", "little"] = "little",
    salt: int = 7,
    commit_every: int = 3,
) -> bytes:
    """A log as section 4.1 describes it, written by hand."""
    dice = random.Random(n_frames)
    magic = 0x377F0682 + (order == "big")
    salts = salt.to_bytes(4, "big") + b"salt"
    head = b"".join(value.to_bytes(4, "big") for value in (magic, 3007000, n_page, 0)) + salts
    sums = sum_up(head, (0, 0), order)
    out = head + b"".join(one.to_bytes(4, "big") for one in sums)
    for k in range(n_frames):
        page = dice.randbytes(n_page)
        start = (k + 1).to_bytes(4, "big") + (9 * ((k + 1) % commit_every == 0)).to_bytes(4, "big")
        sums = sum_up(start + page, sums, order)
        out += start + salts + b"".join(one.to_bytes(4, "big") for one in sums) + page
    return out


@pytest.mark.parametrize("order", ["big", "little"])
@pytest.mark.parametrize(("n_frames", "n_page"), [(1, 512), (3, 1024), (8, 4096), (2, 65536), (258, 512), (0, 512)])
def test_a_log_written_by_hand_is_read_frame_by_frame(
    order: Literal["big", "little"], n_frames: int, n_page: int
) -> None:
    log = parse_log(make_log(n_frames, n_page=n_page, order=order))
    assert (len(log.frames), log.n_sound, log.n_odd, log.n_tail_bytes) == (n_frames, n_frames, 0, 0)
    assert log.n_committed == n_frames // 3 * 3
    assert (log.has_header, log.n_lost, log.is_damaged) == (True, 0, False)
    assert log.is_unfinished == (n_frames % 3 > 0)
    dice = random.Random(n_frames)
    for k, frame in enumerate(log.frames):
        assert (frame.page, frame.n_pages) == (k + 1, 9 * ((k + 1) % 3 == 0))
        assert frame.data == dice.randbytes(n_page)


@pytest.mark.parametrize("order", ["big", "little"])
@pytest.mark.parametrize("bad", [0, 4, 255, 256, 257])
def test_frames_count_up_to_the_first_that_is_otherwise(order: Literal["big", "little"], bad: int) -> None:
    content = bytearray(make_log(258, order=order))
    content[32 + bad * 536 + 24 + 17] ^= 1
    log = parse_log(bytes(content))
    assert (log.n_sound, log.n_committed, len(log.frames)) == (bad, bad // 3 * 3, 258)
    assert log.n_lost == 258 - bad
    assert log.is_damaged


@pytest.mark.parametrize(
    ("at", "value"),
    [(0, 0), (8, 0x01), (10, 0x03), (3, 0x84), (16, 0xFF), (24, 0xFF)],  # magic, page size, salt, checksum
)
def test_a_header_that_is_none_leaves_frames_to_be_found_by_the_salts_that_most_have(at: int, value: int) -> None:
    content = bytearray(make_log(6, n_page=4096))
    content[at] = value
    log = parse_log(bytes(content))
    assert (log.has_header, log.is_damaged, log.n_sound) == (False, True, 0)
    assert len(log.frames) == 6
    assert [frame.page for frame in log.frames] == [1, 2, 3, 4, 5, 6]


@pytest.mark.parametrize(("n_page", "is_sound"), [(256, False), (512, True), (65536, True)])
def test_a_page_has_512_to_65536_bytes(n_page: int, is_sound: bool) -> None:
    assert parse_log(make_log(1, n_page=n_page)).has_header is is_sound


@pytest.mark.parametrize(
    ("salt", "n_odd"), [(6, 0), (7 - 2**16, 0), (7 - 2**16 - 1, 1), (8, 1)]
)  # the first salt grows by one each time the log begins again
def test_what_is_left_behind_is_of_one_of_the_65536_logs_before(salt: int, n_odd: int) -> None:
    content = make_log(3)
    other = make_log(4, salt=salt % 2**32)
    log = parse_log(content + other[32 + 3 * 536 :])
    assert (log.n_sound, len(log.frames), log.n_odd, log.n_lost) == (3, 3, n_odd, n_odd)
    assert log.is_damaged == (n_odd > 0)
    cut = parse_log(content + other[32 + 3 * 536 : -5])
    assert (cut.n_odd, cut.n_tail_bytes) == (0, 531)
    assert parse_log(content + other[32 + 3 * 536 :] + b"cut").n_tail_bytes == 0  # behind an earlier log: an old cut


def test_what_is_shorter_than_a_header_holds_nothing() -> None:
    log = parse_log(make_log(1)[:31])
    assert (log.frames, log.has_header, log.n_tail_bytes) == ((), False, 0)
    log = parse_log(make_log(1)[:32])
    assert (log.frames, log.has_header, log.n_tail_bytes, log.is_unfinished) == ((), True, 0, False)


def test_what_is_no_plain_file_or_too_large_is_not_read(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    (tmp_path / "a.hold-wal").mkdir()
    with pytest.raises(OSError, match="not a regular file"):
        read_log(tmp_path / "a.hold")
    (tmp_path / "b.hold-wal").write_bytes(make_log(1))
    for limit, is_read in ((32 + 536, True), (32 + 535, False)):
        monkeypatch.setattr("biofeedback.storage.log.MAX_LOG_BYTES", limit)
        if is_read:
            assert read_log(tmp_path / "b.hold") is not None
        else:
            with pytest.raises(OSError, match="too large"):
                read_log(tmp_path / "b.hold")
