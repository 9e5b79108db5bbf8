"""``biofeedback scale``, from a file and from a sensor on which a person hangs loads."""

import argparse
import json
import threading
from dataclasses import replace

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


def make_certificate(**changes):
    certificate = Certificate(
        sensor="S1",
        utc="2026-01-05T18:00:00+00:00",
        unit="N",
        loads=(0.0, 100.0, 500.0),
        readings=(400.0, 1400.0, 5400.0),
        degree=1,
        degree_p=0.5,
        coefficients=(400.0, 10.0),
        standard_errors=(0.1, 0.1),
        line=(400.0, 10.0),
        residual_sd=2.0,
        lower_limit=0.48,
        deviation_percent=0.1,
        nonlinearity_percent=0.2,
        hysteresis_percent=None,
        repeatability_percent=0.3,
        zero_return_percent=-0.0123,
        notes=("hysteresis not measured",),
    )
    return replace(certificate, **changes)


def test_a_certificate_is_said_line_by_line():
    assert scale.describe(make_certificate(), "pull") == [
        "",
        "Sensor S1, 2026-01-05T18:00:00+00:00: 3 loads from 0 to 500 N",
        "  fit               straight line",
        "  factor            0.1 N per count, 400 counts without load",
        "  residual SD       2 counts (0.2 N)",
        "  lower limit       0.48 N (2.4 x residual SD); smallest load worth reading 9.6 N (to 5 %)",
        "  largest deviation 0.100 % of full scale",
        "  non-linearity     0.200 % of full scale",
        "  repeatability     0.300 % of full scale",
        "  zero return       -0.012 % of full scale",
        "  hysteresis not measured",
        "Use it: channels=pull:N*0.1",
    ]


@pytest.mark.parametrize("missing", [{"residual_sd": None}, {"lower_limit": None}])
def test_what_a_certificate_does_not_know_is_left_out(missing):
    lines = scale.describe(make_certificate(**missing), "pull")
    assert not [line for line in lines if "residual SD" in line]


def test_a_curve_says_how_far_off_the_straight_line_is_that_a_channel_uses():
    bent = make_certificate(degree=2, degree_p=0.0123, coefficients=(400.0, 10.0, 0.001), creep_percent=0.05)
    bent = replace(bent, readings=(400.0, 1410.0, 5400.0), line=(400.0, -10.0))
    lines = scale.describe(bent, "pull")
    assert lines[2] == "  fit               curve of degree 2, which earns its place (p = 0.012)"
    assert lines[4] == "  residual SD       2 counts (0.2 N)"
    assert "  creep             0.050 % of full scale" in lines
    assert lines[-3] == f"  A channel uses the straight line, which is off by up to {100 * 1000 / 500:.3f} %."


def test_a_torque_is_checked_with_the_lever_arm_of_the_certificate_unless_another_is_said(tmp_path, capsys):
    path = tmp_path / "c.json"
    path.write_text(make_certificate(unit="N·m", lever_arm_m=0.5, readings=(0.0, 1000.0, 5000.0)).to_json())
    assert run("--check", path, "--unit", "N", "--load", 200, "--reading", 1400) == 0
    assert capsys.readouterr().out == "100 N·m reads 100: the certificate of 2026-01-05T18:00:00+00:00 holds\n"
    assert run("--check", path, "--unit", "N", "--load", 200, "--reading", 1400, "--lever-arm-m", 1) == 1
    assert "200 N·m reads 100" in capsys.readouterr().err
    with pytest.raises(CalibrationError, match="one known load"):
        run("--check", path, "--load", 200, "--csv", path)
    with pytest.raises(CalibrationError, match=r"none.json cannot be read; choose the .json that `scale` saved"):
        run("--check", tmp_path / "none.json", "--load", 200, "--reading", 1)


@pytest.mark.parametrize("arm", ["0", "-1", "3.01", "nan", "inf"])
def test_a_lever_arm_is_a_length_of_a_limb(arm, csv_file):
    with pytest.raises(CalibrationError, match="is not a lever arm that can be used; give metres, up to 3"):
        run("--csv", csv_file, "--lever-arm-m", arm)


def test_the_longest_arm_is_one(csv_file, tmp_path, monkeypatch):
    monkeypatch.setattr(scale, "save", lambda certificate, folder: ())
    assert run("--csv", csv_file, "--folder", tmp_path, "--lever-arm-m", "3") == 0


@pytest.mark.parametrize(
    ("words", "told"),
    [
        (("--load", 5), "--load only goes with --check; give --check FILE, or the loads in --csv"),
        (("--load", 0), "--load only goes with --check"),
    ],
)
def test_what_only_goes_with_a_check_is_refused(words, told, csv_file):
    with pytest.raises(CalibrationError, match=told):
        run("--csv", csv_file, *words)
    with pytest.raises(CalibrationError, match="--reading only goes with --check and --load"):
        run("--reading", 0)


def test_certificates_lie_in_a_folder_beside_the_recordings(csv_file, tmp_path, monkeypatch, capsys):
    monkeypatch.setenv("BIOFEEDBACK_FOLDER", str(tmp_path / "recordings"))
    assert run("--csv", csv_file, "--channel", "pull") == 0
    saved = sorted((tmp_path / "recordings" / "scales").iterdir())
    assert [path.suffix for path in saved] == [".json", ".png"]
    assert capsys.readouterr().out.endswith(f"Saved: {saved[0]}\nSaved: {saved[1]}\n")


def test_a_certificate_that_cannot_be_saved_is_on_the_screen_all_the_same(csv_file, tmp_path, capsys):
    (tmp_path / "file").write_text("in the way")
    with pytest.raises(CalibrationError, match=r"was not saved in .*; copy the line above, or choose another --folder"):
        run("--csv", csv_file, "--folder", tmp_path / "file")
    assert "Use it: channels=force:N*" in capsys.readouterr().out


def test_a_second_certificate_of_one_moment_gets_a_number_and_odd_letters_become_lines(tmp_path, monkeypatch):
    monkeypatch.setattr("biofeedback.report.scale_figure.write_residuals", lambda path, **_: path.touch())
    named = make_certificate(sensor="A-1_ü/.")
    paths = [scale.save(named, tmp_path / "new" / "folder")[0].name for _ in range(3)]
    stem = "scale-A-1_ü__-2026-01-05T180000"
    assert paths == [f"{stem}.json", f"{stem}-2.json", f"{stem}-3.json"]


def test_with_a_sensor_the_loads_are_asked_for_and_creep_counts_from_the_second_load_on(tmp_path, monkeypatch, capsys):
    """Creep is a share of the span of the readings: of one load there is none."""
    bench = Bench()
    monkeypatch.setattr(scale, "open_source", lambda url: bench)
    monkeypatch.setattr(scale, "save", lambda certificate, folder: (folder / "a", folder / "b"))
    seen = []
    monkeypatch.setattr(
        scale, "make_certificate", lambda *told, **words: seen.append((told, words)) or make_certificate()
    )
    slow = np.r_[np.full(800, 5400.0), np.full(800, 5300.0)]
    for readings, creep_percent in (
        ([400.0, 5400.0, 2400.0], pytest.approx(-2.0)),
        ([400.0, 5400.0], pytest.approx(-2.0)),
        ([400.0], None),
    ):
        loads = [0.0, 5.0, 2.0][: len(readings)]
        monkeypatch.setattr(scale, "ask_for_loads", lambda tap, unit, r=readings, x=loads: (x, r, (slow, 80.0)))
        assert run("--source", "bench:", "--unit", "N", "--folder", tmp_path, "--sensor", "S9") == 0
        assert seen[-1][0] == (loads, readings)
        assert (seen[-1][1]["creep_percent"], seen[-1][1]["sensor"], seen[-1][1]["unit"]) == (creep_percent, "S9", "N")
    text = capsys.readouterr().out
    assert text.startswith(scale.INTRODUCTION)
    assert "Use it: channels=force:N*0.1" in text


def test_a_load_is_checked_on_the_sensor_itself(tmp_path, monkeypatch, capsys):
    bench = Bench()
    bench.load = 10.0
    monkeypatch.setattr(scale, "open_source", lambda url: bench)
    path = tmp_path / "c.json"
    path.write_text(make_certificate(line=(401.0, 1000 / 9.80665), coefficients=(401.0, 1000 / 9.80665)).to_json())
    assert run("--check", path, "--load", 10, "--source", "bench:") == 0
    assert "98.07 N reads 98.07" in capsys.readouterr().out


def test_what_is_read_is_what_hangs_there_now_and_touches_no_rail(monkeypatch):
    bench = Bench()
    bench.channels = (Channel(name="force", kind="force", rail_low_counts=7.0), bench.channels[1])
    with scale.Tap(bench) as tap:
        assert (tap.channel.name, tap._column) == ("force", 0)
        with pytest.raises(CalibrationError, match="lies on the converter's rail; lower the gain"):
            tap.read(0.5)  # its first column always reads 7
    with scale.Tap(Bench(), "force") as tap:
        bench = tap.source
        first = tap.read(1.0)
        bench.load = 3.0
        tap.read(0.5)
        then = tap.read(1.0)
        assert (len(first), len(then)) == (80, 80)
        assert first.mean() == pytest.approx(401, abs=0.1)
        assert then.mean() == pytest.approx(3401, abs=0.1)
        bench.load = 39.6
        with pytest.raises(CalibrationError, match="converter's rail"):
            tap.read(1.0)


def test_no_answer_ends_the_loads():
    def ask(question):
        raise EOFError

    assert scale.ask_for_loads(None, "kg", ask) == ([], [], None)
    assert scale._ask(lambda question: f"  {question} ", "5") == "5"


def test_each_question_counts_the_loads_and_what_was_read_is_said(capsys):
    class Still:
        class source:  # noqa: N801 - as a source is reached
            rate_hz = 80.0

        def read(self, seconds):
            watched.append(seconds)
            return 1000.0 + np.arange(round(80 * seconds)) % 2

    watched = []
    questions, answers = [], iter(["1.5", "creep", "2", ""])
    loads, readings, creep = scale.ask_for_loads(Still(), "lb", lambda q: questions.append(q) or next(answers))
    assert questions == [f"Load {n} in lb: " for n in (1, 2, 2, 3)]
    assert (loads, readings) == ([1.5, 2.0], [1000.5, 1000.5])
    assert (len(creep[0]), creep[1]) == (4800, 80.0)
    assert watched == [3.0, 60.0, 3.0]  # a load for three seconds, its creep for a minute, as the introduction says
    assert capsys.readouterr().out.splitlines() == [
        "  1.5 lb reads 1000.5 counts, SD 0.501",
        "  read",
        "  2 lb reads 1000.5 counts, SD 0.501",
    ]
