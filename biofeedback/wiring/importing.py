"""Files made elsewhere: which reader, what was understood in a few lines, and which files of a folder are meant."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np

from biofeedback.errors import RecordingError
from biofeedback.model import Channel, Chunk, FloatArray, Gap
from biofeedback.storage.imported import Imported
from biofeedback.storage.whole_file import is_half_made

TABLES = (".csv", ".tsv", ".txt", ".dat", ".asc")
EDF = (".edf", ".bdf")
OTHERS = (".mat", ".xdf", ".c3d")
SIDECAR_ENDS = ("_events.csv", "_events.tsv", "_channels.tsv", "participants.tsv", "_scans.tsv")
N_PREVIEW_LINES = 4
WIDEST = 100


@dataclass(frozen=True, slots=True)
class ImportOptions:
    """What the person said about a file."""

    channels: Mapping[str, str] = field(default_factory=dict)
    time: str | None = None
    rate_hz: float | None = None
    time_unit: str | None = None
    decimal: str | None = None
    settings: Mapping[str, object] = field(default_factory=dict)


def read_foreign(path: Path, options: ImportOptions) -> Imported:
    """By the file's ending. RecordingError, with the cure, for what cannot be read."""
    suffix = path.suffix.lower()
    about = {"channels": options.channels, "settings": options.settings}
    if suffix in EDF:
        from biofeedback.storage.edf_import import import_edf

        return import_edf(path, **about)  # type: ignore[arg-type]
    if suffix == ".mat":
        from biofeedback.storage.mat_import import import_mat

        times = {"time": options.time, "rate_hz": options.rate_hz, "time_unit": options.time_unit}
        return import_mat(path, **about, **times)  # type: ignore[arg-type]
    if suffix == ".xdf":
        from biofeedback.storage.xdf_import import import_xdf

        return import_xdf(path, **about)  # type: ignore[arg-type]
    if suffix == ".c3d":
        from biofeedback.storage.c3d_import import import_c3d

        return import_c3d(path, **about)  # type: ignore[arg-type]
    from biofeedback.storage.csv_import import import_csv

    return import_csv(
        path,
        channels=options.channels,
        time=options.time,
        rate_hz=options.rate_hz,
        time_unit=options.time_unit,
        decimal=options.decimal,
        settings=options.settings,
    )


def find_foreign(paths: Sequence[Path]) -> list[Path]:
    """The files named, and those of known endings directly in the folders named. RecordingError when there are none."""
    files: list[Path] = []
    for path in paths:
        if not path.is_dir():
            files.append(path)
            continue
        known = sorted(one for one in path.iterdir() if one.suffix.lower() in (*TABLES, *EDF, *OTHERS))
        files += [
            one for one in known if one.is_file() and not one.name.endswith(SIDECAR_ENDS) and not is_half_made(one)
        ]
    if not files:
        endings = ", ".join((*TABLES, *EDF, *OTHERS))
        raise RecordingError(
            f"no file to convert in {', '.join(map(str, paths))}", f"endings that are known: {endings}"
        )
    return files


def summarise(imported: Imported) -> str:
    """``19,001 rows, 100 Hz, 190 s, 0 gaps``."""
    rate_hz = float(imported.settings["rate_hz"])
    n_frames = max((item.end_frame for item in imported.items if isinstance(item, Chunk | Gap)), default=0)
    n_gaps = sum(isinstance(item, Gap) for item in imported.items)
    n_rows = sum(item.n_frames for item in imported.items if isinstance(item, Chunk))
    gaps = f"{n_gaps} gap" + ("" if n_gaps == 1 else "s")
    return f"{n_rows:,} rows, {rate_hz:.6g} Hz, {n_frames / rate_hz:.4g} s, {gaps}"


def preview(path: Path, imported: Imported) -> list[str]:
    """What was understood, in one screen: rate and length, each channel with its range, the first lines, remarks."""
    channels = [Channel.from_dict(channel) for channel in imported.settings["channels"]]
    rate_hz = float(imported.settings["rate_hz"])
    lines = [f"{path.name}: {summarise(imported)}", ""]
    rows = [("channel", "kind", "unit", "readings", "rate", "lowest", "highest", "first")]
    for k, channel in enumerate(channels):
        values = _read_values(imported, k, channel)
        kind = channel.kind + (" envelope" if channel.envelope else "")
        own = f"{channel.rate_hz or rate_hz:.6g} Hz"
        first = ", ".join(f"{value:.4g}" for value in values[:3])
        rows.append(
            (channel.name, kind, channel.unit, f"{len(values):,}", own, _say(values.min()), _say(values.max()), first)
        )
    widths = [max(len(row[k]) for row in rows) for k in range(len(rows[0]))]
    lines += ["  ".join(cell.ljust(width) for cell, width in zip(row, widths, strict=True)).rstrip() for row in rows]
    kinds: dict[str, int] = {}
    for event in imported.events:
        kinds[event.kind] = kinds.get(event.kind, 0) + 1
    if kinds:
        lines += ["", "events: " + ", ".join(f"{n} {kind}" for kind, n in kinds.items())]
    if path.suffix.lower() in TABLES:
        lines += ["", "first rows:", *_read_first_lines(path)]
    if imported.remarks:
        lines += ["", *(f"note: {remark}" for remark in imported.remarks)]
    return lines


def _read_values(imported: Imported, k: int, channel: Channel) -> FloatArray:
    values = np.concatenate([item.counts[:, k] for item in imported.items if isinstance(item, Chunk)])
    return channel.scaled(values[np.isfinite(values)])


def _say(value: float) -> str:
    return f"{value:.5g}"


def _read_first_lines(path: Path) -> list[str]:
    from biofeedback.storage.table_text import read_layout

    layout = read_layout(path)
    sign = layout.separator if layout.separator not in ("", "\t") else "  "
    return [f"  {sign.join(cells)}"[:WIDEST] for cells in (layout.names, *layout.sample[:N_PREVIEW_LINES])]
