"""The command line's promises: exit codes, one line with its cure, and documentation that names every command."""

from __future__ import annotations

import re
import threading
from pathlib import Path

import pytest

from biofeedback.acquisition.simulated import SimulatedSource
from biofeedback.cli import COMMANDS, main
from biofeedback.commands import simulate
from biofeedback.session.plan import BUILT_IN
from biofeedback.session.setup import GRADED
from biofeedback.storage.recording import open_recording

ROOT = Path(__file__).resolve().parents[2]


def run(capsys, *arguments):
    code = main(arguments)
    captured = capsys.readouterr()
    return code, captured.out, captured.err


def test_no_command_is_wrong_usage(capsys):
    with pytest.raises(SystemExit) as exit_:
        main([])
    assert exit_.value.code == 2
    assert "usage" in capsys.readouterr().err


@pytest.mark.parametrize(
    ("word", "cure"),
    [("reprot", "did you mean report?"), ("convrt", "did you mean convert?"), ("zzz", "lists the commands")],
)
def test_a_command_that_is_none_gets_a_suggestion(capsys, word, cure):
    with pytest.raises(SystemExit) as exit_:
        main([word])
    assert exit_.value.code == 2
    (line,) = capsys.readouterr().err.splitlines()
    assert cure in line


@pytest.mark.parametrize("command", COMMANDS)
def test_every_command_explains_itself_and_is_documented(capsys, command):
    with pytest.raises(SystemExit) as exit_:
        main([command, "--help"])
    assert exit_.value.code == 0
    assert len(capsys.readouterr().out) > 100
    documents = (ROOT / "README.md").read_text("utf-8") + (ROOT / "DEVELOPERS.md").read_text("utf-8")
    assert re.search(rf"biofeedback {command}\b", documents)


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        (["live", "--source", "serial:/dev/does-not-exist?rate=80"], "does-not-exist"),
        (["live", "--source", "nonsense"], "for example"),
        (["live", "--source", "simulated:?seed=x"], "seed"),
        (["live", "--source", "simulated:?seed=1", "--maximum", "arm=3"], "no channel 'arm'"),
        (["live", "--source", "simulated:?seed=1", "--maximum", "force=0"], "not a number above 0"),
        (["live", "--source", "simulated:?seed=1", "--plan", "missing.toml"], "cannot be read"),
        (["live", "--source", "simulated:?seed=1", "--athlete", "Some Name"], "not a code"),
        (
            ["live", "--source", "simulated:?seed=1", "--exercise", "hamstring-standig"],
            "did you mean hamstring-standing",
        ),
        (["live", "--source", "simulated:?seed=1", "--port", "99999"], "127.0.0.1:99999 cannot be used"),
        (["live", "--source", "simulated:?seed=1", "--limit", "11"], "from 0 to 10"),
        (["simulate", "simulated:?seed=1", "missing/new.hold", "--limit", "11"], "from 0 to 10"),
        (["simulate", "serial:/dev/does-not-exist?channels=force", "missing/new.hold"], "simulated:?seed=1"),
        (["list", str(ROOT), "--since", "yesterday"], "--since yesterday is not a date"),
        (["history", "A01", "--folder", str(ROOT), "--since", "2026-13"], "--since 2026-13 is not a date"),
        (["forget", " ", "--folder", str(ROOT), "--yes"], "no code is given"),
        (["convert", "missing.hold"], "is a recording already"),
        (["convert", "LOADS", "--rate", "nan"], "--rate nan is not a rate that can be used"),
        (["convert", "LOADS", "--rate", "0"], "--rate 0 is not a rate that can be used"),
        (["convert", "LOADS", "--rate", "80", "--athlete", "Some Name"], "not a code"),
        (["convert", "LOADS", "--rate", "80", "--started", "yesterday"], "is not a date"),
        (["convert", "missing.edf", "--rate", "80"], "are for tables"),
        (["cohort", str(ROOT / "recordings-demo"), "--out", "LOADS"], "was not written by this command"),
        (["sensors", "check", "simulated:?seed=1", "--seconds", "nan"], "cannot be watched"),
        (["scale", "--csv", "LOADS", "--folder", "LOADS/below"], "was not saved in"),
        (["scale", "--csv", "LOADS", "--lever-arm-m", "0"], "not a lever arm"),
        (["scale", "--csv", "LOADS", "--load", "3"], "--load only goes with --check"),
        (["report", "missing.hold"], "missing.hold"),
        (["report", str(ROOT / "README.md")], "not a recording"),
    ],
)
def test_a_mistake_is_one_line_with_its_cure(capsys, tmp_path, arguments, words):
    if arguments[0] == "live":
        arguments = [*arguments, "--folder", str(tmp_path), "--no-browser"]
    (tmp_path / "loads.csv").write_text("load,reading\n0,0\n1,100\n2,200\n3,300\n4,400\n5,500\n")
    arguments = [text.replace("LOADS", str(tmp_path / "loads.csv")) for text in arguments]
    code, _, err = run(capsys, *arguments)
    assert code == 1
    assert len(err.splitlines()) == 1
    assert words in err
    assert ";" in err  # what; cure


def test_a_simulation_that_does_not_end_leaves_no_file(capsys, tmp_path, monkeypatch):
    monkeypatch.setattr("biofeedback.commands.simulate.LONGEST_S", 5.0)
    code, _, err = run(capsys, "simulate", "simulated:?seed=1&rate=80&channels=force", str(tmp_path / "one.hold"))
    assert code == 1
    assert "does not end" in err
    assert not list(tmp_path.iterdir())


def test_simulate_makes_the_same_bytes_for_the_same_seed(capsys, tmp_path):
    files = [tmp_path / name for name in ("one.hold", "two.hold", "other.hold")]
    for file, seed in zip(files, (5, 5, 6), strict=True):
        source = f"simulated:?seed={seed}&athlete=A05&channels=force&rate=80"
        assert run(capsys, "simulate", source, str(file), "--fast")[0] == 0
    assert files[0].read_bytes() == files[1].read_bytes()
    assert files[0].read_bytes() != files[2].read_bytes()
    recording = open_recording(files[0])
    assert recording.settings["simulated"] is True
    assert [e.data["value"] for e in recording.events if e.kind == "rating"]
    code, _, err = run(capsys, "simulate", source, str(files[0]))
    assert code == 1
    assert "exists already" in err


def test_simulate_passes_over_what_is_quiet_and_changes_no_byte(capsys, tmp_path, monkeypatch):
    """Attempts, questions, a rest before the plan, a prompt and its answer: each at the same step of 50 ms."""
    ends: dict[str, list[int]] = {"whole.hold": [], "steps.hold": []}
    for name, made in ends.items():
        produce = SimulatedSource.produce_bytes
        with monkeypatch.context() as patch:
            patch.setattr(SimulatedSource, "produce_bytes", lambda s, n, m=made, p=produce: m.append(n) or p(s, n))
            if name == "steps.hold":
                patch.setattr(simulate, "_count_steps", lambda *_: 1)
            source = "simulated:?seed=3&athlete=A01&channels=force&rate=50"
            assert run(capsys, "simulate", source, str(tmp_path / name), "--fast", "--plan", "light-hold")[0] == 0
    is_same = (tmp_path / "whole.hold").read_bytes() == (tmp_path / "steps.hold").read_bytes()
    assert is_same
    assert sum(ends["whole.hold"]) == sum(ends["steps.hold"])
    assert len(ends["whole.hold"]) < len(ends["steps.hold"]) / 2


@pytest.mark.parametrize(
    ("arguments", "told"),
    [
        (
            ["report", "a.hold", "--figurs", "out"],
            "biofeedback report: --figurs is not understood; did you mean --figures?",
        ),
        (["convert", "a.csv", "--maxium=3"], "did you mean --maximum?"),
        (["history", "A01", "elsewhere"], "elsewhere is not understood; `biofeedback history --help` explains"),
        (["list", "--zzzzz"], "--zzzzz is not understood; `biofeedback list --help` explains"),
    ],
)
def test_an_option_that_is_none_is_told_in_one_line(
    arguments: list[str], told: str, capsys: pytest.CaptureFixture[str]
) -> None:
    with pytest.raises(SystemExit) as left:
        main(arguments)
    assert left.value.code == 2
    (line,) = capsys.readouterr().err.splitlines()
    assert told in line


@pytest.mark.parametrize(
    ("words", "expected"),
    [
        (
            [],
            {
                "athlete": "A07",
                "exercise": "standing hamstring stretch",
                "side": "left",
                "position": "heel on a box, 60 cm",
                "joint": "knee",
                "limit": 10.0,
                "fast": False,
                "simulated": True,
                "started_utc": "2026-01-05T18:00:00+00:00",
                "plans": [BUILT_IN[0]],
            },
        ),
        (
            [
                *("--exercise=seat", "--side=both", "--position=mat", "--joint=hip", "--limit=4.5", "--fast"),
                *("--started=2026-02-01T07:00:00+00:00", "--plan=light-hold", "--plan=dose-search"),
            ],
            {
                "exercise": "seat",
                "side": "both",
                "position": "mat",
                "joint": "hip",
                "limit": 4.5,
                "fast": True,
                "started_utc": "2026-02-01T07:00:00+00:00",
                "plans": ["light-hold", "dose-search"],
            },
        ),
    ],
)
def test_what_is_said_to_simulate_is_what_is_led_and_written_by_one_thread_alone(
    capsys, tmp_path, monkeypatch, words, expected
):
    """A second thread would write when it comes to it, and equal sessions would not be equal files."""
    led, before = [], threading.enumerate()

    def lead(source, recorder, setup, plans, started):
        fresh = [thread.name for thread in threading.enumerate() if thread not in before]
        led.append((setup, [plan.name for plan in plans], started.isoformat(), "recorder" in fresh))

    monkeypatch.setattr(simulate, "_lead", lead)
    path = tmp_path / "A07.hold"
    asked = ["simulate", "simulated:?seed=2&athlete=A07&channels=force&rate=80", str(path), *words]
    assert run(capsys, *asked) == (0, f"Simulated: {path}\n", "")
    (setup, names, started, has_writer), *_ = led
    assert {**{name: getattr(setup, name) for name in expected if name != "plans"}, "plans": names} == expected
    assert {name: getattr(setup, name) for name in GRADED} == GRADED
    assert (started, has_writer) == (setup.started_utc, False)
    kept = open_recording(path).settings
    assert (kept["athlete"], kept["simulated"], kept["started_utc"]) == ("A07", True, setup.started_utc)
    assert run(capsys, *asked)[0] == 1  # never over another one
    assert run(capsys, *asked, "--force")[0] == 0
    assert len(led) == 2


def test_a_simulation_begins_at_a_date(capsys, tmp_path):
    code, _, err = run(capsys, "simulate", "simulated:?seed=2", str(tmp_path / "A01.hold"), "--started", "monday")
    assert code == 1
    assert "--started 'monday' is not a date; write 2026-01-05T18:00:00+00:00" in err
    assert not list(tmp_path.iterdir())
