"""What a source is, and how a URL names one. Sources only move bytes; a decoder makes frames of them."""

from __future__ import annotations

import difflib
import re
from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass
from typing import Any, Protocol, get_args
from urllib.parse import unquote

from biofeedback.acquisition.decoder import NOT_CHANNELS, Decoded, LineDecoder, split_columns
from biofeedback.acquisition.timeline import Timeline
from biofeedback.errors import SourceError
from biofeedback.model import Channel, Cue, Item, Kind

EXAMPLE = "for example serial:/dev/ttyUSB0?baud=115200&rate=80&channels=force:N"
_CHANNEL = re.compile(
    r"(?P<name>[A-Za-z][A-Za-z0-9_]*)(?::(?P<unit>[^*@,:]+))?(?:\*(?P<factor>[^@]+))?(?P<declared>(?:@[^@]+)*)"
)
_CODE = r"-?\d+(?:\.\d+)?"
_RAILS = re.compile(rf"(?P<low>{_CODE})\.\.(?P<high>{_CODE})")


class EndOfSource(Exception):  # noqa: N818 - the ordinary end of a replay, no error
    """A replay has been played to its end."""


class Source(Protocol):
    """Where bytes come from. ``read`` runs in a thread of its own; the rest is called while no read is under way.

    A source may also have ``device_id``: who answers just now, in any words that stay the same for one device.
    """

    url: str
    description: str
    is_simulated: bool

    @property
    def channels(self) -> tuple[Channel, ...]: ...  # noqa: D102
    @property
    def rate_hz(self) -> float: ...  # noqa: D102

    def open(self) -> None:
        """Start. Raises SourceError with what to do about it."""

    def read(self) -> bytes:
        """Wait up to about 50 ms; b"" if nothing came. SourceError: the device vanished; EndOfSource: played out."""

    def close(self) -> None:
        """Stop and let go of the device."""

    def reopen(self) -> bool:
        """Try once, quickly, to get a vanished device back; False: not yet."""

    def cue(self, cue: Cue) -> None:
        """What the athlete is asked to do; real sensors ignore it."""


class ReplayableRecording(Protocol):
    """What a replay needs of a recording."""

    @property
    def channels(self) -> Sequence[Channel]: ...  # noqa: D102
    @property
    def rate_hz(self) -> float: ...  # noqa: D102
    @property
    def n_frames(self) -> int: ...  # noqa: D102
    @property
    def settings(self) -> Any: ...  # noqa: D102
    def items(self) -> Iterator[Item] | Iterable[Item]: ...  # noqa: D102


OpenRecording = Callable[[str], ReplayableRecording]


class Decoder(Protocol):
    """Bytes to frames; never raises on what the wire brings."""

    n_lines: int
    n_bad_lines: int

    def feed(self, data: bytes) -> list[Decoded]:
        """What ``data`` completes, in order."""

    def resync(self) -> None:
        """The wire was interrupted."""


@dataclass(frozen=True, slots=True)
class SourceUrl:
    """``scheme:target?name=value&name=value``."""

    scheme: str
    target: str
    options: dict[str, str]

    @classmethod
    def parse(cls, url: str) -> SourceUrl:
        """Take a URL apart; SourceError if it is none."""
        scheme, colon, rest = url.strip().partition(":")
        if not colon:
            raise SourceError(f"{url!r} names no kind of source", EXAMPLE)
        target, _, query = rest.partition("?")
        options: dict[str, str] = {}
        for part in filter(None, query.split("&")):
            name, equals, value = part.partition("=")
            if not equals:
                raise SourceError(f"option {part!r} has no value", f"write {part}=VALUE")
            if name in options:
                raise SourceError(f"option {name!r} is there twice", "leave one of them out")
            options[name] = unquote(value)
        return cls(scheme.lower(), unquote(target), options)

    def check_known(self, known: Iterable[str]) -> None:
        """SourceError for an option that this kind of source does not have."""
        known = sorted(known)
        for name in self.options:
            if name not in known:
                near = difflib.get_close_matches(name, known, n=1)
                cure = f"did you mean {near[0]}?" if near else f"it has {', '.join(known)}"
                raise SourceError(f"{self.scheme}: has no option {name!r}", cure)

    def number(self, name: str, *, above: float = 0.0) -> float | None:
        """A positive number, or None if the option is absent."""
        text = self.options.get(name)
        if text is None:
            return None
        try:
            value = float(text)
        except ValueError:
            value = float("nan")
        if not above < value < 1e9:
            raise SourceError(f"{name}={text} is not a number above {above:g}", f"for example {name}=100")
        return value


def read_channel(text: str) -> Channel:
    """``name[:unit][*factor][@envelope][@low..high]``, for example ``force:N*0.0123`` or ``emg:uV@envelope@0..1023``.

    The kind is what the name begins with: force, emg or position. ``low..high`` are the rails of the converter.
    """
    match = _CHANNEL.fullmatch(text.strip())
    if not match:
        raise SourceError(f"channel {text!r} cannot be understood", "write name:unit*factor, for example force:N*0.01")
    name = match["name"]
    kind = next((kind for kind in get_args(Kind) if name.lower().startswith(kind)), None)
    if kind is None:
        raise SourceError(
            f"channel {name!r} does not say what it measures",
            f"begin its name with {', '.join(get_args(Kind))}, for example force_{name}",
        )
    rails: tuple[float, float] | tuple[None, None] = (None, None)
    envelope = False
    for declared in filter(None, match["declared"].split("@")):
        if found := _RAILS.fullmatch(declared):
            rails = (float(found["low"]), float(found["high"]))
            if not rails[0] < rails[1]:
                raise SourceError(f"channel {text!r}: rails {declared}", "first code, then last, such as @0..1023")
        elif declared == "envelope":
            envelope = True
        else:
            raise SourceError(f"channel {text!r}: {declared!r} is not known", "use @envelope or rails such as @0..1023")
    try:
        factor = float(match["factor"] or 1)
        return Channel(
            name=name,
            kind=kind,
            unit=match["unit"] or "count",
            factor=factor,
            envelope=envelope,
            rail_low_counts=rails[0],
            rail_high_counts=rails[1],
        )
    except ValueError:
        cure = "give a number other than 0, for example *0.0123"
        raise SourceError(f"channel {text!r}: factor {match['factor']!r} cannot be used", cure) from None


def read_channels(text: str) -> tuple[Channel, ...]:
    """Channels of a comma-separated list, in the order of the wire."""
    channels = tuple(read_channel(part) for part in text.split(","))
    names = [channel.name for channel in channels]
    if len(set(names)) < len(names):
        raise SourceError(f"channels={text}: a name comes twice", "for example channels=emg_left,emg_right")
    return channels


def read_columns(text: str | None, channels: Sequence[Channel]) -> tuple[str, ...] | None:
    """Columns of a line, checked against the channels; None: the channels and nothing else."""
    if text is None:
        return None
    try:
        columns = split_columns(text)
    except ValueError as error:
        raise SourceError(str(error), "for example columns=seq,t_us,force,emg") from None
    names = [channel.name for channel in channels]
    if [column for column in columns if column in names] != names or not _only_known(columns, names):
        cure = f"name {', '.join(names)} in this order, besides seq, t_us, t_ms, check and - for what is to be ignored"
        raise SourceError(f"columns={text} does not fit channels={','.join(names)}", cure)
    return columns


def _only_known(columns: Sequence[str], names: Sequence[str]) -> bool:
    return all(column in names or column in NOT_CHANNELS for column in columns)


def open_source(url: str, *, open_recording: OpenRecording | None = None) -> Source:
    """Source that a URL names; nothing is opened yet.

    Parameters
    ----------
    url
        ``serial:PORT?baud=115200&rate=80&channels=force:N``, ``ble:NAME?profile=frame-radio``,
        ``replay:FILE?speed=4``, ``simulated:?seed=1``, ``join:URL|URL`` for two sensors.
    open_recording
        How ``replay:`` opens a recording; without it only text logs can be replayed.

    Raises
    ------
    SourceError
        The URL cannot be understood or used; says what to write instead.
    """
    if url.strip().lower().startswith("join:"):
        from biofeedback.acquisition.join import open_joined

        return open_joined(url, lambda part: open_source(part, open_recording=open_recording))
    parsed = SourceUrl.parse(url)
    if parsed.scheme == "serial":
        from biofeedback.acquisition.serial_source import open_serial

        return open_serial(url, parsed)
    if parsed.scheme == "ble":
        from biofeedback.acquisition.ble_source import open_ble

        return open_ble(url, parsed)
    if parsed.scheme == "replay":
        from biofeedback.acquisition.replay import open_replay

        return open_replay(url, parsed, open_recording=open_recording)
    if parsed.scheme == "simulated":
        from biofeedback.acquisition.simulated import open_simulated

        return open_simulated(url)
    near = difflib.get_close_matches(parsed.scheme, ["serial", "ble", "replay", "simulated", "join"], n=1)
    cure = f"did you mean {near[0]}:?" if near else f"use serial:, ble:, replay:, simulated: or join:, {EXAMPLE}"
    raise SourceError(f"{parsed.scheme}: is no kind of source", cure)


def make_decoder(source: Source) -> Decoder:
    """Decoder for what this source sends; a source with a device profile brings its own."""
    own: Callable[[], Decoder] | None = getattr(source, "make_decoder", None)
    if own is not None:
        return own()
    return LineDecoder(
        len(source.channels),
        getattr(source, "columns", None),
        starts_mid_line=getattr(source, "starts_mid_line", False),
    )


def make_timeline(source: Source) -> Timeline:
    """Timeline for what this source sends."""
    return Timeline(
        source.rate_hz,
        len(source.channels),
        sequence_modulus=getattr(source, "sequence_modulus", None),
        first_sequence=getattr(source, "first_sequence", None),
        trusted=source.is_simulated or getattr(source, "is_replay", False),
    )
