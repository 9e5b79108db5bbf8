"""What a picture of ten seconds of a sensor shows: traces with gaps and clipping, spectra, intervals. Pure."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from biofeedback.acquisition.health import Watched, compute_spectrum, find_clipped, measure_hum
from biofeedback.model import Channel, Chunk, FloatArray, Gap

LEAST_HUM_RATE_HZ = 130.0  # below, 60 Hz is not in the spectrum


@dataclass(frozen=True, slots=True, eq=False)
class ChannelPortrait:
    """One channel: counts as sent with NaN in gaps and clipped ones marked (n_frames,); amplitude over frequency.

    ``amplitude`` is in counts per root Hz, empty where too little was seen; ``hum`` is the stronger mains frequency in
    Hz and its share of the power in %, None where the rate is too low to tell.
    """

    channel: Channel
    counts: FloatArray
    clipped: NDArray[np.bool_]
    frequency_hz: FloatArray
    amplitude: FloatArray
    hum: tuple[int, float] | None


@dataclass(frozen=True, slots=True, eq=False)
class Portrait:
    """``time_s`` (n_frames,) counts from the first frame, ``gaps`` are (start, end) in s; ``intervals_ms`` from one
    reading to the next, by the clock that ``clock`` names, against ``declared_ms``."""

    time_s: FloatArray
    gaps: tuple[tuple[float, float], ...]
    intervals_ms: FloatArray
    clock: str
    declared_ms: float
    channels: tuple[ChannelPortrait, ...]


def portray_sensor(watched: Watched) -> Portrait:
    """Everything the picture needs."""
    spans = [item for item in watched.items if isinstance(item, Chunk | Gap)]
    start, end = (spans[0].first_frame, spans[-1].end_frame) if spans else (0, 0)
    counts = np.full((end - start, len(watched.channels)), np.nan)
    for item in spans:
        if isinstance(item, Chunk):
            counts[item.first_frame - start : item.end_frame - start] = item.counts
    intervals_ms, clock = _measure_intervals(watched)
    return Portrait(
        time_s=np.arange(end - start) / watched.rate_hz,
        gaps=tuple(
            ((item.first_frame - start) / watched.rate_hz, (item.end_frame - start) / watched.rate_hz)
            for item in spans
            if isinstance(item, Gap)
        ),
        intervals_ms=intervals_ms,
        clock=clock,
        declared_ms=1000.0 / watched.rate_hz,
        channels=tuple(
            _portray_channel(channel, counts[:, k], watched.longest_run(k), watched.rate_hz)
            for k, channel in enumerate(watched.channels)
        ),
    )


def _portray_channel(channel: Channel, counts: FloatArray, run: FloatArray, rate_hz: float) -> ChannelPortrait:
    frequency_hz, power = compute_spectrum(run, rate_hz)
    hum = measure_hum(power, frequency_hz) if rate_hz >= LEAST_HUM_RATE_HZ and power.any() else None
    known = np.isfinite(counts)
    clipped = np.zeros(len(counts), dtype=np.bool_)
    if known.any():
        clipped[known] = find_clipped(channel, counts[known])
    amplitude = np.sqrt(power)
    return ChannelPortrait(channel, counts, clipped, frequency_hz, amplitude, hum)


def _measure_intervals(watched: Watched) -> tuple[FloatArray, str]:
    """By the board's own clock where it sends its time, else from batch to batch as they arrived."""
    chunks = [item for item in watched.items if isinstance(item, Chunk) and item.device_us is not None]
    runs: list[list[FloatArray]] = []
    for k, chunk in enumerate(chunks):
        assert chunk.device_us is not None
        if k and chunks[k - 1].end_frame == chunk.first_frame:
            runs[-1].append(chunk.device_us)
        else:
            runs.append([chunk.device_us])
    if runs:
        return np.concatenate([np.diff(np.concatenate(run)) for run in runs]) / 1000.0, "by the board's clock"
    batches = [(moment_s, n) for moment_s, n in watched.arrivals if n]
    n_frames = np.array([n for _, n in batches[1:]], dtype=np.float64)
    waits_s = np.diff([moment_s for moment_s, _ in batches])
    return np.repeat(1000.0 * waits_s / n_frames, n_frames.astype(int)), "as they arrived, the mean of each batch"
