"""Every number and word that the report, the exports and the notebook give for one recording, as a flat table.

``python -m tests.golden.numbers`` rewrites ``numbers.json``. That is done only when a difference that
``test_golden.py`` shows is wanted and named there, never to make a test pass.
"""

from __future__ import annotations

import csv
import dataclasses
import enum
import gzip
import hashlib
import io
import json
import math
import sqlite3
import tempfile
from collections.abc import Iterator, Mapping
from contextlib import closing
from pathlib import Path
from typing import Any

import numpy as np

from biofeedback.analysis.features import extract_features
from biofeedback.cli import main
from biofeedback.notebook import open_recording
from biofeedback.report.tables import list_settings, list_tables
from biofeedback.report.words import describe_done, describe_effect, describe_maximum, describe_next
from biofeedback.storage.library import list_recordings
from biofeedback.web.review import describe_trace

HERE = Path(__file__).parent
NUMBERS = HERE / "numbers.json.gz"
FULL = 40  # longer arrays are described, shorter ones listed
Numbers = dict[str, Any]


def list_names() -> list[str]:
    """The recordings that numbers are kept of."""
    return [path.name.removesuffix(".gz") for path in sorted((HERE / "recordings").glob("*.hold.gz"))]


def unpack(name: str, folder: Path) -> Path:
    """A copy that may be written beside."""
    path = folder / name
    path.write_bytes(gzip.decompress((HERE / "recordings" / f"{name}.gz").read_bytes()))
    return path


def compute_numbers(path: Path) -> Numbers:
    """All sections of one recording; ``path`` must lie in a folder of its own."""
    recording = open_recording(path)
    analysis = recording.analysis
    sections = {
        "analysis": dict(flatten(analysis)),
        "report": dict(flatten(read_report(analysis))),
        "cohort": dict(flatten(extract_features(analysis))),
        "csv": dict(flatten(read_csv(path))),
        "numpy": dict(flatten(read_numpy(path))),
        "edf": dict(flatten(read_edf(path))),
        "bids": dict(flatten(read_bids(path))),
        "frame": dict(flatten(read_frame(recording))),
        "notebook": dict(flatten({"ratings": recording.ratings, "effort_percent": recording.effort_percent})),
        "sql": dict(flatten(read_views(path))),
        "list": dict(flatten(read_entry(path))),
        "review": dict(flatten(describe_trace(recording.trace))),
    }
    return {f"{section}.{key}": value for section, found in sections.items() for key, value in found.items()}


def flatten(value: Any, path: str = "") -> Iterator[tuple[str, Any]]:
    """``a.b[2].c`` and a number, text, bool or None for every leaf; long arrays become a description."""
    if isinstance(value, np.ndarray) and value.ndim == 0:
        value = value.item()
    if isinstance(value, enum.Enum):
        yield path, value.name
    elif value is None or isinstance(value, bool | str):
        yield path, str(value) if isinstance(value, str) else value  # numpy has texts of its own
    elif isinstance(value, int | float | np.integer | np.floating):
        yield path, to_number(value)
    elif dataclasses.is_dataclass(value):
        for field in dataclasses.fields(value):
            yield from flatten(getattr(value, field.name), f"{path}.{field.name}".lstrip("."))
    elif isinstance(value, Mapping):
        for key, one in value.items():
            yield from flatten(one, f"{path}.{key}".lstrip("."))
    elif isinstance(value, np.ndarray) and value.size > FULL:
        yield from flatten(describe_array(value), path)
    elif isinstance(value, list | tuple | np.ndarray):
        yield f"{path}.n", len(value)
        for k, one in enumerate(value):
            yield from flatten(one, f"{path}[{k}]")
    else:
        raise TypeError(f"{path}: {type(value).__name__}")


def to_number(value: Any) -> Any:
    """As JSON holds it."""
    number = value.item() if isinstance(value, np.generic) else value
    return str(number) if isinstance(number, float) and not math.isfinite(number) else number


def describe_array(array: Any) -> dict[str, Any]:
    """Shape, how many are known, and sums that move with any one value and with its place."""
    columns = array.reshape(len(array), -1).astype(float)
    known = np.isfinite(columns)
    filled = np.where(known, columns, 0.0)
    place = 1.0 + np.arange(len(array), dtype=float) / len(array)
    return {
        "shape": list(array.shape),
        "n_known": known.sum(axis=0),
        "sum": filled.sum(axis=0),
        "squares": (filled**2).sum(axis=0),
        "placed": place @ filled,
    }


def read_report(analysis: Any) -> dict[str, Any]:
    """Tables by title, row and head; the sentences by section."""
    tables = {
        table.title: {
            "n_rows": len(table.rows),
            "note": table.note,
            "rows": [dict(zip(table.head, row, strict=True)) for row in table.rows],
        }
        for table in list_tables(analysis)
    }
    return {
        "tables": tables,
        "settings": dict(list_settings(analysis)),
        "effect": list(describe_effect(analysis)),
        "done": list(describe_done(analysis)),
        "next": list(describe_next(analysis)),
        "maximum": describe_maximum(analysis),
    }


def export(path: Path, to: str, out: Path) -> None:
    assert main(["export", str(path), "--to", to, "--out", str(out)]) == 0


def read_csv(path: Path) -> dict[str, Any]:
    out = path.parent / "csv"
    export(path, "csv", out)
    stem = out / path.stem
    about = json.loads(stem.with_suffix(".json").read_text("utf-8"))
    events = about.pop("events")
    return {
        "frames": digest(stem.with_suffix(".csv").read_bytes()),
        "about": about,
        "n_events": len(events),
        "kinds": ",".join(event["kind"] for event in events),
        "events": read_rows((out / f"{path.stem}_events.csv").read_text("utf-8"), ","),
    }


def read_numpy(path: Path) -> dict[str, Any]:
    out = path.parent / "numpy"
    export(path, "numpy", out)
    with np.load(out / f"{path.stem}.npz") as arrays:
        found = {name: arrays[name] for name in arrays.files if name != "about"}
    for name in ("time_s", "values", "counts"):
        found[name] = digest(np.ascontiguousarray(found[name]).tobytes())
    return found


def read_edf(path: Path) -> dict[str, Any]:
    import edfio

    found = {}
    for to, read in (("edf", edfio.read_edf), ("bdf", edfio.read_bdf)):
        out = path.parent / to
        export(path, to, out)
        file = read(out / f"{path.stem}.{to}")
        found[to] = {
            "labels": [signal.label for signal in file.signals],
            "units": [signal.physical_dimension for signal in file.signals],
            "digital": [digest(signal.digital.astype("<i4").tobytes()) for signal in file.signals],
            "annotations": [
                {"onset_s": each.onset, "duration_s": each.duration, "text": each.text} for each in file.annotations
            ],
        }
    assert found["edf"].pop("annotations") == found["bdf"]["annotations"]
    return found


def read_bids(path: Path) -> dict[str, Any]:
    out = path.parent / "bids"
    export(path, "bids", out)
    found: dict[str, Any] = {}
    for file in sorted(out.rglob("*")):
        kind = file.name.split("_", 3)[-1] if file.name.startswith("sub-") else file.name
        kind = kind.replace(".", "_")
        if file.name.endswith(".tsv"):
            found[kind] = read_rows(file.read_text("utf-8"), "\t")
        elif file.name.endswith(".json"):
            found[kind] = json.loads(file.read_text("utf-8"))
            found[kind].pop("GeneratedBy", None)  # the program's own version
        elif file.name.endswith(".tsv.gz"):
            found[kind] = digest(gzip.decompress(file.read_bytes()))
        elif file.is_file():
            found[kind] = "there"
    return found


def read_frame(recording: Any) -> dict[str, Any]:
    frame = recording.to_dataframe()
    discomfort = frame["discomfort"].dropna()
    means = frame.groupby("phase")["discomfort"].mean()
    return {
        "columns": {
            name: frame[name].to_numpy(dtype=float, na_value=np.nan) for name in frame.columns if name != "phase_kind"
        },
        "discomfort": {f"at {time_s:.3f} s": value for time_s, value in discomfort.items()},
        "discomfort_by_phase": {str(number): mean for number, mean in means.items()},
    }


def read_views(path: Path) -> dict[str, Any]:
    with closing(sqlite3.connect(path)) as connection:
        connection.row_factory = sqlite3.Row
        return {
            view: [dict(row) for row in connection.execute(f"SELECT * FROM {view}")] for view in ("ratings", "phases")
        }


def read_entry(path: Path) -> dict[str, Any]:
    (entry,) = list_recordings(path.parent)
    return {key: value for key, value in dataclasses.asdict(entry).items() if key not in ("name", "stamp")}


def read_rows(text: str, delimiter: str) -> list[dict[str, Any]]:
    return [{k: read_cell(v) for k, v in row.items()} for row in csv.DictReader(io.StringIO(text), delimiter=delimiter)]


def read_cell(text: str) -> Any:
    try:
        return to_number(float(text))
    except ValueError:
        return text


def digest(data: bytes) -> str:
    return hashlib.sha256(data).hexdigest()[:16]


def compute_all() -> dict[str, Numbers]:
    found = {}
    for name in list_names():
        with tempfile.TemporaryDirectory() as folder:
            found[name] = compute_numbers(unpack(name, Path(folder)))
    return found


if __name__ == "__main__":
    text = json.dumps(compute_all(), indent=0, ensure_ascii=False, sort_keys=True)
    NUMBERS.write_bytes(gzip.compress(text.encode("utf-8"), mtime=0))
    print(len(text))
