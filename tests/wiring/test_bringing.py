"""A file brought on the page: what is said of it, what one press puts right, and the recording that it becomes."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from scipy.io import savemat

from biofeedback.analysis.answer import analyse_recording
from biofeedback.errors import RecordingError
from biofeedback.storage.edf import export_edf
from biofeedback.storage.recording import open_recording
from biofeedback.web.bringing import Brought
from biofeedback.wiring import bringing_words
from biofeedback.wiring.bringing import BroughtFiles
from biofeedback.wiring.bringing_words import reword

from ..storage.helpers import need_module
from ..storage.test_foreign_files import write_c3d, write_xdf

RATE_HZ, N = 100, 6000
TIME_S = np.arange(N) / RATE_HZ
PULL = np.full(N, 12.0)
PULL[600:1000] += 400.0
PULL[3200:5200] += 200.0
PULL += np.random.default_rng(3).normal(0, 0.5, N)


@pytest.fixture
def place(tmp_path: Path) -> BroughtFiles:
    (tmp_path / "recordings").mkdir()
    return BroughtFiles(tmp_path / "recordings")


def write(path: Path, header: str, cell: Any = "{:.2f}".format, time: Any = "{:.2f}".format, sep: str = ",") -> Brought:
    rows = (f"{time(t)}{sep}{cell(value)}" for t, value in zip(TIME_S, PULL, strict=True))
    path.write_text("\n".join([header, *rows]), "utf-8")
    return Brought(path)


def test_what_was_understood_is_said_with_units_rate_range_and_first_rows(place: BroughtFiles, tmp_path: Path) -> None:
    told = place.look(write(tmp_path / "pull.csv", "time_s,force_N"), {})
    assert told["problem"] is None
    assert told["summary"] == "6,000 rows, 100 Hz, 60 s, 0 gaps"
    (time, force) = told["columns"]
    assert (time["name"], told["time"]) == ("time", "time")
    assert (force["name"], force["unit"], force["kind"], force["rate_hz"]) == ("force", "N", "force", 100.0)
    assert force["high"] == pytest.approx(412.0, abs=3.0)
    assert list(told["head"][0]) == ["time", "force"]
    assert told["head"][1][0] == "0.00"
    drawn = place.draw(Brought(tmp_path / "pull.csv"), {"from": 0, "to": 60, "columns": 60})
    assert max(drawn["channels"][0]["high"]) == pytest.approx(412.0, abs=3.0)
    assert drawn["channels"][0]["low"][55] == pytest.approx(12.0, abs=3.0)


def test_a_column_of_no_known_kind_is_asked_about_and_one_choice_takes_it(place: BroughtFiles, tmp_path: Path) -> None:
    brought = write(tmp_path / "pull.csv", "time,load (kg)")
    told = place.look(brought, {})
    assert told["problem"] == {
        "what": f"{tmp_path / 'pull.csv'}: no column is known to be force, emg or position",
        "cure": "say below what each column is",
        "fixes": [],
    }
    assert [column["name"] for column in told["columns"]] == ["time", "load"]
    told = place.look(brought, {"channels": {"load": "force:N*9.80665"}})
    assert told["problem"] is None
    assert told["columns"][1]["low"] == pytest.approx(12.0 * 9.80665, abs=25.0)
    assert told["columns"][1]["factor"] == 9.80665


def test_a_number_that_could_be_two_is_put_right_with_one_press(place: BroughtFiles, tmp_path: Path) -> None:
    brought = write(
        tmp_path / "pull.csv", "time;force_N", lambda v: f"{v:.3f}".replace(".", ","), lambda t: f"{1000 * t:.0f}", ";"
    )
    told = place.look(brought, {"time_unit": "ms"})
    assert (told["columns"][1]["kind"], told["columns"][1]["unit"]) == ("force", "N")
    problem = told["problem"]
    assert problem["what"].endswith("could be 11.832 or 11832") or "could be" in problem["what"]
    assert problem["cure"] == "choose how decimals are written"
    assert [fix["label"] for fix in problem["fixes"]] == ["Decimals have a comma", "Decimals have a point"]
    told = place.look(brought, {"time_unit": "ms", **problem["fixes"][0]["change"]})
    assert told["problem"] is None
    assert told["columns"][1]["high"] == pytest.approx(412.0, abs=3.0)


def test_it_becomes_a_recording_with_zero_maximum_phases_and_ratings_as_they_were_set(
    place: BroughtFiles, tmp_path: Path
) -> None:
    brought = write(tmp_path / "pull.csv", "time_s,force_N")
    (tmp_path / "events.csv").write_text("onset,duration,text\n12,20,phase passive\n30,,rating 6\n", "utf-8")
    stretches = [
        {"kind": "rest", "from_s": 1, "to_s": 4},
        {"kind": "maximum", "from_s": 6, "to_s": 10},
        {"kind": "contract", "from_s": 32, "to_s": 52, "low": "40", "high": "60", "discomfort": "4.5"},
    ]
    order = {"stretches": stretches, "athlete": "A07", "side": "left", "exercise": "", "position": ""}
    told = place.take(Brought(brought.path, tmp_path / "events.csv"), order)
    assert told["name"] == "pull.hold"
    assert any("the best half second of 6-10 s" in remark for remark in told["remarks"])
    recording = open_recording(place.folder / "pull.hold")
    assert (recording.settings["athlete"], recording.settings["side"]) == ("A07", "left")
    assert "exercise" not in recording.settings or not recording.settings["exercise"]
    account = recording.account
    assert account.maxima["force"].strength == pytest.approx(400.0, abs=2.0)
    assert [(phase.kind, phase.band and phase.band.high_percent) for phase in account.phases] == [
        ("passive", None),
        ("contract", 60.0),
    ]
    assert [(rating.value, rating.phase_number) for rating in account.ratings] == [(6.0, 1), (4.5, 2)]
    analysis = analyse_recording(recording)
    assert analysis.phases[1].summary.mean_percent == pytest.approx(50.0, abs=1.0)
    for number in (2, 3, 4):
        assert place.take(brought, {"stretches": []})["name"] == f"pull-{number}.hold"  # never over another


@pytest.mark.parametrize(
    ("order", "words"),
    [
        ({"athlete": "Anna Berg"}, "code"),
        ({"stretches": [{"kind": "rest", "from_s": 5, "to_s": 7}]}, "zero"),
        ({"stretches": [{"kind": "maximum", "from_s": 20, "to_s": 24}]}, "the push 20-24 s: force cannot be taken"),
        ({"stretches": [{"kind": "passive", "from_s": 5, "to_s": 5}]}, "not a time span"),
        ({"stretches": [{"kind": "passive", "from_s": 50, "to_s": "x"}]}, "to is not a number"),
        (
            {
                "stretches": [
                    {"kind": "passive", "from_s": 5, "to_s": 15},
                    {"kind": "contract", "from_s": 9, "to_s": 20},
                ]
            },
            "the next begins at",
        ),
        ({"stretches": [{"kind": "contract", "from_s": 5, "to_s": 9, "low": 60, "high": 50}]}, "is not a band"),
        ({"stretches": [{"kind": "passive", "from_s": 5, "to_s": 9, "discomfort": 11}]}, "give 0 to 10"),
        ({"maximum": "400", "stretches": [{"kind": "maximum", "from_s": 6, "to_s": 10}]}, "given twice"),
        ({"rate_hz": -1}, "not a number of rows per second"),
        ({"rate_hz": 0}, "not a number of rows per second"),
        ({"rate_hz": float("inf")}, "not a number of rows per second"),
        ({"rate_hz": "fast"}, "not a number of rows per second"),
    ],
)
def test_what_cannot_be_is_told_in_the_pages_words_and_leaves_nothing(
    order: dict[str, Any], words: str, place: BroughtFiles, tmp_path: Path
) -> None:
    with pytest.raises(RecordingError) as told:
        place.take(write(tmp_path / "pull.csv", "time_s,force_N"), order)
    assert words in str(told.value)
    assert "--" not in str(told.value)
    assert list(place.folder.iterdir()) == []


def test_a_maximum_typed_without_a_zero_says_what_is_assumed(place: BroughtFiles, tmp_path: Path) -> None:
    told = place.take(write(tmp_path / "pull.csv", "time_s,force_N"), {"maximum": "400"})
    assert any("zero is taken as 0" in remark for remark in told["remarks"])
    assert open_recording(place.folder / told["name"]).account.maxima["force"].strength == 400.0


def test_what_is_no_table_says_so(place: BroughtFiles, tmp_path: Path) -> None:
    (tmp_path / "a.csv").write_bytes(b"\x89PNG\r\n\x1a\n" + bytes(500))
    told = place.look(Brought(tmp_path / "a.csv"), {})
    assert "is a picture, not a table" in told["problem"]["what"]
    assert told["columns"] == []


def test_signals_and_vectors_of_other_formats_are_shown_with_what_they_bring(
    place: BroughtFiles, tmp_path: Path
) -> None:
    need_module("edfio")
    savemat = need_module("scipy.io").savemat
    order = {"stretches": [{"kind": "passive", "from_s": 12, "to_s": 32, "discomfort": 6}], "athlete": "A07"}
    made = place.take(write(tmp_path / "pull.csv", "time_s,force_N"), order | {"maximum": "400"})
    export_edf(open_recording(place.folder / made["name"]), tmp_path / "pull.bdf", n_bits=24)
    told = place.look(Brought(tmp_path / "pull.bdf"), {})
    assert told["problem"] is None
    assert "head" not in told
    assert [(phase["kind"], phase["from_s"], phase["to_s"]) for phase in told["phases"]] == [("passive", 12.0, 32.0)]
    assert (told["n_ratings"], told["has_zero"], told["maxima"]) == (1, True, ["force 400 N"])
    savemat(tmp_path / "pull.mat", {"pull": PULL, "rate": 100.0})
    told = place.look(Brought(tmp_path / "pull.mat"), {"rate_hz": 100})
    assert told["problem"]["cure"] == "say below what each column is"
    assert "pull" in [column["name"] for column in told["columns"]]
    told = place.look(Brought(tmp_path / "pull.mat"), {"rate_hz": 100, "channels": {"pull": "force:N"}})
    assert told["problem"] is None
    assert told["columns"][0]["high"] == pytest.approx(412.0, abs=3.0)


def test_a_signal_that_was_left_out_can_be_taken_after_all_and_put_back(place: BroughtFiles, tmp_path: Path) -> None:
    """Whatever the format: the page lists every signal of the file, with what it is taken as."""
    savemat(tmp_path / "pull.mat", {"force": PULL, "knee": np.arange(float(N)), "fs": 100.0})
    brought = Brought(tmp_path / "pull.mat")
    told = place.look(brought, {})
    assert [(column["name"], column.get("kind")) for column in told["columns"]] == [("force", "force"), ("knee", None)]
    chosen = {"knee": "position:deg"}
    kinds = [column.get("kind") for column in place.look(brought, {"channels": chosen})["columns"]]
    assert kinds == ["force", "position"]
    told = place.look(brought, {"channels": {"force": "none", **chosen}})
    assert [(column["name"], column.get("kind")) for column in told["columns"]] == [
        ("force", None),
        ("knee", "position"),
    ]


@pytest.mark.parametrize(("name", "module", "write_it"), [("a.xdf", "pyxdf", write_xdf), ("a.c3d", "ezc3d", write_c3d)])
def test_files_of_the_lab_are_shown_drawn_and_taken(
    place: BroughtFiles, tmp_path: Path, name: str, module: str, write_it: Callable[[Path], None]
) -> None:
    need_module(module)
    write_it(tmp_path / name)
    brought = Brought(tmp_path / name)
    told = place.look(brought, {})
    assert told["problem"] is None
    columns = {column["name"]: column for column in told["columns"] if "kind" in column}
    assert {column["kind"] for column in columns.values()} == {"force", "emg"}
    assert next(column for column in columns.values() if column["kind"] == "force")["unit"] == "N"
    assert told["duration_s"] == pytest.approx(20.0, abs=0.1)
    drawn = place.draw(brought, {"from": 0, "to": 20, "columns": 50})
    assert sorted(channel["name"] for channel in drawn["channels"]) == sorted(columns)
    assert all(None not in channel["high"][:49] for channel in drawn["channels"])
    made = place.take(brought, {"athlete": "A05"})
    recording = open_recording(place.folder / made["name"])
    assert recording.settings["athlete"] == "A05"
    assert recording.duration_s == pytest.approx(20.0, abs=0.1)


@pytest.mark.parametrize(
    "text",
    [
        "emg is taken as raw; if it is smoothed already use --channel 'emg=emg:uV@envelope'",
        "t.csv has no time column; use --rate HZ, or --time NAME; its columns are a, b",
        "force 1,234 could be 1.234 or 1234; use --decimal comma or --decimal point",
    ],
)
def test_options_of_the_command_line_are_left_out_on_the_page(text: str) -> None:
    assert "--" in text
    assert reword(text) == text.split(";", maxsplit=1)[0]


@pytest.mark.parametrize(("step", "label"), [("{:.8f}", "Times are minutes"), ("{:.0f}", "Times are milliseconds")])
def test_one_press_for_each_unit_that_the_times_could_have(step: str, label: str, tmp_path: Path) -> None:
    """Every unit that is offered can be chosen below, too, and the press makes the file readable."""
    at = [k / 6000 if "8" in step else k for k in range(3000)]
    rows = "\n".join(f"{step.format(time)},{10 + k % 7}" for k, time in enumerate(at))
    (tmp_path / "a.csv").write_text(f"time,force_N\n{rows}\n")
    place, brought = BroughtFiles(tmp_path), Brought(tmp_path / "a.csv", None)
    fixes = {fix["label"]: fix["change"] for fix in place.look(brought, {})["problem"]["fixes"]}
    assert place.look(brought, fixes[label])["problem"] is None
    page = (Path(bringing_words.__file__).parents[1] / "web/static/bring/bring.html").read_text("utf-8")
    assert all(f'<option value="{unit}">{word}</option>' in page for unit, word in bringing_words.UNIT_WORDS.items())


def test_of_a_table_about_many_the_page_takes_the_rows_of_its_athlete(tmp_path: Path) -> None:
    rows = "\n".join(f"{k / 100},{10 + k % 7}" for k in range(3000))
    (tmp_path / "pull.csv").write_text(f"time_s,force_N\n{rows}\n")
    (tmp_path / "told.csv").write_text("athlete,onset,text\nA01,5,rating 3\nA02,6,rating 9\n")
    place, brought = BroughtFiles(tmp_path), Brought(tmp_path / "pull.csv", tmp_path / "told.csv")
    assert place.look(brought, {})["problem"] is None  # nobody is named yet
    with pytest.raises(RecordingError, match=r"no row about pull.csv, its column athlete names A01, A02"):
        place.take(brought, {})
    made = place.take(brought, {"athlete": "A02"})
    assert [one.value for one in open_recording(tmp_path / made["name"]).account.ratings] == [9.0]
