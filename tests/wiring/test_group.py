"""Several athletes on one command line."""

from __future__ import annotations

import asyncio
from types import SimpleNamespace

import pytest

from biofeedback.cli import main
from biofeedback.errors import SessionError
from biofeedback.storage.recording import open_recording
from biofeedback.wiring import live_sessions
from biofeedback.wiring.group import pick_own, seat_athletes

TWO = ["--source", "simulated:?seed=1", "--source", "simulated:?seed=2"]


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        (TWO, "--source is given 2 times, --athlete 0 times"),
        ([*TWO, "--athlete", "A01"], "--athlete 1 times"),
        ([*TWO, "--athlete", "A01", "--athlete", "a01"], "not all different"),
        ([*TWO[:2], "--athlete", "A01", "--athlete", "A02"], "--athlete 2 times"),
        ([*TWO, *TWO, *TWO[:2], *[f"--athlete=A0{k}" for k in range(1, 6)]], "at most 4"),
        ([*TWO, "--athlete=A01", "--athlete=A02", "--maximum=force=300"], "write --maximum A01:force=300"),
        ([*TWO, "--athlete=A01", "--athlete=A02", "--carry=old.hold"], "does not say whose"),
        ([*TWO[:3], "serial:/dev/does-not-exist?rate=80", "--athlete=A01", "--athlete=A02"], "does-not-exist"),
    ],
)
def test_a_mistake_is_one_line_with_its_cure_and_leaves_no_recording(capsys, tmp_path, arguments, words):
    assert main(["live", *arguments, "--folder", str(tmp_path), "--no-browser", "--port", "0"]) == 1
    err = capsys.readouterr().err
    assert len(err.splitlines()) == 1
    assert words in err
    assert ";" in err
    assert list(tmp_path.iterdir()) == []


def test_one_source_needs_no_code_and_several_keep_their_order():
    assert seat_athletes(["one"], []) == [("one", "A01")]
    assert seat_athletes(["one"], ["B07"]) == [("one", "B07")]
    assert seat_athletes(["one", "two"], ["B", "A"]) == [("one", "B"), ("two", "A")]


def test_an_option_is_taken_by_the_athlete_it_names():
    texts = ["A02:force=300", "A01:C:\\old.hold"]
    assert pick_own(texts, "A01", ["A01", "A02"], "--x") == ["C:\\old.hold"]
    assert pick_own(texts, "A02", ["A01", "A02"], "--x") == ["force=300"]
    assert pick_own(["C:\\old.hold"], "A01", ["A01"], "--x") == ["C:\\old.hold"]
    with pytest.raises(SessionError, match="does not say whose"):
        pick_own(["A03:force=1"], "A01", ["A01", "A02"], "--x")


@pytest.mark.parametrize("arguments", [["--athletes", "5"], ["--athletes", "0"]])
def test_a_demo_seats_one_to_four(arguments):
    with pytest.raises(SystemExit) as exit_:
        main(["demo", *arguments])
    assert exit_.value.code == 2


def test_a_demo_group_numbers_its_athletes_itself(capsys):
    assert main(["demo", "--athletes", "2", "--athlete", "B01"]) == 1
    assert "--athletes alone" in capsys.readouterr().err


def test_replays_end_each_in_its_own_recording(capsys, tmp_path, monkeypatch):
    """Two replays of different length: both files are whole, and each holds its own athlete's counts."""
    shown = []
    monkeypatch.setattr(live_sessions, "show_page", shown.append)
    originals = [tmp_path / f"{code}.hold" for code in ("A01", "A02")]
    folder = tmp_path / "again"
    arguments = ["live", "--folder", str(folder), "--port", "0"]
    for seed, path in enumerate(originals):
        source = f"simulated:?seed={seed}&athlete={path.stem}&channels=force&rate=80"
        assert main(["simulate", source, str(path), "--fast"]) == 0
        arguments += ["--source", f"replay:{path}?speed=200", "--athlete", path.stem]
    assert main(arguments) == 0
    told = capsys.readouterr().out
    assert told.count("Recorded: ") == 2
    assert [f"Page: {page} " in told for page in shown] == [True]  # the page opens by itself, once
    for path in originals:
        (again,) = folder.glob(f"{path.stem}-*.hold")
        copy, original = open_recording(again), open_recording(path)
        assert copy.settings["athlete"] == path.stem
        assert (copy.counts() == original.counts()).all()


def test_one_that_fails_ends_alone_and_its_error_is_raised_when_all_have_ended(capsys):
    ended = []

    async def fail():
        raise SessionError("the sensor is gone", "plug it in")

    async def last():
        await asyncio.sleep(0)
        ended.append(capsys.readouterr().err)

    lives = {"A01": SimpleNamespace(run=fail), "A02": SimpleNamespace(run=last)}
    with pytest.raises(SessionError, match="the sensor is gone"):
        asyncio.run(live_sessions._run_all(lives))
    assert ended == ["A01: the sensor is gone; plug it in\n"]
