"""A recording made elsewhere, on its way into a file of ours."""

from __future__ import annotations

import os
import re
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from functools import wraps
from pathlib import Path
from typing import Any, Concatenate, ParamSpec

from biofeedback.account.kinds import PhaseBegun, Relaxed, make_event, try_read
from biofeedback.errors import BiofeedbackError, RecordingError
from biofeedback.model import Channel, Event, Item
from biofeedback.storage.recorder import Recorder
from biofeedback.storage.recording import MAX_GAPS_S

KINDS = ("force", "emg", "position")
NOT_SIGNALS = ("baseline", "flag", "flags", "status", "state", "temp", "temperature", "offset", "quality", "valid",
               "trigger", "battery", "time", "rate", "tare")  # fmt: skip  # words in names of columns about a signal
LEFT_OUT = "none"  # said of a column that is not wanted
SLACK_S = 0.05  # between the end of a phase and the beginning of the next: written with few digits
CONVERSIONS = {"kgf": ("N", 9.80665), "lbf": ("N", 4.4482216152605)}  # exact: 3rd CGPM 1901; avoirdupois pound x g
CHANNEL_CURE = "write --channel 'NAME=KIND' or 'NAME=KIND:UNIT*FACTOR', e.g. 'ch1=force:N*0.0042'"


@dataclass(frozen=True, slots=True)
class Imported:
    """What was understood of a foreign file.

    ``remarks`` tells what was missing, odd or left out; ``names`` are all signals of the file, those left out too.
    """

    settings: Mapping[str, Any]
    items: tuple[Item, ...]
    events: tuple[Event, ...]
    remarks: tuple[str, ...]
    names: tuple[str, ...] = ()


P = ParamSpec("P")


def refuse_odd_files(read: Callable[Concatenate[Path, P], Imported]) -> Callable[Concatenate[Path, P], Imported]:
    """A reader whose every failure at contents that nobody thought of is one line about the file."""

    @wraps(read)
    def read_or_refuse(path: Path, /, *args: P.args, **kwargs: P.kwargs) -> Imported:
        try:
            return read(path, *args, **kwargs)
        except (BiofeedbackError, OSError):
            raise
        except Exception as error:
            what = f"{type(error).__name__}: {error}"
            cure = "export it again; if other programs read it well, please report this"
            raise RecordingError(f"{path} holds something that cannot be read ({what:.200})", cure) from error

    return read_or_refuse


def write_recording(imported: Imported, path: str | os.PathLike[str], *, extra_events: Sequence[Event] = ()) -> None:
    """Write it as a recording. RecordingError when the file exists or cannot be made."""
    with Recorder.create(path, imported.settings, threaded=False) as recorder:
        for item in imported.items:
            recorder.append(item)
        for event in sorted([*imported.events, *extra_events], key=lambda event: event.frame):
            recorder.event(event)


def choose_channel(name: str, unit: str, wanted: str | None) -> Channel | None:
    """The channel for a column called ``name``; None when neither its name nor ``wanted`` tells the kind.

    ``wanted`` is ``KIND``, ``KIND:UNIT`` or ``KIND:UNIT*FACTOR``, with ``@envelope`` behind a smoothed EMG, or "none".
    Kilogram and pound forces become newtons. Raises RecordingError with the right way to write it.
    """
    if wanted == LEFT_OUT:
        return None
    given, _, factor_text = (wanted or "").partition("*")
    envelope = (wanted or "").endswith("@envelope")
    given, factor_text = given.removesuffix("@envelope"), factor_text.removesuffix("@envelope")
    kind, _, given_unit = given.partition(":")
    is_about_one = not set(re.split(r"[\W_]+", name.lower())).isdisjoint(NOT_SIGNALS)
    kind = kind or next((known for known in KINDS if name.lower().startswith(known) and not is_about_one), "")
    if not kind:
        return None
    unit = given_unit or unit or "count"
    try:
        factor = float(factor_text) if factor_text else 1.0
        if not factor_text:
            unit, factor = CONVERSIONS.get(unit.lower(), (unit, 1.0))
        return Channel(name=name, kind=kind, unit=unit, factor=factor, envelope=envelope)  # type: ignore[arg-type]
    except ValueError as error:
        raise RecordingError(f"channel {name}: {wanted!r} is not understood ({error})", CHANNEL_CURE) from error


def tell_left_out(what: str, name: str, wanted: str | None) -> str:
    """Why there is no channel of a column or signal."""
    if wanted == LEFT_OUT:
        return f"{what} {name} left out, as said"
    what = "" if name.startswith(f"{what} ") else f"{what} "
    return f"{what}{name} left out: its kind is not known; {CHANNEL_CURE}"


def match_names(
    wanted: Mapping[str, str], names: Sequence[str], units: Sequence[str], *, where: str, what: str = "column"
) -> dict[str, str]:
    """What was said of each column, by the column's own name: ``Fz (N)``, ``Fz [N]`` and ``fz`` all mean ``Fz``.

    Raises RecordingError, listing the columns, for a name that is none of them.
    """
    return {find_name(said, names, units, where=where, what=what): value for said, value in wanted.items()}


def find_name(said: str, names: Sequence[str], units: Sequence[str], *, where: str, what: str = "column") -> str:
    """The column that is meant. RecordingError listing the columns when there is none, or two."""
    if said in names:
        return said
    wanted = _plain_name(said)
    found = [
        name
        for name, unit in zip(names, units, strict=True)
        if wanted in (_plain_name(name), _plain_name(f"{name} ({unit})"), _plain_name(f"{name}_{unit}"))
    ]
    if len(found) == 1:
        return found[0]
    listed = ", ".join(names) or "none"
    if found:
        raise RecordingError(f"{where}: {said} could be {' or '.join(found)}", "write it exactly as it is there")
    raise RecordingError(f"{where} has no {what} {said}", f"it has {listed}")


def _plain_name(text: str) -> str:
    return " ".join(text.lower().replace("[", "(").replace("]", ")").replace("(", " (").split())


def _tell_outside(event: Event, rate_hz: float, n_frames: int) -> str:
    """Where it lies when that is not in the recording; a remark may come long after the last reading."""
    is_moment = event.kind in ("phase", "rating", "relaxed", "stop")
    if event.frame < 0:
        return f"{event.kind} at {event.frame / rate_hz:.2f} s is before the start"
    if event.frame > (n_frames if is_moment else rate_hz * MAX_GAPS_S):
        return f"{event.kind} at {event.frame / rate_hz:.2f} s is after the end, {n_frames / rate_hz:.2f} s"
    return ""


def end_phases(
    events: Sequence[Event], rate_hz: float, n_frames: int, *, where: str, strict: bool = False
) -> tuple[list[Event], list[str]]:
    """The events with an end after each phase that says how long it lasts, where the next does not begin there.

    Phases that overlap are told, or with ``strict`` refused; ratings and phases after the end likewise.
    """
    told: list[str] = []
    kept = []
    for event in events:
        late = _tell_outside(event, rate_hz, n_frames)
        if late and strict:
            raise RecordingError(f"{where}: {late}", "check its time, or leave it out")
        if late and event.kind != "relaxed":
            told.append(f"{late}: left out")
        if not late:
            kept.append(event)
    phases = sorted(
        ((event.frame, said) for event in kept if isinstance(said := try_read(event), PhaseBegun)),
        key=lambda phase: phase[0],
    )
    ends: list[Event] = []
    slack = max(1, round(SLACK_S * rate_hz))
    for number, (frame, phase) in enumerate(phases):
        n = round((phase.duration_s or 0.0) * rate_hz)
        if n <= 0 or phase.phase_kind == "end":
            continue
        end = frame + n
        following = phases[number + 1][0] if number + 1 < len(phases) else n_frames
        if end > following + slack and number + 1 < len(phases):
            what = f"the phase at {frame / rate_hz:.2f} s lasts until {end / rate_hz:.2f} s, the next begins at "
            what += f"{following / rate_hz:.2f} s"
            if strict:
                raise RecordingError(f"{where}: {what}", "shorten it, or leave its duration empty")
            told.append(f"{what}: it ends there")
        elif end < following - slack:
            ends += [
                make_event(said, end) for said in (PhaseBegun(phase_kind="end", index=phase.index), Relaxed(on=False))
            ]
    return sorted([*kept, *ends], key=lambda event: event.frame), told
