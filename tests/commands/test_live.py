"""What ``live`` takes over: certificates and earlier maxima."""

from __future__ import annotations

import pytest

from biofeedback.calibration.scale import make_certificate
from biofeedback.cli import main
from biofeedback.commands.live import carry_maxima
from biofeedback.errors import CalibrationError
from biofeedback.model import Channel, Event
from biofeedback.session.engine import Engine
from biofeedback.session.session import Session
from biofeedback.session.setup import Setup
from biofeedback.session.view import describe_session
from biofeedback.storage.amend import add_events
from biofeedback.storage.recording import open_recording
from biofeedback.wiring.certificates import choose_certificates, scale_channels

FORCE = Channel(name="force", kind="force", unit="N", factor=0.0005)
EMG = Channel(name="emg", kind="emg", unit="uV", factor=0.1)


class KeptEvents:
    problem = None

    def __init__(self):
        self.events = []

    def append(self, item):
        pass

    def event(self, event):
        self.events.append(event)


@pytest.fixture(scope="module")
def earlier(tmp_path_factory):
    path = tmp_path_factory.mktemp("earlier") / "A05.hold"
    source = "simulated:?seed=5&athlete=A05&channels=force,emg"
    assert main(["simulate", source, str(path), "--fast", "--started", "2026-01-05T18:00:00+00:00"]) == 0
    return path


def carried(earlier, started_utc, athlete="A05", simulated=True):
    setup = Setup(
        athlete=athlete,
        simulated=simulated,
        exercise="standing hamstring stretch",
        side="left",
        position="heel on a box, 60 cm",
        started_utc=started_utc,
    )
    recorder = KeptEvents()
    engine = Engine([FORCE, EMG], 1000.0, setup, [])
    session = Session(engine, recorder, utc=lambda: started_utc, cue=lambda cue: None)
    carry_maxima(session, earlier)
    return engine, recorder.events


def test_last_weeks_force_maximum_is_carried_with_its_age_and_emg_is_not(earlier, capsys):
    engine, events = carried(earlier, "2026-01-12T18:00:00+00:00")
    assert engine.maxima["force"].method == "carried"
    assert "emg" not in engine.maxima
    assert "7 days old" in engine.message["text"]
    assert any("7 days old" in event.data["text"] for event in events if event.kind == "note")
    assert "electrodes never sit the same way twice" in capsys.readouterr().err


def test_the_page_reads_warnings_of_a_carried_maximum_from_the_account_and_not_from_remarks(earlier):
    engine, _ = carried(earlier, "2026-01-12T18:00:00+00:00")
    engine.command({"do": "note", "text": "force: maximum felt easy"}, by="coach")
    told = describe_session(engine)["maximum"]["warnings"]
    assert any("7 days old" in text for text in told)
    assert "maximum felt easy" not in " ".join(told)
    assert tuple(told) == engine.account.last_maximum("force").warnings


def test_the_same_evening_emg_may_be_carried(earlier):
    engine, _ = carried(earlier, "2026-01-05T19:00:00+00:00")
    assert set(engine.maxima) == {"force", "emg"}


@pytest.mark.parametrize(
    ("who", "words"), [({"athlete": "A06"}, "of A05, not of A06"), ({"simulated": False}, "simulated athlete")]
)
def test_the_maximum_of_somebody_else_is_not_carried(earlier, capsys, who, words):
    engine, _ = carried(earlier, "2026-01-12T18:00:00+00:00", **who)
    assert engine.maxima == {}
    assert words in engine.message["text"]
    assert words in capsys.readouterr().err


def test_a_maximum_of_an_evening_for_learning_is_not_carried(earlier, tmp_path, monkeypatch, capsys):
    recording = open_recording(earlier)
    recording.settings["familiarisation"] = True
    monkeypatch.setattr("biofeedback.commands.live.open_recording", lambda path: recording)
    assert carried(earlier, "2026-01-12T18:00:00+00:00")[0].maxima == {}
    assert "an evening for learning the steps" in capsys.readouterr().err


def test_a_maximum_that_another_device_made_void_is_not_carried(earlier, tmp_path):
    path = tmp_path / "renewed.hold"
    path.write_bytes(earlier.read_bytes())
    add_events(path, [Event(open_recording(path).n_frames, "device", {"id": "two", "state": "renewed", "by": "coach"})])
    assert carried(path, "2026-01-12T18:00:00+00:00")[0].maxima == {}


def test_a_certificate_scales_its_channel(tmp_path):
    loads, readings = [0.0, 50.0, 100.0, 200.0], [100.0, 600.0, 1100.0, 2100.0]
    path = tmp_path / "cell.json"
    path.write_text(make_certificate(loads, readings, unit="N", sensor="cell 1", utc="2026-01-01").to_json(), "utf-8")
    chosen = choose_certificates([FORCE, EMG], [f"force={path}"], folder=None, url="serial:x")
    (force, emg), settings = scale_channels([FORCE, EMG], chosen)
    assert settings["certificates"]["force"]["sensor"] == "cell 1"
    assert emg == EMG
    assert force.unit == "N"
    assert float(force.scaled(1100.0)) == pytest.approx(100.0)
    with pytest.raises(CalibrationError, match="biofeedback scale"):
        choose_certificates([FORCE], ["force=missing.json"], folder=None, url="serial:x")
