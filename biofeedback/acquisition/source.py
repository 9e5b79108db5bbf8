"""What every sensor is to the rest of the program, and how a URL describes one."""

from __future__ import annotations

import difflib
import re
from abc import ABC, abstractmethod
from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass
from typing import Any, Protocol
from urllib.parse import unquote

from biofeedback.acquisition.decoder import NOT_CHANNELS, Decoded, LineDecoder, split_columns
from biofeedback.acquisition.timeline import Timeline
from biofeedback.errors import SourceError
from biofeedback.model import BOARD_KINDS, Channel, Cue, Item

EXAMPLE = "for example serial:/dev/ttyUSB0?baud=115200&rate=80&channels=force:N"
_CHANNEL = re.compile(
    r"(?P<name>[A-Za-z][A-Za-z0-9_]*)(?::(?P<unit>[^*@,:]+))?(?:\*(?P<factor>[^@]+))?(?P<declared>(?:@[^@]+)*)"
)
_CODE = r"-?\d+(?:\.\d+)?"
_RAILS = re.compile(rf"(?P<low>{_CODE})\.\.(?P<high>{_CODE})")


class EndOfSource(Exception):  # noqa: N818 - the ordinary end of a replay, no error
    """A replay has been played to its end."""


class Decoder(Protocol):
    """Bytes to frames; never raises on what the wire brings."""

    n_lines: int
    n_bad_lines: int

    def feed(self, data: bytes) -> list[Decoded]:
        """What ``data`` completes, in order."""

    def resync(self) -> None:
        """The wire was interrupted."""


class Source(ABC):
    """A sensor, whatever its wire: either a `WireSource` or an `ItemSource`.

    A subclass sets ``url`` and ``description`` and overrides what is not as with most sensors. Reading runs in a thread
    of its own; the rest is called while no read is under way.
    """

    url: str
    description: str
    is_simulated: bool = False

    @property
    @abstractmethod
    def channels(self) -> tuple[Channel, ...]:
        """In the order of the wire; final once the source is open."""

    @property
    @abstractmethod
    def rate_hz(self) -> float:
        """Frames per second; final once the source is open."""

    @property
    def device_id(self) -> str:
        """Who answers just now, in any words that stay the same for one device; "" if that cannot be told."""
        return ""

    @property
    def trouble(self) -> str:
        """One line about what is wrong right now; "" when nothing is, or when the source cannot tell."""
        return ""

    @property
    def said(self) -> float | None:
        """The discomfort that a simulated athlete answers; None from any other, and until there is an answer."""
        return None

    @abstractmethod
    def open(self) -> None:
        """Start. Raises SourceError with what to do about it."""

    @abstractmethod
    def close(self) -> None:
        """Stop and let go of the device."""

    def cue(self, cue: Cue) -> None:  # noqa: B027 - a real athlete hears it by themselves
        """What the athlete is asked to do; real sensors ignore it."""


class WireSource(Source):
    """Moves bytes; a decoder makes frames of them."""

    is_replay: bool = False  # of a log: it knows no silence, and its end is no loss

    @property
    def columns(self) -> Sequence[str] | None:
        """What each number of a line is, see `decoder.split_columns`; None: the channels and nothing else."""
        return None

    @property
    def sequence_modulus(self) -> int | None:
        """Where the sequence number wraps; None: found out."""
        return None

    @property
    def patience_s(self) -> float:
        """How long data may wait on the way and then come in a burst; 0: as on a cable."""
        return 0.0

    @property
    def n_dropped(self) -> int:
        """Packets that came and were lost in this computer."""
        return 0

    @property
    def board_id(self) -> str:
        """What the board answered when it was asked who it is; "" if it was not."""
        return ""

    @abstractmethod
    def read(self) -> bytes:
        """Wait up to about 50 ms; b"" if nothing came. SourceError: the device vanished; EndOfSource: played out."""

    def reopen(self) -> bool:
        """Try once, quickly, to get a vanished device back; False: not yet."""
        return True

    def make_decoder(self) -> Decoder:
        """For what this source sends."""
        return LineDecoder(len(self.channels), self.columns)

    def make_timeline(self) -> Timeline:
        """For what this source sends."""
        return Timeline(
            self.rate_hz,
            len(self.channels),
            sequence_modulus=self.sequence_modulus,
            patience_s=self.patience_s,
            trusted=self.is_simulated or self.is_replay,
        )


class ItemSource(Source):
    """Has frames already, on a grid of its own: several sensors on one time axis, or a recording played again."""

    n_lines: int = 0  # seen, and how many of them could not be read
    n_bad_lines: int = 0
    deviating_rate_hz: float | None = None  # what arrives, where that is over 1 % off and one sensor's to put right

    @abstractmethod
    def read_items(self) -> list[Item]:
        """Wait up to about 50 ms; chunks and gaps without holes between them, and notes. EndOfSource: played out."""

    def keep_times(self) -> None:
        """Keep the device times of fast boards too."""


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
            raise SourceError(f"{url!r} does not say what kind of source it is", EXAMPLE)
        target, _, query = rest.partition("?")
        options: dict[str, str] = {}
        for part in filter(None, query.split("&")):
            name, equals, value = part.partition("=")
            if not equals:
                raise SourceError(f"option {part!r} has no value", f"write {part}=VALUE")
            if name in options:
                raise SourceError(f"option {name!r} is given twice", "leave one of them out")
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
    kind = next((kind for kind in BOARD_KINDS if name.lower().startswith(kind)), None)
    if kind is None:
        raise SourceError(
            f"channel {name!r} does not say what it measures",
            f"begin its name with {', '.join(BOARD_KINDS)}, for example force_{name}",
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
