"""Certificates that the page made: kept beside the recordings, used by the next start of the same sensor."""

import json
import os
import stat

import pytest

from biofeedback.calibration.scale import make_certificate
from biofeedback.cli import main
from biofeedback.errors import CalibrationError
from biofeedback.model import Channel
from biofeedback.storage.recording import open_recording
from biofeedback.wiring.certificates import choose_certificates, find_certificate, save_certificate

URL = "serial:/dev/ttyUSB0?rate=80&channels=force:N*0.0042"
FORCE = Channel(name="force", kind="force", unit="N", factor=0.0042)


def event(counts_per_newton=10.0, *, utc="2026-01-05T18:00:00+00:00", sensor="cell 1", channel="force"):
    loads = [0.0, 50.0, 100.0, 200.0]
    readings = [400.0 + counts_per_newton * load for load in loads]
    certificate = make_certificate(loads, readings, unit="N", sensor=sensor, utc=utc)
    return {**json.loads(certificate.to_json()), "channel": channel, "by": "coach"}


def test_a_certificate_is_a_dated_private_file_and_never_replaces_another(tmp_path):
    folder = tmp_path / "certificates"
    paths = [save_certificate(folder, URL, event(sensor="../cell 1")) for _ in range(2)]
    assert [path.name for path in paths] == [
        "___cell_1-force-20260105180000.json",
        "___cell_1-force-20260105180000-2.json",
    ]
    if os.name == "posix":
        assert {stat.S_IMODE(path.stat().st_mode) for path in paths} == {0o600}
    assert json.loads(paths[0].read_text("utf-8"))["source"] == "serial:/dev/ttyUSB0"


def test_the_newest_of_this_sensor_and_channel_is_found(tmp_path, capsys):
    save_certificate(tmp_path, URL, event(20.0, utc="2026-02-01T08:00:00+00:00"))
    save_certificate(tmp_path, URL, event(10.0, utc="2026-01-05T18:00:00+00:00"))
    save_certificate(tmp_path, URL, event(30.0, utc="2026-03-01T08:00:00+00:00", channel="force_left"))
    save_certificate(tmp_path, "serial:/dev/ttyUSB1", event(40.0, utc="2026-03-01T08:00:00+00:00"))
    (tmp_path / "cut-off.json").write_text('{"kind": "scale cert', "utf-8")
    kept = find_certificate(tmp_path, "serial:/dev/ttyUSB0?rate=10&channels=force:N", "force")
    assert kept.certificate.factor == pytest.approx(1 / 20.0)
    assert "cut-off.json is left out" in capsys.readouterr().err
    assert find_certificate(tmp_path, "serial:/dev/ttyUSB2", "force") is None
    assert find_certificate(tmp_path / "missing", URL, "force") is None


@pytest.mark.parametrize("text", ["[]", "7", "null", '{"sensor": "x"}', '{"line": []}'])
def test_a_file_that_is_no_certificate_is_left_out(tmp_path, capsys, text):
    (tmp_path / "x.json").write_text(text, "utf-8")
    assert find_certificate(tmp_path, URL, "force") is None
    assert "x.json is left out" in capsys.readouterr().err


def test_what_is_asked_for_goes_before_what_is_kept(tmp_path, capsys):
    save_certificate(tmp_path, URL, event(10.0))
    other = save_certificate(tmp_path / "elsewhere", URL, event(25.0))
    chosen = choose_certificates([FORCE], [f"force={other}"], folder=tmp_path, url=URL)
    assert chosen["force"].certificate.factor == pytest.approx(1 / 25.0)
    assert capsys.readouterr().out == ""


def test_a_disk_that_refuses_is_told(tmp_path):
    (tmp_path / "file").write_text("", "utf-8")
    with pytest.raises(CalibrationError, match="was not saved"):
        save_certificate(tmp_path / "file" / "certificates", URL, event())


def live(folder, recording, *more):
    """A short replay from start to end, and what its recording says of itself."""
    before = set(folder.glob("*.hold"))
    arguments = ["--folder", str(folder), "--port", "0", "--no-browser", *more]
    assert main(["live", "--source", f"replay:{recording}?speed=100", *arguments]) == 0
    (made,) = set(folder.glob("*.hold")) - before
    return open_recording(made).settings


def test_live_uses_the_newest_certificate_says_so_and_stores_which(tmp_path, capsys):
    recording = tmp_path / "source.hold"
    simulated = "simulated:?seed=5&athlete=A05&channels=force"
    assert main(["simulate", simulated, str(recording), "--fast", "--started", "2026-01-05T18:00:00+00:00"]) == 0
    folder = tmp_path / "kept"
    path = save_certificate(folder / "certificates", f"replay:{recording}", event(10.0))
    capsys.readouterr()
    settings = live(folder, recording)
    assert str(path) in capsys.readouterr().out
    assert settings["channels"][0]["factor"] == pytest.approx(0.1)
    assert settings["channels"][0]["offset_counts"] == pytest.approx(400.0)
    assert settings["certificates"]["force"]["file"] == path.name
    ignored = live(folder, recording, "--no-certificate")
    assert "certificates" not in ignored
    assert ignored["channels"][0]["factor"] != pytest.approx(0.1)


def test_a_full_disk_leaves_no_half_certificate(tmp_path, monkeypatch):
    def refuse(path, text, **_):
        raise OSError(28, "No space left on device")

    with monkeypatch.context() as full:
        full.setattr("pathlib.Path.write_text", refuse)
        with pytest.raises(CalibrationError, match="No space left"):
            save_certificate(tmp_path, URL, event())
    assert not list(tmp_path.iterdir())


def test_a_channel_with_a_slash_in_its_name_has_a_certificate(tmp_path):
    assert save_certificate(tmp_path, URL, event(channel="force/left")).name == "cell_1-force_left-20260105180000.json"
