"""The start page's table of columns: what each number of a board's line is, as channels, columns and a layout. Pure."""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from biofeedback.acquisition.decoder import NOT_CHANNELS
from biofeedback.acquisition.first_lines import DECIMALS, is_plain
from biofeedback.acquisition.layout import Layout
from biofeedback.acquisition.layout_decoder import find_names
from biofeedback.acquisition.source import read_channel
from biofeedback.calibration.units import NEWTON_PER_UNIT
from biofeedback.errors import SourceError
from biofeedback.wiring.form_fields import FormError, Mistakes, read_text

PORT_KINDS = ("force", "emg", "position")
MOST_COLUMNS = 16
MOST_TEMPLATES, LONGEST_TEMPLATE = 16, 1000
DECIMAL_WORDS = {decimal: word for word, decimal in DECIMALS.items()}
RAILS = re.compile(r"([-−]?\d+)\s*(?:\.\.|to|–|…|;)\s*([-−]?\d+)")


@dataclass(frozen=True, slots=True)
class Lines:
    """How a board's lines are laid out, as they were read; ``named``: with the names that the table of columns gives.

    ``is_plain``: numbers and nothing else between them, which ``columns=`` says in fewer words.
    """

    named: Layout
    is_plain: bool


def read_lines(form: Mapping[str, Any]) -> Lines | None:
    """The layout that the form keeps, None where no lines have been read. FormError where it does not fit the table."""
    given, rows = form.get("lines"), _find_rows(form)
    if not isinstance(given, dict) or not isinstance(given.get("templates"), list):
        return None
    templates = [text for text in given["templates"] if isinstance(text, str) and len(text) <= LONGEST_TEMPLATE]
    decimal = DECIMALS.get(str(given.get("decimal")))
    if not templates or decimal is None or len(templates) > MOST_TEMPLATES:
        return None
    layout = Layout(tuple(templates), decimal)
    n_numbers = len(find_names(layout))
    if n_numbers != len(rows):
        what = f"its lines hold {n_numbers} numbers, {len(rows)} columns are described"
        raise FormError({"columns": SourceError(what, "press Read its lines again; call a column not used")})
    columns: list[str] = []
    for row in rows:
        kind = read_text(row, "kind")
        columns.append(_name_channel(row, columns) if kind in PORT_KINDS else kind if kind in NOT_CHANNELS else "-")
    return Lines(layout.rename(columns), is_plain(layout) and decimal == ".")


def write_columns(form: Mapping[str, Any], mistakes: Mistakes) -> tuple[list[str], list[str]]:
    """The channels of ``channels=`` and the names of ``columns=``, from one row of the form for each column."""
    rows = _find_rows(form)
    channels: list[str] = []
    columns: list[str] = []
    with mistakes.at("columns"):
        if len(rows) > MOST_COLUMNS:
            raise SourceError(f"{len(rows)} columns", f"describe at most {MOST_COLUMNS}")
        if not any(read_text(row, "kind") in PORT_KINDS for row in rows):
            raise SourceError("no column is measured", "say which column is force, muscle activity or position")
    for number, row in enumerate(rows[:MOST_COLUMNS]):
        kind = read_text(row, "kind")
        with mistakes.at(f"column-{number}"):
            if kind not in PORT_KINDS and kind not in NOT_CHANNELS:
                raise SourceError(f"column {number + 1} does not say what it is", "choose it")
            columns.append(kind if kind in NOT_CHANNELS else _name_channel(row, columns))
            if kind not in NOT_CHANNELS:
                channels.append(_write_channel(columns[-1], row))
    return channels, columns


def _find_rows(form: Mapping[str, Any]) -> list[dict[str, Any]]:
    given = form.get("columns")
    return [row for row in given if isinstance(row, dict)] if isinstance(given, list) else []


def _name_channel(row: Mapping[str, Any], columns: list[str]) -> str:
    """By kind and side; a second one of the same name is numbered."""
    side = read_text(row, "side")
    name = read_text(row, "kind") + (f"_{side}" if side in ("left", "right") else "")
    numbered = [name, *(f"{name}_{number}" for number in range(2, MOST_COLUMNS + 1))]
    return next(each for each in numbered if each not in columns)


def _write_channel(name: str, row: Mapping[str, Any]) -> str:
    unit, factor = read_text(row, "unit"), read_text(row, "factor").replace(",", ".")
    if not unit and name.startswith("force"):
        cure = "choose newtons or kilograms if the board prints them, else count: the board's own numbers, to be scaled"
        raise SourceError("its unit is not said", cure)
    if "," in unit:
        raise SourceError(f"unit {unit!r}", "write it without a comma, for example N")
    if name.startswith("force") and unit != "N" and unit in NEWTON_PER_UNIT:
        unit, factor = "N", _multiply(factor or "1", NEWTON_PER_UNIT[unit])
    text = name + (f":{unit}" if unit and unit != "count" else "") + (f"*{factor}" if factor else "")
    text += "@envelope" if row.get("envelope") is True and name.startswith("emg") else ""
    if rails := read_text(row, "rails"):
        text += f"@{_read_rails(rails)}"
    read_channel(text)
    return text


def _multiply(factor: str, newton: float) -> str:
    """What is no number stays, and is refused with its own words."""
    try:
        return f"{float(factor) * newton:.12g}"
    except ValueError:
        return factor


def _read_rails(text: str) -> str:
    match = RAILS.fullmatch(text)
    if match is None:
        raise SourceError(f"its numbers run from {text[:40]!r}", "write the first and the last, for example 0 to 4095")
    return "..".join(match.groups()).replace("−", "-")
