"""``biofeedback scale``, from a file and from a sensor on which a person hangs loads."""

import argparse
import json
import threading

import numpy as np
import pytest

from biofeedback.acquisition.source import WireSource
from biofeedback.calibration.scale import Certificate
from biofeedback.commands import scale
from biofeedback.errors import CalibrationError
from biofeedback.model import Channel

LOADS = [0.0, 5.0, 10.0, 20.0, 10.0, 5.0, 0.0]


def run(*arguments):
    parser = argparse.ArgumentParser()
    scale.add_arguments(parser)
    return scale.run(parser.parse_args([str(a) for a in arguments]))


class Bench(WireSource):
    """A sensor on a bench: 400 counts without load, 1000 per kilogram; ``load`` is what hangs on it."""

    url, description, is_simulated = "bench:", "bench", True
    channels = (Channel(name="emg", kind="emg"), Channel(name="force", kind="force", rail_high_counts=40000.0))
    rate_hz = 80.0

    def __init__(self):
        self.load, self.swing, self.is_silent = 0.0, 0.0, False
        self._n = 0
        self._wait = threading.Event()

    def open(self):
        pass

    def close(self):
        pass

    def reopen(self):
        return True

    def cue(self, cue):
        pass

    def read(self):
        self._wait.wait(0.001)
        if self.is_silent:
            return b""
        n = self._n + np.arange(40)
        self._n += 40
        force = 400 + 1000 * self.load + self.swing * np.sin(2 * np.pi * 0.7 * n / 80) + n % 3
        return "".join(f"{7} {value:.0f}\n" for value in np.minimum(force, 40000)).encode()


@pytest.fixture
def csv_file(tmp_path):
    path = tmp_path / "loads.csv"
    path.write_text(
        "load,reading\n# a comment\n" + "".join(f"{x},{400 + 1000 * x + i % 2}\n" for i, x in enumerate(LOADS))
    )
    return path


def test_csv_gives_certificate_json_and_picture(csv_file, tmp_path, capsys):
    assert run("--csv", csv_file, "--folder", tmp_path, "--sensor", "S 1/x") == 0
    text = capsys.readouterr().out
    (saved,) = tmp_path.glob("scale-S_1_x-*.json")
    certificate = Certificate.from_json(saved.read_text())
    assert certificate.factor == pytest.approx(9.80665 / 1000, rel=1e-3)
    assert certificate.loads[3] == pytest.approx(20 * 9.80665)
    assert f"channels=force:N*{certificate.factor:.8g}" in text
    assert "straight line" in text
    assert "R^2" not in text
    assert saved.with_suffix(".png").read_bytes().startswith(b"\x89PNG")
    assert run("--csv", csv_file, "--folder", tmp_path, "--sensor", "S 1/x") == 0
    assert len(list(tmp_path.glob("*.json"))) == 2  # an older certificate is never written over


def test_headings_may_stand_below_a_comment(tmp_path):
    path = tmp_path / "loads.csv"
    path.write_text("# sensor S1, in kg\n\nload,reading\n0,400\n5,5400\n")
    assert scale.read_pairs(path) == ([0.0, 5.0], [400.0, 5400.0])


def test_lever_arm_gives_torque(csv_file, tmp_path):
    assert run("--csv", csv_file, "--folder", tmp_path, "--lever-arm-m", 0.4, "--unit", "lb") == 0
    (saved,) = tmp_path.glob("*.json")
    data = json.loads(saved.read_text())
    assert data["unit"] == "N·m"
    assert max(data["loads"]) == pytest.approx(20 * 4.4482216152605 * 0.4)


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ("load,reading\n0,1\nfive,2\n", "line 3: 'five,2'; write load,reading"),
        ("0,1\n5,2,3\n", "line 2: '5,2,3'"),
        ("load,reading\nkg,counts\n0,1\n", "line 2: 'kg,counts'"),
        ("0,1\n5,2\n", "2 loads; 3 are needed"),
    ],
)
def test_bad_files_name_the_line(tmp_path, text, message):
    path = tmp_path / "bad.csv"
    path.write_text(text)
    with pytest.raises(CalibrationError, match=message):
        run("--csv", path)
    with pytest.raises(CalibrationError, match="cannot be read"):
        run("--csv", tmp_path / "none.csv")


def test_check_later(csv_file, tmp_path, capsys):
    run("--csv", csv_file, "--folder", tmp_path)
    (saved,) = tmp_path.glob("*.json")
    assert run("--check", saved, "--load", 10, "--reading", 10450) == 0
    assert "holds" in capsys.readouterr().out
    assert run("--check", saved, "--load", 10, "--reading", 11000) == 1
    assert "calibrate it again" in capsys.readouterr().err
    with pytest.raises(CalibrationError, match="one known load"):
        run("--check", saved, "--reading", 10400)
    with pytest.raises(CalibrationError, match="not a scale certificate"):
        run("--check", csv_file, "--load", 10, "--reading", 10400)


def test_guided_at_the_bench(capsys):
    bench = Bench()
    answers = iter(["0", "5", "ten", "12", "12", "99", "creep", "0", ""])
    loads_of = {"0": 0.0, "5": 5.0, "12": 12.0, "99": 99.0}
    swings = iter([0.0, 0.0, 300.0, 0.0, 0.0, 0.0])

    def ask(question):
        answer = next(answers)
        if answer in loads_of:
            bench.load, bench.swing = loads_of[answer], next(swings)
        if answer == "creep":
            bench.load = 12.0
        return answer

    with scale.Tap(bench) as tap:
        loads, readings, creep = scale.ask_for_loads(tap, "kg", ask)
    text = capsys.readouterr().out
    assert loads == [0.0, 5.0, 12.0, 0.0]
    assert readings == pytest.approx([401, 5401, 12401, 401], abs=0.1)
    assert creep is not None
    assert len(creep[0]) == 60 * 80
    assert "'ten' is not a number" in text
    assert "let the load hang still" in text
    assert "converter's rail" in text


def test_silent_sensor_and_missing_channel(monkeypatch):
    monkeypatch.setattr(scale, "PATIENCE_S", 0.05)
    bench = Bench()
    bench.is_silent = True
    with scale.Tap(bench) as tap, pytest.raises(CalibrationError, match="no load could be read"):
        tap.read(0.05)
    with pytest.raises(CalibrationError, match=r"no channel force2; it has emg, force"):
        scale.Tap(bench, "force2")
