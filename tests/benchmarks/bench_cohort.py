"""A folder of 20 min recordings as one table: ``python tests/benchmarks/bench_cohort.py [N]`` (default 16).

Goals: two processes at least 1.8 times as fast as one; where neurokit2 is installed, at least 5 times as fast per
recording as the same features made with it (effort, time in band, EMG amplitude, median frequency, phase by phase):
by its filters one by one, which know neither gaps nor calibration nor doubts, and by its whole EMG pipeline.
"""

from __future__ import annotations

import os
import shutil
import sys
import tempfile
import time
from functools import partial
from pathlib import Path

import numpy as np
from bench_report import make_recording

from biofeedback.commands.cohort import extract_row
from biofeedback.commands.many import run_many
from biofeedback.storage.recording import open_recording

GOAL_SPEED_UP, GOAL_AGAINST_NEUROKIT = 1.8, 5.0


def time_rows(folder: Path, names: list[str], n_workers: int) -> float:
    """Seconds per recording, process start-up included."""
    started_s = time.perf_counter()
    rows = list(run_many(partial(extract_row, str(folder)), names, n_workers=n_workers))
    assert all(not row["error"] for row in rows), rows[0]["error"]
    return (time.perf_counter() - started_s) / len(names)


def make_features_with_neurokit(path: Path, *, whole_pipeline: bool) -> dict[str, list[float]]:
    """Per phase: effort mean, SD, CV, time in band; EMG amplitude; median frequency of the contractions."""
    import neurokit2 as nk

    recording = open_recording(path)
    rate_hz = recording.rate_hz
    counts = recording.counts()
    force, emg = (channel.scaled(counts[:, k]) for k, channel in enumerate(recording.channels))
    effort = (
        100 * (nk.signal_filter(force, sampling_rate=rate_hz, highcut=10, method="butterworth", order=2) - 10) / 400
    )
    clean = nk.emg_clean(emg, sampling_rate=int(rate_hz))
    amplitude = nk.emg_amplitude(clean)
    features: dict[str, list[float]] = {name: [] for name in ("mean", "sd", "cv", "in_band", "emg", "median_hz")}
    phases = [event for event in recording.events if event.kind == "phase"]
    ends = [event.frame for event in phases[1:]] + [recording.n_frames]
    for event, end in zip(phases, ends, strict=True):
        part = effort[event.frame + 2000 : end]
        features["mean"].append(float(part.mean()))
        features["sd"].append(float(part.std(ddof=1)))
        features["cv"].append(100 * float(part.std(ddof=1) / part.mean()))
        features["in_band"].append(float(((part >= 60) & (part <= 80)).mean()))
        features["emg"].append(float(amplitude[event.frame + 2000 : end].mean()))
        if event.data["kind"] == "contract":
            psd = nk.signal_psd(clean[event.frame + 2000 : end], sampling_rate=int(rate_hz), method="welch", show=False)
            share = np.cumsum(psd["Power"]) / psd["Power"].sum()
            features["median_hz"].append(float(psd["Frequency"][int(np.searchsorted(share, 0.5))]))
    return features


def main() -> int:
    """Print a table; exit code 1 when a goal is missed."""
    n = int(sys.argv[1]) if len(sys.argv) > 1 else 16
    with tempfile.TemporaryDirectory() as text:
        folder = Path(text)
        make_recording(folder / "0.hold")
        names = [f"{k}.hold" for k in range(n)]
        for name in names[1:]:
            shutil.copyfile(folder / "0.hold", folder / name)
        one_s, two_s = time_rows(folder, names, 1), time_rows(folder, names, 2)
        print(f"{n} recordings of 20 min, 2 channels, 1 kHz; {os.cpu_count()} cores, load {os.getloadavg()[0]:.1f}")
        print(f"one process    {one_s:6.2f} s per recording")
        speed_up = one_s / two_s
        print(f"two processes  {two_s:6.2f} s per recording   {speed_up:.2f} x   goal {GOAL_SPEED_UP} x")
        missed = speed_up < GOAL_SPEED_UP
        try:
            make_features_with_neurokit(folder / "0.hold", whole_pipeline=False)  # imports and first-time costs
        except ImportError:
            print("neurokit2 is not installed: no comparison")
            return int(missed)
        started_s = time.perf_counter()
        extract_row(str(folder), "0.hold")
        ours_s = time.perf_counter() - started_s
        print(f"this process   {ours_s:6.2f} s per recording")
        for name, whole_pipeline in (("filters", False), ("pipeline", True)):
            started_s = time.perf_counter()
            make_features_with_neurokit(folder / "0.hold", whole_pipeline=whole_pipeline)
            ratio = (time.perf_counter() - started_s) / ours_s
            missed |= ratio < GOAL_AGAINST_NEUROKIT
            print(f"neurokit2, its {name:<9} {ratio * ours_s:6.2f} s   {ratio:.1f} x ours   goal 5 x")
        return int(missed)


if __name__ == "__main__":
    raise SystemExit(main())
