"""What earlier sessions bring along: repeats of the same stretch, oldest first, and hard seconds of the same day."""

from __future__ import annotations

from pathlib import Path

import numpy as np

from biofeedback.account.kinds import PhaseBegun, RepeatMade, make_event
from biofeedback.model import Band, Channel, Chunk
from biofeedback.session.engine import Engine
from biofeedback.session.setup import Setup
from biofeedback.storage.recorder import Recorder
from biofeedback.wiring.earlier import look_back, read_earlier_training

RATE_HZ = 10.0


def record(folder: Path, name: str, day: str, *, error: float, side: str = "left", athlete: str = "A01") -> None:
    channel = Channel(name="force", kind="force", unit="N")
    settings = {
        "format": 1,
        "athlete": athlete,
        "exercise": "wall stretch",
        "side": side,
        "position": "low",
        "started_utc": f"{day}+00:00",
        "channels": [channel.to_dict()],
        "rate_hz": RATE_HZ,
    }
    with Recorder.create(folder / f"{name}.hold", settings, threaded=False) as recorder:
        recorder.event(make_event(PhaseBegun(phase_kind="contract", index=0, band=Band(80, 100), duration_s=20), 0))
        recorder.append(Chunk(0, np.arange(200)[:, None]))
        recorder.event(make_event(RepeatMade(lesson="light", phase_index=0, error=error, kept=True), 150))
        recorder.event(make_event(PhaseBegun(phase_kind="end", index=0), 200))


def test_repeats_come_from_the_same_stretch_and_hard_seconds_from_the_same_day(tmp_path):
    record(tmp_path, "second", "2026-01-06T09:00:00", error=2.0)
    record(tmp_path, "first", "2026-01-05T18:00:00", error=3.0)
    record(tmp_path, "other-side", "2026-01-06T10:00:00", error=9.0, side="right")
    record(tmp_path, "somebody", "2026-01-06T11:00:00", error=8.0, athlete="A02")
    record(tmp_path, "this", "2026-01-06T18:00:00", error=7.0)
    (tmp_path / "broken.hold").write_bytes(b"no recording")
    setup = Setup(
        athlete="A01", exercise="wall stretch", side="left", position="low", started_utc="2026-01-06T18:00:00+00:00"
    )
    repeats, hard_s = read_earlier_training(tmp_path, setup)
    assert [one.error for one in repeats] == [3.0, 2.0]
    assert hard_s == 40.0  # both sides of the same morning
    assert read_earlier_training(tmp_path / "none", setup) == ((), 0.0)


def test_a_first_evening_leaves_no_index_behind(tmp_path):
    record(tmp_path, "this", "2026-01-06T18:00:00", error=7.0)
    assert read_earlier_training(tmp_path, Setup(started_utc="2026-01-06T18:00:00+00:00")) == ((), 0.0)
    assert [path.name for path in tmp_path.iterdir()] == ["this.hold"]


def test_what_cannot_be_read_takes_no_session_with_it(tmp_path, monkeypatch, caplog):
    def fail(folder: Path) -> None:
        raise OSError("the drive was pulled out")

    monkeypatch.setattr("biofeedback.wiring.earlier.list_recordings", fail)
    for name in ("one", "two"):
        (tmp_path / f"{name}.hold").touch()
    engine = Engine([Channel(name="force", kind="force", unit="N")], RATE_HZ, Setup(), [])
    look_back(tmp_path, Setup(), engine).join(10)
    assert engine.earlier_repeats == ()
    assert "earlier sessions could not be read" in caplog.text
