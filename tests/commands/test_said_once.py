"""Whoever reads a recording is told the same of its ratings: each once, as corrected, with the phase that asked.

Outside programs group ratings by phase, so a wrong phase turns the answer round: here an answer comes after the phase
that it is about, and is put right later.
"""

from __future__ import annotations

import csv
import sqlite3
from collections.abc import Callable
from contextlib import closing
from pathlib import Path
from typing import Any

import numpy as np
import pytest

import biofeedback
from biofeedback.account.kinds import KINDS
from biofeedback.analysis.answer import analyse_recording
from biofeedback.analysis.trace import compute_trace
from biofeedback.cli import main
from biofeedback.model import Channel, Chunk, Event
from biofeedback.report.html import build_report
from biofeedback.storage.amend import add_events
from biofeedback.storage.library import list_recordings
from biofeedback.storage.recorder import Recorder
from biofeedback.storage.recording import open_recording
from biofeedback.web.review import describe_trace

RATE_HZ = 100.0
PHASES = [(1, "passive", 0.0, 10.0), (2, "contract", 10.0, 20.0), (3, "passive", 20.0, 30.0)]
RATINGS = [  # value, phase, kind of that phase, first said
    (6.0, 1, "passive", None),
    (3.0, 2, "contract", 5.0),  # said in phase 3 about phase 2, then put right
    (7.0, 3, "passive", None),
]


@pytest.fixture
def path(tmp_path: Path) -> Path:
    about = {
        "channels": [Channel(name="force", kind="force", unit="N").to_dict()],
        "rate_hz": RATE_HZ,
        "athlete": "A01",
        "exercise": "standing hamstring stretch",
        "started_utc": "2026-01-05T18:00:00+00:00",
    }
    said: list[tuple[float, str, dict[str, Any]]] = [
        (0, "zero", {"channels": {"force": {"level": 10.0, "sd": 0.1}}}),
        (0, "maximum", {"channel": "force", "strength": 200.0, "baseline": 10.0, "unit": "N", "method": "typed"}),
    ]
    for number, kind, begin_s, _ in PHASES:
        band = [60, 80] if kind == "contract" else None
        said.append((begin_s, "phase", {"kind": kind, "index": number - 1, "band": band, "duration_s": 10.0}))
    said += [
        (9, "rating", {"value": 6.0, "phase_index": 0}),
        (21, "rating", {"value": 5.0, "phase_index": 1}),
        (24, "rating", {"value": 3.0, "corrects": 2}),
        (29, "rating", {"value": 7.0, "phase_index": 2}),
        (30, "phase", {"kind": "end", "index": 3}),
    ]
    with Recorder.create(tmp_path / "a.hold", about, threaded=False) as recorder:
        recorder.append(Chunk(0, np.full((round(31 * RATE_HZ), 1), 10.0)))
        for at_s, kind, data in sorted(said, key=lambda one: one[0]):
            recorder.event(Event(round(at_s * RATE_HZ), kind, data))
    return tmp_path / "a.hold"


def read_rows(path: Path, delimiter: str = ",") -> list[dict[str, str]]:
    with path.open(newline="", encoding="utf-8") as file:
        return list(csv.DictReader(file, delimiter=delimiter))


def number_or_none(text: str) -> float | None:
    return None if text in ("", "n/a") else float(text)


def from_csv(path: Path) -> list[tuple[Any, ...]]:
    assert main(["export", str(path), "--to", "csv"]) == 0
    rows = [row for row in read_rows(path.with_name("a_events.csv")) if row["kind"] == "rating"]
    return [
        (float(row["discomfort"]), int(row["rating_phase"]), row["phase_kind"], number_or_none(row["corrected_from"]))
        for row in rows
    ]


def from_bids(path: Path) -> list[tuple[Any, ...]]:
    pytest.importorskip("edfio")
    assert main(["export", str(path), "--to", "bids", "--out", str(path.with_name("dataset"))]) == 0
    (table,) = path.with_name("dataset").rglob("*_events.tsv")
    rows = [row for row in read_rows(table, "\t") if row["trial_type"] == "rating"]
    return [
        (
            float(row["discomfort_nrs"]),
            int(row["rating_phase"]),
            row["phase_kind"],
            number_or_none(row["corrected_from"]),
        )
        for row in rows
    ]


def from_numpy(path: Path) -> list[tuple[Any, ...]]:
    assert main(["export", str(path), "--to", "numpy"]) == 0
    with np.load(path.with_suffix(".npz")) as held:
        kinds = held["phase_kind"].tolist()
        firsts = [None if np.isnan(first) else first for first in held["rating_corrected_from"].tolist()]
        phases, values = held["rating_phase"].tolist(), held["ratings"].tolist()
    return [(value, phase, kinds[phase - 1], first) for value, phase, first in zip(values, phases, firsts, strict=True)]


def from_sql(path: Path) -> list[tuple[Any, ...]]:
    with closing(sqlite3.connect(path)) as connection:
        return connection.execute("SELECT value, rating_phase, phase_kind, corrected_from FROM ratings").fetchall()


def from_dataframe(path: Path) -> list[tuple[Any, ...]]:
    pytest.importorskip("pandas")
    frame = biofeedback.open_recording(path).to_dataframe()
    kinds = {number: kind for number, kind, _, _ in PHASES}
    rows = frame[frame["discomfort"].notna()]
    return [
        (
            row["discomfort"],
            int(row["rating_phase"]),
            kinds[int(row["rating_phase"])],
            None if np.isnan(row["corrected_from"]) else row["corrected_from"],
        )
        for _, row in rows.iterrows()
    ]


@pytest.mark.parametrize("read", [from_csv, from_bids, from_numpy, from_sql, from_dataframe])
def test_every_way_out_names_the_phase_that_asked_and_what_was_corrected(
    path: Path, read: Callable[[Path], list[tuple[Any, ...]]]
) -> None:
    assert read(path) == RATINGS


def test_number_and_kind_of_a_phase_are_columns_and_counted_from_one(path: Path) -> None:
    wanted = [(number, kind) for number, kind, _, _ in PHASES]
    assert main(["export", str(path), "--to", "csv"]) == 0
    rows = [row for row in read_rows(path.with_name("a_events.csv")) if row["kind"] == "phase" and row["phase"]]
    assert [(int(row["phase"]), row["phase_kind"]) for row in rows][:3] == wanted
    assert main(["export", str(path), "--to", "numpy"]) == 0
    with np.load(path.with_suffix(".npz")) as held:
        assert list(enumerate(held["phase_kind"].tolist(), 1)) == wanted
        assert held["phase_from_s"].tolist() == [begin_s for _, _, begin_s, _ in PHASES]
        assert held["phase_to_s"].tolist() == [end_s for _, _, _, end_s in PHASES]
    with closing(sqlite3.connect(path)) as connection:
        assert connection.execute("SELECT phase, phase_kind FROM phases").fetchall() == wanted
    assert main(["export", str(path), "--to", "levels"]) == 0
    levels = read_rows(path.with_name("a_levels.csv"))
    told = dict.fromkeys((int(row["phase"]), row["phase_kind"]) for row in levels if row["phase"])
    assert list(told) == wanted


def test_the_list_counts_a_corrected_rating_once(path: Path) -> None:
    (entry,) = list_recordings(path.parent)
    assert entry.n_ratings == len(RATINGS)


def test_report_and_review_page_tell_the_same(path: Path) -> None:
    analysis = analyse_recording(open_recording(path))
    said = [(row.phase.number, row.phase.kind, row.value) for row in analysis.phases]
    assert [(number, kind, value) for number, kind, value in said] == [(p, k, v) for v, p, k, _ in RATINGS]
    shown = describe_trace(compute_trace(open_recording(path)))["ratings"]
    assert [(one["value"], one["phase"]) for one in shown] == [(value, phase) for value, phase, _, _ in RATINGS]


def test_a_report_tells_no_maximum_of_a_sensor_that_another_one_took_the_place_of(path: Path) -> None:
    assert analyse_recording(open_recording(path)).maximum is not None
    add_events(path, [Event(round(30.5 * RATE_HZ), "device", {"state": "renewed", "id": "two", "by": "coach"})])
    analysis = analyse_recording(open_recording(path))
    assert analysis.maximum is None
    page = build_report(analysis)
    assert "good attempts" not in page


def test_a_kind_that_nothing_ever_wrote_corrects_nothing(path: Path) -> None:
    """A correction is a rating that names another one; a kind of event by that name does not exist."""
    assert "correction" not in KINDS
    before = open_recording(path).account.ratings
    add_events(path, [Event(round(30.5 * RATE_HZ), "correction", {"rating": 1, "value": 0.0})])
    after = open_recording(path)
    assert after.events[-1].kind == "correction"
    assert after.account.ratings == before
