"""What was chosen on the start page: which source, who does what. Mistakes stand at their fields. Opens nothing."""

from __future__ import annotations

import shlex
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any
from urllib.parse import quote

from biofeedback.acquisition.decoder import NOT_CHANNELS
from biofeedback.acquisition.first_lines import DECIMALS
from biofeedback.acquisition.prompting import read_key
from biofeedback.acquisition.source import OpenRecording, SourceUrl
from biofeedback.acquisition.sources import open_source
from biofeedback.errors import PlanError, SessionError, SourceError
from biofeedback.session.exercises import Exercise
from biofeedback.wiring.assembly import find_exercise, read_code, read_limit
from biofeedback.wiring.form_fields import LONGEST_TEXT, FormError, Mistakes, read_text
from biofeedback.wiring.start_columns import DECIMAL_WORDS, read_lines, write_columns

PLAIN = " /:.,*@+-_~()[]"  # what may stand in a source as it is
SIDES = ("", "left", "right", "both")
SENSOR_FIELDS = (
    *("sensor", "port", "udp", "radio", "profile", "columns", "lines", "decimal", "key"),
    *("baud", "rate", "simulated", "seed", "url"),
)
FIELDS = (*SENSOR_FIELDS, "athlete", "exercise", "side", "position", "before", "limit", "alone", "carry", "way")


@dataclass(frozen=True, slots=True, kw_only=True)
class ChosenSession:
    """Everything that one session needs; ``alone``: the athlete coaches themselves, so the page shows both.

    ``carry``: recordings whose maxima are taken over. ``way``: the command that puts a trial's evening on record.
    ``first_plan``: the one that the programme has tonight.
    """

    source: str
    athlete: str
    exercise: str
    side: str
    position: str
    before: tuple[str, ...]
    limit: float
    alone: bool
    carry: tuple[str, ...] = ()
    way: Mapping[str, Any] | None = None
    first_plan: str = ""

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
            **({"carry": list(self.carry)} if self.carry else {}),
            **({"way": self.way} if self.way else {}),
            **({"first_plan": self.first_plan} if self.first_plan else {}),
        }

    def to_command(self) -> str:
        """The command line that starts the same."""
        words = ["biofeedback", "live", "--source", self.source, "--athlete", self.athlete]
        for name in ("exercise", "side", "position"):
            if value := getattr(self, name):
                words += [f"--{name}", value]
        words += [word for what in self.before for word in ("--before", what)]
        words += [word for path in self.carry for word in ("--carry", path)]
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
        if not read_text(form, "athlete"):
            raise PlanError("no code is given", "use letters and a number, for example A01")
        read_code(read_text(form, "athlete"))
    with mistakes.at("exercise"):
        find_exercise(read_text(form, "exercise"), library)
    with mistakes.at("side"):
        if read_text(form, "side") not in SIDES:
            raise PlanError("no such side", "choose left, right or both")
    limit = 0.0
    with mistakes.at("limit"):
        limit = _read_limit(form)
    mistakes.refuse()
    before = form.get("before")
    told = [text.strip()[:LONGEST_TEXT] for text in before if isinstance(text, str)] if isinstance(before, list) else []
    return ChosenSession(
        source=source,
        athlete=read_text(form, "athlete"),
        exercise=read_text(form, "exercise"),
        side=read_text(form, "side"),
        position=read_text(form, "position"),
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
    writer = writers.get(read_text(form, "sensor"))
    mistakes = Mistakes()
    if writer is None:
        with mistakes.at("sensor"):
            raise SourceError("no sensor is chosen", "choose one of those above")
    else:
        url = writer(form, mistakes)
        mistakes.refuse()
        described = "profile" if read_text(form, "profile") else "columns"
        with mistakes.at({"url": "url", "simulated": "seed"}.get(read_text(form, "sensor"), described)):
            open_source(url, open_recording=open_recording)
    mistakes.refuse()
    return url


def write_wire(form: Mapping[str, Any]) -> str:
    """The source of a board whose lines are not described yet: port or network, baud and key; FormError otherwise."""
    mistakes = Mistakes()
    columns = {"columns": [{"kind": "force", "unit": "count"}], "lines": None, "profile": "", "rate": "", "decimal": ""}
    writer = {"port": _write_port, "udp": _write_udp}.get(read_text(form, "sensor"))
    if writer is None:
        with mistakes.at("sensor"):
            raise SourceError("no board that prints lines is chosen", "choose a port, or a board on the WiFi")
    url = "" if writer is None else writer({**form, **columns}, mistakes)
    mistakes.refuse()
    return url


def keep_fields(form: Mapping[str, Any]) -> dict[str, Any]:
    """The form without anything that is not its own."""
    return {name: form[name] for name in FIELDS if name in form}


def _write_port(form: Mapping[str, Any], mistakes: Mistakes) -> str:
    port = read_text(form, "port")
    with mistakes.at("port"):
        if not port:
            raise SourceError("no port is named", "choose one of the list, or type its name")
    return _write_described(f"serial:{_quote(port)}", form, mistakes, "baud", "rate")


def _write_udp(form: Mapping[str, Any], mistakes: Mistakes) -> str:
    port = read_text(form, "udp")
    with mistakes.at("udp"):
        if not (port.isascii() and port.isdigit() and 0 < int(port) < 65536):
            raise SourceError("no port number is given", "type the one that the board sends to, for example 4210")
    return _write_described(f"udp:{port}", form, mistakes, "rate")


def _write_described(target: str, form: Mapping[str, Any], mistakes: Mistakes, *numbers: str) -> str:
    """A board by its profile, or by its columns."""
    if profile := read_text(form, "profile"):
        return "&".join([f"{target}?profile={_quote(profile)}", *_write_numbers(form, mistakes, "rate")])
    options = _write_numbers(form, mistakes, *numbers)
    channels, columns = write_columns(form, mistakes)
    options.append(f"channels={_quote(','.join(channels))}")
    lines = None
    try:
        lines = read_lines(form)
    except FormError as error:
        mistakes.found |= error.mistakes
    if lines is not None and not lines.is_plain:
        options.append(f"pattern={_quote(chr(10).join(lines.named.templates))}")
        if lines.named.decimal != ".":
            options.append(f"decimal={DECIMAL_WORDS[lines.named.decimal]}")
    elif any(column in NOT_CHANNELS for column in columns):
        options.append(f"columns={_quote(','.join(columns))}")
    elif (decimal := read_text(form, "decimal")) in DECIMALS:
        options.append(f"decimal={decimal}")
    if "baud" in numbers and (key := read_text(form, "key")):
        with mistakes.at("key"):
            read_key(key)
            options.append(f"key={_quote(key)}")
    return f"{target}?{'&'.join(options)}"


def _write_numbers(form: Mapping[str, Any], mistakes: Mistakes, *names: str) -> list[str]:
    """Those of these options that are filled in."""
    options = []
    for name in names:
        if text := read_text(form, name).replace(",", "."):
            with mistakes.at(name):
                SourceUrl("serial", "", {name: text}).number(name)
            options.append(f"{name}={_quote(text)}")
    return options


def _write_radio(form: Mapping[str, Any], mistakes: Mistakes) -> str:
    with mistakes.at("radio"):
        if not read_text(form, "radio"):
            raise SourceError("no Bluetooth device is chosen", "search for one, then choose it")
    with mistakes.at("profile"):
        if not read_text(form, "profile"):
            raise SourceError("its profile is not chosen", "choose how the device sends")
    url = f"ble:{_quote(read_text(form, 'radio'))}?profile={_quote(read_text(form, 'profile'))}"
    return "&".join([url, *_write_numbers(form, mistakes, "rate")])


def _write_simulated(form: Mapping[str, Any], mistakes: Mistakes) -> str:
    athlete = read_text(form, "athlete")
    seed = read_text(form, "seed") or "1"
    channels = read_text(form, "simulated") or "force,emg"
    named = f"&athlete={_quote(athlete)}" if athlete else ""
    return f"simulated:?seed={_quote(seed)}{named}&channels={_quote(channels)}"


def _write_felt(form: Mapping[str, Any], mistakes: Mistakes) -> str:
    return "felt:"


def _write_url(form: Mapping[str, Any], mistakes: Mistakes) -> str:
    url = read_text(form, "url")
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


def _quote(text: str) -> str:
    return quote(text, safe=PLAIN)
