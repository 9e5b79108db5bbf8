"""``biofeedback convert``: a recording made elsewhere, so that it can be analysed here."""

from __future__ import annotations

import argparse
import math
import re
import sys
from collections.abc import Sequence
from datetime import datetime
from pathlib import Path

import numpy as np

from biofeedback.errors import BiofeedbackError, RecordingError
from biofeedback.model import ATHLETE_CODE, Channel, Event, Flag, FlagArray, Note
from biofeedback.storage.events_table import EventsTable, about_whom, is_about, read_events_table
from biofeedback.storage.imported import Imported, end_phases, write_recording
from biofeedback.storage.schema import SUFFIX
from biofeedback.wiring import afterwards
from biofeedback.wiring.assembly import read_code
from biofeedback.wiring.importing import ImportOptions, find_foreign, preview, read_foreign, summarise

TELL_TIMES = (".edf", ".bdf", ".xdf", ".c3d")
SUSPECT = {
    Flag.ELECTRODE: "a loose, dry or dead electrode",
    Flag.HUM: "mains hum",
    Flag.FLAT: "no change at all",
    Flag.CLIPPED: "clipping",
}
SUSPECT_PERCENT = 20.0


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Arguments of ``convert``."""
    parser.add_argument(
        "files",
        nargs="+",
        type=Path,
        metavar="FILE|FOLDER",
        help="tables (csv, tsv, txt), EDF+, BDF+, MAT, XDF or C3D files, or folders of them",
    )
    parser.add_argument(
        "--preview", action="store_true", help="show what would be taken: columns, units, rate, range; write nothing"
    )
    parser.add_argument(
        "--out", type=Path, default=None, metavar="FILE|FOLDER", help=f"recording to make (FILE{SUFFIX}), or where to"
    )
    parser.add_argument(
        "--channel",
        action="append",
        default=[],
        metavar="NAME=KIND[:UNIT[*FACTOR]]",
        help="what a column is: force, emg or position; emg that is smoothed already: NAME=emg:uV@envelope; "
        "NAME=none leaves it out",
    )
    parser.add_argument("--time", default=None, metavar="NAME", help="the column of times (found by its name)")
    parser.add_argument("--rate", type=float, default=None, metavar="HZ", help="rows per second, instead of times")
    parser.add_argument(
        "--time-unit",
        default=None,
        choices=["s", "ms", "us", "ns", "min", "h", "days"],
        help="of the times, where the table does not tell",
    )
    parser.add_argument(
        "--decimal", default=None, choices=["comma", "point"], help="the decimal sign, where both could be meant"
    )
    parser.add_argument("--athlete", default="", metavar="CODE", help="code of the athlete, never a name")
    parser.add_argument("--exercise", default="")
    parser.add_argument("--side", default="", choices=["", "left", "right", "both"])
    parser.add_argument("--position", default="")
    parser.add_argument("--started", default="", metavar="UTC", help="date and time, ISO 8601")
    afterwards.add_arguments(parser)


def run(args: argparse.Namespace) -> int:
    """Import, add what was said on the command line, tell what is odd; one line per file when there are many."""
    files = [path for path in find_foreign(args.files) if args.events is None or not _is_same(path, args.events)]
    table = read_events_table(args.events) if args.events else None
    if len(files) == 1 and not any(path.is_dir() for path in args.files):
        convert_one(files[0], args, table, many=False)
        return 0
    if args.out is not None and args.out.suffix == SUFFIX:
        raise RecordingError(f"--out {args.out} is one recording, {len(files)} files are given", "name a folder")
    for remark in _judge_table(table, files, args):
        print(f"note: {remark}")
    n_failed = 0
    for path in files:
        try:
            convert_one(path, args, table, many=True)
        except BiofeedbackError as error:
            n_failed += 1
            print(f"{path.name}: not taken: {error}", file=sys.stderr)
    print(f"{len(files) - n_failed} of {len(files)} files {'can be taken' if args.preview else 'taken'}")
    return 1 if n_failed else 0


def _is_same(path: Path, other: Path) -> bool:
    return path.resolve() == other.resolve()


def _judge_table(table: EventsTable | None, files: Sequence[Path], args: argparse.Namespace) -> list[str]:
    """What is odd about a table of events for many files: rows of nobody, files without rows."""
    if table is None:
        return []
    if table.key is None:
        n = len(table.rows)
        return [
            *table.remarks,
            f"{table.path.name} has no column of files or athletes: its {n} rows are taken for every file",
        ]
    names = [afterwards.list_names(path, {"athlete": args.athlete}) for path in files]
    nobody = [who for who in about_whom(table) if not any(is_about(who, about) for about in names)]
    without = [path.name for path, about in zip(files, names, strict=True) if not table.select(about, needed=False)]
    told = [f"{table.path.name}: rows about {', '.join(nobody)} belong to none of the files"] if nobody else []
    told += [f"{table.path.name}: no row about {', '.join(without)}"] if without else []
    return [*table.remarks, *told]


def convert_one(path: Path, args: argparse.Namespace, table: EventsTable | None, *, many: bool) -> None:
    """One file to one recording, or to its preview."""
    if path.suffix.lower() == SUFFIX:
        raise RecordingError(f"{path} is a recording already", f"read it: biofeedback report {path}")
    _check_options(args, path)
    settings = {key: getattr(args, key) for key in ("athlete", "exercise", "side", "position") if getattr(args, key)}
    code = re.split(r"[_\s.]", path.stem)[0]
    if many and not args.athlete and ATHLETE_CODE.fullmatch(code):
        settings["athlete"] = code
    if args.started:
        settings["started_utc"] = args.started
    options = ImportOptions(
        channels=dict(split_mapping(text) for text in args.channel),
        time=args.time,
        rate_hz=args.rate,
        time_unit=args.time_unit,
        decimal=args.decimal,
        settings=settings,
    )
    imported = read_foreign(path, options)
    out = choose_out(path, args.out, many=many)
    if args.preview:
        print("\n".join([*preview(path, imported), "", f"Nothing was written; without --preview it becomes {out}"]))
        return
    known = [Channel.from_dict(channel) for channel in imported.settings["channels"]]
    rate_hz = float(imported.settings["rate_hz"])
    levels = afterwards.compute_levels(known, rate_hz, imported.items, imported.settings)
    remarks = [*imported.remarks, *find_suspects(known, levels[1])]
    events = afterwards.make_calibration(
        args, known, lambda: levels, rate_hz=rate_hz, settings=settings, known=imported.events, told=remarks
    )
    told = _read_events(args, imported, rate_hz, path, table=table, many=many)
    remarks += table.remarks if table and not many else ()
    write_recording(imported, out, extra_events=[*events, *told])
    if args.maximum and not args.rest and not any(event.kind == "zero" for event in imported.events):
        remarks.append("zero is taken as 0: without --rest FROM-TO nobody knows what the channels read at rest")
    if many:
        athlete = imported.settings.get("athlete")
        print(f"{path.name}: {summarise(imported)}{f', athlete {athlete}' if athlete else ''}")
    for remark in remarks:
        print(f"{'  ' if many else ''}note: {remark}")
    if not many:
        print(f"{summarise(imported)}\nRecording: {out}\nReport:    biofeedback report {out}")


def choose_out(path: Path, out: Path | None, *, many: bool) -> Path:
    """Beside the file, as said, or of the same name in the folder said."""
    if out is None:
        return path.with_suffix(SUFFIX)
    return out / f"{path.stem}{SUFFIX}" if many or out.is_dir() else out


def _read_events(
    args: argparse.Namespace, imported: Imported, rate_hz: float, path: Path, *, table: EventsTable | None, many: bool
) -> list[Event]:
    n_frames = max((item.end_frame for item in imported.items if not isinstance(item, Note)), default=0)
    about = afterwards.list_names(path, imported.settings)
    told = afterwards.read_events(args, rate_hz, imported.events, table=table, about=about, needed=not many)
    return end_phases(told, rate_hz, n_frames, where=str(args.events or "--rating"), strict=True)[0]


def _check_options(args: argparse.Namespace, path: Path) -> None:
    """What would be taken over as it is, or left aside."""
    if args.athlete:
        read_code(args.athlete)
    if args.rate is not None and not 0 < args.rate < math.inf:
        raise RecordingError(f"--rate {args.rate:g} is not a rate that can be used", "give rows per second, above 0")
    if path.suffix.lower() in TELL_TIMES and (args.rate is not None or args.time is not None):
        raise RecordingError("--rate and --time are for tables", f"leave them out: {path.name} carries its own times")
    try:
        datetime.fromisoformat(args.started or "2026-01-01")
    except ValueError as error:
        raise RecordingError(f"--started {args.started} is not a date", "write 2026-01-05T18:00:00+00:00") from error


def split_mapping(text: str) -> tuple[str, str]:
    """``ch1=force:N*0.0042`` to its name and the rest."""
    name, separator, rest = text.partition("=")
    if not separator or not rest:
        raise RecordingError(f"--channel {text} is not understood", "write --channel NAME=KIND:UNIT*FACTOR")
    return name, rest


def find_suspects(channels: Sequence[Channel], flags: FlagArray) -> Sequence[str]:
    """Channels that are flat, hum or have a loose electrode for much of the time."""
    told = []
    for k, channel in enumerate(channels):
        known = flags[(flags[:, k] & int(Flag.MISSING)) == 0, k]
        for flag, what in SUSPECT.items():
            percent = 100.0 * float(np.mean((known & int(flag)) > 0)) if len(known) else 0.0
            if percent >= SUSPECT_PERCENT:
                told.append(f"{channel.name}: {what} for {percent:.0f} % of the time")
    return told
