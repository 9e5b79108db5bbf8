"""What was chosen on the start page: which source, who does what. Mistakes stand at their fields. Opens nothing."""

from __future__ import annotations

import shlex
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass, field
from typing import Any
from urllib.parse import quote

from biofeedback.acquisition.decoder import NOT_CHANNELS
from biofeedback.acquisition.source import OpenRecording, SourceUrl, read_channel
from biofeedback.acquisition.sources import open_source
from biofeedback.errors import BiofeedbackError, PlanError, SessionError, SourceError
from biofeedback.session.exercises import Exercise
from biofeedback.wiring.assembly import find_exercise, read_code, read_limit

PLAIN = " /:.,*@+-_~()[]"  # what may stand in a source as it is
PORT_KINDS = ("force", "emg", "position")
SIDES = ("", "left", "right", "both")
SENSOR_FIELDS = ("sensor", "port", "udp", "radio", "profile", "columns", "baud", "rate", "simulated", "seed", "url")
FIELDS = (*SENSOR_FIELDS, "athlete", "exercise", "side", "position", "before", "limit", "alone")
LONGEST_TEXT = 300
MOST_COLUMNS = 16


class FormError(PlanError):
    """Mistakes by field, all that were found."""

    def __init__(self, mistakes: Mapping[str, BiofeedbackError]) -> None:
        first = next(iter(mistakes.values()))
        super().__init__(first.what, first.cure)
        self.mistakes = mistakes


@dataclass(slots=True)
class Mistakes:
    """Collects what is wrong, so that all of it is told at once."""

    found: dict[str, BiofeedbackError] = field(default_factory=dict)

    @contextmanager
    def at(self, name: str) -> Iterator[None]:
        """A mistake in the block stands at the field ``name``."""
        try:
            yield
        except BiofeedbackError as error:
            self.found.setdefault(name, error)

    def refuse(self) -> None:
        """Raise FormError if there was any."""
        if self.found:
            raise FormError(self.found)


@dataclass(frozen=True, slots=True, kw_only=True)
class ChosenSession:
    """Everything that one session needs; ``alone``: the athlete coaches themselves, so the page shows both."""

    source: str
    athlete: str
    exercise: str
    side: str
    position: str
    before: tuple[str, ...]
    limit: float
    alone: bool

    @property
    def place(self) -> str:
        """Where the page goes when the session has begun."""
        return "/" if self.alone else "/coach"

    def to_options(self) -> dict[str, Any]:
        """As the command line would have it."""
        return {
            "source": [self.source],
            "athlete": [self.athlete],
            "exercise": self.exercise,
            "side": self.side,
            "position": self.position,
            "before": list(self.before),
            "limit": self.limit,
        }

    def to_command(self) -> str:
        """The command line that starts the same."""
        words = ["biofeedback", "live", "--source", self.source, "--athlete", self.athlete]
        for name in ("exercise", "side", "position"):
            if value := getattr(self, name):
                words += [f"--{name}", value]
        words += [word for what in self.before for word in ("--before", what)]
        return shlex.join([*words, "--limit", f"{self.limit:g}"])


def read_form(form: Mapping[str, Any], library: Mapping[str, Exercise], open_recording: OpenRecording) -> ChosenSession:
    """The session that a filled-in form asks for; FormError with the mistakes of all fields."""
    mistakes = Mistakes()
    source = ""
    try:
        source = write_source(form, open_recording)
    except FormError as error:
        mistakes.found |= error.mistakes
    with mistakes.at("athlete"):
        if not _text(form, "athlete"):
            raise PlanError("no code is given", "use letters and a number, for example A01")
        read_code(_text(form, "athlete"))
    with mistakes.at("exercise"):
        find_exercise(_text(form, "exercise"), library)
    with mistakes.at("side"):
        if _text(form, "side") not in SIDES:
            raise PlanError("no such side", "choose left, right or both")
    limit = 0.0
    with mistakes.at("limit"):
        limit = _read_limit(form)
    mistakes.refuse()
    before = form.get("before")
    told = [text.strip()[:LONGEST_TEXT] for text in before if isinstance(text, str)] if isinstance(before, list) else []
    return ChosenSession(
        source=source,
        athlete=_text(form, "athlete"),
        exercise=_text(form, "exercise"),
        side=_text(form, "side"),
        position=_text(form, "position"),
        before=tuple(dict.fromkeys(filter(None, told))),
        limit=limit,
        alone=form.get("alone") is True,
    )


def write_source(form: Mapping[str, Any], open_recording: OpenRecording) -> str:
    """The source URL of the sensor's part of the form, checked as ``--source`` would be; FormError otherwise."""
    writers = {
        "port": _write_port,
        "udp": _write_udp,
        "radio": _write_radio,
        "simulated": _write_simulated,
        "url": _write_url,
        "felt": _write_felt,
    }
    writer = writers.get(_text(form, "sensor"))
    mistakes = Mistakes()
    if writer is None:
        with mistakes.at("sensor"):
            raise SourceError("no sensor is chosen", "choose one of those above")
    else:
        url = writer(form, mistakes)
        mistakes.refuse()
        described = "profile" if _text(form, "profile") else "columns"
        with mistakes.at({"url": "url", "simulated": "seed"}.get(_text(form, "sensor"), described)):
            open_source(url, open_recording=open_recording)
    mistakes.refuse()
    return url


def keep_fields(form: Mapping[str, Any]) -> dict[str, Any]:
    """The form without anything that is not its own."""
    return {name: form[name] for name in FIELDS if name in form}


def _write_port(form: Mapping[str, Any], mistakes: Mistakes) -> str:
    port = _text(form, "port")
    with mistakes.at("port"):
        if not port:
            raise SourceError("no port is named", "choose one of the list, or type its name")
    return _write_described(f"serial:{_quote(port)}", form, mistakes, "baud", "rate")


def _write_udp(form: Mapping[str, Any], mistakes: Mistakes) -> str:
    port = _text(form, "udp")
    with mistakes.at("udp"):
        if not (port.isascii() and port.isdigit() and 0 < int(port) < 65536):
            raise SourceError("no port number is given", "type the one that the board sends to, for example 4210")
    return _write_described(f"udp:{port}", form, mistakes, "rate")


def _write_described(target: str, form: Mapping[str, Any], mistakes: Mistakes, *numbers: str) -> str:
    """A board by its profile, or by its columns."""
    if profile := _text(form, "profile"):
        return "&".join([f"{target}?profile={_quote(profile)}", *_write_numbers(form, mistakes, "rate")])
    options = _write_numbers(form, mistakes, *numbers)
    channels, columns = _write_columns(form, mistakes)
    options.append(f"channels={_quote(','.join(channels))}")
    if any(column in NOT_CHANNELS for column in columns):
        options.append(f"columns={_quote(','.join(columns))}")
    return f"{target}?{'&'.join(options)}"


def _write_numbers(form: Mapping[str, Any], mistakes: Mistakes, *names: str) -> list[str]:
    """Those of these options that are filled in."""
    options = []
    for name in names:
        if text := _text(form, name).replace(",", "."):
            with mistakes.at(name):
                SourceUrl("serial", "", {name: text}).number(name)
            options.append(f"{name}={_quote(text)}")
    return options


def _write_columns(form: Mapping[str, Any], mistakes: Mistakes) -> tuple[list[str], list[str]]:
    """The channels of ``channels=`` and the names of ``columns=``, from one row of the form for each column."""
    given = form.get("columns")
    rows = [row for row in given if isinstance(row, dict)] if isinstance(given, list) else []
    channels: list[str] = []
    columns: list[str] = []
    with mistakes.at("columns"):
        if len(rows) > MOST_COLUMNS:
            raise SourceError(f"{len(rows)} columns", f"describe at most {MOST_COLUMNS}")
        if not any(_text(row, "kind") in PORT_KINDS for row in rows):
            raise SourceError("no column is measured", "say which column is force, muscle activity or position")
    for number, row in enumerate(rows[:MOST_COLUMNS]):
        kind = _text(row, "kind")
        with mistakes.at(f"column-{number}"):
            if kind not in PORT_KINDS and kind not in NOT_CHANNELS:
                raise SourceError(f"column {number + 1} does not say what it is", "choose it")
            columns.append(kind if kind in NOT_CHANNELS else _name_channel(row, columns))
            if kind not in NOT_CHANNELS:
                channels.append(_write_channel(columns[-1], row))
    return channels, columns


def _name_channel(row: Mapping[str, Any], columns: list[str]) -> str:
    """By kind and side; a second one of the same name is numbered."""
    side = _text(row, "side")
    name = _text(row, "kind") + (f"_{side}" if side in ("left", "right") else "")
    numbered = [name, *(f"{name}_{number}" for number in range(2, MOST_COLUMNS + 1))]
    return next(each for each in numbered if each not in columns)


def _write_channel(name: str, row: Mapping[str, Any]) -> str:
    unit, factor = _text(row, "unit"), _text(row, "factor").replace(",", ".")
    text = name + (f":{unit}" if unit else "") + (f"*{factor}" if factor else "")
    text += "@envelope" if row.get("envelope") is True and name.startswith("emg") else ""
    if "," in unit:
        raise SourceError(f"unit {unit!r}", "write it without a comma, for example N")
    read_channel(text)
    return text


def _write_radio(form: Mapping[str, Any], mistakes: Mistakes) -> str:
    with mistakes.at("radio"):
        if not _text(form, "radio"):
            raise SourceError("no Bluetooth device is chosen", "search for one, then choose it")
    with mistakes.at("profile"):
        if not _text(form, "profile"):
            raise SourceError("its profile is not chosen", "choose how the device sends")
    url = f"ble:{_quote(_text(form, 'radio'))}?profile={_quote(_text(form, 'profile'))}"
    return "&".join([url, *_write_numbers(form, mistakes, "rate")])


def _write_simulated(form: Mapping[str, Any], mistakes: Mistakes) -> str:
    athlete = _text(form, "athlete")
    seed = _text(form, "seed") or "1"
    channels = _text(form, "simulated") or "force,emg"
    named = f"&athlete={_quote(athlete)}" if athlete else ""
    return f"simulated:?seed={_quote(seed)}{named}&channels={_quote(channels)}"


def _write_felt(form: Mapping[str, Any], mistakes: Mistakes) -> str:
    return "felt:"


def _write_url(form: Mapping[str, Any], mistakes: Mistakes) -> str:
    url = _text(form, "url")
    with mistakes.at("url"):
        if not url:
            raise SourceError("no source is typed", "for example serial:/dev/ttyUSB0?profile=frame-lines")
    return url


def _read_limit(form: Mapping[str, Any]) -> float:
    try:
        limit = float(str(form.get("limit", "")).replace(",", "."))
    except ValueError:
        raise SessionError("the limit is not a number", "agree on one from 0 to 10, for example 8") from None
    return read_limit(limit)


def _text(form: Mapping[str, Any], name: str) -> str:
    value = form.get(name)
    return value.strip()[:LONGEST_TEXT] if isinstance(value, str) else ""


def _quote(text: str) -> str:
    return quote(text, safe=PLAIN)
