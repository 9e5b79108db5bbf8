"""Rows found page by page are those that SQLite itself reads, whatever the page's size and wherever a row stands."""

from __future__ import annotations

import random
import sqlite3
from pathlib import Path
from typing import Any

import pytest

from biofeedback.errors import RecordingError
from biofeedback.storage import carve
from biofeedback.storage.carve import carve_rows, carve_torn_settings, count_cells
from biofeedback.storage.schema import COLUMNS, TABLES, checksum, insert_rows


def make_rows(n_page: int) -> list[tuple[str, tuple[Any, ...]]]:
    """Numbers of every size that SQLite stores apart, and contents around every border of a page."""
    dice = random.Random(1)
    whole = [0, 1, 2, 127, 128, 200, 2**15 - 1, 2**15, 2**23, 2**31, 2**40, 2**47, 2**62, -1, -129, -(2**33)]
    rows: list[tuple[str, tuple[Any, ...]]] = [("meta", ("format", "1")), ("meta_copy", ("format", "1"))]
    rows += [("meta", ("channels", "é" * 300)), ("meta_copy", ("channels", "é" * 300))]
    rows += [("gaps", (abs(one), one, "no data")) for one in whole]
    rows += [("notes", (k, "x" * k)) for k in (0, 1, 50, 57, 58, 5000)]
    rows += [("events", (one, "", "rating", '{"value": 3.5}')) for one in whole]
    sizes = [0, 1, n_page // 2, *range(n_page - 60, n_page - 30), n_page, *range(2 * n_page - 60, 2 * n_page + 10, 7)]
    first = 0
    for size in (*sizes, 3 * n_page, 7 * n_page):
        rows.append(("chunks", (first, size, "<i2", dice.randbytes(size))))
        first += 1 + 3 ** (len(rows) % 20)  # keys of one byte to several
    return rows


def write(path: Path, n_page: int, rows: list[tuple[str, tuple[Any, ...]]]) -> Path:
    with sqlite3.connect(path, isolation_level=None) as connection:
        connection.execute(f"PRAGMA page_size = {n_page}")
        connection.execute("PRAGMA journal_mode = DELETE")
        for statement in TABLES.split(";"):
            if statement.strip().startswith("CREATE TABLE"):
                connection.execute(statement)
        connection.execute("BEGIN")
        insert_rows(connection, rows)
        connection.execute("COMMIT")
    connection.close()
    return path


def read_by_sqlite(path: Path) -> set[tuple[str, tuple[Any, ...]]]:
    connection = sqlite3.connect(path)
    found = {
        ("meta" if table == "meta_copy" else table, tuple(row))
        for table, columns in COLUMNS.items()
        for row in connection.execute(f"SELECT {', '.join(columns)} FROM {table}")
    }
    connection.close()
    return found


@pytest.mark.parametrize("n_page", [512, 1024, 4096, 32768, 65536])
def test_every_row_is_found_as_sqlite_reads_it(tmp_path: Path, n_page: int) -> None:
    path = write(tmp_path / "a.hold", n_page, make_rows(n_page))
    found = [(table, values) for table, _, values in carve_rows(path)]
    assert set(found) == read_by_sqlite(path)
    assert set(found) == {("meta" if table == "meta_copy" else table, values) for table, values in make_rows(n_page)}
    assert len(found) <= len(make_rows(n_page))
    keys = [key for table, key, _ in carve_rows(path) if table == "gaps"]
    assert keys == list(range(1, len(keys) + 1))
    assert list(carve_torn_settings(path)) == []


@pytest.mark.parametrize("n_page", [512, 4096])
def test_cells_are_counted_from_the_heads_of_pages(tmp_path: Path, n_page: int) -> None:
    path = write(tmp_path / "a.hold", n_page, make_rows(n_page))
    connection = sqlite3.connect(path)
    tables = [name for (name,) in connection.execute("SELECT name FROM sqlite_schema WHERE type = 'table'")]
    n_rows = sum(connection.execute(f"SELECT count(*) FROM {name}").fetchone()[0] for name in tables)
    n_schema = connection.execute("SELECT count(*) FROM sqlite_schema").fetchone()[0]
    connection.close()
    head = path.read_bytes()
    is_leaf = head[100] == carve.TABLE_LEAF  # with small pages the list of tables has pages of its own
    assert count_cells(path) in (n_rows + n_schema, n_rows + n_schema - 1, n_rows)
    assert not is_leaf or count_cells(path) == n_rows + n_schema
    (tmp_path / "empty").write_bytes(b"")
    assert count_cells(tmp_path / "empty") == 0


def test_a_row_that_is_not_as_it_was_written_is_not_found_and_a_torn_setting_is_told_apart(tmp_path: Path) -> None:
    path = write(tmp_path / "a.hold", 4096, make_rows(4096))
    data = bytearray(path.read_bytes())
    at = data.index(b"no data")
    data[at] ^= 1
    while (torn := data.find("é".encode() * 300)) >= 0:
        data[torn] ^= 0x40
    path.write_bytes(data)
    found = {(table, values) for table, _, values in carve_rows(path)}
    missing = read_rows_of(4096) - found
    assert {table for table, _ in missing} == {"gaps", "meta"}
    assert len(missing) == 2
    torn_settings = list(carve_torn_settings(path))
    assert [(key, crc) for key, _, crc in torn_settings] == [("channels", checksum(("channels", "é" * 300)))] * 2
    value = torn_settings[0][1]
    assert value.encode("utf-8", "surrogateescape")[1:] == ("é" * 300).encode()[1:]


def read_rows_of(n_page: int) -> set[tuple[str, tuple[Any, ...]]]:
    return {("meta" if table == "meta_copy" else table, values) for table, values in make_rows(n_page)}


def test_what_stands_in_the_log_alone_is_found_newest_last(tmp_path: Path) -> None:
    path = write(tmp_path / "a.hold", 4096, make_rows(4096))
    connection = sqlite3.connect(path, isolation_level=None)
    connection.execute("PRAGMA journal_mode = WAL")
    connection.execute("PRAGMA wal_autocheckpoint = 0")
    insert_rows(connection, [("notes", (7, "only in the log"))])
    connection.execute("UPDATE notes SET text = 'changed', crc32 = ? WHERE frame = 7", (checksum((7, "changed")),))
    copy = tmp_path / "copy.hold"
    copy.write_bytes(path.read_bytes())
    (tmp_path / "copy.hold-wal").write_bytes((tmp_path / "a.hold-wal").read_bytes())
    connection.close()
    notes = [values for table, _, values in carve_rows(copy) if table == "notes"]
    assert (7, "only in the log") in notes
    assert notes[-1] == (7, "changed")


def test_pages_of_a_log_join_those_of_the_file_an_earlier_log_first(tmp_path: Path) -> None:
    """Header and frames of a log as the SQLite file format, section 4.1, draws them."""
    path = tmp_path / "a.hold"
    first, second = (letter * 512 for letter in (b"1", b"2"))
    path.write_bytes((b"SQLite format 3\0" + (512).to_bytes(2, "big")).ljust(512, b"1") + second + b"half a page")
    head = path.read_bytes()[:512]
    now, before = b"saltsnow", b"saltsold"

    def frame(page: int, salts: bytes, letter: bytes) -> bytes:  # page, size after commit, salts, checksums
        return page.to_bytes(4, "big") + b"\xff\0\0\x07" + salts + b"checksum" + letter * 512

    frames = [(2, now, b"a"), (2, before, b"b"), (70000, now, b"c"), (2, now, b"d"), (1, before, b"e")]
    log = (bytes(8) + (512).to_bytes(4, "big") + bytes(4) + now).ljust(32, b"-")
    whole = log + b"".join(frame(*one) for one in frames)
    log_path = tmp_path / "a.hold-wal"
    log_path.write_bytes(whole)
    expected = {1: [head, b"e" * 512], 2: [second, b"b" * 512, b"a" * 512, b"d" * 512], 70000: [b"c" * 512]}
    assert carve._read_pages(path) == expected
    log_path.write_bytes(whole + frame(1, now, b"f")[:-1])  # the last frame lacks a byte
    assert carve._read_pages(path) == expected
    log_path.write_bytes(whole[:-1])
    assert carve._read_pages(path) == {**expected, 1: [head]}
    path.write_bytes(b"")  # the file is gone but for its name: its log says how large pages are
    log_path.write_bytes(whole)
    assert carve._read_pages(path) == {number: [one for one in pages if one not in (head, second)]
                                       for number, pages in expected.items()}  # fmt: skip
    log_path.unlink()
    path.write_bytes(head + first)
    assert carve._read_pages(path) == {1: [head], 2: [first]}
    log_path.mkdir()  # no log, and judged elsewhere
    assert carve._read_pages(path) == {1: [head], 2: [first]}


@pytest.mark.parametrize(
    ("content", "log", "n_bytes"),
    [
        (b"SQLite format 3\0" + (1024).to_bytes(2, "big"), b"", 1024),
        (b"SQLite format 3\0" + (1).to_bytes(2, "big"), b"", 65536),
        (b"SQLite format 3\0" + (512).to_bytes(2, "big"), b"", 512),
        (b"SQLite format 3\0" + (256).to_bytes(2, "big"), bytes(8) + (2048).to_bytes(4, "big"), 2048),
        (b"SQLite format 3\0" + (1000).to_bytes(2, "big"), bytes(8) + (65536).to_bytes(4, "big"), 65536),
        (b"nothing", bytes(8) + (512).to_bytes(4, "big"), 512),
        (b"nothing", bytes(8) + (3000).to_bytes(4, "big"), carve.USUAL_PAGE_BYTES),
        (b"", b"", carve.USUAL_PAGE_BYTES),
    ],
)
def test_the_size_of_pages_is_what_the_file_says_or_its_log_or_what_is_usual(
    content: bytes, log: bytes, n_bytes: int
) -> None:
    assert carve._find_page_bytes(content, log) == n_bytes


@pytest.mark.parametrize(
    ("data", "value", "end"),
    [
        (b"\x00", 0, 1),
        (b"\x7f", 127, 1),
        (b"\x81\x00", 128, 2),
        (b"\x82\x2c", 300, 2),
        (b"\xff\xff\x7f", 2**21 - 1, 3),
        (b"\x80\x80\x80\x80\x80\x80\x80\x01", 1, 8),
        (b"\xff" * 9, 2**64 - 1, 9),
        (b"\x80" * 8 + b"\x05", 5, 9),
        (b"\x81" + b"\x80" * 7 + b"\x05", 2**57 + 5, 9),
    ],
)
def test_numbers_of_one_to_nine_bytes(data: bytes, value: int, end: int) -> None:
    """Seven bits in each of the first eight bytes, eight in the ninth: SQLite file format, section 1.6."""
    assert carve._varint(data, 0) == (value, end)
    assert carve._varint(b"\x05" + data + b"\x01", 1) == (value, end + 1)


def test_nothing_is_held_that_cannot_be(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    path = write(tmp_path / "a.hold", 4096, make_rows(4096))
    size = path.stat().st_size
    for limit, is_read in ((size, True), (size - 1, False)):
        monkeypatch.setattr(carve, "MAX_CARVED_BYTES", limit)
        if is_read:
            assert list(carve_rows(path))
            assert count_cells(path) > 0
            continue
        for read in (lambda: list(carve_rows(path)), lambda: count_cells(path)):
            with pytest.raises(RecordingError, match="is too large to be read page by page; move it, or restore it"):
                read()
