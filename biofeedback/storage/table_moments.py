"""Times of day and dates in the cells of a table, to seconds."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass, field
from datetime import UTC, datetime

import numpy as np

from biofeedback.errors import RecordingError
from biofeedback.model import FloatArray
from biofeedback.storage.table_text import CLOCK, is_missing

RATE_CURE = "use --rate HZ if the rows are evenly spaced: then the times are not used"
UTC_NAMES = ("Z", "UTC", "GMT")


@dataclass(slots=True)
class Times:
    """Seconds of each row from the first, NaN for rows that are left out; when the first was, and what was assumed."""

    time_s: FloatArray
    unit: str
    started_utc: str = ""
    told: list[str] = field(default_factory=list)


def read_clock_texts(cells: Sequence[str], where: str) -> Times:
    """Times of day, with or without dates, to seconds; a day more where midnight was passed."""
    seconds = np.full(len(cells), np.nan)
    days: dict[str, int] = {}
    names: set[str] = set()  # of time zones
    first = None
    told = []
    for k, cell in enumerate(cells):
        match = None if is_missing(cell) else CLOCK.fullmatch(cell.strip())
        if match is None:
            continue
        first = first or match
        day = 0
        if match["date"]:
            if match["date"] not in days:
                days[match["date"]] = _count_day(match["date"], days)
            day = days[match["date"]]
        elif match["days"]:
            day = int(match["days"])
        hour, minute, second = int(match["hour"]), int(match["minute"]), int(match["second"] or 0)
        if match["second"] is None and first["second"] is None:  # MM:SS or MM:SS.fff
            hour, minute, second = 0, hour, minute
        if match["half"]:
            hour = hour % 12 + 12 * (match["half"].lower() == "pm")
        fraction = match["fraction"] or match["short"] or ""
        fraction_s = float(f"0.{fraction}") if fraction else 0.0
        zone = match["zone"] or ""
        names.add(zone if zone.isalpha() and zone not in UTC_NAMES else "")
        seconds[k] = day * 86400.0 + hour * 3600.0 + minute * 60.0 + second + fraction_s - _read_offset_s(zone)
    if first is None:
        raise RecordingError(f"{where} holds no times", RATE_CURE)
    if len(names) > 1:
        raise RecordingError(f"{where}: the time zone changes on the way ({', '.join(sorted(names))})", RATE_CURE)
    seconds -= 86400.0 * (seconds[np.isfinite(seconds)][0] // 86400.0)
    if first["second"] is None:
        told.append("times are read as minutes and seconds")
    if not (first["date"] or first["days"]):
        steps = np.diff(seconds, prepend=seconds[:1])
        seconds += 86400.0 * np.cumsum(np.nan_to_num(steps) < -43_200.0)
    return Times(seconds, "s", _read_moment(first), told)


def _read_offset_s(zone: str) -> float:
    """How far ahead of UTC ``+02:00`` is; 0 for a name, which is the same in every row."""
    if not zone or zone.isalpha():
        return 0.0
    return (60.0 * int(zone[1:3]) + int(zone[-2:])) * (-60.0 if zone[0] == "-" else 60.0)


def _count_day(date: str, days: dict[str, int]) -> int:
    """A number that grows by one per day; dates that are not ISO are counted as they come."""
    try:
        day = datetime.fromisoformat(date.replace("/", "-").replace(".", "-")).toordinal()
    except ValueError:
        return (max(days.values()) + 1) if days else 0
    return day


def _read_moment(match: re.Match[str]) -> str:
    zone = "+00:00" if match["zone"] in UTC_NAMES else match["zone"] or ""
    if not match["date"] or not zone or zone.isalpha():
        return ""
    zone = zone if ":" in zone else f"{zone[:3]}:{zone[3:]}"
    try:
        stamp = f"{match['date']}T{int(match['hour']):02}:{match['minute']}:{match['second'] or '00'}{zone}"
        return datetime.fromisoformat(stamp).astimezone(UTC).isoformat()
    except ValueError:
        return ""
