"""A BIDS dataset: the community standard for sharing physiological recordings, EMG since version 1.11.

Brain Imaging Data Structure, specification 1.11, sections on electromyography, events and physiological recordings.
"""

from __future__ import annotations

import csv
import gzip
import json
import math
from collections.abc import Callable, Mapping, Sequence
from pathlib import Path
from typing import Any

import numpy as np

from biofeedback import __version__
from biofeedback.account.words import PHASES, SCALE
from biofeedback.errors import RecordingError
from biofeedback.model import Channel
from biofeedback.storage.annotations import list_annotations
from biofeedback.storage.edf import UNITS, export_edf, name_labels
from biofeedback.storage.recording import Recording

BIDS_VERSION = "1.11.1"
TYPES = {"emg": "EMG", "force": "MISC", "position": "MISC"}  # there is no type for force
README = """Contraction biofeedback recordings

Isometric contractions in a stretch position: force and muscle activity, phases of the plan and discomfort ratings
(0-10 numeric rating scale) as events. Exported by biofeedback {version}.
"""
EVENT_COLUMNS = {
    "trial_type": {
        "Description": "What happened",
        "Levels": {
            "phase": "A phase of the plan begins; text tells its kind and target band in % of maximum",
            "rating": "The athlete rated discomfort",
            "correction": "A rating was put right; the rating's own row holds the corrected value",
            "gap": "Frames that the sensor did not deliver; the signals hold their lowest value there",
            "zero": "What the channels read while nothing was done",
            "stop": "The session was stopped",
            "maximum": "A maximal voluntary contraction was accepted as 100 %",
            "note": "A remark by a person or about the wire",
        },
    },
    "discomfort_nrs": {"Description": f"Discomfort on a numeric rating scale, as corrected later: {SCALE.ends}"},
    "phase": {"Description": "Number of the phase, from 1: the running one; of a rating the one that it is about"},
    "phase_kind": {
        "Description": "What was asked in that phase",
        "Levels": {kind: words.say for kind, words in PHASES.items()},
    },
    "rating_phase": {"Description": "Number of the phase that the rating is about, which may be over"},
    "corrected_from": {"Description": "The rating as it was given first, where it was corrected"},
    "text": {"Description": "The event in words"},
}


def export_bids(
    recordings: Sequence[Recording],
    folder: Path,
    *,
    mains_hz: float | None = None,
    placement: str = "Not documented at recording time",
    reference: str = "Not documented at recording time",
    anonymous: bool = False,
    progress: Callable[[int, int], None] | None = None,
) -> list[Path]:
    """Write a dataset; one run per recording, numbered by athlete and exercise in the order of their dates.

    Recordings with an EMG channel become ``emg/*_emg.bdf`` with force as MISC channels; those without become
    ``beh/*_physio.tsv.gz``. ``mains_hz`` 50 or 60; None is written as not known.

    Raises RecordingError when the folder holds files already, and before anything is written when a recording has no
    athlete code or two codes would become one subject.
    """
    if folder.exists() and any(folder.iterdir()):
        raise RecordingError(f"{folder} is not empty", "name a new folder")
    _check_subjects(recordings)
    folder.mkdir(parents=True, exist_ok=True)
    runs: dict[tuple[str, str], int] = {}
    made = _write_dataset(folder, recordings)
    for done, recording in enumerate(sorted(recordings, key=lambda r: str(r.settings.get("started_utc", ""))), 1):
        subject = _to_label(str(recording.settings.get("athlete") or ""))
        task = _to_label(str(recording.settings.get("exercise") or "")) or "hold"
        run = runs[subject, task] = runs.get((subject, task), 0) + 1
        is_emg = any(channel.kind == "emg" for channel in recording.channels)
        place = folder / f"sub-{subject}" / ("emg" if is_emg else "beh")
        place.mkdir(parents=True, exist_ok=True)
        stem = place / f"sub-{subject}_task-{task}_run-{run:02}"
        about = {
            "TaskName": task,
            "TaskDescription": str(recording.settings.get("exercise") or "isometric hold in a stretch position"),
            "Instructions": "Hold the position; contract and relax as the plan says; rate discomfort when asked",
        }
        if is_emg:
            made += _write_emg(
                recording,
                stem,
                about,
                mains_hz=mains_hz,
                placement=placement,
                reference=reference,
                anonymous=anonymous,
            )
        else:
            made += _write_physio(recording, stem, about)
        made += _write_events(recording, stem, about, anonymous)
        if progress:
            progress(done, len(recordings))
    return made


def _check_subjects(recordings: Sequence[Recording]) -> None:
    codes: dict[str, str] = {}
    for recording in recordings:
        code = str(recording.settings.get("athlete") or "")
        label = _to_label(code)
        if not label:
            raise RecordingError(f"{recording.path} names no athlete", "give a code when recording or importing")
        if codes.setdefault(label.casefold(), code) != code:
            both = f"{codes[label.casefold()]} and {code}"
            raise RecordingError(f"{both} would become one subject", "export them separately, or give one another code")


def _write_dataset(folder: Path, recordings: Sequence[Recording]) -> list[Path]:
    simulated = [recording for recording in recordings if recording.settings.get("simulated")]
    description = {
        "Name": "Contraction biofeedback recordings" + (" (simulated)" if len(simulated) == len(recordings) else ""),
        "BIDSVersion": BIDS_VERSION,
        "DatasetType": "raw",
        "GeneratedBy": [{"Name": "biofeedback", "Version": __version__}],
    }
    subjects = sorted({_to_label(str(recording.settings.get("athlete") or "")) for recording in recordings})
    participants = folder / "participants.tsv"
    _write_table(participants, ["participant_id"], [[f"sub-{subject}"] for subject in subjects])
    readme = folder / "README"
    readme.write_text(README.format(version=__version__), encoding="utf-8")
    return [_write_json(folder / "dataset_description.json", description), participants, readme]


def _write_emg(
    recording: Recording,
    stem: Path,
    about: Mapping[str, Any],
    *,
    mains_hz: float | None,
    placement: str,
    reference: str,
    anonymous: bool,
) -> list[Path]:
    signals = Path(f"{stem}_emg.bdf")
    export_edf(recording, signals, n_bits=24, anonymous=anonymous)
    channels, labels = recording.channels, name_labels(recording.channels)
    sidecar = {
        **about,
        "SoftwareVersions": f"biofeedback {recording.settings.get('software', '')}".strip(),
        "EMGPlacementScheme": "Other",
        "EMGPlacementSchemeDescription": placement,
        "EMGReference": reference,
        "EMGGround": "n/a",
        "SamplingFrequency": recording.rate_hz,
        "PowerLineFrequency": mains_hz or "n/a",
        "SoftwareFilters": "n/a",
        "HardwareFilters": "n/a",
        "RecordingType": "continuous",
        "RecordingDuration": recording.duration_s,
        "EMGChannelCount": sum(channel.kind == "emg" for channel in channels),
        "MISCChannelCount": sum(channel.kind != "emg" for channel in channels),
        "TriggerChannelCount": 0,
    }
    rows = [
        [label, TYPES[c.kind], _name_unit(c), _describe_channel(c)] for label, c in zip(labels, channels, strict=True)
    ]
    table = Path(f"{stem}_channels.tsv")
    _write_table(table, ["name", "type", "units", "description"], rows)
    return [signals, _write_json(Path(f"{stem}_emg.json"), sidecar), table]


def _write_physio(recording: Recording, stem: Path, about: Mapping[str, Any]) -> list[Path]:
    """Signals without EMG: one gzipped table without a header, ``n/a`` in gaps."""
    table = Path(f"{stem}_physio.tsv.gz")
    names = [_to_column(channel.name) for channel in recording.channels]
    counts = recording.counts()
    values = np.column_stack([c.scaled(counts[:, k]) for k, c in enumerate(recording.channels)]).tolist()
    with table.open("wb") as raw, gzip.GzipFile("", "wb", fileobj=raw, mtime=0) as file:  # neither name nor date inside
        for row in values:
            file.write(("\t".join("n/a" if math.isnan(value) else repr(value) for value in row) + "\n").encode())
    sidecar: dict[str, Any] = {
        **about,
        "SamplingFrequency": recording.rate_hz,
        "StartTime": 0,
        "PhysioType": "generic",
        "Columns": names,
    }
    for name, channel in zip(names, recording.channels, strict=True):
        sidecar[name] = {"Description": _describe_channel(channel), "Units": _name_unit(channel)}
    return [table, _write_json(Path(f"{stem}_physio.json"), sidecar)]


def _write_events(recording: Recording, stem: Path, about: Mapping[str, Any], anonymous: bool) -> list[Path]:
    rows = []
    for one in list_annotations(recording, notes=not anonymous):
        about_it = (one.discomfort, one.phase, one.phase_kind, one.rating_phase, one.corrected_from)
        cells = [
            "n/a" if value in (None, "") else f"{value:g}" if isinstance(value, float) else value for value in about_it
        ]
        rows.append([f"{one.onset_s:.6f}", one.duration_s or 0, one.kind, *cells, one.text])
    table = Path(f"{stem}_events.tsv")
    _write_table(table, ["onset", "duration", *EVENT_COLUMNS], rows)
    return [table, _write_json(Path(f"{stem}_events.json"), {**about, **EVENT_COLUMNS})]


def _describe_channel(channel: Channel) -> str:
    texts = {"emg": "Surface electromyogram", "force": "Force", "position": "Position of the joint"}
    return texts[channel.kind] + (", rectified and smoothed by the sensor" if channel.envelope else "")


def _name_unit(channel: Channel) -> str:
    """As the EDF writes it, with the micro sign that BIDS asks for."""
    unit = UNITS.get(channel.unit, (channel.unit, 1.0))[0] if channel.kind == "emg" else channel.unit
    return {"uV": "µV", "count": "n/a"}.get(unit, unit)


def _write_json(path: Path, content: Mapping[str, Any]) -> Path:
    path.write_text(json.dumps(content, indent=2, ensure_ascii=False) + "\n", encoding="utf-8")
    return path


def _write_table(path: Path, header: Sequence[str], rows: Sequence[Sequence[object]]) -> None:
    with path.open("w", newline="", encoding="utf-8") as file:
        writer = csv.writer(file, delimiter="\t", lineterminator="\n", quoting=csv.QUOTE_NONE, quotechar=None)
        writer.writerow(header)
        writer.writerows([["n/a" if cell == "" else str(cell).replace("\t", " ") for cell in row] for row in rows])


def _to_label(text: str) -> str:
    """BIDS labels are letters and digits: ``hurdle seat`` becomes ``hurdleSeat``."""
    first, *others = "".join(c if c.isascii() and c.isalnum() else " " for c in text).split() or [""]
    return first + "".join(word.capitalize() for word in others)


def _to_column(text: str) -> str:
    return "".join(c if c.isascii() and c.isalnum() else "_" for c in text)
