"""How long a report takes, imports included: ``python tests/benchmarks/bench_report.py``."""

from __future__ import annotations

import os
import subprocess
import sys
import tempfile
import time
from pathlib import Path

import numpy as np

from biofeedback.model import Channel, Chunk, Event
from biofeedback.storage.recorder import Recorder

RATE_HZ, MINUTES, CYCLE_S = 1000.0, 20, 20.0
GOALS_S = {"report, HTML": 2.5, "report, PDF": 4.0}


def make_recording(path: Path, *, seed: int = 1) -> None:
    """20 min of force and raw EMG at 1 kHz: a minute of calibration, then relaxed and contracting in turn."""
    channels = [
        Channel(name="force", kind="force", unit="N", factor=0.001),
        Channel(name="emg", kind="emg", unit="uV", factor=0.1),
    ]
    settings = {
        "format": 1, "software": "benchmark", "started_utc": "2026-01-05T18:00:00+00:00", "rate_hz": RATE_HZ,
        "channels": [channel.to_dict() for channel in channels], "source": "benchmark", "simulated": True,
        "athlete": f"A{seed:02d}", "exercise": "", "side": "left", "position": "", "joint": "knee",
    }  # fmt: skip
    rng = np.random.default_rng(seed)
    step = round(RATE_HZ / 4)
    with Recorder.create(path, settings) as recorder:
        for second_quarter in range(MINUTES * 60 * 4):
            t_s = second_quarter / 4
            contracting = t_s >= 60 and int((t_s - 60) // CYCLE_S) % 2 == 1
            force = 10_000 + 280_000 * contracting + rng.normal(0, 800, step)
            emg = rng.normal(0, 2_000 if contracting else 20, step)
            recorder.append(Chunk(second_quarter * step, np.rint(np.column_stack([force, emg]))))
        for event in make_events():
            recorder.event(event)


def make_events() -> list[Event]:
    """Zero, maxima, and a phase with a rating every ``CYCLE_S``."""
    rest = {"force": {"level": 10.0, "sd": 0.1}, "emg": {"level": 2.0, "sd": 0.1}}
    events = [Event(2000, "zero", {"channels": rest})]
    for name, strength, unit in (("force", 400.0, "N"), ("emg", 300.0, "uV")):
        maximum = {"channel": name, "strength": strength, "baseline": 0.0, "unit": unit, "method": "typed"}
        events.append(Event(3000, "maximum", maximum))
    events.append(Event(60_000, "plan", {"title": "Benchmark"}))
    n_phases = int((MINUTES * 60 - 60) // CYCLE_S)
    for index in range(n_phases):
        kind = "contract" if index % 2 else "passive"
        frame = round((60 + index * CYCLE_S) * RATE_HZ)
        band = [60, 80] if index % 2 else None
        events.append(Event(frame, "phase", {"index": index, "kind": kind, "band": band, "duration_s": CYCLE_S}))
        events.append(Event(frame, "relaxed", {"on": kind == "passive"}))
        events.append(Event(frame + 15_000, "rating", {"value": 4.0 if index % 2 else 6.0, "phase_index": index}))
    return events


def time_command(*arguments: str) -> tuple[float, float]:
    """Wall and CPU seconds of one ``biofeedback`` command in a fresh process."""
    started_s, before = time.perf_counter(), os.times()
    subprocess.run([sys.executable, "-m", "biofeedback", *arguments], check=True, stdout=subprocess.DEVNULL)
    wall_s, after = time.perf_counter() - started_s, os.times()
    return wall_s, after.children_user + after.children_system - before.children_user - before.children_system


def main() -> int:
    """Print a table; exit code 1 when a goal is missed."""
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "bench.hold"
        make_recording(path)
        print(f"{MINUTES} min, 2 channels, {RATE_HZ:g} Hz, {path.stat().st_size / 1e6:.0f} MB, {os.cpu_count()} cores")
        rows = [("report, HTML", ()), ("report, PDF", ("--pdf",))]
        missed = False
        for name, options in rows:
            best_s, cpu_s = min(time_command("report", str(path), *options) for _ in range(3))
            missed |= best_s > GOALS_S[name]
            verdict = "ok" if best_s <= GOALS_S[name] else "MISSED"
            print(f"{name:<14} {best_s:6.2f} s (CPU {cpu_s:.2f} s)   goal {GOALS_S[name]:.1f} s   {verdict}")
    return int(missed)


if __name__ == "__main__":
    raise SystemExit(main())
