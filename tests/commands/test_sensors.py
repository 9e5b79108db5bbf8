import argparse

import pytest

from biofeedback.commands.sensors import add_arguments, run
from biofeedback.errors import SourceError


def run_command(*arguments):
    parser = argparse.ArgumentParser()
    add_arguments(parser)
    return run(parser.parse_args(arguments))


def test_profiles_are_listed_and_a_broken_one_says_why(tmp_path, monkeypatch, capsys):
    monkeypatch.setenv("BIOFEEDBACK_PROFILES", str(tmp_path))
    (tmp_path / "mine.toml").write_text('transport = "pigeon"\n')
    assert run_command("profiles") == 0
    out = capsys.readouterr().out
    assert "frame-lines" in out
    assert "broken: mine.toml, line 1: transport = 'pigeon'; use serial, ble" in out


@pytest.fixture(autouse=True)
def _own_folder(tmp_path, monkeypatch):
    monkeypatch.setenv("BIOFEEDBACK_FOLDER", str(tmp_path / "recordings"))


def test_check_of_a_simulated_sensor(capsys, tmp_path):
    assert run_command("check", "simulated:?seed=1&channels=force,emg&speed=1", "--seconds", "1.5") in (0, 1)
    out = capsys.readouterr().out
    picture = tmp_path / "recordings" / "sensor-check.png"
    assert picture.read_bytes().startswith(b"\x89PNG")
    assert f"Picture: {picture}" in out
    assert "no gaps" in out
    assert "steps in use" in out
    assert "emg │" in out


def test_check_finds_a_rate_that_was_declared_wrong(tmp_path, capsys):
    log = tmp_path / "port.log"
    log.write_text("".join(f"{k % 7}\n" for k in range(2000)))
    assert run_command("check", f"replay:{log}?rate=500&channels=force&speed=2", "--seconds", "1") == 1
    assert "use the rate that arrives: rate=" in capsys.readouterr().out


def test_a_picture_that_cannot_be_drawn_says_what_to_name_instead(tmp_path):
    log = tmp_path / "port.log"
    log.write_text("".join(f"{k % 7}\n" for k in range(200)))
    with pytest.raises(SourceError, match="name another file with --picture"):
        run_command("check", f"replay:{log}?rate=500&channels=force&speed=max", "--picture", str(tmp_path / "a.xyz"))


def test_list_without_asking(monkeypatch, capsys):
    monkeypatch.setattr("biofeedback.commands.sensors.find_ports", lambda: [("/dev/ttyX", "some board")])
    assert run_command("list", "--no-ask", "--no-radio") == 0
    assert "/dev/ttyX  some board" in capsys.readouterr().out


def test_list_asks_who_is_there(monkeypatch, capsys):
    from biofeedback.acquisition import scan
    from biofeedback.acquisition.identify import BoardInfo

    board = BoardInfo("1A2B3C4D", "1", 1000.0, ("seq", "force"), ((0, 1),))
    monkeypatch.setattr("biofeedback.commands.sensors.find_ports", lambda: [("/dev/ttyX", ""), ("/dev/ttyY", "modem")])
    monkeypatch.setattr(scan, "ask_port", lambda path: (board, "") if path == "/dev/ttyX" else (None, "no answer"))
    assert run_command("list", "--no-radio") == 0
    out = capsys.readouterr().out
    assert "board 1A2B3C4D, firmware 1, 1000 frames/s" in out
    assert "--source 'serial:/dev/ttyX?profile=frame-lines'" in out
    assert "/dev/ttyY  modem (no answer)" in out


@pytest.mark.parametrize("arguments", [["check"], ["shout"], []])
def test_wrong_usage(arguments):
    with pytest.raises(SystemExit):
        run_command(*arguments)
