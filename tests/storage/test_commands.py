from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from biofeedback.analysis.answer import analyse_recording
from biofeedback.analysis.trace import compute_trace
from biofeedback.cli import main
from biofeedback.errors import RecordingError
from biofeedback.model import Channel, Chunk, Event, Gap
from biofeedback.report.html import build_report
from biofeedback.storage.amend import add_events
from biofeedback.storage.check import check_recording
from biofeedback.storage.recorder import Recorder
from biofeedback.storage.recording import open_recording

from .helpers import execute, make_counts, make_settings, need_module, wait_until_saved


@pytest.fixture
def path(tmp_path: Path) -> Path:
    with Recorder.create(tmp_path / "a.hold", make_settings(exercise="hurdle seat"), threaded=False) as recorder:
        recorder.append(Chunk(0, make_counts(500)))
        recorder.event(Event(100, "rating", {"value": 6, "phase_index": None}))
    return tmp_path / "a.hold"


@pytest.mark.parametrize(
    ("to", "names"),
    [
        ("csv", ["a.csv", "a.json", "a_events.csv"]),
        ("numpy", ["a.npz"]),
        ("edf", ["a.edf"]),
        ("bdf", ["a.bdf"]),
    ],
)
def test_export_names_what_it_made_and_writes_over_nothing(
    path: Path, to: str, names: list[str], capsys: pytest.CaptureFixture[str]
) -> None:
    if to in ("edf", "bdf"):
        need_module("edfio")
    out = path.parent / "new" / "out"
    assert main(["export", str(path), "--to", to, "--out", str(out)]) == 0
    assert capsys.readouterr().out.splitlines() == [str(out / name) for name in names]
    assert main(["export", str(path), "--to", to, "--out", str(out)]) == 1
    assert "exists already; use --force" in capsys.readouterr().err
    assert main(["export", str(path.parent), "--to", to, "--out", str(out), "--force", "--anonymous"]) == 0


def test_anonymous_names_tell_no_day(path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    path.rename(path.with_name("A01-20261124-180509.hold"))
    assert main(["export", str(path.parent), "--to", "csv", "--anonymous", "--out", str(path.parent / "out")]) == 0
    made = [Path(line) for line in capsys.readouterr().out.splitlines()]
    assert [file.name for file in made] == ["A01-1.csv", "A01-1.json", "A01-1_events.csv"]
    assert not any(b"2026" in file.read_bytes() for file in made)


@pytest.mark.parametrize("to", ["csv", "numpy"])
def test_nothing_anonymous_tells_the_day_of_a_certificate_or_of_a_repaired_file(path: Path, to: str) -> None:
    dated = {
        "certificates": {"force0": {"file": "S1-20261101.json", "sensor": "S1", "utc": "2026-11-01T10:00:00+00:00"}},
        "repaired_from": "A01-20261124-180509.hold",
    }
    with Recorder.create(path.with_name("b.hold"), make_settings(**dated), threaded=False) as recorder:
        recorder.append(Chunk(0, make_counts(50)))
    out = path.parent / "out"
    assert main(["export", str(path.with_name("b.hold")), "--to", to, "--anonymous", "--out", str(out)]) == 0
    content = b"".join(file.read_bytes() for file in out.iterdir()).replace(b"\0", b"")  # numpy: four bytes a letter
    assert b"force0" in content
    assert b"2026" not in content


def test_a_damaged_recording_leaves_no_half_table(path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    execute(path, "UPDATE chunks SET crc32 = crc32 + 1 WHERE first_frame = 400")
    out = path.parent / "out"
    assert main(["export", str(path), "--to", "csv", "--out", str(out)]) == 1
    assert "is damaged" in capsys.readouterr().err
    assert not list(out.iterdir())


def test_export_of_a_dataset(path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    need_module("edfio")
    assert main(["export", str(path), "--to", "bids"]) == 1
    assert "a dataset needs a folder of its own; use --out FOLDER" in capsys.readouterr().err
    assert main(["export", str(path), "--to", "bids", "--out", str(path.parent / "new"), "--force"]) == 1
    assert "never overwrites another; name a new folder" in capsys.readouterr().err
    assert (
        main(
            [
                "export",
                str(path),
                "--to",
                "bids",
                "--out",
                str(path.parent / "ds"),
                "--placement",
                "middle of the thigh",
            ]
        )
        == 0
    )
    (sidecar,) = (path.parent / "ds").rglob("*_emg.json")
    assert "middle of the thigh" in sidecar.read_text()


def write_table(path: Path, rate_hz: int = 1000, n_frames: int = 6000) -> Path:
    """A rest of 2 s at 5 N, then 2 s at 105 N, then nothing for 1 s, then 1 s at 105 N."""
    rows = ["time_s,load [N],hand"]
    for k in range(n_frames):
        t = k / rate_hz
        load = "" if 4 <= t < 5 else "5" if t < 2 else "105"
        rows.append(f"{t:.4f},{load},{k % 7}")
    path.write_text("\n".join(rows))
    return path


def test_a_foreign_table_becomes_a_recording_that_can_be_analysed(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    table = write_table(tmp_path / "trial.csv")
    events = tmp_path / "events.csv"
    events.write_text(
        "onset,duration,text\n0,2,phase passive\n2,4,phase contract 40-60 %\n1.5,,rating 7\n5.5,n/a,rating 4.5\n"
    )
    code = main(
        [
            "convert",
            str(table),
            "--channel",
            "load=force",
            "--rest",
            "0.5-1.9",
            "--maximum",
            "load=200",
            "--events",
            str(events),
            "--athlete",
            "A01",
            "--side",
            "left",
        ]
    )
    assert code == 0
    output = capsys.readouterr().out
    assert "column hand left out: its kind is not known" in output
    assert "load: 1000 cells are empty, 4.00 to 5.00 s: a gap" in output
    recording = open_recording(tmp_path / "trial.hold")
    assert recording.rate_hz == 1000.0
    assert [(g.first_frame, g.n_frames) for g in recording.items() if isinstance(g, Gap)] == [(4000, 1000)]
    assert (recording.settings["athlete"], recording.settings["side"]) == ("A01", "left")

    from biofeedback.analysis.answer import analyse_recording

    analysis = analyse_recording(recording)
    assert [row.rating.value for row in analysis.phases if row.rating] == [7, 4.5]
    held = (analysis.trace.time_s > 3) & (analysis.trace.time_s < 4)
    np.testing.assert_allclose(analysis.trace.percent[held, 0], 50.0, atol=0.1)  # (105 N - 5 N) of 200 N


@pytest.mark.parametrize(
    ("arguments", "message"),
    [
        (["--channel", "load"], "--channel load is not understood; write --channel NAME=KIND"),
        (["--channel", "load=force", "--rest", "5"], "--rest 5 is not a time span; write --rest 0-2"),
        (["--channel", "load=force", "--maximum", "lod=3"], "no channel 'lod'; use one of load"),
        (["--channel", "load=force", "--events", "nowhere.csv"], "nowhere.csv cannot be read"),
        ([], "no column is known to be force, emg or position; write --channel"),
    ],
)
def test_mistakes_end_in_one_line_with_a_cure_and_leave_nothing(
    tmp_path: Path, arguments: list[str], message: str, capsys: pytest.CaptureFixture[str]
) -> None:
    table = write_table(tmp_path / "trial.csv", n_frames=100)
    assert main(["convert", str(table), *arguments]) == 1
    error = capsys.readouterr().err
    assert message in error
    assert len(error.splitlines()) == 1
    assert not (tmp_path / "trial.hold").exists()


def test_what_was_not_recorded_is_added_and_nothing_else_changes(
    path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    before = open_recording(path)
    phases = path.parent / "phases.tsv"
    phases.write_text("onset\tduration\ttrial_type\n0.5\t2\tphase passive\n2.5\t1\tphase contract 20-30 %\n")
    assert main(["amend", str(path), "--events", str(phases), "--rating", "3=4.5", "--note", "new strap"]) == 0
    assert (
        "8 events added" in capsys.readouterr().out
    )  # two phases, each relaxed or not, the end of the last; rating; note
    after = open_recording(path)
    np.testing.assert_array_equal(after.counts(), before.counts())
    assert after.events[: len(before.events)] == before.events
    (rating,) = (event for event in after.events if event.kind == "rating" and event.frame == 300)
    assert (rating.data["value"], rating.data["phase_index"]) == (4.5, 1)
    assert rating.utc
    assert check_recording(path).is_sound


def test_a_maximum_added_afterwards_makes_percentages(path: Path) -> None:
    counts = np.repeat([10.0, 110.0], 1000)[:, None]
    force = Channel(name="force", kind="force", unit="N")
    about = {"channels": [force.to_dict()], "rate_hz": 100.0}
    with Recorder.create(path.parent / "b.hold", about, threaded=False) as recorder:
        recorder.append(Chunk(0, counts))
    assert main(["amend", str(path.parent / "b.hold"), "--rest", "1-9", "--maximum", "force=200"]) == 0
    trace = compute_trace(open_recording(path.parent / "b.hold"))
    assert trace.percent[1500, 0] == pytest.approx(50.0, abs=0.1)
    before = open_recording(path.parent / "b.hold").events
    assert (
        main(["amend", str(path.parent / "b.hold"), "--maximum", "force=400@16", "--by", "C01", "--why", "strap"]) == 0
    )
    after = open_recording(path.parent / "b.hold")
    assert after.events[: len(before)] == before  # the old one is kept
    trace = compute_trace(after)
    assert trace.percent[1500, 0] == pytest.approx(50.0, abs=0.1)
    assert trace.percent[1700, 0] == pytest.approx(25.0, abs=0.1)
    (note,) = (event for event in after.events[len(before) :] if event.kind == "note")
    assert note.data["text"] == "maximum of force from 16 s on: 400 N instead of 200 N (typed), typed by C01; strap"
    assert main(["amend", str(path.parent / "b.hold"), "--maximum", "force=100"]) == 0  # for all of it
    assert compute_trace(open_recording(path.parent / "b.hold")).percent[1500, 0] == pytest.approx(100.0, abs=0.1)


def push_three_times(path: Path, *, short: bool = False) -> None:
    """Rest at 10 N, then 4 s at 110 N, 210 N and 160 N, 5 s apart; the last is only 1 s when ``short``."""
    force, emg = Channel(name="force", kind="force", unit="N"), Channel(name="emg", kind="emg", envelope=True)
    counts = np.full((4000, 2), 10.0)
    for from_s, to_s, newton in ((10, 14, 110.0), (20, 24, 210.0), (30, 31 if short else 34, 160.0)):
        counts[from_s * 100 : to_s * 100, 0] = newton
    counts += np.random.default_rng(1).normal(0, 0.2, counts.shape)
    counts[:300, 1] += np.linspace(0, 500, 300)  # not at rest when the force was
    with Recorder.create(
        path, {"channels": [force.to_dict(), emg.to_dict()], "rate_hz": 100.0}, threaded=False
    ) as made:
        made.append(Chunk(0, counts))


def test_a_maximum_is_taken_from_pushes_in_the_recording(path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    push_three_times(path.with_name("p.hold"))
    words = [
        "amend",
        str(path.with_name("p.hold")),
        "--rest",
        "0.5-2.5",
        "--maximum-from",
        "10-14",
        "--maximum-from",
        "20-24",
    ]
    assert main(words) == 0
    told = capsys.readouterr().out
    assert "no zero: emg moves by" in told  # one channel's refusal does not cost the other its zero
    assert "the best half second of 20-24 s, 2 pushes" in told
    account = open_recording(path.with_name("p.hold")).account
    assert account.maxima["force"].strength == pytest.approx(200.0, abs=1.0)
    trace = compute_trace(open_recording(path.with_name("p.hold")))
    assert trace.percent[3200, 0] == pytest.approx(75.0, abs=1.0)


@pytest.mark.parametrize(
    ("span", "message"),
    [
        ("30-35", "--maximum-from 30-35 s: force cannot be taken, "),
        ("0.5-4", "the second before the push is needed; begin at 1 s or later"),
        ("39-50", "is after the end; check the times"),
        ("lod=10-14", "no channel 'lod'; use one of force, emg"),
        ("10", "--maximum-from 10 is not a time span; write --maximum-from 25-29"),
    ],
)
def test_pushes_that_are_none_are_refused_as_live(
    span: str, message: str, path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    push_three_times(path.with_name("p.hold"), short=True)
    before = path.with_name("p.hold").read_bytes()
    assert main(["amend", str(path.with_name("p.hold")), "--maximum-from", span]) == 1
    assert message in capsys.readouterr().err
    assert path.with_name("p.hold").read_bytes() == before


@pytest.fixture
def made(tmp_path: Path) -> Path:
    rows = "\n".join(f"{k / 100},{10 + k % 7}" for k in range(1000))
    (tmp_path / "made.csv").write_text(f"time_s,force_N\n{rows}\n")
    assert main(["convert", str(tmp_path / "made.csv")]) == 0
    return tmp_path / "made.hold"


@pytest.mark.parametrize(
    ("arguments", "message"),
    [
        (["--maximum", "412"], "no channel '412'; write --maximum force=412"),
        (["--maximum", "force=1e12"], "no sensor measures as much; write --maximum force=412"),
        (["--maximum", "force=412N"], "not a number above 0; write --maximum force=412"),
        (["--rest", "500-510"], "--rest 500-510 s is after the end; check the times"),
    ],
)
def test_what_cannot_be_put_right_says_how_it_is_written(
    made: Path, arguments: list[str], message: str, capsys: pytest.CaptureFixture[str]
) -> None:
    assert main(["amend", str(made), *arguments]) == 1
    assert message in capsys.readouterr().err


@pytest.mark.parametrize("name", ["force", "Force", "force (N)", "FORCE [N]", "force_N"])
def test_a_channel_is_found_with_and_without_its_unit_afterwards_too(made: Path, name: str) -> None:
    assert main(["amend", str(made), "--maximum", f"{name}=412"]) == 0
    assert open_recording(made).account.maxima["force"].strength == 412.0


def test_a_file_named_where_a_folder_is_meant_makes_no_folder_of_that_name(
    path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    out = path.parent / "out"
    assert main(["export", str(path), "--to", "csv", "--out", str(out / "table.csv")]) == 1
    told = capsys.readouterr().err
    assert told.endswith(f"use --out {out}\n")
    assert not out.exists()
    assert main(["export", str(path), "--to", "csv", "--out", str(out)]) == 0
    assert (out / f"{path.stem}.csv").is_file()


@pytest.mark.parametrize(
    ("arguments", "message"),
    [
        ([], "nothing to add; give --rating"),
        (["--rating", "3"], "--rating 3 is not understood; write --rating 31.2=6.5"),
        (["--rating", "3=11"], "discomfort from 0 to 10"),
        (["--rating", "99=3"], "99.0 s is after the end, 5.0 s; check the times"),
        (["--rating", "nan=3"], "--rating nan=3 is not understood"),
        (["--rating", "inf=3"], "--rating inf=3 is not understood"),
        (["--rest", "0-inf"], "--rest 0-inf is not a time span"),
        (["--events", "onset,text\nnan,rating 3"], "line 2: nan is not a time in the recording"),
        (["--events", "onset,text\n-1,rating 3"], "line 2: -1 is not a time in the recording"),
        (["--events", "onset,text\n1"], "line 2: its text is missing"),
    ],
)
def test_amending_has_its_cures(
    path: Path, arguments: list[str], message: str, capsys: pytest.CaptureFixture[str]
) -> None:
    before = path.read_bytes()
    if arguments[:1] == ["--events"]:
        table = path.with_name("events.csv")
        table.write_text(arguments[1], "utf-8")
        arguments = ["--events", str(table)]
    assert main(["amend", str(path), *arguments]) == 1
    assert message in capsys.readouterr().err
    assert path.read_bytes() == before


def test_the_report_says_which_maximum_was_used_who_said_so_and_why(tmp_path: Path) -> None:
    path = tmp_path / "p.hold"
    push_three_times(path)
    assert main(["amend", str(path), "--rest", "0.5-2.5", "--maximum", "force=400"]) == 0
    words = ["--maximum-from", "20-24", "--by", "B02", "--why", "the first one was of another athlete"]
    assert main(["amend", str(path), *words]) == 0
    analysis = analyse_recording(open_recording(path))
    who = "taken from a push in the recording afterwards by B02, the first one was of another athlete"
    assert analysis.maximum_reason == who
    strength = f"{analysis.maximum.strength:.6g}"
    (told,) = [text for text in analysis.warnings if "is used as the maximum" in text]
    assert told == f"{strength} N is used as the maximum of force instead of 400 N on record: {who}"
    page = build_report(analysis)
    assert told[:40] in page
    assert f"Maximum {analysis.maximum.strength:.1f} N above rest: {who}" in page
    analysis = analyse_recording(open_recording(path), maxima={"force": analysis.maximum.revised(300.0)})
    assert not [text for text in analysis.warnings if "is used as the maximum" in text]  # another one was asked for


def test_a_maximum_on_record_that_was_put_right_is_named(tmp_path: Path) -> None:
    path = tmp_path / "p.hold"
    push_three_times(path)
    recorded = {"channel": "force", "strength": 150.0, "baseline": 10.0, "unit": "N", "method": "attempts"}
    add_events(path, [Event(900, "maximum", recorded)])
    assert main(["amend", str(path), "--maximum", "force=200@20", "--by", "B02"]) == 0
    (later,) = [one for one in analyse_recording(open_recording(path)).warnings if "is used as" in one]
    assert later.startswith("200 N from 20 s on is used as the maximum of force instead of 150 N on record: typed in")
    assert later.endswith("by B02, no reason given")
    assert main(["amend", str(path), "--maximum", "force=210", "--by", "B03", "--why", "slipped strap"]) == 0
    account = open_recording(path).account
    assert [(one.maximum.strength, one.by) for one in account.superseded] == [(150.0, ""), (200.0, "B02")]
    (told,) = [one for one in analyse_recording(open_recording(path)).warnings if "is used as" in one]
    assert told == (
        "210 N is used as the maximum of force instead of 150 N and 200 N on record: "
        "typed in by hand afterwards by B03, slipped strap"
    )


def test_a_zero_said_afterwards_takes_the_place_of_the_recorded_one(tmp_path: Path) -> None:
    path = tmp_path / "a.hold"
    with Recorder.create(path, make_settings(n_channels=1)) as recorder:
        recorder.append(Chunk(0, 5.0 + np.arange(1000.0)[:, None] % 2))
        for frame, level in ((300, 77.0), (600, 78.0)):
            recorder.event(Event(frame, "zero", {"channels": {"force0": {"level": level, "sd": 0.1, "n_levels": 9}}}))
    assert open_recording(path).account.zeros["force0"].level == 78.0
    assert main(["amend", str(path), "--rest", "0-2"]) == 0
    after = open_recording(path).account
    assert after.zeros["force0"].level == pytest.approx(5.5, abs=0.1)
    assert [(one.frame, one.channel) for one in after.zero_history] == [(0, "force0")]


def test_a_recording_in_progress_is_not_amended(path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    with Recorder.create(path.parent / "live.hold", make_settings()) as recorder:
        recorder.append(Chunk(0, make_counts(100)))
        wait_until_saved(recorder)
        assert main(["amend", str(path.parent / "live.hold"), "--rating", "0.5=3"]) == 1
    assert "is in use; end the session" in capsys.readouterr().err


def test_corrections_keep_meaning_the_same_rating(path: Path) -> None:
    add_events(path, [Event(200, "rating", {"corrects": 1, "value": 5})])
    with pytest.raises(RecordingError, match="has corrected ratings; only ratings after the last correction"):
        add_events(path, [Event(50, "rating", {"value": 3})])
    add_events(path, [Event(300, "rating", {"value": 3})])
    assert len(open_recording(path).events) == 3
