"""Dates on the command line."""

from __future__ import annotations

import re

from biofeedback.errors import RecordingError

_DATE = re.compile(r"\d{4}(-(0[1-9]|1[0-2])(-(0[1-9]|[12]\d|3[01])(T[\d:.+Z-]+)?)?)?")


def read_date(text: str, option: str) -> str:
    """``text`` if it is empty or begins an ISO 8601 date; any other word would quietly fit nothing, or everything."""
    if text and not _DATE.fullmatch(text):
        raise RecordingError(f"{option} {text} is not a date", f"write {option} 2026-01-31, or 2026-01 for the month")
    return text
