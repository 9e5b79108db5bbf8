"""The dataset as the validator of the standard's own makers sees it, and as other readers read it."""

from __future__ import annotations

import csv
import gzip
import json
import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest

from biofeedback.errors import RecordingError
from biofeedback.model import Channel, Chunk, Event, Gap, Note
from biofeedback.storage.bids import export_bids
from biofeedback.storage.recorder import Recorder
from biofeedback.storage.recording import Recording, open_recording

from ..requirements import need
from .helpers import need_module

VALIDATOR = Path(sys.executable).parent / "bids-validator-deno"
EXPLAINED = {
    "TOO_FEW_AUTHORS": "whose data it is, only the person who shares it can say",
    "NO_AUTHORS": "the same",
    "JSON_KEY_RECOMMENDED": "licence, sources and event vocabulary are chosen by the person who shares it",
    "SIDECAR_KEY_RECOMMENDED": "makers, serial numbers and institutions are not asked for when recording",
}
FORCE = Channel(name="force", kind="force", unit="N", factor=0.0042)
EMG = Channel(name="emg left", kind="emg", unit="µV")


@pytest.fixture(autouse=True)
def library() -> None:
    try:
        import edfio
    except ImportError:
        edfio = None
    need(edfio is not None, "edfio is not installed")


def record(path: Path, channels: list[Channel], rate_hz: float, **more: object) -> Recording:
    about = {
        "channels": [channel.to_dict() for channel in channels],
        "rate_hz": rate_hz,
        "athlete": "A01",
        "exercise": "standing hamstring stretch",
        "started_utc": "2026-11-24T10:00:00+00:00",
        **more,
    }
    n = int(rate_hz * 5)
    with Recorder.create(path, about, threaded=False) as recorder:
        recorder.append(Chunk(0, np.round(np.random.default_rng(1).normal(0, 1000, (n, len(channels))))))
        recorder.append(Gap(n, 40, "nothing came"))
        recorder.append(Note(n + 40, 'strap\tmoved, "twice"'))
        recorder.event(Event(0, "phase", {"index": 0, "kind": "contract", "title": "Hold", "band": [60, 80]}))
        recorder.event(Event(n // 2, "rating", {"value": 6.5, "phase_index": 0}))
        recorder.event(Event(n - 1, "rating", {"value": None, "phase_index": 0}))
    return open_recording(path)


@pytest.fixture
def dataset(tmp_path: Path) -> Path:
    recordings = [
        record(tmp_path / "a.hold", [FORCE, EMG], 1000.0),
        record(tmp_path / "b.hold", [FORCE], 80.0, started_utc="2026-11-25T10:00:00+00:00"),
        record(tmp_path / "c.hold", [EMG], 1000.0, athlete="B 02", exercise=""),
    ]
    export_bids(recordings, tmp_path / "dataset", mains_hz=50)
    return tmp_path / "dataset"


def test_the_official_validator_finds_no_error_and_no_unexplained_warning(dataset: Path) -> None:
    need(VALIDATOR.exists(), "bids-validator-deno is not installed")
    done = subprocess.run([VALIDATOR, "--format", "json", dataset], capture_output=True, text=True, check=False)
    report = json.loads(done.stdout)
    issues = report["issues"]["issues"]
    assert [issue for issue in issues if issue["severity"] == "error"] == []
    assert {issue["code"] for issue in issues} <= EXPLAINED.keys()
    assert sorted(report["summary"]["modalities"]) == ["beh", "emg"]
    assert sorted(report["summary"]["subjects"]) == ["A01", "B02"]


def test_names_and_runs(dataset: Path) -> None:
    signals = sorted(
        path.relative_to(dataset).as_posix() for path in dataset.rglob("*") if path.suffix in (".bdf", ".gz")
    )
    assert signals == [
        "sub-A01/beh/sub-A01_task-standingHamstringStretch_run-02_physio.tsv.gz",
        "sub-A01/emg/sub-A01_task-standingHamstringStretch_run-01_emg.bdf",
        "sub-B02/emg/sub-B02_task-hold_run-01_emg.bdf",
    ]


def test_events_and_channels_are_tables_with_the_ratings_as_numbers(dataset: Path) -> None:
    stem = dataset / "sub-A01" / "emg" / "sub-A01_task-standingHamstringStretch_run-01"
    with Path(f"{stem}_events.tsv").open(newline="") as file:
        events = list(csv.DictReader(file, delimiter="\t", quoting=csv.QUOTE_NONE))
    assert list(events[0])[:2] == ["onset", "duration"]
    ratings = [(e["onset"], e["discomfort_nrs"]) for e in events if e["trial_type"] == "rating"]
    assert ratings == [("2.500000", "6.5"), ("4.999000", "n/a")]
    assert events[-1]["text"] == 'note: strap moved, "twice"'
    with Path(f"{stem}_channels.tsv").open(newline="", encoding="utf-8") as file:
        channels = list(csv.DictReader(file, delimiter="\t"))
    assert [(c["name"], c["type"], c["units"]) for c in channels] == [("force", "MISC", "N"), ("emg left", "EMG", "µV")]
    sidecar = json.loads(Path(f"{stem}_emg.json").read_text())
    assert (sidecar["SamplingFrequency"], sidecar["PowerLineFrequency"], sidecar["EMGChannelCount"]) == (1000.0, 50, 1)


def test_force_alone_is_a_physio_table_without_a_header(dataset: Path, tmp_path: Path) -> None:
    stem = dataset / "sub-A01" / "beh" / "sub-A01_task-standingHamstringStretch_run-02"
    rows = gzip.decompress(Path(f"{stem}_physio.tsv.gz").read_bytes()).decode().splitlines()
    values = np.array([np.nan if row == "n/a" else float(row) for row in rows])
    np.testing.assert_array_equal(values, FORCE.scaled(open_recording(tmp_path / "b.hold").counts()[:, 0]))
    sidecar = json.loads(Path(f"{stem}_physio.json").read_text())
    assert (sidecar["Columns"], sidecar["SamplingFrequency"], sidecar["StartTime"]) == (["force"], 80.0, 0)
    assert sidecar["force"]["Units"] == "N"


def test_mne_bids_finds_and_reads_the_muscle_activity(dataset: Path) -> None:
    mne_bids = need_module("mne_bids")
    need(hasattr(mne_bids, "get_entity_vals"), "mne-bids is too old")
    assert mne_bids.get_entity_vals(dataset, "subject") == ["A01", "B02"]
    if "emg" not in mne_bids.config.ALLOWED_DATATYPES:
        pytest.skip("this mne-bids does not know the EMG modality yet")
    path = mne_bids.BIDSPath(
        root=dataset,
        subject="A01",
        task="standingHamstringStretch",
        run="01",
        datatype="emg",
        suffix="emg",
        extension=".bdf",
    )
    raw = mne_bids.read_raw_bids(path, verbose="error")
    assert raw.info["sfreq"] == 1000
    assert raw.get_channel_types() == ["misc", "emg"]


def test_anonymous_datasets_have_no_notes_and_no_dates(tmp_path: Path) -> None:
    recording = record(tmp_path / "a.hold", [FORCE, EMG], 1000.0)
    for path in export_bids([recording], tmp_path / "dataset", anonymous=True):
        content = path.read_bytes()
        assert b"strap" not in content
        assert b"2026" not in content


def test_two_codes_never_become_one_subject_and_a_refusal_leaves_no_folder(tmp_path: Path) -> None:
    recordings = [record(tmp_path / f"{code}.hold", [FORCE], 80.0, athlete=code) for code in ("A01", "A-01")]
    with pytest.raises(RecordingError, match="A01 and A-01 would become one subject"):
        export_bids(recordings, tmp_path / "dataset")
    assert not (tmp_path / "dataset").exists()


def test_what_stands_in_the_way(tmp_path: Path) -> None:
    recording = record(tmp_path / "a.hold", [FORCE], 80.0, athlete="")
    with pytest.raises(RecordingError, match=r"names no athlete; give a code"):
        export_bids([recording], tmp_path / "dataset")
    with pytest.raises(RecordingError, match=r"is not empty; name a new folder"):
        export_bids([recording], tmp_path)
