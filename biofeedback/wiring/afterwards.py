"""Zero, maximum, phases and ratings said after the recording: what ``convert`` and ``amend`` have in common."""

from __future__ import annotations

import argparse
import csv
import math
from collections.abc import Callable, Iterable, Mapping, Sequence
from pathlib import Path

import numpy as np

from biofeedback.account.account import fold
from biofeedback.account.kinds import MaximumSet, ZeroTaken, make_event
from biofeedback.errors import BiofeedbackError, RecordingError
from biofeedback.model import Channel, Event, FlagArray, FloatArray, Item, Note
from biofeedback.storage.annotations import parse_events, place_ratings
from biofeedback.wiring.maxima import parse_maximum

COLUMNS = (("onset_s", "onset", "time_s"), ("duration_s", "duration"), ("text", "trial_type", "description"))


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """What both commands take."""
    parser.add_argument("--rest", default="", metavar="FROM-TO", help="seconds in which nothing was done: the zero")
    parser.add_argument(
        "--maximum", action="append", default=[], metavar="CHANNEL=VALUE", help="above zero, in the channel's unit"
    )
    parser.add_argument(
        "--rating", action="append", default=[], metavar="SECONDS=VALUE", help="discomfort 0-10 at that time"
    )
    parser.add_argument(
        "--events",
        type=Path,
        default=None,
        metavar="FILE",
        help="table with onset, duration and text: 'phase contract 60-80 %%', 'phase passive', 'rating 6.5'",
    )


def read_events(args: argparse.Namespace, rate_hz: float, known: Sequence[Event] = ()) -> list[Event]:
    """Phases and ratings from ``--events`` and ``--rating``; a rating belongs to the phase it is in."""
    told = read_table(args.events) if args.events else []
    told += [(*parse_rating(text),) for text in args.rating]
    events = parse_events(told, rate_hz)
    return place_ratings(events, fold([*known, *events], channels=(), settings={}).phases)


def read_table(path: Path) -> list[tuple[float, float | None, str]]:
    """``(onset_s, duration_s, text)`` from a table, by the names of its columns."""
    try:
        text = path.read_text("utf-8-sig")
    except (OSError, UnicodeDecodeError) as error:
        raise RecordingError(f"{path} cannot be read ({error})", "name a table of onset, duration and text") from error
    rows = list(csv.DictReader(text.splitlines(), delimiter="\t" if "\t" in text else ","))
    onset, duration, what = (next((name for name in names if rows and name in rows[0]), None) for names in COLUMNS)
    if onset is None or what is None:
        raise RecordingError(f"{path} has no onset or no text", f"name the columns {', '.join(c[0] for c in COLUMNS)}")
    told = []
    for number, row in enumerate(rows, 2):
        try:
            length = row.get(duration) if duration else ""
            onset_s, length_s = float(row[onset]), float(length) if length not in ("", "n/a", None) else None
            if not (0 <= onset_s < math.inf and 0 <= (length_s or 0) < math.inf):
                raise ValueError(f"{row[onset]} is not a time in the recording")
            if row[what] is None:
                raise ValueError("its text is missing")
            told.append((onset_s, length_s, row[what]))
        except (ValueError, TypeError) as error:
            raise RecordingError(f"{path}, line {number}: {error}", "onset and duration are seconds") from error
    return told


def parse_rating(text: str) -> tuple[float, None, str]:
    """``31.2=6.5`` as an annotation."""
    time_text, _, value_text = text.partition("=")
    try:
        time_s, value = float(time_text), float(value_text)
    except ValueError:
        time_s, value = -1.0, -1.0
    if not 0 <= time_s < math.inf or not 0 <= value <= 10:
        raise BiofeedbackError(f"--rating {text} is not understood", "write --rating 31.2=6.5, discomfort from 0 to 10")
    return time_s, None, f"rating {value:g}"


def compute_levels(
    channels: Sequence[Channel], rate_hz: float, items: Iterable[Item]
) -> tuple[FloatArray, FlagArray, float]:
    """Levels and flags of all channels, as live, and the rate of the levels."""
    from biofeedback.signal.levels import LevelStream

    stream = LevelStream(channels, rate_hz)
    parts = [stream.push(item) for item in items if not isinstance(item, Note)]
    n = len(channels)
    values = np.concatenate([part.values for part in parts] or [np.empty((0, n))])
    flags = np.concatenate([part.flags for part in parts] or [np.empty((0, n), dtype=np.uint16)])
    return values, flags, stream.level_rate_hz


def make_calibration(
    args: argparse.Namespace,
    channels: Sequence[Channel],
    levels: Callable[[], tuple[FloatArray, FlagArray, float]],
    *,
    settings: Mapping[str, object],
    known: Sequence[Event] = (),
) -> list[Event]:
    """The zero from ``--rest`` (0 where there is none yet) and the maxima from ``--maximum``, from the start on.

    ``levels`` is asked for what `compute_levels` gives only when a zero is to be measured.
    """
    from biofeedback.account.values import Maximum, Zero
    from biofeedback.calibration.zero import measure_zero

    maxima = [parse_maximum(text, [channel.name for channel in channels]) for text in args.maximum]
    if not maxima and not args.rest:
        return []
    zeros = {channel.name: Zero(0.0, 0.0, 0) for channel in channels}
    old = fold(known, channels=channels, settings={}).zeros
    events = []
    if args.rest:
        span_s = parse_span(args.rest)
        values, flags, level_rate_hz = levels()
        span = slice(*(round(time_s * level_rate_hz) for time_s in span_s))
        for k, channel in enumerate(channels):
            zeros[channel.name] = measure_zero(values[span, k], flags[span, k], level_rate_hz, channel=channel)
    elif old:
        zeros |= old
    if args.rest or not old:
        events = [make_event(ZeroTaken(channels=zeros, by="command line", supersedes=True), 0)]
    units = {channel.name: channel.unit for channel in channels}
    position, side, exercise = (str(settings.get(key) or "") for key in ("position", "side", "exercise"))
    for name, strength in maxima:
        maximum = Maximum(
            channel=name,
            strength=strength,
            baseline=zeros[name].level,
            unit=units[name],
            method="typed",
            position=position,
            side=side,
            exercise=exercise,
        )
        events.append(make_event(MaximumSet(maximum=maximum, settled=False, by="command line"), 0))
    return events


def parse_span(text: str) -> tuple[float, float]:
    """``2-5`` to seconds."""
    first, _, last = text.partition("-")
    try:
        span = float(first), float(last)
    except ValueError:
        span = 0.0, 0.0
    if not 0 <= span[0] < span[1] < math.inf:
        raise BiofeedbackError(f"--rest {text} is not a time span", "write --rest 0-2")
    return span
