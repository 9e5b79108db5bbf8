"""What a board prints, shown to whoever brought it: the start page's "Read its lines", and the profile kept from it."""

from __future__ import annotations

import re
from collections.abc import Mapping
from typing import Any

from biofeedback.acquisition.described_source import DescribedSource
from biofeedback.acquisition.first_lines import DECIMALS
from biofeedback.acquisition.layout import Column, Understanding
from biofeedback.acquisition.pattern import write_profile
from biofeedback.acquisition.profiles import list_profiles, parse_profile, user_folder
from biofeedback.acquisition.source import OpenRecording
from biofeedback.acquisition.sources import open_source
from biofeedback.acquisition.understand import understand
from biofeedback.errors import PlanError, SourceError
from biofeedback.wiring.form_fields import FormError, read_text
from biofeedback.wiring.start_columns import DECIMAL_WORDS, read_lines
from biofeedback.wiring.start_form import write_source, write_wire
from biofeedback.wiring.user_files import save_text

HEAR_S = 6.0  # boards that reset when their port is opened need up to 2 s
ENOUGH_LINES, ENOUGH_BYTES = 60, 1 << 16
N_RAW, N_TEXTS, SHOWN = 8, 3, 300
SPELLED = {"lbs": "lb", "kgs": "kg", "kgf": "kg", "lbf": "lb"}  # as the form has them
NAME = re.compile(r"[a-z][a-z0-9-]{1,39}")


def hear_board(form: Mapping[str, Any], open_recording: OpenRecording) -> dict[str, Any]:
    """Listen to the form's board for a few seconds; what was understood, and the lines as they came.

    FormError or SourceError where there is nothing to listen to.
    """
    source = open_source(write_wire(form), open_recording=open_recording)
    if not isinstance(source, DescribedSource):
        raise SourceError("this sensor prints no lines", "choose a port, or a board on the WiFi")
    received = source.listen(HEAR_S, is_enough=_is_enough)
    if not received:
        raise SourceError(f"nothing came from {source.target} within {HEAR_S:g} s", source.explain_nothing())
    return describe_understanding(understand(received, decimal=DECIMALS.get(read_text(form, "decimal"))), received)


def _is_enough(received: bytes) -> bool:
    return received.count(b"\n") + received.count(b"\r") > ENOUGH_LINES or len(received) > ENOUGH_BYTES


def describe_understanding(found: Understanding, received: bytes) -> dict[str, Any]:
    """For a page: the last line of each kind in pieces, the columns in words, and what has to be asked."""
    lines = [list(_mark(line, k, found.columns)) for k, line in enumerate(found.examples)]
    return {
        "lines": lines,
        "columns": [_describe_column(column, is_alone=len(found.columns) == 1) for column in found.columns],
        "layout": {"templates": list(found.layout.templates), "decimal": DECIMAL_WORDS[found.layout.decimal]}
        if found.layout
        else None,
        "readings": [
            {"decimal": DECIMAL_WORDS[one.decimal], "words": one.words, "values": [f"{v:.10g}" for v in one.values]}
            for one in found.readings
        ],
        "texts": [text[:SHOWN] for text in found.texts[-N_TEXTS:]],
        "prompt": found.prompt,
        "waits": not found.n_lines and not found.readings and bool(found.prompt or found.texts),
        "problem": found.problem,
        "n_lines": found.n_lines,
        "n_odd": found.n_odd,
        "raw": _show_raw(received),
    }


def _mark(line: str, which: int, columns: tuple[Column, ...]) -> Any:
    """Pieces of a line, each with the number of its column (from 1) or 0."""
    at = 0
    for number, column in enumerate(columns, 1):
        if column.line != which:
            continue
        if column.start > at:
            yield {"text": line[at : column.start], "column": 0}
        yield {"text": line[column.start : column.end], "column": number}
        at = column.end
    if line[at:]:
        yield {"text": line[at : at + SHOWN], "column": 0}


def _describe_column(column: Column, *, is_alone: bool) -> dict[str, Any]:
    """``kind`` as the form's table of columns has it, "" where the words do not say."""
    label = f"{column.label} {column.unit}".lower()
    kind: str = column.kind or ""
    if column.role == "counter" and not column.kind and not column.unit and not is_alone:
        kind = "seq"
    elif column.role == "time":
        kind = "t_us" if re.search(r"micro|[uµμ]s", label) else "t_ms" if re.search(r"milli|ms", label) else "-"
    value = f"{column.value:.10g}"
    return {
        "kind": kind,
        "label": column.label,
        "unit": SPELLED.get(column.unit, column.unit),
        "value": value,
        "role": column.role,
    }


def _show_raw(received: bytes) -> list[str]:
    """The last lines as they came; what is no text as its bytes."""
    parts = [part for part in received.replace(b"\r", b"\n").split(b"\n") if part.strip()][-N_RAW:]
    shown = []
    for part in parts:
        text = part.decode("utf-8", "replace")
        odd = sum(not char.isprintable() or char == "\ufffd" for char in text)
        shown.append(text[:SHOWN] if odd * 10 <= len(text) else f"bytes {part[:24].hex(' ')}")
    return shown


def keep_profile(form: Mapping[str, Any], open_recording: OpenRecording) -> dict[str, str]:
    """Write what was understood, and put right by hand, as a profile of the person's own; its name and file."""
    name = read_text(form, "keep").lower()
    if not NAME.fullmatch(name):
        raise _at_name(f"{name or 'nothing'} is no name", "letters, digits and -, for example my-board")
    if name in list_profiles():
        raise _at_name(f"there is a profile {name} already", "choose another name")
    lines = read_lines(form)
    if lines is None:
        raise _at_name("its lines have not been read", "press Read its lines, then keep what was understood")
    source = open_source(write_source({**form, "profile": ""}, open_recording), open_recording=open_recording)
    assert isinstance(source, DescribedSource)  # nothing else has lines to read
    text = write_profile(
        name,
        lines.named,
        source.channels,
        rate_hz=source.rate_hz or None,
        baud=source.profile.baud,
        key=read_text(form, "key"),
        transport=source.profile.transport,
    )
    parse_profile(text, f"{name}.toml")  # what could not be read again is not kept
    path = user_folder() / f"{name}.toml"
    path.parent.mkdir(parents=True, exist_ok=True)
    save_text(path, text)
    return {"profile": name, "file": str(path)}


def _at_name(what: str, cure: str) -> FormError:
    return FormError({"keep": PlanError(what, cure)})
