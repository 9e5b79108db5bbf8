"""What a table made elsewhere looks like: its encoding, what stands before it, its separator, its header."""

from __future__ import annotations

import csv
import re
from collections import Counter
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path

from biofeedback.errors import RecordingError
from biofeedback.storage.table_file import decode_head, find_encoding, make_plain, read_bytes, read_head, read_wide

N_SAMPLE_LINES = 400
N_SURE_LINES = 3  # so many rows of numbers in a row, and a table has begun
COMMENTS = ("#", "%", "//")
SEPARATORS = ("\t", ";", ",", "|", "")  # "": any run of blanks
NUMBER = re.compile(r"[-+]?(?:\d+(?:[.,]\d*)?|\d{1,3}(?:[.,'’\xa0\u202f ]\d{3})+(?:[.,]\d*)?|[.,]\d+)(?:[eE][-+]?\d+)?")
CLOCK = re.compile(
    r"(?:(?P<date>\d{1,4}[-./ ](?:\d{1,2}|[A-Za-z]{3})[-./ ]\d{1,4})[T ,]+|(?P<days>\d+) days?,? )?"
    r"(?P<hour>\d{1,2}):(?P<minute>\d{2})"
    r"(?::(?P<second>\d{2})(?:[.,:](?P<fraction>\d{1,9}))?|\.(?P<short>\d{1,9}))?"
    r"\s*(?P<half>[AaPp][Mm])?\s*(?P<zone>[-+]\d{2}:?\d{2}|[A-Z]{1,5})?"
)
MISSING = frozenset(("", "nan", "n/a", "na", "#n/a", "null", "none", "-", "--", "missing", "nan(ind)", "."))
UNIT_IN_HEADER = re.compile(
    r"(?P<name>.*?)\s*(?:\[(?P<a>[^\]]*)\]|\((?P<b>[^)]*)\)|_(?P<c>s|ms|us|ns|N|kN|kgf|lbf|uV|mV|V|deg|Nm))?"
)
UNIT = re.compile(r"[\[(]?(?:[a-zA-Zµμ°%·/]{1,5}|[a-z]+seconds?)?[\])]?")
SAID_RATE = re.compile(
    r"(?:sampl\w*|scan|data|acquisition|abtast)?[ _-]*(?:rate|frequency|freq)\b[^\d\n]{0,20}(\d[\d.,]*)\s*(k?)Hz"
    r"|sampl\w*[ _-]*(?:rate|frequency|freq)\b[^\d\n]{0,20}(\d[\d.,]*)(?![\d.,]*\s*[a-zA-Z])",
    re.IGNORECASE,
)
USUAL_HZ = (5.0, 5000.0)  # of sensors on people; what lies outside is believed only when it is said


@dataclass(frozen=True, slots=True)
class Layout:
    """Where the table is in its file and what its columns are called.

    ``names`` and ``units`` are of the columns; ``separator`` "" stands for any run of blanks. ``first`` is the line
    (from 0) of the first row. ``sample`` holds the cells of the first rows. ``said_rate_hz``: a rate written before the
    table.
    """

    encoding: str
    separator: str
    names: tuple[str, ...]
    units: tuple[str, ...]
    first: int
    sample: tuple[tuple[str, ...], ...]
    remarks: tuple[str, ...]
    said_rate_hz: float | None
    has_header: bool


def read_layout(path: Path) -> Layout:
    """Find the table in the file. RecordingError, with the cure, where there is none."""
    head = read_head(path)
    encoding = find_encoding(head, path)
    lines = make_plain(decode_head(head, encoding)).split("\n")[:N_SAMPLE_LINES]
    kept = [(k, line) for k, line in enumerate(lines) if line.strip() and not line.lstrip().startswith(COMMENTS)]
    if len(kept) < 2:
        raise RecordingError(f"{path} has no table", "it needs a header and one row per frame")
    separator, n_columns = _find_separator([line for _, line in kept])
    rows = [split_line(line, separator) for _, line in kept]
    start = _find_start(rows, n_columns)
    if start is None:
        raise RecordingError(f"{path} has no numbers", "it needs a header and one row of numbers per frame")
    first = kept[start][0]
    comments = [line.lstrip(" #%/") for line in lines[:first] if line.lstrip().startswith(COMMENTS)]
    before = [line for _, line in kept[:start]]
    header, units, n_used = _find_header(before, rows[:start], n_columns, separator, rows[start:])
    if header is None and start and separator != "," and _are_row_numbers(rows[start - 1], rows[start:]):
        header, n_used = ["row number", *rows[start - 1]], 1
    if header is None and start and 1 < len(rows[start - 1]) < n_columns:
        n_named = len(rows[start - 1])
        raise RecordingError(
            f"{path}: rows do not fit, they have {n_columns} cells and the header {n_named}: {rows[start]}",
            "if commas are thousands or decimal signs write it again with ';' between the columns, else name them all",
        )
    remarks = []
    if header is None and comments and len(found := split_line(comments[-1], separator)) == n_columns:
        header = found if not any(is_number(cell) for cell in found) else None
    has_header = header is not None
    if header is None:
        header = [f"column {k + 1}" for k in range(n_columns)]
        remarks.append(f"no header: its columns are called {', '.join(header)}; the first row is {rows[start]}")
    if start - n_used > 0:
        n_skipped = start - n_used
        what = "a line before the table is" if n_skipped == 1 else f"{n_skipped} lines before the table are"
        remarks.append(f"{what} skipped{'' if n_skipped == 1 else ', the first'}: {kept[0][1].strip()[:60]!r}")
    names, own_units, renamed = _name_columns(header, units)
    return Layout(
        encoding=encoding,
        separator=separator,
        names=names,
        units=own_units,
        first=first,
        sample=tuple(tuple(row) for row in rows[start : start + N_SAMPLE_LINES]),
        remarks=(*remarks, *renamed),
        said_rate_hz=_read_said_rate("\n".join(lines[:first])),
        has_header=has_header,
    )


def read_blocks(path: Path, layout: Layout) -> Iterator[str]:
    """The rows as text, some megabytes at a time, cut at line ends; blank and comment lines are left out."""
    n_skip = layout.first
    for block in read_wide(path, layout.encoding) if layout.encoding.startswith("utf-16") else read_bytes(path):
        text = block if isinstance(block, str) else make_plain(block.decode(layout.encoding, "replace"))
        while n_skip and text:
            text, n_skip = text.partition("\n")[2], n_skip - 1
        if text := _clean(text):
            yield text


def _clean(block: str) -> str:
    if "\n\n" in block or any(mark in block for mark in COMMENTS) or block[:1] == "\n" or "\n " in block:
        lines = block.split("\n")
        block = "\n".join(line for line in lines if line.strip() and not line.lstrip().startswith(COMMENTS))
    return block if not block or block.endswith("\n") else block + "\n"


def split_line(line: str, separator: str) -> list[str]:
    """The cells of one line."""
    if not separator:
        cells = line.split()
        return next(csv.reader([" ".join(cells)], delimiter=" ")) if '"' in line else cells
    if '"' in line:
        return [cell.strip() for cell in next(csv.reader([line], delimiter=separator, skipinitialspace=True))]
    return [cell.strip() for cell in line.split(separator)]


def is_number(cell: str) -> bool:
    """Whether it could be one, whatever its signs mean."""
    return NUMBER.fullmatch(cell) is not None


def is_clock(cell: str) -> bool:
    """A time of day, with or without its date."""
    return CLOCK.fullmatch(cell) is not None


def is_missing(cell: str) -> bool:
    """Empty, or a word for it."""
    return cell.strip().lower() in MISSING


def _find_separator(lines: Sequence[str]) -> tuple[str, int]:
    """The one that makes most cells numbers, and the usual number of cells."""
    tail = lines[len(lines) // 2 :] if len(lines) > 2 * N_SURE_LINES else lines[-N_SURE_LINES:]
    best: tuple[float, int, str] = (-1.0, 1, "")
    for separator in SEPARATORS:
        rows = [split_line(line, separator) for line in tail]
        n_columns, n_alike = Counter(len(row) for row in rows).most_common(1)[0]
        cells = [cell for row in rows if len(row) == n_columns for cell in row]
        n_good = sum(is_number(cell) or is_clock(cell) or is_missing(cell) for cell in cells)
        n_numbers = sum(is_number(cell) or is_clock(cell) for cell in cells)
        score = n_good / len(cells) * n_alike / len(rows) if cells and n_numbers else 0.0
        if score > best[0] + 1e-9 or (score > best[0] - 1e-9 and n_columns > best[1]):
            best = score, n_columns, separator
    return best[2], best[1]


def _find_start(rows: Sequence[Sequence[str]], n_columns: int) -> int | None:
    """The first row of numbers that others follow."""
    good = [len(row) in (n_columns, n_columns - 1, n_columns + 1) and _is_data(row) for row in rows]
    fitting = [is_good and len(row) == n_columns for is_good, row in zip(good, rows, strict=True)]
    for k in range(len(rows)):
        if fitting[k] and all(good[k : k + N_SURE_LINES]):
            return k
    return None


def _is_data(row: Sequence[str]) -> bool:
    n_numbers = sum(is_number(cell) or is_clock(cell) for cell in row)
    n_texts = sum(not (is_number(cell) or is_clock(cell) or is_missing(cell)) for cell in row)
    return n_numbers > 0 and n_texts <= max(n_numbers, 1)


def _find_header(
    lines: Sequence[str],
    rows: Sequence[Sequence[str]],
    n_columns: int,
    separator: str,
    sample: Sequence[Sequence[str]],
) -> tuple[list[str] | None, list[str] | None, int]:
    """Names, a row of units if there is one below them, and how many lines both took."""

    def read(k: int) -> list[str] | None:
        row = list(rows[k])
        if not separator and len(row) != n_columns:  # blanks in names, or between a name and its unit
            row = re.sub(r"\s+([\[(])", r"\1", lines[k].strip()).split()
            row = row if len(row) == n_columns else re.split(r"\s{2,}", lines[k].strip())
        while len(row) > n_columns and not row[-1]:
            row.pop()
        if len(row) > 1 and n_columns - len(row) > 0 and not any(any(cells[len(row) :]) for cells in sample):
            row += [""] * (n_columns - len(row))  # rows end in separators
        return row if len(row) == n_columns else None

    last = read(len(rows) - 1) if rows else None
    if last is None:
        return None, None, 0
    above = read(len(rows) - 2) if len(rows) > 1 else None
    is_units = all(UNIT.fullmatch(cell) for cell in last) and not any(cell.lower() in ("t", "time") for cell in last)
    if above is not None and is_units and any(above) and not any(is_number(cell) for cell in above):
        return above, [cell.strip("[]()") for cell in last], 2
    return last, None, 1


def _are_row_numbers(header: Sequence[str], sample: Sequence[Sequence[str]]) -> bool:
    """Whether rows begin with 1, 2, 3, which the header does not name: as statistics programs write them."""
    counted = [str(k + 1) for k in range(len(sample))]
    return len(sample[0]) == len(header) + 1 and [row[0] if row else "" for row in sample] == counted


def _name_columns(
    header: Sequence[str], units: Sequence[str] | None
) -> tuple[tuple[str, ...], tuple[str, ...], list[str]]:
    """Names without their units, no two alike."""
    names: list[str] = []
    found_units: list[str] = []
    remarks = []
    for k, cell in enumerate(header):
        match = UNIT_IN_HEADER.fullmatch(" ".join(cell.split()))
        name = (match["name"] if match else cell.strip()) or f"column {k + 1}"
        unit = (match["a"] or match["b"] or match["c"] or "").strip() if match else ""
        if name in names:
            number = 2
            while f"{name} ({number})" in names:
                number += 1
            remarks.append(f"two columns are called {name}: the later one is {name} ({number})")
            name = f"{name} ({number})"
        names.append(name)
        found_units.append(unit or (units[k] if units else ""))
    return tuple(names), tuple(found_units), remarks


def _read_said_rate(text: str) -> float | None:
    """A rate in the lines before the table; None where there is none, or ``1,000`` could be two that sensors have."""
    match = SAID_RATE.search(text)
    if not match:
        return None
    written = (match[1] or match[3]).rstrip(".,")
    readings = {written.replace(",", ".")}
    if re.fullmatch(r"[1-9]\d{0,2}([.,])\d{3}(\1\d{3})*", written):
        readings.add(re.sub("[.,]", "", written))
    found = {float(reading) * (1000.0 if match[2] else 1.0) for reading in readings if reading.count(".") <= 1}
    likely = [rate_hz for rate_hz in found if USUAL_HZ[0] <= rate_hz < 10 * USUAL_HZ[1]]
    if len(likely) == 1 or len(found) == 1:
        return (likely or [*found])[0] or None
    return None
