"""Channels with gaps and rates of their own, brought onto one grid of frames: the finest. Nothing is made up between.

A slower channel keeps its readings, each moved to the nearest of its own evenly spaced frames; what is missing stays
missing for that channel alone.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from biofeedback.model import Channel, Chunk, FloatArray, Gap, Item, count_readings, place_reading
from biofeedback.storage.table_clock import SMALLEST_GAP_STEPS

SLOWER_FROM = 1.2  # frames between readings: less is a full channel with holes
SURE_READINGS = 20  # so many tell a rate below that of the rows from holes
MOST_OFF = 0.6  # of its own period may a reading of a slower channel be moved
MOST_IRREGULAR = 0.05  # of the readings may be further off than that
CODES = tuple(sign * number for number in (999.0, 9999.0, 99999.0, 999999.0) for sign in (1, -1))  # common practice
NO_SENSOR = 1e30  # no sensor reads as much; programs write such numbers for none
FAR_BEYOND = 5.0  # times the largest of the other readings
LOPSIDED = 0.6  # lower against upper half of the readings; 1 where raw EMG swings about an offset, 0.35 once rectified
SMOOTH = 0.99  # correlation of each reading with the next; of raw EMG below, up to some thousand readings a second
RAW_EMG_FROM_HZ = 400.0  # as the level filters ask for
MISSING_REASON = "missing in the imported file"


@dataclass(frozen=True, slots=True)
class Column:
    """A channel and its readings: ``counts`` (n,), without NaN, at ``frames`` (n,), rising, of the finest grid."""

    channel: Channel
    frames: NDArray[np.int64]
    counts: FloatArray


def bring_together(
    columns: Sequence[Column], rate_hz: float, n_frames: int
) -> tuple[list[Channel], FloatArray, list[str]]:
    """The channels that can be used, with clock and rate of their own where they need them; their counts; remarks.

    Counts have shape ``(n_frames, n_channels)``, NaN where a channel has no reading.
    """
    used: list[tuple[Channel, NDArray[np.int64], FloatArray]] = []
    told: list[str] = []
    for whole in columns:
        column, dropped = drop_codes(whole)
        told += dropped
        channel = column.channel
        placed = _place(column, rate_hz, n_frames)
        if isinstance(placed, str):
            told.append(f"{channel.name} left out: {placed}")
            continue
        own, frames, counts, remark = placed
        own_hz = own.rate_hz or rate_hz
        if channel.kind == "emg" and not channel.envelope and own_hz < RAW_EMG_FROM_HZ:
            told.append(
                f"{channel.name} left out: raw EMG at {own_hz:.4g} Hz, {RAW_EMG_FROM_HZ:g} at least; if it is smoothed "
                f"already use --channel '{channel.name}=emg:{channel.unit}@envelope'"
            )
            continue
        told += remark
        used.append((own, frames, counts))
    table = np.full((n_frames, len(used)), np.nan)
    clocks: dict[bytes, int] = {}
    channels = []
    for k, (channel, frames, counts) in enumerate(used):
        table[frames, k] = counts
        clock = clocks.setdefault(np.packbits(~np.isnan(table[:, k])).tobytes(), len(clocks))
        channels.append(replace(channel, clock=clock))
    if len(clocks) == 1:
        channels = [replace(channel, clock=0) for channel in channels]
    return channels, table, told


def drop_codes(column: Column) -> tuple[Column, list[str]]:
    """The column without numbers that stand for "missing", and a remark: -9999 among forces below 100 is no force."""
    counts = column.counts
    if not len(counts) or max(counts.max(), -counts.min()) < min(map(abs, CODES)):
        return column, []  # as nearly always
    is_code = np.isin(counts, CODES) | (np.abs(counts) >= NO_SENSOR)
    rest = np.abs(counts[~is_code])
    if not is_code.any() or not len(rest) or np.abs(counts[is_code]).min() < FAR_BEYOND * rest.max():
        return column, []
    n, example = int(is_code.sum()), counts[is_code][0]
    remark = f"{column.channel.name}: {n} readings are {example:g}, far beyond all others: taken as missing"
    return replace(column, frames=column.frames[~is_code], counts=counts[~is_code]), [remark]


def _place(
    column: Column, rate_hz: float, n_frames: int
) -> str | tuple[Channel, NDArray[np.int64], FloatArray, list[str]]:
    """The channel on the grid, or why it cannot be."""
    channel, frames, counts = column.channel, column.frames, column.counts
    if not len(frames):
        return "it holds no number"
    steps = np.diff(frames)
    if channel.rate_hz is not None or len(frames) < 3:
        return channel, frames, counts, []
    is_sparse = float(np.percentile(steps, 5)) >= 2.0  # hardly two readings in a row
    if not is_sparse and (len(frames) < SURE_READINGS or float(steps.mean()) < SLOWER_FROM):
        return channel, frames, counts, []
    period, numbers = _fit_period(frames, steps)
    start = float(np.median(frames - numbers * period))
    off = np.abs(frames - (start + numbers * period))
    if period < SLOWER_FROM or np.mean(off > MOST_OFF * period) > MOST_IRREGULAR:
        if not is_sparse:
            return channel, frames, counts, []
        return f"{len(frames)} readings in {n_frames} rows, at no regular rate"
    slots = numbers + max(0.0, np.round(start / period))
    own = replace(channel, rate_hz=float(f"{rate_hz / period:.9g}"))
    frames_per_reading = rate_hz / (own.rate_hz or rate_hz)
    placed = np.array([place_reading(int(j), frames_per_reading) for j in slots], dtype=np.int64)
    inside = placed < n_frames
    moved_ms = 1000.0 * float(np.abs(placed - frames).max()) / rate_hz
    remark = f"{channel.name}: {own.rate_hz:.6g} Hz, slower than the rows; nothing is filled in between its readings"
    if moved_ms >= 1.0:
        remark += f", which are moved by up to {moved_ms:.0f} ms"
    return own, placed[inside], counts[inside], [remark]


def _fit_period(frames: NDArray[np.int64], steps: NDArray[np.int64]) -> tuple[float, FloatArray]:
    """Frames between readings, and the number of each reading; lost ones are several periods."""
    period = float(np.mean(steps[steps < SMALLEST_GAP_STEPS * np.median(steps)]))
    numbers: FloatArray = np.arange(len(frames), dtype=np.float64)
    for _ in range(3):
        in_periods = steps / period
        advance = np.where(in_periods < SMALLEST_GAP_STEPS, 1.0, np.round(in_periods))
        numbers = np.concatenate([[0.0], np.cumsum(advance)])
        centred = numbers - numbers.mean()
        period = float(centred @ (frames - frames.mean()) / (centred @ centred))
    nearest = round(period)
    return float(nearest if abs(period - nearest) * numbers[-1] < 0.5 else period), numbers


def find_holes(channels: Sequence[Channel], table: FloatArray, rate_hz: float) -> list[str]:
    """What each channel misses, and channels that never change."""
    told = []
    for k, channel in enumerate(channels):
        column = table[:, k]
        known = column[~np.isnan(column)]
        own = _place_readings(channel, len(column), rate_hz)
        missing = own[np.isnan(column[own])]
        if len(missing):
            from_s, to_s = missing[[0, -1]] / rate_hz
            what = "cells are empty" if channel.rate_hz is None else "readings are missing"
            told.append(f"{channel.name}: {len(missing)} {what}, {from_s:.2f} to {to_s:.2f} s: a gap")
        if known.size and known.min() == known.max():
            told.append(f"{channel.name} never changes: it reads {known[0]:g} throughout")
    return told + find_smoothed(channels, table)


def find_smoothed(channels: Sequence[Channel], table: FloatArray) -> list[str]:
    """Raw EMG that looks rectified or smoothed already: never below 0, and not swinging to both sides of its middle."""
    told = []
    for k, channel in enumerate(channels):
        known = table[~np.isnan(table[:, k]), k]
        if channel.kind != "emg" or channel.envelope or len(known) < SURE_READINGS:
            continue
        values = channel.scaled(known)
        low, middle, high = np.percentile(values, [1, 50, 99]).tolist()
        if values.min() < 0 or not high > low:
            continue
        centred = values - values.mean()
        alike = float(centred[1:] @ centred[:-1]) / float(centred @ centred)
        if middle - low < LOPSIDED * (high - middle) or alike > SMOOTH:
            told.append(
                f"{channel.name} never goes below 0: if it is rectified or smoothed already, its effort is wrong; "
                f"use --channel '{channel.name}=emg:{channel.unit}@envelope'"
            )
    return told


def _place_readings(channel: Channel, n_frames: int, rate_hz: float) -> NDArray[np.int64]:
    """The frames at which the channel has its readings."""
    if channel.rate_hz is None:
        return np.arange(n_frames)
    per_reading = rate_hz / channel.rate_hz
    frames = [place_reading(j, per_reading) for j in range(count_readings(n_frames, per_reading))]
    return np.array(frames, dtype=np.int64)


def make_items(
    channels: Sequence[Channel], table: FloatArray, rate_hz: float, known: Sequence[Gap] = ()
) -> tuple[Item, ...]:
    """Rows as chunks; stretches without any reading as gaps, unless a slower channel has its next right after.

    Of ``known`` gaps the reason is kept.
    """
    shortest = max([rate_hz / channel.rate_hz for channel in channels if channel.rate_hz], default=1.0)
    is_known: NDArray[np.bool_] = np.asarray(~np.isnan(table).all(axis=1))
    borders = [0, *(np.flatnonzero(np.diff(is_known)) + 1).tolist(), len(table)]
    items: list[Item] = []
    chunk_from = 0
    for begin, end in pairwise(borders):
        is_told = any(gap.first_frame < end and gap.end_frame > begin for gap in known)
        if is_known[begin] or (end - begin < shortest and not is_told):
            continue
        items += _cut(table, chunk_from, begin)
        items += _name_gaps(begin, end, known)
        chunk_from = end
    return (*items, *_cut(table, chunk_from, len(table)))


def _name_gaps(begin: int, end: int, known: Sequence[Gap]) -> list[Gap]:
    """The frames from ``begin`` to ``end`` as gaps, each with the reason of the known one that it lies in."""
    edges = {edge for gap in known for edge in (gap.first_frame, gap.end_frame) if begin < edge < end}
    named = []
    for first, last in pairwise(sorted({begin, end, *edges})):
        reasons = [gap.reason for gap in known if gap.first_frame <= first and gap.end_frame >= last]
        named.append(Gap(first, last - first, reasons[0] if reasons else MISSING_REASON))
    return named


def _cut(table: FloatArray, begin: int, end: int) -> list[Item]:
    return [Chunk(begin, table[begin:end])] if end > begin else []
