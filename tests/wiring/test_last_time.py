"""When the athlete's last session began, from the folder of recordings."""

from pathlib import Path

from biofeedback.model import Channel
from biofeedback.session.setup import Setup
from biofeedback.storage.recorder import Recorder
from biofeedback.wiring.last_time import find_last_time


def record(folder: Path, athlete: str, stamp: str, *, simulated: bool = False) -> None:
    started_utc = f"2026-01-{stamp}T18:00:00+00:00"
    setup = Setup(athlete=athlete, started_utc=started_utc, simulated=simulated)
    channel = Channel(name="force", kind="force", unit="N")
    settings = {**setup.to_settings(), "started_utc": started_utc, "channels": [channel.to_dict()], "rate_hz": 100.0}
    recorder = Recorder.create(folder / f"{athlete}-202601{stamp}-180000.hold", settings, threaded=False)
    recorder.close()


def test_the_newest_own_recording_counts(tmp_path: Path) -> None:
    setup = Setup(athlete="A01", started_utc="2026-02-01T18:00:00+00:00")
    assert find_last_time(tmp_path, setup) == ""
    for athlete, stamp in (("A01", "05"), ("A01", "12"), ("A011", "20"), ("A02", "21")):
        record(tmp_path, athlete, stamp)
    record(tmp_path, "A01", "25", simulated=True)  # nobody's evening
    (tmp_path / "A01-20260130-180000.hold").write_text("not a recording")
    assert find_last_time(tmp_path, setup) == "2026-01-12T18:00:00+00:00"
    assert find_last_time(tmp_path, Setup(athlete="A01", simulated=True)) == "2026-01-25T18:00:00+00:00"
    assert find_last_time(tmp_path, Setup(athlete="A03")) == ""


def test_the_session_that_begins_is_not_its_own_last_one(tmp_path: Path) -> None:
    record(tmp_path, "A01", "05")
    assert find_last_time(tmp_path, Setup(athlete="A01", started_utc="2026-01-05T18:00:00+00:00")) == ""


def test_a_code_is_one_athlete_however_it_is_written(tmp_path: Path) -> None:
    record(tmp_path, "a01", "05")
    setup = Setup(athlete="A01", started_utc="2026-02-01T18:00:00+00:00")
    assert find_last_time(tmp_path, setup) == "2026-01-05T18:00:00+00:00"
