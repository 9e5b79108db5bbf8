"""``biofeedback convert``: a recording made elsewhere, so that it can be analysed here."""

from __future__ import annotations

import argparse
import math
from collections.abc import Sequence
from datetime import datetime
from pathlib import Path

import numpy as np

from biofeedback.errors import RecordingError
from biofeedback.model import Channel, Flag, FlagArray, Note
from biofeedback.storage.imported import end_phases, write_recording
from biofeedback.storage.schema import SUFFIX
from biofeedback.wiring import afterwards
from biofeedback.wiring.assembly import read_code

EDF_SUFFIXES = (".edf", ".bdf")
SUSPECT = {
    Flag.ELECTRODE: "a loose, dry or dead electrode",
    Flag.HUM: "mains hum",
    Flag.FLAT: "no change at all",
    Flag.CLIPPED: "clipping",
}
SUSPECT_PERCENT = 20.0


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Arguments of ``convert``."""
    parser.add_argument("file", type=Path, metavar="FILE", help="a table (csv, tsv, txt), an EDF+ or a BDF+ file")
    parser.add_argument("--out", type=Path, default=None, metavar="FILE", help=f"recording to make (FILE{SUFFIX})")
    parser.add_argument(
        "--channel",
        action="append",
        default=[],
        metavar="NAME=KIND[:UNIT[*FACTOR]]",
        help="what a column is: force, emg or position; emg that is smoothed already: NAME=emg:uV@envelope",
    )
    parser.add_argument("--time", default=None, metavar="NAME", help="the column of times (found by its name)")
    parser.add_argument("--rate", type=float, default=None, metavar="HZ", help="rows per second, instead of times")
    parser.add_argument(
        "--time-unit", default=None, choices=["s", "ms", "us", "ns"], help="of the times, where the table does not tell"
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
    """Import, add what was said on the command line, tell what is odd."""
    if args.file.suffix.lower() == SUFFIX:
        raise RecordingError(f"{args.file} is a recording already", f"read it: biofeedback report {args.file}")
    _check_options(args)
    settings = {key: getattr(args, key) for key in ("athlete", "exercise", "side", "position") if getattr(args, key)}
    if args.started:
        settings["started_utc"] = args.started
    channels = dict(split_mapping(text) for text in args.channel)
    if args.file.suffix.lower() in EDF_SUFFIXES:
        from biofeedback.storage.edf_import import import_edf

        imported = import_edf(args.file, channels=channels, settings=settings)
    else:
        from biofeedback.storage.csv_import import import_csv

        imported = import_csv(
            args.file,
            channels=channels,
            time=args.time,
            rate_hz=args.rate,
            time_unit=args.time_unit,
            decimal=args.decimal,
            settings=settings,
        )
    known = [Channel.from_dict(channel) for channel in imported.settings["channels"]]
    rate_hz = float(imported.settings["rate_hz"])
    levels = afterwards.compute_levels(known, rate_hz, imported.items)
    events = afterwards.make_calibration(args, known, lambda: levels, settings=settings, known=imported.events)
    n_frames = max((item.end_frame for item in imported.items if not isinstance(item, Note)), default=0)
    said = afterwards.read_events(args, rate_hz, imported.events)
    events += end_phases(said, rate_hz, n_frames, where=str(args.events or "--rating"), strict=True)[0]
    out = args.out or args.file.with_suffix(SUFFIX)
    write_recording(imported, out, extra_events=events)
    for remark in (*imported.remarks, *find_suspects(known, levels[1])):
        print(f"note: {remark}")
    print(f"Recording: {out}\nReport:    biofeedback report {out}")
    return 0


def _check_options(args: argparse.Namespace) -> None:
    """What would be taken over as it is, or left aside."""
    if args.athlete:
        read_code(args.athlete)
    if args.rate is not None and not 0 < args.rate < math.inf:
        raise RecordingError(f"--rate {args.rate:g} is not a rate that can be used", "give rows per second, above 0")
    if args.file.suffix.lower() in EDF_SUFFIXES and (args.rate is not None or args.time is not None):
        raise RecordingError("--rate and --time are for tables", "leave them out: this file tells its own times")
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
