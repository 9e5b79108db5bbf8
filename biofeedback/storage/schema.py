"""The tables of one recording: plain SQLite that any tool can open, every row with its own checksum."""

from __future__ import annotations

import json
import os
import re
import zlib
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any, Protocol, TypeAlias

import numpy as np
from numpy.typing import NDArray

from biofeedback.errors import RecordingError
from biofeedback.model import FloatArray
from biofeedback.storage.log import USUAL_PAGE_BYTES

FORMAT = 1  # stored as user_version; grows when an older program could no longer read the file
MAX_NEWER = 50  # formats that there may be one day; a larger number in a file is damage
APPLICATION_ID = 0x484F4C44  # "HOLD", so that `file` and SQLite tools can tell a recording from another database
SUFFIX = ".hold"
LAST_START = "last-start.json"  # beside the recordings: what was chosen on the start page, the code among it
TRIALS = "trials"  # a folder beside the recordings: what was drawn by lot for whom
PROGRAMMES = "programmes"  # another: which plan on which evening
INT_DTYPE, FLOAT_DTYPE = "<i4", "<f8"
MAX_JSON_CHARACTERS, MAX_JSON_DEPTH = 2**20, 40  # of one setting or event; ours have some thousands, and five
SHORT_JSON = 256  # characters: cannot be nested deeply
ROOM_BYTES = 2**15  # between the settings and their copy in a new file
TIMED = "+t"  # behind the dtype: the device times of the frames follow the counts, microseconds, "<f8"
_FRAME_BYTES = {INT_DTYPE: (4, 0), FLOAT_DTYPE: (8, 0), INT_DTYPE + TIMED: (4, 8), FLOAT_DTYPE + TIMED: (8, 8)}

Value: TypeAlias = str | int | bytes
SchemaRow: TypeAlias = tuple[str, str, str, str | None]  # type, name, tbl_name and sql of sqlite_master
Row: TypeAlias = tuple[str, tuple[Value, ...]]  # table, values in the order of COLUMNS, checksum not included

COLUMNS: Mapping[str, tuple[str, ...]] = {
    "meta": ("key", "value"),
    "meta_copy": ("key", "value"),
    "chunks": ("first_frame", "n_frames", "dtype", "data"),
    "gaps": ("first_frame", "n_frames", "reason"),
    "notes": ("frame", "text"),
    "events": ("frame", "utc", "kind", "data"),
}

KINDS: Mapping[str, tuple[type, ...]] = {  # of the same columns, as Python has them
    "meta": (str, str),
    "meta_copy": (str, str),
    "chunks": (int, int, str, bytes),
    "gaps": (int, int, str),
    "notes": (int, str),
    "events": (int, str, str, str),
}

TABLES = """
CREATE TABLE meta (key TEXT PRIMARY KEY, value TEXT NOT NULL, crc32 INTEGER NOT NULL) STRICT;
CREATE TABLE meta_copy (key TEXT NOT NULL, value TEXT NOT NULL, crc32 INTEGER NOT NULL) STRICT;
CREATE TABLE chunks (first_frame INTEGER PRIMARY KEY, n_frames INTEGER NOT NULL, dtype TEXT NOT NULL,
  data BLOB NOT NULL, crc32 INTEGER NOT NULL) STRICT;
CREATE TABLE gaps (id INTEGER PRIMARY KEY, first_frame INTEGER NOT NULL, n_frames INTEGER NOT NULL,
  reason TEXT NOT NULL, crc32 INTEGER NOT NULL) STRICT;
CREATE TABLE notes (id INTEGER PRIMARY KEY, frame INTEGER NOT NULL, text TEXT NOT NULL, crc32 INTEGER NOT NULL) STRICT;
CREATE TABLE events (id INTEGER PRIMARY KEY, frame INTEGER NOT NULL, utc TEXT NOT NULL, kind TEXT NOT NULL,
  data TEXT NOT NULL, crc32 INTEGER NOT NULL) STRICT;
CREATE VIEW phases AS SELECT ROW_NUMBER() OVER (ORDER BY frame, id) AS phase, id,
  frame / (SELECT value + 0.0 FROM meta WHERE key = 'rate_hz') AS time_s, utc,
  json_extract(data, '$.kind') AS phase_kind, json_extract(data, '$.title') AS title,
  json_extract(data, '$.band[0]') AS low_percent, json_extract(data, '$.band[1]') AS high_percent,
  json_extract(data, '$.duration_s') AS duration_s, frame, json_extract(data, '$.index') AS plan_index
  FROM events WHERE kind = 'phase' AND json_extract(data, '$.kind') <> 'end';
CREATE VIEW ratings AS WITH
  given AS (SELECT id, frame, utc, json_extract(data, '$.value') AS value, json_extract(data, '$.by') AS said_by,
    json_extract(data, '$.phase_index') AS plan_index, ROW_NUMBER() OVER (ORDER BY frame, id) AS number
    FROM events WHERE kind = 'rating' AND json_extract(data, '$.corrects') IS NULL),
  placed AS (SELECT given.*, CASE WHEN plan_index IS NULL THEN
    (SELECT phases.phase FROM events AS mark LEFT JOIN phases ON phases.id = mark.id
      WHERE mark.kind IN ('phase', 'stop') AND (mark.frame, mark.id) <= (given.frame, given.id)
      ORDER BY mark.frame DESC, mark.id DESC LIMIT 1)
    ELSE (SELECT max(phase) FROM phases
      WHERE phases.plan_index = given.plan_index AND (phases.frame, phases.id) <= (given.frame, given.id))
    END AS rating_phase,
    (SELECT id FROM events AS later WHERE kind = 'rating' AND json_extract(data, '$.corrects') = given.number
      AND (later.frame, later.id) > (given.frame, given.id) ORDER BY frame DESC, id DESC LIMIT 1) AS fix FROM given)
  SELECT placed.number, placed.id, placed.frame / (SELECT value + 0.0 FROM meta WHERE key = 'rate_hz') AS time_s,
  placed.utc, CASE WHEN fix IS NULL THEN placed.value ELSE json_extract(fixed.data, '$.value') END AS value,
  rating_phase, (SELECT phase_kind FROM phases WHERE phase = rating_phase) AS phase_kind, said_by,
  CASE WHEN fix IS NULL THEN NULL ELSE placed.value END AS corrected_from
  FROM placed LEFT JOIN events AS fixed ON fixed.id = fix ORDER BY placed.number;
"""


# What earlier versions wrote instead, word for word: a file is opened when each of its tables and views is one of these
# or of the above. A statement that is changed above leaves its old text here.
EARLIER = """
CREATE VIEW ratings AS SELECT id, frame / (SELECT value + 0.0 FROM meta WHERE key = 'rate_hz') AS time_s, utc,
  json_extract(data, '$.value') AS value, json_extract(data, '$.phase_index') AS phase_index,
  json_extract(data, '$.by') AS said_by FROM events WHERE kind = 'rating';
CREATE VIEW ratings AS SELECT id, frame / (SELECT value + 0.0 FROM meta WHERE key = 'rate_hz') AS time_s, utc,
  json_extract(data, '$.value') AS value, json_extract(data, '$.phase_index') AS phase_index,
  json_extract(data, '$.by') AS said_by, json_extract(data, '$.corrects') AS corrects FROM events WHERE kind = 'rating';
CREATE VIEW phases AS SELECT id, frame / (SELECT value + 0.0 FROM meta WHERE key = 'rate_hz') AS time_s, utc,
  json_extract(data, '$.index') AS phase_index, json_extract(data, '$.kind') AS phase,
  json_extract(data, '$.title') AS title, json_extract(data, '$.band[0]') AS low_percent,
  json_extract(data, '$.band[1]') AS high_percent, json_extract(data, '$.duration_s') AS duration_s
  FROM events WHERE kind = 'phase';
"""
ADDED_LATER = frozenset({"meta_copy"})  # not in every file of an earlier version
OWN_INDEX = ("index", "sqlite_autoindex_meta_1", "meta", None)  # what SQLite makes of a key that is a text


def split_statements(text: str) -> list[str]:
    """One per table or view, as SQLite keeps them."""
    return [statement.rstrip(";") for statement in text.strip().split(";\n")]


def _describe_statement(sql: str) -> SchemaRow:
    """The row of ``sqlite_master`` that it makes: ``(type, name, tbl_name, sql)``."""
    _, kind, name, *_ = sql.split(maxsplit=3)
    return kind.lower(), name, name, sql


KNOWN = {OWN_INDEX, *map(_describe_statement, split_statements(TABLES) + split_statements(EARLIER))}
NEEDED = {_describe_statement(sql)[1] for sql in split_statements(TABLES)} - ADDED_LATER


def find_foreign(rows: Sequence[SchemaRow]) -> list[str]:
    """What is built otherwise than we build it, of the rows of ``sqlite_master``."""
    foreign = [f"{row[0]} {str(row[1])[:40]!r} is not one of ours" for row in rows if row not in KNOWN]
    missing = NEEDED - {row[1] for row in rows}
    return [f"its {name} are missing" for name in sorted(missing)] + foreign


class Executes(Protocol):
    """What these functions need of a connection: the one place that opens one builds on them."""

    def execute(self, sql: str, parameters: Sequence[Any] = ..., /) -> Any:
        """Carry out one statement."""


def create_tables(connection: Executes, settings: Mapping[str, Any]) -> None:
    """Write the empty tables and the settings, one row per key, in one transaction."""
    connection.execute("BEGIN IMMEDIATE")
    connection.execute(f"PRAGMA application_id = {APPLICATION_ID}")
    connection.execute(f"PRAGMA user_version = {FORMAT}")
    for statement in split_statements(TABLES):
        connection.execute(statement)
    rows = [(key, to_json(value)) for key, value in settings.items()]
    # twice, on pages of their own: without channels and rate everything else would be numbers without meaning
    insert_rows(connection, [(table, row) for table in ("meta", "meta_copy") for row in rows])
    connection.execute("COMMIT")
    set_copy_apart(connection, ROOM_BYTES)


def set_copy_apart(connection: Executes, room_bytes: int = 0) -> None:
    """Put the copy of the settings at the end of the file, so that no one stretch of damage reaches both.

    Behind ``room_bytes`` that rows to come will fill: of use while the file is small. Ordering the pages again (VACUUM)
    brings the copy back to the front.
    """
    rows = connection.execute("SELECT key, value, crc32 FROM meta_copy ORDER BY rowid").fetchall()
    connection.execute("BEGIN IMMEDIATE")
    connection.execute("DROP TABLE meta_copy")
    n_free = connection.execute("PRAGMA freelist_count").fetchone()[0]
    connection.execute("CREATE TABLE room (room BLOB)")  # takes what is free, so that the copy cannot
    connection.execute("INSERT INTO room VALUES (zeroblob(?))", (room_bytes + n_free * USUAL_PAGE_BYTES,))
    connection.execute(next(sql for sql in split_statements(TABLES) if sql.startswith("CREATE TABLE meta_copy ")))
    for row in rows:
        connection.execute("INSERT INTO meta_copy (key, value, crc32) VALUES (?, ?, ?)", row)
    connection.execute("DELETE FROM room")  # leaves no row in the pages that are free again
    connection.execute("DROP TABLE room")
    connection.execute("COMMIT")


def insert_rows(connection: Executes, rows: list[Row]) -> None:
    """Insert rows with their checksums; the caller holds the transaction."""
    for table, values in rows:
        names = ", ".join((*COLUMNS[table], "crc32"))
        marks = ", ".join("?" * (len(values) + 1))
        connection.execute(f"INSERT INTO {table} ({names}) VALUES ({marks})", (*values, checksum(values)))


def checksum(values: tuple[Value, ...]) -> int:
    """CRC-32 over every stored column of a row, text as UTF-8 and whole numbers in decimal, each followed by a zero."""
    columns = [value if isinstance(value, bytes) else str(value).encode() for value in values]
    return zlib.crc32(b"\0".join((*columns, b"")))


def sum_chunk(first_frame: int, n_frames: int, dtype: str, data: bytes) -> int:
    """The same of a row of frames, which are many."""
    crc = zlib.crc32(f"{first_frame}\0{n_frames}\0{dtype}\0".encode())
    return zlib.crc32(b"\0", zlib.crc32(data, crc))


def join_texts(values: tuple[Value, ...]) -> str:
    """A row without bytes as one text, whose CRC-32 is the row's checksum: faster where there are many."""
    return "\0".join(map(str, values)) + "\0"


def pack_counts(counts: FloatArray, device_us: FloatArray | None = None) -> tuple[str, bytes]:
    """``(dtype, bytes)``, row after row: 4-byte integers when they give back every bit, 8-byte floats otherwise."""
    if device_us is not None:
        dtype, data = pack_counts(counts)
        return dtype + TIMED, data + np.ascontiguousarray(device_us, dtype=FLOAT_DTYPE).tobytes()
    with np.errstate(invalid="ignore", over="ignore"):
        whole = counts.astype(INT_DTYPE)
    exact = np.ascontiguousarray(counts, dtype=FLOAT_DTYPE)
    if np.array_equal(whole.astype(FLOAT_DTYPE).view(np.int64), exact.view(np.int64)):
        return INT_DTYPE, whole.tobytes()
    return FLOAT_DTYPE, exact.tobytes()


def check_packed(dtype: str, data: bytes, n_frames: int, n_channels: int) -> None:
    """Raise ValueError unless the bytes are so many frames, no more and no fewer."""
    n_bytes = _FRAME_BYTES.get(dtype)
    if n_bytes is None:
        raise ValueError(f"unknown number format {dtype[:20]!r}")
    if len(data) != n_frames * (n_bytes[0] * n_channels + n_bytes[1]):
        raise ValueError(f"{n_frames} frames in a row of {len(data)} bytes")


def unpack_counts(dtype: str, data: bytes, n_frames: int, n_channels: int) -> NDArray[Any]:
    """The inverse of `pack_counts`, shape ``(n_frames, n_channels)``, as stored. ValueError if not possible."""
    plain = dtype.removesuffix(TIMED)
    if plain not in (INT_DTYPE, FLOAT_DTYPE):
        raise ValueError(f"unknown number format {dtype[:20]!r}")
    if n_frames < 0:  # numpy would work out a number of its own
        raise ValueError(f"{n_frames} frames in a row")
    if plain != dtype:
        data = data[: len(data) - 8 * n_frames]
    return np.frombuffer(data, dtype=plain).reshape(n_frames, n_channels)


def unpack_times(dtype: str, data: bytes, n_frames: int) -> FloatArray | None:
    """Device times of the frames in microseconds, (n_frames,); None where they were not kept."""
    return np.frombuffer(data[len(data) - 8 * n_frames :], dtype=FLOAT_DTYPE) if dtype.endswith(TIMED) else None


def read_json(text: str) -> Any:
    """A value of the file, looked at for its size and depth before anything is made of it.

    Raises ValueError for what `to_json` would not have written.
    """
    if len(text) > MAX_JSON_CHARACTERS:
        raise ValueError(f"a value of {len(text)} characters; {MAX_JSON_CHARACTERS} are the most")
    if len(text) > SHORT_JSON and text.count("[") + text.count("{") > MAX_JSON_DEPTH < _count_depth(text):
        raise ValueError(f"a value nested deeper than {MAX_JSON_DEPTH}")
    value, end = _DECODER.raw_decode(text)
    return value if end == len(text) else _DECODER.decode(text)  # the latter allows and refuses what may follow


def _count_depth(text: str) -> int:
    depth = deepest = 0
    for bracket in _BRACKET.findall(_TEXT.sub("", text)):
        depth += 1 if bracket in "[{" else -1
        deepest = max(deepest, depth)
    return deepest


def _refuse_constant(name: str) -> Any:
    raise ValueError(f"{name} is not a number")


_DECODER = json.JSONDecoder(parse_constant=_refuse_constant)
_TEXT = re.compile(r'"[^"\\]*(?:\\.[^"\\]*)*"', re.DOTALL)
_BRACKET = re.compile(r"[\[\]{}]")


def to_json(value: object) -> str:
    """Compact JSON in ASCII, so that any text survives; numpy scalars become plain numbers.

    Raises ValueError for NaN, TypeError for what JSON cannot hold.
    """
    return json.dumps(value, allow_nan=False, separators=(",", ":"), default=_plain)


def _plain(value: object) -> object:
    if isinstance(value, np.generic):
        return value.item()
    if isinstance(value, Mapping):
        return dict(value)
    raise TypeError(f"{type(value).__name__} is not JSON")


class DamagedHeaderError(RecordingError):
    """The file's marks are none that a recording of ours can have; whether it is one, its rows may still tell."""


def check_version(connection: Executes, path: Path) -> None:
    """Raise RecordingError unless this is a recording that this program can read."""
    application_id = connection.execute("PRAGMA application_id").fetchone()[0]
    version = connection.execute("PRAGMA user_version").fetchone()[0]
    if application_id != APPLICATION_ID or not 0 <= version <= FORMAT + MAX_NEWER:
        raise DamagedHeaderError(f"{path} is not a recording", "choose a file that this program recorded")
    if FORMAT < version <= FORMAT + MAX_NEWER:
        raise RecordingError(
            f"{path} has format {version}; this program reads up to {FORMAT}", "install a newer version of the program"
        )


def suggest_path(folder: str | os.PathLike[str], athlete: str, utc: str) -> Path:
    """A free name in ``folder``: code, date and time of ``utc`` (ISO 8601), so that names sort by athlete and time."""
    code = "".join(c for c in athlete if c.isalnum() or c in "_-") or "recording"
    stamp = "".join(c for c in utc[:19] if c.isdigit())
    stem = f"{code}-{stamp[:8]}-{stamp[8:]}" if stamp else code
    path = Path(folder) / (stem + SUFFIX)
    number = 2
    while path.exists():
        path = Path(folder) / f"{stem}-{number}{SUFFIX}"
        number += 1
    return path


def recordings_folder() -> Path:
    """Where recordings go when nothing else is said: BIOFEEDBACK_FOLDER, or a folder in the user's home."""
    return Path(os.environ.get("BIOFEEDBACK_FOLDER") or Path.home() / "biofeedback-recordings").expanduser()
