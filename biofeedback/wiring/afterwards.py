"""Zero, maximum, phases and ratings said after the recording: what ``convert`` and ``amend`` have in common."""

from __future__ import annotations

import argparse
import math
import re
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np

from biofeedback.account.fold import fold
from biofeedback.account.kinds import MaximumSet, Noted, ZeroTaken, make_event
from biofeedback.account.values import Maximum, Zero
from biofeedback.errors import BiofeedbackError, CalibrationError
from biofeedback.model import ATHLETE_CODE, Channel, Event, FlagArray, FloatArray, Item, Note, find_guide
from biofeedback.storage.annotations import parse_events, place_ratings
from biofeedback.storage.events_table import EventsTable
from biofeedback.wiring.maxima import find_channel, parse_maximum


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """What both commands take."""
    parser.add_argument("--rest", default="", metavar="FROM-TO", help="seconds in which nothing was done: the zero")
    parser.add_argument(
        "--maximum",
        action="append",
        default=[],
        metavar="CHANNEL=VALUE[@SECONDS]",
        help="above zero, in the channel's unit; for all of the recording, or from SECONDS on",
    )
    parser.add_argument(
        "--maximum-from",
        action="append",
        default=[],
        metavar="[CHANNEL=]FROM-TO",
        help="take the maximum from the push between these seconds, as live: its best half second above the second "
        "before it; say it again for more pushes, the best counts",
    )
    parser.add_argument("--by", default="", metavar="WHO", help="who says so (a code), kept with what is added")
    parser.add_argument("--why", default="", metavar="TEXT", help="why a maximum is put right, kept as a remark")
    parser.add_argument(
        "--rating", action="append", default=[], metavar="SECONDS=VALUE", help="discomfort 0-10 at that time"
    )
    parser.add_argument(
        "--events",
        type=Path,
        default=None,
        metavar="FILE",
        help="table with onset, duration and text: 'phase contract 60-80 %%', 'phase passive', 'rating 6.5'; with a "
        "column file or athlete it may be about many recordings",
    )


def read_events(
    args: argparse.Namespace,
    rate_hz: float,
    known: Sequence[Event] = (),
    *,
    table: EventsTable | None = None,
    about: Sequence[str] = (),
    needed: bool = True,
) -> list[Event]:
    """Phases and ratings from the ``table`` of ``--events`` and from ``--rating``; a rating belongs to its phase.

    Of a table with a column of files or athletes the rows ``about`` this recording count, and one is ``needed``.
    """
    told = table.select(about, needed=needed) if table else []
    told += [(*parse_rating(text),) for text in args.rating]
    return place_told(told, rate_hz, known)


def list_names(path: Path, settings: Mapping[str, object]) -> list[str]:
    """By what a table may call this recording: its file, the file it was made from, its athlete."""
    source = str(settings.get("source") or "")
    made_from = [source.removeprefix("import:")] if source.startswith("import:") else []
    first = re.split(r"[_\s.]", path.stem)[0]
    athlete = str(settings.get("athlete") or (first if ATHLETE_CODE.fullmatch(first) else ""))
    return [name for name in dict.fromkeys((path.name, *made_from, athlete)) if name]


def place_told(
    told: Sequence[tuple[float, float | None, str]], rate_hz: float, known: Sequence[Event] = ()
) -> list[Event]:
    """Events from ``(onset_s, duration_s, text)``, each rating in the phase that it was given in."""
    events = parse_events(told, rate_hz)
    return place_ratings(events, fold([*known, *events], channels=(), settings={}).phases)


def parse_rating(text: str) -> tuple[float, None, str]:
    """``31.2=6.5`` as an annotation."""
    time_text, _, value_text = text.partition("=")
    try:
        time_s, value = float(time_text), float(value_text)
    except ValueError:
        time_s = value = math.nan
    if not 0 <= time_s < math.inf or not 0 <= value <= 10:
        raise BiofeedbackError(f"--rating {text} is not understood", "write --rating 31.2=6.5, discomfort from 0 to 10")
    return time_s, None, f"rating {value:g}"


def compute_levels(
    channels: Sequence[Channel], rate_hz: float, items: Iterable[Item], settings: Mapping[str, object]
) -> tuple[FloatArray, FlagArray, float]:
    """Levels and flags of all channels, as live under these settings, and the rate of the levels."""
    from biofeedback.signal.levels import LevelStream
    from biofeedback.signal.mains import read_search

    stream = LevelStream(channels, rate_hz, hum_search=read_search(settings))
    parts = [stream.push(item) for item in items if not isinstance(item, Note)]
    n = len(channels)
    values = np.concatenate([part.values for part in parts] or [np.empty((0, n))])
    flags = np.concatenate([part.flags for part in parts] or [np.empty((0, n), dtype=np.uint16)])
    return values, flags, stream.level_rate_hz


@dataclass(frozen=True, slots=True)
class LevelsOf:
    """Levels and flags ``(n_levels, n_channels)`` of a whole recording, and what they were made from."""

    values: FloatArray
    flags: FlagArray
    level_rate_hz: float


def make_calibration(
    args: argparse.Namespace,
    channels: Sequence[Channel],
    levels: Callable[[], tuple[FloatArray, FlagArray, float]],
    *,
    rate_hz: float,
    settings: Mapping[str, object],
    known: Sequence[Event] = (),
    told: list[str] | None = None,
) -> list[Event]:
    """The zero from ``--rest`` (0 where there is none yet) and the maxima from ``--maximum`` and ``--maximum-from``.

    They supersede what was recorded, from their time on or, without one, for all of the recording; the old ones stay
    on record. ``levels`` is asked for what `compute_levels` gives only when something is to be measured. A channel
    whose zero is refused, and of which no maximum is asked, is left without one and ``told``.
    """
    typed = [_parse_typed(text, channels) for text in args.maximum]
    spans = _parse_attempts(args.maximum_from, channels)
    if not typed and not args.rest and not spans:
        return []
    rest_s = parse_span(args.rest) if args.rest else None
    told = [] if told is None else told
    by = args.by or "command line"
    before = fold(known, channels=channels, settings={})
    zeros = {channel.name: Zero(0.0, 0.0, 0) for channel in channels} | dict(before.zeros)
    events: list[Event] = []
    measured = LevelsOf(*levels()) if args.rest or spans else None
    if rest_s and measured:
        taken = _take_zeros(rest_s, channels, measured, {name for name, _, _ in typed} | set(spans), told)
        zeros |= taken
        events.append(make_event(ZeroTaken(channels=taken, by=by, supersedes=True), 0))
    elif not before.zeros:
        events.append(make_event(ZeroTaken(channels=zeros, by=by, supersedes=True), 0))
    by_name = {channel.name: channel for channel in channels}
    position, side, exercise = (str(settings.get(key) or "") for key in ("position", "side", "exercise"))

    def put(maximum: Maximum, from_s: float, how: str) -> None:
        maximum = replace(maximum, position=position, side=side, exercise=exercise)
        said = MaximumSet(maximum=maximum, settled=False, by=by, supersedes=True, why=args.why or "")
        events.append(make_event(said, round(from_s * rate_hz)))
        old = before.maxima.get(maximum.channel)
        instead = f" instead of {old.strength:.6g} {old.unit} ({old.method})" if old else ""
        since = f" from {from_s:g} s on" if from_s else ""
        why = f"; {args.why}" if args.why else ""
        text = f"maximum of {maximum.channel}{since}: {maximum.strength:.6g} {maximum.unit}{instead}, {how}{why}"
        events.append(make_event(Noted(text=text, by=by), round(from_s * rate_hz)))
        told.append(text)

    for name, strength, from_s in typed:
        maximum = Maximum(
            channel=name,
            strength=strength,
            baseline=zeros[name].level,
            unit=by_name[name].unit,
            method="typed",
        )
        put(maximum, from_s, f"typed by {by}")
    for name, pushes in spans.items():
        assert measured is not None
        k = [channel.name for channel in channels].index(name)
        put(*_judge_pushes(pushes, channels[k], k, measured))
    return events


def _take_zeros(
    rest_s: tuple[float, float], channels: Sequence[Channel], measured: LevelsOf, needed: set[str], told: list[str]
) -> dict[str, Zero]:
    """The zero of each channel that keeps still. CalibrationError where one that is needed, or every one, does not."""
    from biofeedback.calibration.zero import measure_zero

    span = slice(*(round(time_s * measured.level_rate_hz) for time_s in rest_s))
    if span.stop > len(measured.values):
        raise CalibrationError(f"--rest {rest_s[0]:g}-{rest_s[1]:g} s is after the end", "check the times")
    taken: dict[str, Zero] = {}
    refused: list[CalibrationError] = []
    for k, channel in enumerate(channels):
        try:
            values, flags = measured.values[span, k], measured.flags[span, k]
            taken[channel.name] = measure_zero(values, flags, measured.level_rate_hz, channel=channel)
        except CalibrationError as error:
            if channel.name in needed:
                raise
            refused.append(error)
    if not taken:
        raise refused[0]
    told += [f"no zero: {error}" for error in refused]
    return taken


def _judge_pushes(
    pushes: Sequence[tuple[float, float]], channel: Channel, k: int, measured: LevelsOf
) -> tuple[Maximum, float, str]:
    """The best push, by the rule of live attempts and with its refusals; the second before each is its rest."""
    from biofeedback.calibration.attempt_values import BASELINE_S
    from biofeedback.calibration.attempts import judge_attempt

    rate = measured.level_rate_hz
    found = []
    for from_s, to_s in pushes:
        span = f"{from_s:g}-{to_s:g} s"
        if from_s < BASELINE_S:
            what = f"--maximum-from {span}: the second before the push is needed"
            raise CalibrationError(what, f"begin at {BASELINE_S:g} s or later")
        part = slice(round((from_s - BASELINE_S) * rate), round(to_s * rate))
        if part.stop > len(measured.values):
            raise CalibrationError(f"--maximum-from {span} is after the end", "check the times")
        attempt = judge_attempt(measured.values[part, k], measured.flags[part, k], rate, channel=channel)
        if not attempt.accepted or attempt.value is None or attempt.baseline is None:
            raise CalibrationError(
                f"--maximum-from {span}: {channel.name} cannot be taken, {attempt.reason}", "name another push"
            )
        found.append((attempt.value, attempt.baseline, span))
    value, baseline, span = max(found)
    maximum = Maximum(channel=channel.name, strength=value, baseline=baseline, unit=channel.unit, n_attempts=len(found))
    return maximum, 0.0, f"the best half second of {span}" + (f", {len(found)} pushes" if len(found) > 1 else "")


def _parse_typed(text: str, channels: Sequence[Channel]) -> tuple[str, float, float]:
    """``force=412`` or, from a time on, ``force=412@60``."""
    whole, at, from_text = text.partition("@")
    units = [channel.unit for channel in channels]
    name, strength = parse_maximum(whole, [channel.name for channel in channels], units)
    try:
        from_s = float(from_text) if at else 0.0
    except ValueError:
        from_s = math.nan
    if not 0 <= from_s < math.inf:
        raise CalibrationError(f"--maximum {text}: {from_text!r} is not a time", f"write --maximum {name}=412@60")
    return name, strength, from_s


def _parse_attempts(texts: Sequence[str], channels: Sequence[Channel]) -> dict[str, list[tuple[float, float]]]:
    """``force=25-29``, or ``25-29`` of the channel that leads, by channel."""
    names = [channel.name for channel in channels]
    spans: dict[str, list[tuple[float, float]]] = {}
    for text in texts:
        name, separator, rest = text.rpartition("=")
        leading = find_guide(channels)
        if separator:
            name = find_channel(name, names, [channel.unit for channel in channels], f"--maximum-from {text}")
        else:
            name = names[leading if leading is not None else 0]
        spans.setdefault(name, []).append(parse_span(rest, "--maximum-from", "25-29"))
    return spans


def parse_span(text: str, option: str = "--rest", example: str = "0-2") -> tuple[float, float]:
    """``2-5`` to seconds."""
    first, _, last = text.partition("-")
    try:
        span = float(first), float(last)
    except ValueError:
        span = math.nan, math.nan
    if not 0 <= span[0] < span[1] < math.inf:
        raise BiofeedbackError(f"{option} {text} is not a time span", f"write {option} {example}")
    return span
