"""A recording is data, whoever made it.

The checklist is SQLite's own advice for databases from strangers (its page "Defense Against The Dark Arts", from
memory): each item is a test here. Hostile files are made with plain sqlite3, as an attacker would.
"""

from __future__ import annotations

import contextlib
import shutil
import sqlite3
import subprocess
import sys
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from biofeedback.errors import RecordingError
from biofeedback.model import Chunk, Event
from biofeedback.storage import database
from biofeedback.storage.amend import add_events
from biofeedback.storage.check import check_recording, repair_recording
from biofeedback.storage.recorder import Recorder
from biofeedback.storage.recording import open_recording
from biofeedback.storage.rename import rename_athlete
from biofeedback.storage.schema import EARLIER, TABLES, checksum, read_json, split_statements

from .helpers import execute, make_counts, make_settings

N_FRAMES = 1000


@pytest.fixture
def path(tmp_path: Path) -> Path:
    path = tmp_path / "a.hold"
    with Recorder.create(path, make_settings(), threaded=False) as recorder:
        recorder.append(Chunk(0, make_counts(N_FRAMES)))
        recorder.event(Event(10, "rating", {"value": 3}))
    return path


def rewrite(path: Path, change: Callable[[sqlite3.Connection], Any]) -> None:
    connection = sqlite3.connect(path)
    change(connection)
    connection.commit()
    connection.close()


ENDLESS = "WITH RECURSIVE n(x) AS (SELECT 1 UNION ALL SELECT x + 1 FROM n) SELECT"
ALL_WITH_ALL = ", ".join(f"chunks AS c{k}" for k in range(8))  # 40 rows to the eighth power
FOREIGN = {
    "a trigger that deletes": [
        "CREATE TRIGGER t AFTER INSERT ON events BEGIN DELETE FROM chunks; END",
    ],
    "a view instead of a table": [
        "DROP TABLE gaps",
        f"CREATE VIEW gaps AS {ENDLESS} x AS id, x AS first_frame, 1 AS n_frames, '' AS reason, 0 AS crc32 FROM n",
    ],
    "a view that makes memory": [
        "DROP TABLE notes",
        "CREATE VIEW notes AS SELECT 1 AS id, 1 AS frame, hex(zeroblob(900000000)) AS text, 0 AS crc32",
    ],
    "a generated column": [
        "DROP TABLE notes",
        "CREATE TABLE notes (id INTEGER PRIMARY KEY, frame INTEGER, text TEXT AS (hex(zeroblob(900000))), crc32)",
        "INSERT INTO notes (frame, crc32) VALUES (1, 0)",
    ],
    "another table": ["CREATE TABLE more (x)"],
    "an index": ["CREATE INDEX i ON events (kind)"],
    "an index on an expression": ["CREATE INDEX i ON events (abs(frame))"],
    "a virtual table": ["CREATE VIRTUAL TABLE v USING fts5(x)"],
    "a changed view": ["DROP VIEW ratings", "CREATE VIEW ratings AS SELECT load_extension('x') AS value"],
    "a missing view": ["DROP VIEW ratings"],
    "a missing table": ["DROP TABLE events"],
    "a column more": ["ALTER TABLE notes ADD COLUMN more TEXT"],
    "a table of statistics": ["ANALYZE"],
}


@pytest.mark.parametrize("name", FOREIGN)
def test_only_what_is_built_as_we_build_it_is_opened(path: Path, name: str) -> None:
    content = open_recording(path).counts()
    for statement in FOREIGN[name]:
        execute(path, statement)
    started_s = time.monotonic()
    for use in (open_recording, lambda path: add_events(path, [Event(1, "note", {"text": "x"})])):
        with pytest.raises(RecordingError, match=r"(is not built as a recording is|cannot be read).*biofeedback check"):
            use(path)
    with pytest.raises(RecordingError, match=r"not built|cannot be read"):
        rename_athlete(path, "B7")
    assert not check_recording(path).is_sound
    repair_recording(path, path.with_name("copy.hold"))
    np.testing.assert_array_equal(open_recording(path.with_name("copy.hold")).counts(), content)
    assert time.monotonic() - started_s < 5  # no endless view was asked


def test_a_missing_table_is_damage(path: Path) -> None:
    execute(path, "DROP TABLE events")
    assert check_recording(path).problems[0].endswith("its events are missing")


def test_what_every_version_wrote_is_opened(path: Path) -> None:
    """Files of the first versions: no second copy of the settings, a view with a column less."""
    execute(path, "DROP TABLE meta_copy")
    assert open_recording(path).n_frames == N_FRAMES
    for statement in split_statements(EARLIER):
        execute(path, f"DROP VIEW {statement.split()[2]}")
        execute(path, statement)
        assert open_recording(path).n_frames == N_FRAMES
        assert check_recording(path).is_sound
    assert {statement.split()[2] for statement in split_statements(EARLIER)} == {"ratings", "phases"}
    assert len(split_statements(TABLES)) == 8


# ---- the checklist ----


def opened(path: Path) -> sqlite3.Connection:
    """What a reader works with."""
    stack = database.connect(path)
    connection, _ = stack.__enter__()
    connection.stack = stack  # type: ignore[attr-defined]  # kept open with it
    return connection


class Kept(sqlite3.Connection):
    """Takes attributes."""


def ask(path: Path, statement: str) -> Any:
    with database.connect(path) as (connection, _):
        connection.execute("ROLLBACK")  # it must not be the reader's own transaction alone that stands in the way
        return connection.execute(statement).fetchall()


def test_trusted_schema_is_off_and_cell_sizes_are_checked(path: Path) -> None:
    with database.connect(path) as (connection, _):
        connection.set_authorizer(None)
        assert connection.execute("PRAGMA trusted_schema").fetchone() == (0,)
        assert connection.execute("PRAGMA cell_size_check").fetchone() == (1,)


def test_defensive_mode_is_on_where_python_can_switch_it(path: Path) -> None:
    with database.connect(path) as (connection, _):
        if hasattr(connection, "getconfig"):
            assert connection.getconfig(database.DEFENSIVE)
            assert not connection.getconfig(database.ENABLE_TRIGGER)
        connection.set_authorizer(None)
        with pytest.raises(sqlite3.OperationalError):  # nothing may be written in any case
            connection.execute("UPDATE chunks SET n_frames = 0")


@pytest.mark.parametrize(
    "statement",
    [
        "DELETE FROM chunks",
        "CREATE TEMP TABLE t (x)",
        "ATTACH 'other.db' AS other",
        "PRAGMA writable_schema = ON",
        "PRAGMA journal_mode = DELETE",
        "SELECT load_extension('x')",
        "SELECT value FROM ratings",
        "SELECT hex(data) FROM chunks",
        f"{ENDLESS} count(*) FROM n",
        "VACUUM",
        "SELECT * FROM pragma_database_list",
    ],
)
def test_the_authoriser_allows_reading_our_tables_and_nothing_else(path: Path, statement: str) -> None:
    with pytest.raises(sqlite3.DatabaseError, match=r"prohibited|not authorized|too many|unsafe use|readonly|denied"):
        ask(path, statement)


def test_limits_are_lowered(path: Path) -> None:
    with database.connect(path) as (connection, n_bytes):
        assert connection.getlimit(sqlite3.SQLITE_LIMIT_LENGTH) == max(n_bytes, database.LEAST_LENGTH)
        for limit, value in database.LIMITS.items():
            assert connection.getlimit(limit) == value


def test_what_runs_on_is_stopped(path: Path) -> None:
    with database.connect(path) as (connection, _):
        connection.set_authorizer(None)
        with pytest.raises(sqlite3.OperationalError, match="interrupted") as caught:
            connection.execute(f"SELECT count(*) FROM {ALL_WITH_ALL}").fetchall()
    assert database.explain(caught.value).startswith("reading it takes more work than")


def test_all_pages_are_checked_before_anything_is_written(path: Path, tmp_path: Path) -> None:
    content = bytearray(path.read_bytes())
    content[4096 + 8 : 4096 + 40] = bytes(32)  # cell pointers of the second page
    path.write_bytes(content)
    with pytest.raises(RecordingError):
        database.connect_for_writing(path)
    assert path.read_bytes() == content


def test_no_trigger_of_a_file_runs_even_where_it_may_be_written(path: Path) -> None:
    connection = database.connect_for_writing(path)
    connection.execute("CREATE TRIGGER t AFTER INSERT ON notes BEGIN DELETE FROM chunks; END")
    try:
        connection.execute("INSERT INTO notes (frame, text, crc32) VALUES (1, 'x', 0)")
    except sqlite3.DatabaseError as error:
        assert "prohibited" in str(error) or "not authorized" in str(error)  # noqa: PT017  # or never asked
    assert connection.execute("SELECT count(*) FROM chunks").fetchone()[0] > 0
    connection.close()


# ---- contents with right checksums ----


def put(path: Path, table: str, **values: Any) -> None:
    """A row of a stranger's making, its checksum right."""
    names = ", ".join((*values, "crc32"))
    row = (*values.values(), checksum(tuple(values.values())))
    marks = ", ".join("?" * len(row))
    rewrite(
        path, lambda connection: connection.execute(f"INSERT OR REPLACE INTO {table} ({names}) VALUES ({marks})", row)
    )


DEEP = "[" * 5000 + "]" * 5000
HOSTILE: dict[str, tuple[str, dict[str, Any]]] = {
    "a gap of ages": ("gaps", {"first_frame": N_FRAMES, "n_frames": 2**60, "reason": ""}),
    "a gap of 40 days": ("gaps", {"first_frame": N_FRAMES, "n_frames": 40 * 8_640_000, "reason": ""}),
    "a gap over readings": ("gaps", {"first_frame": 10, "n_frames": 10, "reason": ""}),
    "a gap of nothing": ("gaps", {"first_frame": N_FRAMES, "n_frames": 0, "reason": ""}),
    "a gap backwards": ("gaps", {"first_frame": N_FRAMES, "n_frames": -100, "reason": ""}),
    "a gap before the start": ("gaps", {"first_frame": -(2**62), "n_frames": 1, "reason": ""}),
    "a note beyond": ("notes", {"frame": 2**62, "text": ""}),
    "an event before": ("events", {"frame": -1, "utc": "", "kind": "note", "data": "{}"}),
    "an event beyond": ("events", {"frame": 2**62, "utc": "", "kind": "note", "data": "{}"}),
    "an event that is a list": ("events", {"frame": 1, "utc": "", "kind": "note", "data": "[]"}),
    "an event that is no JSON": ("events", {"frame": 1, "utc": "", "kind": "note", "data": "{"}),
    "an event deep down": ("events", {"frame": 1, "utc": "", "kind": "note", "data": DEEP}),
    "a number that is none": ("events", {"frame": 1, "utc": "", "kind": "rating", "data": '{"value":NaN}'}),
    "a number of many digits": (
        "events",
        {"frame": 1, "utc": "", "kind": "rating", "data": f'{{"value":{"9" * 5000}}}'},
    ),
    "an event of 2 MB": ("events", {"frame": 1, "utc": "", "kind": "x", "data": f'{{"x":"{"y" * 2_000_000}"}}'}),
    "no rate": ("meta", {"key": "rate_hz", "value": "null"}),
    "a rate that is a text": ("meta", {"key": "rate_hz", "value": '"100"'}),
    "a rate of nothing": ("meta", {"key": "rate_hz", "value": "0"}),
    "a rate beyond numbers": ("meta", {"key": "rate_hz", "value": "1e999"}),
    "a rate that is true": ("meta", {"key": "rate_hz", "value": "true"}),
    "no channels": ("meta", {"key": "channels", "value": "[]"}),
    "channels that are a text": ("meta", {"key": "channels", "value": '"force"'}),
    "a channel that is a number": ("meta", {"key": "channels", "value": "[1]"}),
    "a channel of an unknown kind": ("meta", {"key": "channels", "value": '[{"name":"a","kind":"x"}]'}),
    "a name that is a list": ("meta", {"key": "channels", "value": '[{"name":["a"],"kind":"force"}]'}),
    "a factor that is a text": ("meta", {"key": "channels", "value": '[{"name":"a","kind":"force","factor":"1"}]'}),
    "a factor beyond numbers": ("meta", {"key": "channels", "value": '[{"name":"a","kind":"force","factor":1e999}]'}),
    "a thousand channels": (
        "meta",
        {"key": "channels", "value": "[" + ",".join(['{"name":"a","kind":"force"}'] * 1000) + "]"},
    ),
    "a code that is a list": ("meta", {"key": "athlete", "value": "[1]"}),
    "settings deep down": ("meta", {"key": "more", "value": DEEP}),
    "frames of nobody": ("chunks", {"first_frame": N_FRAMES, "n_frames": 2**60, "dtype": "<i4", "data": b"\0" * 8}),
    "frames backwards": ("chunks", {"first_frame": N_FRAMES, "n_frames": -1, "dtype": "<i4", "data": b"\0" * 8}),
    "frames before the start": ("chunks", {"first_frame": -5, "n_frames": 1, "dtype": "<i4", "data": b"\0" * 8}),
    "frames twice": ("chunks", {"first_frame": 10, "n_frames": 1, "dtype": "<i4", "data": b"\0" * 8}),
    "frames of another kind": ("chunks", {"first_frame": N_FRAMES, "n_frames": 1, "dtype": "|O8", "data": b"\0" * 16}),
    "frames far away": ("chunks", {"first_frame": 2**60, "n_frames": 1, "dtype": "<i4", "data": b"\0" * 8}),
}


@pytest.mark.parametrize("name", HOSTILE)
def test_contents_that_no_recorder_writes_are_a_problem_of_that_file(path: Path, name: str) -> None:
    table, values = HOSTILE[name]
    put(path, table, **values)
    started_s = time.monotonic()

    def use() -> None:
        recording = open_recording(path)
        list(recording.items())
        recording.counts()

    with pytest.raises(RecordingError):
        use()
    try:
        assert not check_recording(path).is_sound
    except RecordingError as error:
        assert "lost" in str(error)  # noqa: PT017  # channels or rate
    assert time.monotonic() - started_s < 5


def test_a_stored_text_is_measured_before_it_is_parsed() -> None:
    assert read_json('{"a":[1,{"b":"[[[[\\"{{{"}]}') == {"a": [1, {"b": '[[[["{{{'}]}
    assert read_json('{"a":"' + "[" * 500 + '"}') == {"a": "[" * 500}
    for text in (DEEP, "[" * 200 + "]" * 200, '"' + "x" * 2**20 + '"', "NaN", "Infinity", '{"a":1} x', "", "[1,]"):
        with pytest.raises(ValueError):  # noqa: PT011
            read_json(text)


def test_pages_that_are_shared_cost_no_more_than_the_file_is_large(path: Path) -> None:
    """A tree whose branches all lead to the same leaf: rows without end in a file of some pages."""
    rewrite(
        path, lambda c: c.executemany("INSERT INTO notes (frame, text, crc32) VALUES (1, ?, 0)", [("x" * 500,)] * 4000)
    )
    root = sqlite3.connect(path).execute("SELECT rootpage FROM sqlite_master WHERE name = 'notes'").fetchone()[0]
    content = bytearray(path.read_bytes())
    start = (root - 1) * 4096
    assert content[start] == 0x05  # an inner page of a table (SQLite file format, section 1.6)
    n_cells = int.from_bytes(content[start + 3 : start + 5], "big")
    for k in range(n_cells):
        at = start + int.from_bytes(content[start + 12 + 2 * k : start + 14 + 2 * k], "big")
        content[at : at + 4] = root.to_bytes(4, "big")  # to itself
    path.write_bytes(content)
    started_s = time.monotonic()
    with pytest.raises(RecordingError):
        open_recording(path)
    assert not check_recording(path).is_sound
    assert time.monotonic() - started_s < 5


# ---- the log ----


@pytest.fixture
def interrupted(tmp_path: Path) -> Path:
    from .test_log import FRAME  # noqa: F401

    (tmp_path / "cut").mkdir()
    path = tmp_path / "a.hold"
    from .helpers import wait_until_saved

    with Recorder.create(path, make_settings(rate_hz=1000.0)) as recorder:
        for first in range(0, 4000, 500):
            recorder.append(Chunk(first, make_counts(500, first=first)))
            recorder.event(Event(first, "note", {"text": str(first)}))
            wait_until_saved(recorder)
        for suffix in ("", "-wal"):
            shutil.copy(f"{path}{suffix}", tmp_path / "cut" / f"a.hold{suffix}")
    return tmp_path / "cut" / "a.hold"


def flip(path: Path, at: int) -> None:
    content = bytearray(path.read_bytes())
    content[at] ^= 0x10
    path.write_bytes(content)


def test_a_damaged_log_is_told_and_what_lies_behind_is_saved(interrupted: Path) -> None:
    log = Path(f"{interrupted}-wal")
    flip(log, log.stat().st_size // 2)
    verdict = check_recording(interrupted)
    assert not verdict.is_sound
    assert "its log is damaged: SQLite would drop the last" in verdict.problems[0]
    copy = interrupted.with_name("copy.hold")
    repair_recording(interrupted, copy)
    assert len(open_recording(copy).events) == 8
    counts = open_recording(copy).counts()
    known = ~np.isnan(counts[:, 0])
    np.testing.assert_array_equal(counts[known], make_counts(4000)[: len(counts)][known])
    assert known.sum() >= 4000 - 500  # one bit costs a row or two at most


@pytest.mark.parametrize("use", ["amend", "rename", "written", "open", "check"])
def test_nothing_folds_or_removes_a_log_that_is_damaged(interrupted: Path, use: str) -> None:
    log = Path(f"{interrupted}-wal")
    flip(log, log.stat().st_size // 2)
    before = log.read_bytes(), interrupted.read_bytes()
    if use == "amend":
        with pytest.raises(RecordingError, match=r"the log of .* is damaged.*check --repair"):
            add_events(interrupted, [Event(1, "note", {"text": "x"})])
    elif use == "rename":
        with pytest.raises(RecordingError, match=r"the log of .* is damaged"):
            rename_athlete(interrupted, "B7")
    elif use == "written":
        assert not database.is_written(interrupted)
    elif use == "open":
        open_recording(interrupted)
    else:
        check_recording(interrupted)
    assert (log.read_bytes(), interrupted.read_bytes()) == before


def test_a_sound_log_is_taken_in(interrupted: Path) -> None:
    assert not database.is_written(interrupted)
    assert not Path(f"{interrupted}-wal").exists()
    assert open_recording(interrupted).n_frames == 4000


@pytest.mark.skipif(sys.platform not in database.LOCKS, reason="locks cannot be asked for here")
def test_every_byte_by_which_sqlite_locks_is_asked_for_and_no_other(tmp_path: Path) -> None:
    """PENDING 0x40000000, RESERVED the next, SHARED the 510 after it (SQLite, "Database File Format", 1.4; os.h)."""
    path = tmp_path / "a.hold"
    path.write_bytes(b"")
    pending, n_shared = 0x40000000, 510
    bytes_of = {pending - 1: False, pending: True, pending + 1: True, pending + 1 + n_shared: True}
    bytes_of |= {pending + 2 + n_shared: False}
    code = (
        "import fcntl, sys\nfile = open(sys.argv[1], 'rb+')\n"
        "for line in sys.stdin:\n"
        "    fcntl.lockf(file, fcntl.LOCK_UN); fcntl.lockf(file, fcntl.LOCK_EX, 1, int(line)); print(flush=True)"
    )
    other = subprocess.Popen(
        [sys.executable, "-c", code, path], stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True
    )
    with other:
        assert other.stdin is not None
        assert other.stdout is not None
        for byte, is_locked in bytes_of.items():
            print(byte, file=other.stdin, flush=True)
            other.stdout.readline()
            assert database._is_locked_elsewhere(path) is is_locked, hex(byte)
        other.stdin.close()


def test_a_writer_is_seen_in_this_program_and_in_another(tmp_path: Path) -> None:
    path = tmp_path / "a.hold"
    code = (
        "import sys; from pathlib import Path; from biofeedback.storage import database\n"
        "print(database.is_written(Path(sys.argv[1])))"
    )

    def ask_elsewhere() -> str:
        return subprocess.run(
            [sys.executable, "-c", code, str(path)], capture_output=True, text=True, check=True
        ).stdout

    with Recorder.create(path, make_settings()) as recorder:
        assert database.is_written(path)
        assert ask_elsewhere() == "True\n"
        recorder.append(Chunk(0, make_counts(100)))
        assert ask_elsewhere() == "True\n"  # asking here did not drop the writer's locks
    assert not database.is_written(path)
    assert ask_elsewhere() == "False\n"


@pytest.mark.parametrize(
    ("error", "is_written"),
    [
        (None, False),
        (database.OperationalError("database is locked"), True),
        (database.OperationalError("database table is locked"), True),
        (database.OperationalError("disk I/O error"), False),
        (database.OperationalError("attempt to write a readonly database"), False),
        (database.DatabaseError("file is not a database"), False),
        (UnicodeDecodeError("utf-8", b"\xff", 0, 1, "no text"), False),
        (RecordingError("damaged", ""), False),
    ],
)
@pytest.mark.parametrize("step", ["measure_files", "refuse_damaged_log"])
def test_only_a_lock_says_that_somebody_writes(
    path: Path, monkeypatch: pytest.MonkeyPatch, error: Exception | None, is_written: bool, step: str
) -> None:
    asked = []

    def answer(path: Path) -> None:
        asked.append(path)
        if error:
            raise error

    monkeypatch.setattr(database, step, answer)
    assert database.is_written(path) is is_written
    assert asked == [path]


def test_where_nobody_tells_of_locks_a_writer_is_found_by_them(path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(database, "is_held", lambda path: False)
    assert not database.is_written(path)
    with contextlib.closing(sqlite3.connect(path, isolation_level=None)) as writer:
        writer.execute("PRAGMA journal_mode = WAL")
        writer.execute("BEGIN IMMEDIATE")
        assert database.is_written(path)
    assert not database.is_written(path)
    assert not database.is_written(path.with_name("none.hold"))
