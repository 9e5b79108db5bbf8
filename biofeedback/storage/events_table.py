"""Tables of phases and ratings that a person wrote: onset, duration, text, and of which recording each row tells."""

from __future__ import annotations

import csv
import math
import re
from collections.abc import Sequence
from dataclasses import dataclass, fields
from pathlib import Path, PureWindowsPath

from biofeedback.account.words import PHASES, SCALE
from biofeedback.errors import RecordingError
from biofeedback.storage.annotations import OTHER_TEXTS, PHASE, RATING, Annotation, says_rating
from biofeedback.storage.table_clock import TIME_UNITS
from biofeedback.storage.table_file import decode_head, find_encoding, make_plain, read_head
from biofeedback.storage.table_text import COMMENTS, UNIT_IN_HEADER

COLUMNS = (("onset", "time", "start", "from"), ("duration",), ("text", "trial_type", "description"))
KEYED_BY = ("file", "filename", "recording", "athlete", "person", "participant", "subject", "code",
            "participant_id", "subject_id", "athlete_id", "person_id")  # fmt: skip
OWN = {field.name for field in fields(Annotation)}  # what our own export writes beside onset, duration and text
SEPARATORS = "\t;,|"
BARE_PHASE = re.compile(r"[a-z]+[\s\d.%\u2013-]*", re.IGNORECASE)  # "contract 50-60 %": hardly meant as a remark
PHASE_CURE = "write " + ", ".join(f"'phase {kind}'" for kind in PHASES) + ", or 'phase contract 60-80 %'"
RATING_CURE = "write 'rating 6.5', discomfort from 0 to 10"

Told = tuple[float, float | None, str]


@dataclass(frozen=True, slots=True)
class EventsTable:
    """``rows`` with whose they are, None where the table names nobody; ``key`` is the column that does."""

    path: Path
    rows: tuple[tuple[str | None, Told], ...]
    key: str | None
    remarks: tuple[str, ...]

    def select(self, about: Sequence[str], *, needed: bool = True) -> list[Told]:
        """The rows about any of these names of one recording: its file, with or without folder and ending, or athlete.

        Raises RecordingError where the table is about others only, unless that is not ``needed``.
        """
        if self.key is None:
            return [told for _, told in self.rows]
        wanted = {name for one in about if one for name in _names(one)}
        chosen = [told for who, told in self.rows if who is not None and wanted & _names(who)]
        if not chosen and needed and self.rows:
            named = ", ".join(about_whom(self)) or "nobody"
            raise RecordingError(
                f"{self.path} has no row about {about[0]}, its column {self.key} names {named}",
                f"write {' or '.join(about)} there, or leave that column out",
            )
        return chosen


def about_whom(table: EventsTable) -> list[str]:
    """Every file or person that the table names, once, in its order."""
    return list(dict.fromkeys(who for who, _ in table.rows if who))


def is_about(who: str, about: Sequence[str]) -> bool:
    """Whether a name of the table is one of those of a recording."""
    return bool(_names(who) & {name for one in about if one for name in _names(one)})


def read_events_table(path: Path) -> EventsTable:
    """Read it, in any of the usual encodings and separators, times in the unit that the column names, else seconds.

    Texts that begin as a phase or a rating and are none are refused; other texts become remarks, and that is told.
    """
    head = read_head(path)
    text = make_plain(decode_head(path.read_bytes(), find_encoding(head, path)))
    lines = [line for line in text.split("\n") if line.strip() and not line.lstrip().startswith(COMMENTS)]
    separator = max(SEPARATORS, key=lines[0].count) if lines else ","
    reader = csv.reader(lines, delimiter=separator, skipinitialspace=True)
    header = next(reader, [])
    names, units = zip(*(_name(cell) for cell in header), strict=True) if header else ((), ())
    onset, duration, what = (next((names.index(n) for n in wanted if n in names), None) for wanted in COLUMNS)
    if onset is None or what is None:
        listed = ", ".join(header) or "none"
        raise RecordingError(f"{path} has no column onset or no column text, it has {listed}", "name them so")
    key = next((names.index(name) for name in KEYED_BY if name in names), None)
    where = str(path)
    scales = [_scale(units[k], where) if k is not None else 1.0 for k in (onset, duration)]
    rows: list[tuple[str | None, Told]] = []
    n_nobody = 0
    for number, row in enumerate(reader, 2):
        cells = (*row, *([""] * (len(header) - len(row))))
        if not any(cell.strip() for cell in cells):
            continue
        here = f"{path}, line {number}"
        if what >= len(row):
            raise RecordingError(f"{here}: its text is missing", "give each row onset, duration and text")
        told = _read_row(cells, (onset, duration, what), scales, here=here, separator=separator)
        who = cells[key].strip() if key is not None else None
        n_nobody += who == ""
        rows.append((who, told))
    remarks = [_tell(path, [told[2] for _, told in rows]), _tell_unused(path, names, (onset, duration, what, key))]
    if n_nobody and key is not None:
        remarks.append(f"{path.name}: {n_nobody} rows name nobody in the column {header[key].strip()}: left out")
    return EventsTable(
        path, tuple(rows), header[key].strip() if key is not None else None, tuple(one for one in remarks if one)
    )


def _name(cell: str) -> tuple[str, str]:
    """``Onset (ms)`` as onset and ms."""
    match = UNIT_IN_HEADER.fullmatch(" ".join(cell.split()))
    name, unit = (match["name"], match["a"] or match["b"] or match["c"] or "") if match else (cell, "")
    return name.strip().casefold().replace(" ", "_"), unit.strip()


def _scale(unit: str, where: str) -> float:
    try:
        return TIME_UNITS[unit.lower()] if unit else 1.0
    except KeyError:
        raise RecordingError(f"{where}: times in {unit!r} are not understood", "give seconds") from None


def _read_row(
    cells: Sequence[str],
    columns: tuple[int, int | None, int],
    scales: Sequence[float],
    *,
    here: str,
    separator: str,
) -> Told:
    onset, duration, what = columns
    try:
        times = [
            _to_number(cells[k] if k is not None else "", separator) * scale
            for k, scale in zip((onset, duration), scales, strict=True)
        ]
    except ValueError as error:
        raise RecordingError(f"{here}: {error}", "onset and duration are seconds") from error
    onset_s, length_s = times[0], None if math.isnan(times[1]) else times[1]
    if not (0 <= onset_s < math.inf and 0 <= (length_s or 0) < math.inf):
        raise RecordingError(f"{here}: {cells[onset]} is not a time in the recording", "onset and duration are seconds")
    text = cells[what].strip()
    _refuse_doubtful(text, here)
    return onset_s, length_s, text


def _to_number(cell: str, separator: str) -> float:
    cell = cell.strip()
    if cell.lower() in ("", "n/a", "nan", "na"):
        return math.nan
    return float(cell.replace(",", ".") if separator != "," or "." not in cell else cell)


def _refuse_doubtful(text: str, here: str) -> None:
    """What a person would take for a phase or a rating, and this program would not."""
    word = (re.match(r"[a-z]*", text.casefold()) or [""])[0]
    if word == "phase" or (word in PHASES and BARE_PHASE.fullmatch(text)):
        match = PHASE.fullmatch(text)
        low, high = (float(match[edge] or 0) for edge in ("low", "high")) if match else (0.0, 0.0)
        is_known = match is not None and match["kind"].casefold() in (*PHASES, "end")
        if not is_known or (match and match["low"] and not low < high):
            raise RecordingError(f"{here}: {text[:60]!r} is no phase that is known", PHASE_CURE)
    elif word in ("rating", "discomfort"):
        match = RATING.fullmatch(text)
        if match is None or not says_rating(match):
            raise RecordingError(
                f"{here}: {text[:60]!r} is no rating from {SCALE.low:g} to {SCALE.high:g}", RATING_CURE
            )


def _tell(path: Path, texts: Sequence[str]) -> str:
    """Texts that are neither phases nor ratings are kept as remarks: nobody is to think otherwise."""
    known = (PHASE.fullmatch, RATING.fullmatch, lambda text: text.startswith(OTHER_TEXTS))
    other = [text for text in texts if not any(is_known(text) for is_known in known)]
    if not other:
        return ""
    n = "a text is" if len(other) == 1 else f"{len(other)} texts are"
    return f"{path.name}: {n} neither phase nor rating, kept as remarks: {other[0][:40]!r}"


def _tell_unused(path: Path, names: Sequence[str], used: Sequence[int | None]) -> str:
    unused = [name for k, name in enumerate(names) if k not in used and name and name not in OWN]
    return f"{path.name}: not used of it: {', '.join(unused)}" if unused else ""


def _names(text: str) -> set[str]:
    """A file with and without its folder and ending, a person with and without ``sub-``."""
    name = PureWindowsPath(text.strip()).name.casefold()  # knows both kinds of slashes
    stem, dot, ending = name.rpartition(".")
    return {name, name.removeprefix("sub-"), *([stem] if dot and ending.isalnum() and len(ending) <= 5 else [])}
