"""Values of a plan file, each read with what is wrong with it told at its line."""

from __future__ import annotations

from biofeedback.model import Band
from biofeedback.toml_file import Place, TomlFile


def parse_band(file: TomlFile, place: Place, value: object) -> Band:
    """Two edges in % of maximum, low below high."""
    cure = "use two numbers, low below high, in % of maximum, e.g. band = [20, 30]"
    if not isinstance(value, list) or len(value) != 2:
        file.refuse(place, f"band = {value!r}", cure)
    low, high = (read_number(file, place, edge, 0, 200) for edge in value)
    if not low < high:
        file.refuse(place, f"band = {value!r}", cure)
    return Band(low, high)


def read_number(file: TomlFile, place: Place, value: object, low: float, high: float) -> float:
    """A number from low to high."""
    if isinstance(value, bool) or not isinstance(value, int | float) or not low <= value <= high:
        file.refuse(place, f"{place[-1]} = {value!r}", f"use a number from {low:g} to {high:g}")
    return float(value)


def read_text(file: TomlFile, place: Place, value: object) -> str:
    """A text of at most 300 characters."""
    if not isinstance(value, str) or len(value) > 300:
        file.refuse(place, f"{place[-1]} = {value!r}", "use a text of at most 300 characters in quotes")
    return value


def refuse_unknown(file: TomlFile, place: Place, entry: object, known: set[str]) -> None:
    """Tell a key that no plan has here."""
    if not isinstance(entry, dict):
        file.refuse(place, f"{place[-1] if place else 'the file'} is not a table", "write it as a table")
    for key in entry:
        if key not in known:
            file.refuse((*place, key), f"{key!r} is not known here", f"use {', '.join(sorted(known))}")
