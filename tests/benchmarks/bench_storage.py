"""What recording costs and how fast it is read and exported: ``python tests/benchmarks/bench_storage.py``.

Ratios are to ``numpy.load`` and pyedflib on the same numbers in the same run. Goals: commits under 1 % of a core at
8 channels x 1 kHz, one hour read back under 0.3 s, BDF+ of it under 3 s, 10,000 recordings listed under 1 s.
"""

from __future__ import annotations

import shutil
import sys
import tempfile
import time
from collections.abc import Callable
from pathlib import Path

import numpy as np

from biofeedback.model import Channel, Chunk, Event, FloatArray
from biofeedback.storage.library import filter_recordings, list_recordings, remove_index
from biofeedback.storage.recorder import Recorder
from biofeedback.storage.recording import open_recording

N_CHANNELS, RATE_HZ, CHUNK_S, LIVE_S, HOUR_S = 8, 1000.0, 0.02, 20.0, 3600
N_LIBRARY = 10_000
CHANNELS = [Channel(name=f"emg{k}", kind="emg", unit="uV") for k in range(N_CHANNELS)]


def settings(**more: object) -> dict[str, object]:
    return {"channels": [c.to_dict() for c in CHANNELS], "rate_hz": RATE_HZ, "athlete": "A01", **more}


def best(function: Callable[[], object], n: int = 5) -> float:
    """Shortest of ``n`` runs, in seconds."""
    times = []
    for _ in range(n):
        start = time.perf_counter()
        function()
        times.append(time.perf_counter() - start)
    return min(times)


def measure_live(folder: Path) -> tuple[float, float]:
    """Share of a core for recording at real pace, and the longest ``append``; in % and microseconds."""
    n = round(RATE_HZ * CHUNK_S)
    counts = np.round(np.random.default_rng(1).normal(0, 1000, (n, N_CHANNELS))) + 0.0
    longest_s = 0.0
    recorder = Recorder.create(folder / "live.hold", settings())
    cpu_s, start_s = time.process_time(), time.monotonic()
    for k in range(round(LIVE_S / CHUNK_S)):
        time.sleep(max(0.0, start_s + k * CHUNK_S - time.monotonic()))
        before_s = time.perf_counter()
        recorder.append(Chunk(k * n, counts))
        longest_s = max(longest_s, time.perf_counter() - before_s)
    cpu_s = time.process_time() - cpu_s
    recorder.close()
    return 100 * (cpu_s - measure_loop()) / LIVE_S, 1e6 * longest_s


def measure_loop() -> float:
    """CPU seconds of the pacing itself."""
    cpu_s, start_s = time.process_time(), time.monotonic()
    for k in range(round(LIVE_S / CHUNK_S)):
        time.sleep(max(0.0, start_s + k * CHUNK_S - time.monotonic()))
    return time.process_time() - cpu_s


def make_hour(folder: Path) -> FloatArray:
    counts = np.random.default_rng(2).normal(0, 1000, (round(HOUR_S * RATE_HZ), N_CHANNELS))
    counts = np.round(counts) + 0.0  # no negative zeros: they need eight bytes
    with Recorder.create(folder / "hour.hold", settings(), threaded=False) as recorder:
        for first in range(0, len(counts), 1000):
            recorder.append(Chunk(first, counts[first : first + 1000]))
    return counts


def make_library(folder: Path) -> None:
    """Copies of one short recording with forty phases and ratings."""
    base = folder / "base.hold"
    with Recorder.create(base, settings(started_utc="2026-01-05T18:00:00+00:00"), threaded=False) as recorder:
        recorder.append(Chunk(0, np.ones((round(60 * RATE_HZ / 12.5), N_CHANNELS))))
        for k in range(40):
            recorder.event(Event(k, "phase", {"index": k, "kind": "passive", "title": "Relax", "band": None}))
            recorder.event(Event(k, "rating", {"value": 5, "phase_index": k}))
    for k in range(N_LIBRARY - 1):
        shutil.copyfile(base, folder / f"{k}.hold")


def row(what: str, value: str, goal: str = "") -> None:
    print(f"{what:58} {value:>14}  {goal}")


def measure_hour(folder: Path) -> None:
    counts = make_hour(folder)
    np.save(folder / "hour.npy", counts)
    np.save(folder / "hour_i4.npy", counts.astype("<i4"))
    load_s = best(lambda: np.load(folder / "hour.npy"))
    load_i4_s = best(lambda: np.load(folder / "hour_i4.npy").astype(np.float64))
    read_s = best(lambda: open_recording(folder / "hour.hold").counts())
    items_s = best(lambda: [None for _ in open_recording(folder / "hour.hold").items()])
    row("1 h x 8 channels: counts(), every checksum compared", f"{read_s:.3f} s", "< 0.3 s")
    row("  ratio to numpy.load of float64", f"{read_s / load_s:.1f}")
    row("  ratio to numpy.load of int32, made float64", f"{read_s / load_i4_s:.1f}")
    row("1 h x 8 channels: items()", f"{items_s:.3f} s")
    row(
        "file size",
        f"{(folder / 'hour.hold').stat().st_size / 1e6:.0f} MB",
        f"numpy int32 {counts.nbytes / 2e6:.0f} MB",
    )
    try:
        import pyedflib

        from biofeedback.storage.edf import export_edf
    except ImportError:
        row("BDF+ export", "skipped", "edfio and pyedflib are not installed")
        return
    recording = open_recording(folder / "hour.hold")
    export_s = best(lambda: export_edf(recording, folder / "hour.bdf"), 2)

    def write_with_pyedflib() -> None:
        header = {"dimension": "uV", "sample_frequency": 1000, "physical_min": -8388607, "physical_max": 8388607,
                  "digital_min": -8388607, "digital_max": 8388607, "transducer": "", "prefilter": ""}  # fmt: skip
        with pyedflib.EdfWriter(str(folder / "other.bdf"), N_CHANNELS, pyedflib.FILETYPE_BDFPLUS) as file:
            file.setSignalHeaders([{"label": c.name, **header} for c in CHANNELS])
            file.writeSamples([np.ascontiguousarray(counts[:, k]) for k in range(N_CHANNELS)])

    row("1 h x 8 channels: BDF+ export", f"{export_s:.2f} s", "< 3 s")
    row("  ratio to pyedflib writing the same array", f"{export_s / best(write_with_pyedflib, 1):.2f}")


def measure_library(folder: Path) -> None:
    make_library(folder)
    rebuild_s = best(lambda: (remove_index(folder), list_recordings(folder)), 1)
    warm_s = best(lambda: filter_recordings(list_recordings(folder), athlete="A01", plan="response"))
    row(f"{N_LIBRARY} recordings listed and searched, index warm", f"{warm_s:.2f} s", "< 1 s")
    row(f"{N_LIBRARY} recordings, index rebuilt", f"{rebuild_s:.1f} s", "< 60 s")


def main() -> None:
    with tempfile.TemporaryDirectory() as name:
        percent, longest_us = measure_live(Path(name))
        row("recording 8 channels x 1 kHz: share of a core", f"{percent:.2f} %", "< 1 %")
        row("  longest append on the event loop", f"{longest_us:.0f} us")
        measure_hour(Path(name))
    if "--no-library" not in sys.argv:
        with tempfile.TemporaryDirectory() as name:
            measure_library(Path(name))


if __name__ == "__main__":
    main()
