"""``biofeedback convert``: a recording made elsewhere, so that it can be analysed here."""

from __future__ import annotations

import argparse
import csv
from collections.abc import Sequence
from pathlib import Path

import numpy as np

from biofeedback.commands.live import parse_maximum
from biofeedback.errors import BiofeedbackError, RecordingError
from biofeedback.model import Channel, Event, Flag, FlagArray, FloatArray, Note
from biofeedback.storage.annotations import parse_events
from biofeedback.storage.imported import Imported, write_recording
from biofeedback.storage.schema import SUFFIX

EDF_SUFFIXES = (".edf", ".bdf")
COLUMNS = (("onset_s", "onset", "time_s"), ("duration_s", "duration"), ("text", "trial_type", "description"))
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
    parser.add_argument("--athlete", default="", metavar="CODE", help="code of the athlete, never a name")
    parser.add_argument("--exercise", default="")
    parser.add_argument("--side", default="", choices=["", "left", "right", "both"])
    parser.add_argument("--position", default="")
    parser.add_argument("--started", default="", metavar="UTC", help="date and time, ISO 8601")
    parser.add_argument("--rest", default="", metavar="FROM-TO", help="seconds in which nothing was done: the zero")
    parser.add_argument(
        "--maximum", action="append", default=[], metavar="CHANNEL=VALUE", help="above zero, in its unit"
    )
    parser.add_argument(
        "--events",
        type=Path,
        default=None,
        metavar="FILE",
        help="table with onset, duration and text: 'phase contract 60-80 %%', 'phase passive', 'rating 6.5'",
    )


def run(args: argparse.Namespace) -> int:
    """Import, add what was said on the command line, tell what is odd."""
    settings = {key: getattr(args, key) for key in ("athlete", "exercise", "side", "position") if getattr(args, key)}
    if args.started:
        settings["started_utc"] = args.started
    channels = dict(split_mapping(text) for text in args.channel)
    if args.file.suffix.lower() in EDF_SUFFIXES:
        from biofeedback.storage.edf_import import import_edf

        imported = import_edf(args.file, channels=channels, settings=settings)
    else:
        from biofeedback.storage.csv_import import import_csv

        imported = import_csv(args.file, channels=channels, time=args.time, rate_hz=args.rate, settings=settings)
    values, flags, level_rate_hz = compute_levels(imported)
    events = read_events(args.events, float(imported.settings["rate_hz"])) if args.events else []
    events += make_calibration(imported, args, values, flags, level_rate_hz)
    out = args.out or args.file.with_suffix(SUFFIX)
    write_recording(imported, out, extra_events=events)
    for remark in (*imported.remarks, *find_suspects(imported, flags)):
        print(f"note: {remark}")
    print(f"Recording: {out}\nReport:    biofeedback report {out}")
    return 0


def split_mapping(text: str) -> tuple[str, str]:
    """``ch1=force:N*0.0042`` to its name and the rest."""
    name, separator, rest = text.partition("=")
    if not separator or not rest:
        raise RecordingError(f"--channel {text} is not understood", "write --channel NAME=KIND:UNIT*FACTOR")
    return name, rest


def read_events(path: Path, rate_hz: float) -> list[Event]:
    """Phases and ratings from a table, by the names of its columns."""
    try:
        text = path.read_text("utf-8-sig")
    except (OSError, UnicodeDecodeError) as error:
        raise RecordingError(f"{path} cannot be read ({error})", "name a table of onset, duration and text") from error
    rows = list(csv.DictReader(text.splitlines(), delimiter="\t" if "\t" in text else ","))
    names = [next((name for name in choices if rows and name in rows[0]), None) for choices in COLUMNS]
    onset, duration, what = names
    if onset is None or what is None:
        raise RecordingError(f"{path} has no onset or no text", f"name the columns {', '.join(c[0] for c in COLUMNS)}")
    told = []
    for number, row in enumerate(rows, 2):
        try:
            length = row.get(duration) if duration else ""
            told.append((float(row[onset]), float(length) if length not in ("", "n/a", None) else None, row[what]))
        except ValueError as error:
            raise RecordingError(f"{path}, line {number}: {error}", "onset and duration are seconds") from error
    return parse_events(told, rate_hz)


def compute_levels(imported: Imported) -> tuple[FloatArray, FlagArray, float]:
    """Levels and flags of all channels, as live."""
    from biofeedback.signal.levels import LevelStream

    channels = [Channel.from_dict(channel) for channel in imported.settings["channels"]]
    stream = LevelStream(channels, float(imported.settings["rate_hz"]))
    parts = [stream.push(item) for item in imported.items if not isinstance(item, Note)]
    n = len(channels)
    values = np.concatenate([part.values for part in parts] or [np.empty((0, n))])
    flags = np.concatenate([part.flags for part in parts] or [np.empty((0, n), dtype=np.uint16)])
    return values, flags, stream.level_rate_hz


def make_calibration(
    imported: Imported, args: argparse.Namespace, values: FloatArray, flags: FlagArray, level_rate_hz: float
) -> list[Event]:
    """The zero from ``--rest`` (or 0 where a maximum is given without) and the maxima from ``--maximum``."""
    from biofeedback.calibration.effort import Maximum
    from biofeedback.calibration.zero import Zero, measure_zero

    channels = [Channel.from_dict(channel) for channel in imported.settings["channels"]]
    maxima = [parse_maximum(text, [channel.name for channel in channels]) for text in args.maximum]
    if not maxima and not args.rest:
        return []
    zeros = {channel.name: Zero(0.0, 0.0, 0) for channel in channels}
    if args.rest:
        span = slice(*(round(time_s * level_rate_hz) for time_s in parse_span(args.rest)))
        for k, channel in enumerate(channels):
            zeros[channel.name] = measure_zero(values[span, k], flags[span, k], level_rate_hz, channel=channel)
    events = [Event(0, "zero", {"channels": {name: zero.to_dict() for name, zero in zeros.items()}})]
    units = {channel.name: channel.unit for channel in channels}
    where = {"position": args.position, "side": args.side, "exercise": args.exercise}
    for name, strength in maxima:
        maximum = Maximum(
            channel=name, strength=strength, baseline=zeros[name].level, unit=units[name], method="typed", **where
        )
        events.append(Event(0, "maximum", {**maximum.to_dict(), "settled": False, "by": "command line"}))
    return events


def parse_span(text: str) -> tuple[float, float]:
    """``2-5`` to seconds."""
    first, _, last = text.partition("-")
    try:
        span = float(first), float(last)
    except ValueError:
        span = 0.0, 0.0
    if not 0 <= span[0] < span[1]:
        raise BiofeedbackError(f"--rest {text} is no stretch of time", "write --rest 0-2")
    return span


def find_suspects(imported: Imported, flags: FlagArray) -> Sequence[str]:
    """Channels that are flat, hum or have a loose electrode for much of the time."""
    told = []
    for k, channel in enumerate(imported.settings["channels"]):
        known = flags[(flags[:, k] & int(Flag.MISSING)) == 0, k]
        for flag, what in SUSPECT.items():
            percent = 100.0 * float(np.mean((known & int(flag)) > 0)) if len(known) else 0.0
            if percent >= SUSPECT_PERCENT:
                told.append(f"{channel['name']}: {what} for {percent:.0f} % of the time")
    return told
