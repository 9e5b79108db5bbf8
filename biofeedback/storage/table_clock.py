"""The times of a table, judged: their unit by step and span, jumps, packets, doubled rows, and how clean they are."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import UTC, datetime

import numpy as np
from numpy.typing import NDArray

from biofeedback.errors import RecordingError
from biofeedback.model import FloatArray
from biofeedback.storage.table_moments import RATE_CURE, Times
from biofeedback.storage.table_text import USUAL_HZ

TIME_UNITS = {
    "s": 1.0, "sec": 1.0, "secs": 1.0, "second": 1.0, "seconds": 1.0, "ms": 1e-3, "msec": 1e-3, "millis": 1e-3,
    "milliseconds": 1e-3, "us": 1e-6, "µs": 1e-6, "μs": 1e-6, "usec": 1e-6, "micros": 1e-6, "microseconds": 1e-6,
    "ns": 1e-9, "min": 60.0, "minutes": 60.0, "h": 3600.0, "hours": 3600.0, "days": 86400.0,
}  # fmt: skip
ALIKE, COARSE = ("s", "ms", "us", "ns"), ("min", "h", "days")
UNIT_CURE = "use --time-unit s, ms, us, min or days, or --rate HZ and the times are not used"
POSSIBLE_HZ = (0.2, 50_000.0)
EPOCH_S = (946_684_800.0, 4_102_444_800.0)  # 2000 to 2100, seconds since 1970
EXCEL_DAYS = (36_526.0, 73_051.0)  # the same years, in days since 1900
BACKWARDS_CURE = "sort its rows by time, the earliest first"
SMALLEST_GAP_STEPS = 1.75  # a lost row doubles the step between two times; jitter stays below this
MOST_WRONG = 0.01  # of the rows: beyond this, rate x span and rows do not belong together
MOST_GAPS = 0.02  # of the steps: more are no lost rows, but rows that came in packets
PACKET_REACH_S = 0.5  # rows that came in packets stand no further than this from the even line through all
WRAPS = (2.0**16, 2.0**24, 2.0**31, 2.0**32)
MOST_LOST = 5_000_000, 10  # frames in gaps, and how many for each row: more is a mistaken time, and all of the memory
FEWEST_CHANGES = 3  # of a coarse time
COARSE_FROM = 0.4  # of a usual step: times written no finer than that are rounded
MOST_ROUNDED = 0.5  # of the rows that share a time; beyond, the time is only coarse
UNEVEN = 0.05  # of a period, standard deviation of the steps: told from here on


@dataclass(frozen=True, slots=True)
class Placing:
    """``rate_hz`` and the frame of each row, -1 for rows that are left out; ``first_s`` is the time of frame 0."""

    rate_hz: float
    frames: NDArray[np.int64]
    told: tuple[str, ...]
    first_s: float = 0.0


def read_time_numbers(raw: FloatArray, unit: str, said_unit: str | None, where: str) -> Times:
    """Numbers to seconds: in the unit that is said, in that of the header, else in the only one that makes sense.

    Raises RecordingError where the unit is not known, makes no sense, or two would.
    """
    known = raw[np.isfinite(raw)]
    if len(known) < 2:
        raise RecordingError(f"{where} holds no times", RATE_CURE)
    told: list[str] = []
    raw = unwrap(raw, told)
    steps = np.diff(raw[np.isfinite(raw)])
    steps = steps[steps > 0]
    if not len(steps):
        is_backwards = known[-1] < known[0]
        raise RecordingError(
            f"{where}: its times {'run backwards' if is_backwards else 'do not advance'}",
            BACKWARDS_CURE if is_backwards else RATE_CURE,
        )
    step = _usual_step(raw)
    if said_unit is not None:
        name = said_unit
    elif unit:
        name = unit.strip().lower()
        if name not in TIME_UNITS:
            raise RecordingError(f"{where}: time in {unit!r} is not understood", UNIT_CURE)
        rate_hz = _find_rate(step, name)
        if not POSSIBLE_HZ[0] <= rate_hz <= POSSIBLE_HZ[1]:
            raise RecordingError(f"{where}: in {unit} they would be {rate_hz:.4g} readings a second", UNIT_CURE)
    else:
        name = _guess_unit(float(known[0]), step, where)
        if name != "s":
            told.append(f"times without a unit are read as {name}, which makes {_find_rate(step, name):.4g} Hz")
    scale = TIME_UNITS[name]
    first_s = float(known[0]) * scale if name != "days" else 0.0  # a spreadsheet's days are of no known zone
    started = datetime.fromtimestamp(first_s, UTC).isoformat() if EPOCH_S[0] < first_s < EPOCH_S[1] else ""
    if started:
        told.append(f"times are counted from 1970: the first is {started}")
    return Times((raw - known[0]) * scale, name, started, told)


def _find_rate(step: float, unit: str) -> float:
    """In hertz, to nine digits: 0.2 s are 5 Hz, whatever a difference of two times was rounded to."""
    return float(f"{1.0 / (step * TIME_UNITS[unit]):.9g}")


def unwrap(raw: FloatArray, told: list[str]) -> FloatArray:
    """Counters that begin again after 16, 24, 31 or 32 bits go on."""
    back = np.flatnonzero(np.diff(raw) < 0)
    if not len(back):
        return raw
    steps = np.diff(raw)
    usual = float(np.median(steps[steps > 0])) if (steps > 0).any() else 0.0
    for wrap in WRAPS:
        over = steps[back] + wrap
        if usual > 0 and (np.abs(raw[np.isfinite(raw)]) <= wrap).all() and (np.abs(over) <= 5 * usual).all():
            told.append(f"times begin again after {wrap:.0f}, {len(back)} times: they go on")
            return raw + wrap * np.concatenate([[0.0], np.cumsum(np.where(steps < 0, 1.0, 0.0))])
    return raw


def _usual_step(raw: FloatArray) -> float:
    """Between rows; the mean where several rows share a time."""
    known = raw[np.isfinite(raw)]
    steps = np.diff(known)
    if np.count_nonzero(steps <= 0) > len(steps) / 10:
        return float((known.max() - known.min()) / len(steps))
    return float(np.median(steps[steps > 0]))


def _guess_unit(first: float, step: float, where: str) -> str:
    for name in ALIKE:
        if EPOCH_S[0] < first * TIME_UNITS[name] < EPOCH_S[1]:
            return name
    if EXCEL_DAYS[0] < first < EXCEL_DAYS[1] and step < 1e-3:
        return "days"

    def fits(limits: tuple[float, float]) -> list[str]:
        return [name for name in ALIKE if limits[0] <= _find_rate(step, name) <= limits[1]]

    usual, possible = fits(USUAL_HZ), fits(POSSIBLE_HZ)
    if len(usual) == 1 and step != 1.0:
        return usual[0]
    if not usual:  # too fast for seconds: minutes, hours or days are as likely
        possible += [name for name in COARSE if USUAL_HZ[0] <= _find_rate(step, name) <= USUAL_HZ[1]]
    if not usual and len(possible) == 1:
        return possible[0]
    rates = ", ".join(f"{_find_rate(step, name):.5g} Hz in {name}" for name in possible) or "no usual rate"
    raise RecordingError(f"{where} names no unit and steps by {step:g}: {rates}", UNIT_CURE)


def place_by_times(times: FloatArray, where: str, written_s: float | None = None) -> Placing:
    """The rate of rows at ``times`` (seconds, NaN: not known), and the frame of each.

    Clean times: steps beyond 1.75 periods are lost rows, unless they come as regularly as rounding makes them in times
    written in steps of ``written_s``: 1024 Hz in milliseconds. Several rows at one time, or in bursts: arrival in
    packets, taken as even when the line through all fits. RecordingError when rate x span and rows disagree.
    """
    n_rows = len(times)
    known = np.flatnonzero(np.isfinite(times))
    if len(known) > 1 and times[known].max() == times[known[0]] > times[known[-1]]:
        raise RecordingError(f"{where}: its times run backwards", BACKWARDS_CURE)
    if len(known) < 2 or not times[known].max() > times[known[0]]:
        raise RecordingError(f"{where}: its times do not advance", RATE_CURE)
    told: list[str] = []
    time_s = np.interp(np.arange(n_rows), known, times[known])
    is_late = time_s < np.maximum.accumulate(np.concatenate([[-np.inf], time_s[:-1]]))
    n_late = int(is_late.sum())
    if n_late:
        row = int(np.argmax(is_late))
        if n_late > max(1, MOST_WRONG * n_rows):
            jump = f"from {time_s[row - 1]:.6g} to {time_s[row]:.6g} s at row {row + 1}"
            raise RecordingError(
                f"{where}: its times jump back {jump}; {n_late} of {n_rows} rows come before their time",
                "cut the file there, or " + RATE_CURE,
            )
        told.append(f"{n_late} rows do not come later than the row before; they are left out, row {row + 1} first")
    kept = np.flatnonzero(~is_late)
    steps = np.diff(time_s[kept])
    frames = np.full(n_rows, -1, dtype=np.int64)
    n_same = int((steps == 0).sum())
    usual = float(np.median(steps[steps > 0]))
    if _are_rounded(steps, usual, written_s):
        return _place_rounded(time_s, kept, usual, where=where, told=told)
    if n_same > len(steps) / 10 or np.count_nonzero(steps > SMALLEST_GAP_STEPS * usual) > max(
        3, MOST_GAPS * len(steps)
    ):
        rate_hz = _fit_packets(time_s[kept], where, told, is_coarse=n_same > len(steps) / 10)
        frames[kept] = np.arange(len(kept))
        return Placing(rate_hz, frames, tuple(told), float(time_s[kept[0]]))
    if n_same:
        keep = np.concatenate([[True], steps > 0])
        told.append(f"{n_same} rows have the time of the row before: they are left out")
        kept = kept[keep]
        steps = np.diff(time_s[kept])
    in_steps = steps / usual
    advance = np.where(in_steps < SMALLEST_GAP_STEPS, 1.0, np.round(in_steps))  # step by step: slow drift is no gap
    close = steps[in_steps < SMALLEST_GAP_STEPS]
    period = float(close.mean())
    if period < usual / 2:
        raise RecordingError(
            f"{where}: its rows are {period:.3g} or {usual:.3g} s apart, too different for one rate", RATE_CURE
        )
    if (in_steps >= SMALLEST_GAP_STEPS).any():  # a period that is not the usual step, as of converters that take turns
        advance = np.where(in_steps < SMALLEST_GAP_STEPS, 1.0, np.maximum(2.0, np.round(steps / period)))
    _refuse_lost(advance, steps, kept, n_rows, where)
    frames[kept] = np.concatenate([[0.0], np.cumsum(advance)]).astype(np.int64)
    span_s = time_s[kept[-1]] - time_s[kept[0]]
    rate_hz = float(f"{frames[kept[-1]] / span_s:.9g}")
    if abs(period * rate_hz - 1.0) > MOST_WRONG:
        raise RecordingError(
            f"{where}: between rows {1 / period:.5g} Hz, over the whole span {rate_hz:.5g} Hz", RATE_CURE
        )
    scatter = float(close.std()) / period
    if scatter > UNEVEN:
        told.append(
            f"rows are not evenly spaced: {close.min() * 1000:.3g} to {close.max() * 1000:.3g} ms apart, "
            f"taken as even at {rate_hz:.6g} Hz"
        )
    return Placing(rate_hz, frames, tuple(told), float(time_s[kept[0]]))


def _are_rounded(steps: FloatArray, usual: float, written_s: float | None) -> bool:
    """Whether rows share a time, or the time leaves one out, as regularly as only rounding does."""
    in_steps = np.round(steps / usual)
    is_same, is_double = in_steps == 0, in_steps == 2
    if written_s is not None and written_s < COARSE_FROM * usual:
        return False  # written with more digits than that: what is doubled or left out was so
    odd = is_same if is_same.any() else is_double
    if (is_same.any() and is_double.any()) or np.mean(odd) > MOST_ROUNDED:
        return False
    where = np.flatnonzero(odd)
    gaps = np.cumsum(in_steps > 2)[where]
    apart = np.diff(where)[np.diff(gaps) == 0]
    return len(apart) >= FEWEST_CHANGES and bool(np.ptp(apart) <= max(2.0, UNEVEN * float(np.median(apart))))


def _place_rounded(
    time_s: FloatArray, kept: NDArray[np.int64], usual: float, *, where: str, told: list[str]
) -> Placing:
    """Rows one after the other at the rate that all of them together show; only longer steps are lost rows."""
    steps = np.diff(time_s[kept])
    is_next = steps < 2.5 * usual
    period = float(steps[is_next].mean())
    advance = np.where(is_next, 1.0, np.maximum(2.0, np.round(steps / period)))
    _refuse_lost(advance, steps, kept, len(time_s), where)
    frames = np.full(len(time_s), -1, dtype=np.int64)
    frames[kept] = np.concatenate([[0.0], np.cumsum(advance)]).astype(np.int64)
    tolerance = usual / float(time_s[kept[-1]] - time_s[kept[0]])  # nobody can know the rate better than that
    shorter = (float(f"{1 / period:.{digits}g}") for digits in range(2, 9))
    rate_hz = next((rate for rate in shorter if abs(rate * period - 1) < tolerance), 1 / period)
    told.append(f"its times are rounded to {1000 * usual:.3g} ms: its rows are taken as even at {rate_hz:.6g} Hz")
    return Placing(rate_hz, frames, tuple(told), float(time_s[kept[0]]))


def _refuse_lost(advance: FloatArray, steps: FloatArray, kept: NDArray[np.int64], n_rows: int, where: str) -> None:
    if advance.sum() - n_rows > MOST_LOST[0] + MOST_LOST[1] * n_rows:
        row = int(np.argmax(steps))
        raise RecordingError(
            f"{where}: {steps[row]:.6g} s pass after row {kept[row] + 1}: {advance[row]:.0f} readings would be missing",
            "cut the file there, or " + RATE_CURE,
        )


def _fit_packets(time_s: FloatArray, where: str, told: list[str], *, is_coarse: bool) -> float:
    """The rate of rows that share times or came in bursts; RecordingError when no even line goes through them."""
    n = len(time_s)
    half = n // 2
    period = float(np.median(time_s[half:] - time_s[: n - half]) / half)
    changes = np.flatnonzero(np.diff(time_s) > 0) + 1
    if is_coarse and len(changes) >= FEWEST_CHANGES:  # where the time moves on, it is known best
        period = float(np.polyfit(changes, time_s[changes], 1)[0])
    span_s = float(time_s[-1] - time_s[0])
    if not period > 0 or half < 3:
        raise RecordingError(f"{where}: too few different times to tell a rate", RATE_CURE)
    off_s = time_s - np.arange(n) * period
    reach_s = float(off_s.max() - off_s.min())
    largest_s = float(np.diff(time_s).max())
    wrong = abs((n - 1) * period / span_s - 1.0) if span_s > 0 else 1.0
    if reach_s > max(PACKET_REACH_S, 2.2 * largest_s) or (wrong > MOST_WRONG and wrong * span_s > 2.2 * largest_s):
        raise RecordingError(
            f"{where}: {n} rows at {1 / period:.5g} Hz would last {(n - 1) * period:.4g} s, its times {span_s:.4g} s",
            RATE_CURE,
        )
    if largest_s > PACKET_REACH_S and largest_s > 20 * period and largest_s > 3 * _usual_packet_s(time_s):
        raise RecordingError(f"{where}: rows came in packets, and {largest_s:.3g} s are missing among them", RATE_CURE)
    rate_hz = float(f"{1 / period:.9g}")
    how = "its times are coarser than its rows" if is_coarse else "its rows came in packets"
    told.append(f"{how}: taken as even at {rate_hz:.6g} Hz, their mean; gaps cannot be seen; --rate HZ says better")
    return rate_hz


def _usual_packet_s(time_s: FloatArray) -> float:
    steps = np.diff(time_s)
    larger = steps[steps > steps.mean()]
    return float(np.median(larger)) if len(larger) else 0.0
