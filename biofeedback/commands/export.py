"""``biofeedback export``: recordings for other programs."""

from __future__ import annotations

import argparse
import os
import re
import shutil
import sys
from collections import Counter
from collections.abc import Iterator
from pathlib import Path

from biofeedback.errors import RecordingError
from biofeedback.storage.recording import Recording, open_recording, problems_of
from biofeedback.wiring.named_files import find_recordings
from biofeedback.wiring.progress import make_progress
from biofeedback.wiring.terminal import plain
from biofeedback.wiring.writing import explain_refusal

SUFFIXES = {"csv": ".csv", "numpy": ".npz", "edf": ".edf", "bdf": ".bdf"}

ENDINGS = (".csv", ".npz", ".edf", ".bdf", ".parquet", ".json", ".tsv")  # of files, where a folder is asked for


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Arguments of ``export``."""
    parser.add_argument("paths", nargs="+", type=Path, metavar="FILE|FOLDER", help="recordings, or folders of them")
    parser.add_argument(
        "--to",
        required=True,
        choices=[*SUFFIXES, "levels", "bids"],
        help="csv: a table with a JSON beside it; numpy: .npz; edf, bdf: EDF+ (16 bits), BDF+ (24 bits, loses nothing "
        "of whole counts); levels: 100 rows a second: effort in %%, baseline, flags, phase, rating; bids: a dataset",
    )
    parser.add_argument("--parquet", action="store_true", help="levels as a Parquet file instead of CSV")
    parser.add_argument("--out", type=Path, default=None, metavar="FOLDER", help="where to (beside each recording)")
    parser.add_argument("--anonymous", action="store_true", help="leave out notes, date and time, also in file names")
    parser.add_argument("--mains", type=float, choices=[50.0, 60.0], default=None, help="mains frequency, for bids")
    parser.add_argument("--placement", default="", metavar="TEXT", help="where the electrodes were, for bids")
    parser.add_argument("--reference", default="", metavar="TEXT", help="where the reference was, for bids")
    parser.add_argument("--force", action="store_true", help="write over files that exist")


def run(args: argparse.Namespace) -> int:
    """Export each recording and name the files made."""
    files = find_recordings(args.paths)
    if args.out and args.to != "bids" and args.out.suffix in ENDINGS and not args.out.is_dir():
        what = f"--out {args.out} is meant for a folder, the files in it are called like their recordings"
        raise RecordingError(what, f"use --out {args.out.parent}")
    made, left_out = export_dataset(files, args) if args.to == "bids" else export_files(files, args)
    for path in made:
        print(plain(path))
    for problem in left_out:
        print(f"left out: {plain(problem)}", file=sys.stderr)
    return 1 if left_out else 0


def open_all(files: list[Path], left_out: list[RecordingError]) -> Iterator[Recording]:
    """One after the other; a damaged one goes to ``left_out`` and does not keep the others."""
    for path in files:
        try:
            yield open_recording(path)
        except RecordingError as error:
            left_out.append(error)


def export_dataset(files: list[Path], args: argparse.Namespace) -> tuple[list[Path], list[RecordingError]]:
    """All recordings as one BIDS dataset."""
    from biofeedback.storage.bids import export_bids

    if args.out is None:
        raise RecordingError("a dataset needs a folder of its own", "use --out FOLDER")
    if args.force:
        raise RecordingError("--force: a dataset never overwrites another", "name a new folder with --out")
    documented = {key: getattr(args, key) for key in ("placement", "reference") if getattr(args, key)}
    left_out: list[RecordingError] = []
    recordings = list(open_all(files, left_out))
    if args.out.exists() and any(args.out.iterdir()):
        raise RecordingError(f"{args.out} is not empty", "name a new folder")
    beside = args.out.with_name(f"{args.out.name}.half-{os.getpid():x}")
    try:
        made = export_bids(
            recordings,
            beside,
            mains_hz=args.mains,
            anonymous=args.anonymous,
            progress=make_progress("exporting"),
            **documented,
        )
        if args.out.exists():
            args.out.rmdir()
        os.replace(beside, args.out)  # the whole dataset or none of it
    except OSError as error:
        raise explain_refusal(args.out, error) from error
    finally:
        shutil.rmtree(beside, ignore_errors=True)
    return [args.out / path.relative_to(beside) for path in made], left_out


def export_files(files: list[Path], args: argparse.Namespace) -> tuple[list[Path], list[RecordingError]]:
    """One file, or one family of files, for each recording; and why some are left out."""
    made: list[Path] = []
    left_out: list[RecordingError] = []
    n_of: Counter[str] = Counter()
    for number, recording in enumerate(open_all(files, left_out), 1):
        path = recording.path
        folder = args.out or path.parent
        try:
            folder.mkdir(parents=True, exist_ok=True)
        except OSError as error:
            raise explain_refusal(folder, error) from error
        stem = path.stem
        if args.anonymous:  # the usual names tell the day
            code = re.sub(
                r"[^\w-]+", "_", str(recording.settings.get("athlete") or "recording")
            )  # of anywhere: no path
            n_of[code] += 1
            stem = f"{code}-{n_of[code]}"
        target = folder / (stem + name_ending(args.to, is_parquet=args.parquet))
        if target.exists() and not args.force:
            raise RecordingError(f"{target} exists already", "use --force to overwrite it, or --out FOLDER")
        try:
            with problems_of(path):
                label = f"{number}/{len(files)}"
                made += export_one(recording, target, args.to, anonymous=args.anonymous, label=label)
        except RecordingError as error:
            left_out.append(error)
        except OSError as error:
            raise explain_refusal(target, error) from error
    return made, left_out


def name_ending(to: str, *, is_parquet: bool) -> str:
    """What the file's name ends in; a table of levels never takes the name of a table of frames."""
    if is_parquet and to != "levels":
        raise RecordingError("--parquet goes with --to levels", f"leave it out for --to {to}")
    return SUFFIXES.get(to, "_levels.parquet" if is_parquet else "_levels.csv")


def export_one(recording: Recording, target: Path, to: str, *, anonymous: bool, label: str) -> list[Path]:
    """One recording to ``target``."""
    if to == "levels":
        from biofeedback.analysis.answer import analyse_recording
        from biofeedback.wiring.levels_table import write_levels

        _tell(write_levels(analyse_recording(recording).trace, target))
        return [target]
    if to in ("edf", "bdf"):
        from biofeedback.storage.edf import export_edf

        export_edf(recording, target, n_bits=16 if to == "edf" else 24, anonymous=anonymous)
        return [target]
    from biofeedback.storage.tables import export_csv, export_numpy

    if to == "numpy":
        return export_numpy(recording, target, anonymous=anonymous)
    told: list[str] = []
    made = export_csv(recording, target, anonymous=anonymous, progress=make_progress(label), told=told)
    _tell(told)
    return made


def _tell(remarks: list[str]) -> None:
    for remark in remarks:
        print(f"note: {plain(remark)}", file=sys.stderr)
