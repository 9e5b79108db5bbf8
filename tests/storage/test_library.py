from __future__ import annotations

import argparse
import json
import os
import sqlite3
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

from biofeedback.commands import forget as forget_command
from biofeedback.commands import list as list_command
from biofeedback.errors import AnalysisError, RecordingError
from biofeedback.model import Band, Chunk, Event, Note
from biofeedback.storage import library
from biofeedback.storage.amend import add_events
from biofeedback.storage.evening import Evening, add_band, read_evening
from biofeedback.storage.forget import find_files_of, forget_athlete
from biofeedback.storage.library import INDEX, Entry, filter_recordings, find_answers, list_recordings
from biofeedback.storage.recorder import Recorder
from biofeedback.storage.recording import Recording, open_recording

from .helpers import make_counts, make_settings, wait_until_saved


def record(path: Path, *, athlete: str = "A01", day: int = 1, events: tuple[Event, ...] = (), **more: Any) -> None:
    settings = make_settings(athlete=athlete, started_utc=f"2026-11-{day:02}T18:00:00+00:00", **more)
    with Recorder.create(path, settings, threaded=False) as recorder:
        recorder.append(Chunk(0, make_counts(100)))
        for event in events:
            recorder.event(event)


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    folder = tmp_path / "recordings"
    record(folder / "A01-1.hold", side="left", exercise="standing hamstring stretch", position="heel on box")
    plan = Event(0, "plan", {"name": "response-check"})
    said = Event(10, "rating", {"value": 6})
    record(
        folder / "A01-2.hold", day=2, side="right", covariates={"heat": True, "warm-up": "10 min"}, events=(plan, said)
    )
    answer = Event(50, "answer", {"word": "less"})
    record(folder / "squad" / "B02-1.hold", athlete="B02", day=3, side="left", events=(plan, plan, answer))
    return folder


def names(entries: list[Any]) -> list[str]:
    return [entry.name for entry in entries]


def test_listing_is_newest_first_with_what_each_recording_says(folder: Path) -> None:
    entries = list_recordings(folder)
    assert names(entries) == ["squad/B02-1.hold", "A01-2.hold", "A01-1.hold"]
    assert (entries[0].word, entries[0].plans, entries[0].duration_s) == ("less", "response-check", 1.0)
    assert (entries[1].covariates, entries[1].n_ratings) == ("heat; warm-up: 10 min", 1)


@pytest.mark.parametrize(
    ("filters", "expected"),
    [
        ({"athlete": "a01"}, ["A01-2.hold", "A01-1.hold"]),
        ({"athlete": "A0"}, []),
        ({"side": "left", "exercise": "HAMSTRING"}, ["A01-1.hold"]),
        ({"position": "box"}, ["A01-1.hold"]),
        ({"plan": "response"}, ["squad/B02-1.hold", "A01-2.hold"]),
        ({"covariate": "heat"}, ["A01-2.hold"]),
        ({"word": "less"}, ["squad/B02-1.hold"]),
        ({"since": "2026-11-02"}, ["squad/B02-1.hold", "A01-2.hold"]),
        ({"until": "2026-11-02"}, ["A01-2.hold", "A01-1.hold"]),
        ({"since": "2026-11", "until": "2026-11"}, ["squad/B02-1.hold", "A01-2.hold", "A01-1.hold"]),
    ],
)
def test_filters(folder: Path, filters: dict[str, str], expected: list[str]) -> None:
    assert names(filter_recordings(list_recordings(folder), **filters)) == expected


def test_only_new_and_changed_files_are_opened(folder: Path) -> None:
    opened: list[int] = []
    list_recordings(folder, progress=lambda done, n: opened.append(n))
    assert opened == [3, 3, 3]
    opened.clear()
    assert len(list_recordings(folder, progress=lambda done, n: opened.append(n))) == 3
    assert opened == []
    (folder / "A01-1.hold").unlink()
    record(folder / "C03-1.hold", athlete="C03", day=9)
    assert names(list_recordings(folder, progress=lambda done, n: opened.append(n)))[0] == "C03-1.hold"
    assert opened == [1]


@pytest.mark.parametrize("content", [None, b"no database at all", b"SQLite format 3\0" + bytes(5000)])
def test_the_index_is_only_a_cache(folder: Path, content: bytes | None) -> None:
    before = list_recordings(folder)
    if content is None:
        (folder / INDEX).unlink()
    else:
        (folder / INDEX).write_bytes(content)
    assert list_recordings(folder) == before
    assert list_recordings(folder) == before
    assert (folder / INDEX).stat().st_mode & 0o077 == 0


def test_an_index_held_by_another_program_costs_nothing_but_time(folder: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    before = list_recordings(folder)
    holder = sqlite3.connect(folder / INDEX)
    holder.execute("BEGIN EXCLUSIVE")
    connect = sqlite3.connect
    monkeypatch.setattr(sqlite3, "connect", lambda *a, **k: connect(*a, **{**k, "timeout": 0.0}))
    assert list_recordings(folder) == before
    holder.close()


def test_a_growing_recording_is_read_again(folder: Path) -> None:
    path = folder / "live.hold"
    with Recorder.create(path, make_settings(started_utc="2026-12-01")) as recorder:
        assert list_recordings(folder)[0].duration_s == 0
        recorder.append(Chunk(0, make_counts(200)))
        wait_until_saved(recorder)
        assert list_recordings(folder)[0].duration_s == 2.0


def test_what_cannot_be_read_is_listed_with_its_reason(folder: Path, capsys: pytest.CaptureFixture[str]) -> None:
    (folder / "broken.hold").write_bytes(b"not a recording")
    entry = list_recordings(folder)[-1]
    assert "broken.hold is not a recording" in entry.problem
    parser = argparse.ArgumentParser()
    list_command.add_arguments(parser)
    assert list_command.run(parser.parse_args([str(folder)])) == 0
    output = capsys.readouterr().out
    assert "cannot be read: " in output
    assert "4 of 4 recordings" in output


def test_answers_are_worked_out_once_and_kept(folder: Path) -> None:
    asked = []

    def find_word(recording: Recording) -> str:
        asked.append(recording.path.name)
        if recording.path.name == "A01-1.hold":
            raise AnalysisError("no ratings", "rate")
        return "more"

    entries = find_answers(folder, list_recordings(folder), find_word)
    assert {entry.name: entry.word for entry in entries} == {
        "A01-1.hold": "no answer",
        "A01-2.hold": "more",
        "squad/B02-1.hold": "less",
    }
    assert list_recordings(folder) == entries
    assert sorted(asked) == ["A01-1.hold", "A01-2.hold"]


def test_the_list_command_filters_and_speaks_json(folder: Path, capsys: pytest.CaptureFixture[str]) -> None:
    parser = argparse.ArgumentParser()
    list_command.add_arguments(parser)
    list_command.run(parser.parse_args([str(folder), "--athlete", "B02", "--json"]))
    (entry,) = json.loads(capsys.readouterr().out)
    assert entry["name"] == "squad/B02-1.hold"
    list_command.run(parser.parse_args([str(folder), "--side", "right"]))
    lines = capsys.readouterr().out.splitlines()
    assert lines[0].startswith("when (UTC)")
    assert "A01 (simulated)" in lines[1]
    assert lines[2].startswith("1 of 3 recordings in")


def test_a_folder_nobody_may_look_into_is_left_out_and_the_named_one_is_told(
    folder: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    scandir, closed = os.scandir, folder / "squad"

    def refuse(path: Path) -> Any:
        if Path(path) == closed:
            raise PermissionError(13, "Permission denied", str(path))
        return scandir(path)

    monkeypatch.setattr(os, "scandir", refuse)
    assert names(list_recordings(folder)) == ["A01-2.hold", "A01-1.hold"]
    with pytest.raises(RecordingError, match="cannot be read"):
        list_recordings(closed)


def test_no_folder(tmp_path: Path) -> None:
    with pytest.raises(RecordingError, match="there is no folder"):
        list_recordings(tmp_path / "nowhere")


def test_forget_takes_recordings_and_what_was_made_from_them_and_nothing_else(folder: Path) -> None:
    list_recordings(folder)
    (folder / "A01-1.html").write_text("report on A01")
    (folder / "A01-1_events.csv").write_text("onset")
    record(folder / "A01-10.hold", athlete="A012")
    files = find_files_of(folder, "A01")
    assert [path.name for path in files] == ["A01-1.hold", "A01-1.html", "A01-1_events.csv", "A01-2.hold"]
    done = forget_athlete(folder, "A01", files)
    left = sorted(path.relative_to(folder).as_posix() for path in folder.rglob("*") if path.is_file())
    assert left == ["A01-10.hold", "squad/B02-1.hold"]
    assert done.traces == (f"{folder / 'A01-10.hold'}: in its name",)
    assert done.n_searched == 2


def test_forget_knows_a_code_in_either_case_of_letters(folder: Path) -> None:
    record(folder / "a01-3.hold", athlete="a01")
    list_recordings(folder / "squad")  # has an index of its own from then on
    (folder / "notes.txt").write_text("a01 slept badly")
    files = find_files_of(folder, "a01")
    assert [path.name for path in files] == ["A01-1.hold", "A01-2.hold", "a01-3.hold"]
    assert forget_athlete(folder, "a01", files).traces == (f"{folder / 'notes.txt'}: in its text",)
    assert not list(folder.rglob(INDEX))


def test_an_answer_from_before_a_later_rating_or_maximum_is_not_listed(folder: Path) -> None:
    add_events(folder / "squad" / "B02-1.hold", [Event(90, "note", {"text": "late"})])
    assert list_recordings(folder)[0].word == "less"
    add_events(folder / "squad" / "B02-1.hold", [Event(90, "rating", {"value": 9})])
    assert list_recordings(folder)[0].word == ""


def test_forgotten_bytes_are_overwritten_before_the_name_goes(folder: Path) -> None:
    path = folder / "A01-1.hold"
    os.link(path, folder.parent / "other name of the same bytes")
    forget_athlete(folder, "A01", find_files_of(folder, "A01"))
    assert set((folder.parent / "other name of the same bytes").read_bytes()) == {0}


def test_forget_tells_where_a_code_is_still_mentioned(folder: Path, capsys: pytest.CaptureFixture[str]) -> None:
    with Recorder.create(folder / "D04.hold", make_settings(athlete="D04")) as recorder:
        recorder.append(Note(0, "same strap as A01"))
    (folder / "squad.csv").write_text("athlete\nA01\nA011\n")
    (folder / "other.csv").write_text("athlete\nA011\n")
    parser = argparse.ArgumentParser()
    forget_command.add_arguments(parser)
    assert forget_command.run(parser.parse_args(["A01", "--folder", str(folder), "--yes"])) == 1
    told = capsys.readouterr()
    assert told.err.splitlines() == [
        f"still mentions A01: {folder / 'D04.hold'}: in its text",
        f"still mentions A01: {folder / 'squad.csv'}: in its text",
    ]
    assert "2 files deleted" in told.out


def test_forget_asks_first(folder: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]) -> None:
    parser = argparse.ArgumentParser()
    forget_command.add_arguments(parser)
    args = parser.parse_args(["B02", "--folder", str(folder)])
    asked: list[str] = []
    monkeypatch.setattr("builtins.input", lambda prompt: asked.append(prompt) or "yes")
    assert forget_command.run(args) == 1
    assert (folder / "squad" / "B02-1.hold").exists()
    assert capsys.readouterr().out.splitlines() == [str(folder / "squad" / "B02-1.hold"), "Nothing was deleted."]
    assert asked == ["Delete this file for good? Type the code to go on: "]
    monkeypatch.setattr("builtins.input", lambda prompt: "B02")
    assert forget_command.run(args) == 0
    assert not (folder / "squad" / "B02-1.hold").exists()
    assert "2 other files searched: none mentions B02." in capsys.readouterr().out


def test_a_recording_in_progress_is_not_deleted(folder: Path) -> None:
    with Recorder.create(folder / "A01-live.hold", make_settings()) as recorder:
        recorder.append(Chunk(0, make_counts(100)))
        with pytest.raises(RecordingError, match="is in use; end the session"):
            forget_athlete(folder, "A01", find_files_of(folder, "A01"))
        assert (folder / "A01-1.hold").exists()
    assert open_recording(folder / "A01-live.hold").n_frames == 100


ENTRY = Entry(
    "a.hold",
    "1",
    started_utc="2026-01-31T18:00:00+00:00",
    athlete="A01",
    exercise="Hurdle  seat",
    side="left",
    position="floor, 90 degrees",
    plans="response-check; hold",
    covariates="heat; warm-up: 10 min",
    word="no clear difference",
)


@pytest.mark.parametrize(
    ("asked", "fits"),
    [
        ({}, True),
        ({"athlete": "a01"}, True),
        ({"athlete": "A0"}, False),
        ({"side": "LEFT"}, True),
        ({"side": "lef"}, False),
        ({"word": "No  clear difference"}, True),
        ({"word": "clear"}, False),
        ({"exercise": "hurdle S"}, True),
        ({"exercise": "bridge"}, False),
        ({"position": "90"}, True),
        ({"position": "45"}, False),
        ({"plan": "hold"}, True),
        ({"plan": "dose"}, False),
        ({"covariate": "Warm-up"}, True),
        ({"covariate": "massage"}, False),
        ({"athlete": "A01", "plan": "dose"}, False),
        ({"since": "2026-01-31"}, True),
        ({"since": "2026-02"}, False),
        ({"since": "2026-01-31T18:00:00+00:00"}, True),
        ({"since": "2026-01-31T18:00:01"}, False),
        ({"until": "2026-01-31"}, True),
        ({"until": "2026-01"}, True),
        ({"until": "2026"}, True),
        ({"until": "2026-01-30"}, False),
        ({"until": "2025"}, False),
    ],
)
def test_an_entry_fits_all_that_is_asked(asked: dict[str, str], fits: bool) -> None:
    assert filter_recordings([ENTRY], **asked) == ([ENTRY] if fits else [])


@pytest.mark.parametrize(
    ("value", "texts"),
    [
        ({"heat": True, "warm-up": "10 min", "massage": False, "": ""}, ["heat", "warm-up: 10 min"]),
        ("heat", ["heat"]),
        ("", []),
        (["heat", 5], ["heat", "5"]),
        (None, []),
    ],
)
def test_what_was_done_before_as_texts(value: object, texts: list[str]) -> None:
    assert library._name_covariates(value) == texts


def test_the_effort_worth_trying_is_looked_for_once_and_only_where_there_is_an_answer() -> None:
    assert library.lacks_band(ENTRY)
    assert not library.lacks_band(replace(ENTRY, word=""))
    assert not library.lacks_band(replace(ENTRY, problem="it is damaged"))
    sought = replace(ENTRY, evening=add_band("", None))
    assert not library.lacks_band(sought)
    assert not library.lacks_band(replace(ENTRY, evening=add_band("", Band(40.0, 60.0))))
    assert read_evening(sought.evening) == Evening(band_sought=True)
