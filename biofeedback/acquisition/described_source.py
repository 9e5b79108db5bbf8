"""What a port and a network socket have in common: a board that a profile describes, a rate that may be measured."""

from __future__ import annotations

import time
from abc import abstractmethod
from collections.abc import Callable, Sequence
from dataclasses import replace

from biofeedback.acquisition.clock import RateMeter, find_common_rate, is_measured
from biofeedback.acquisition.decoder import Decoded, Frames
from biofeedback.acquisition.first_lines import adopt_layout, check_meaning, judge_first_lines, read_decimal
from biofeedback.acquisition.layout import Layout
from biofeedback.acquisition.layout_decoder import LayoutDecoder
from biofeedback.acquisition.profile import Profile, Transport
from biofeedback.acquisition.profiles import read_profile
from biofeedback.acquisition.source import Decoder, SourceUrl, WireSource, read_channels, read_columns
from biofeedback.errors import SourceError
from biofeedback.model import Channel

NO_DATA_S = 3.0  # boards that reset when the port is opened need up to 2 s
MEASURE_S = 2.0
JUDGED_LINES = 20
MOST_HEARD = 1 << 20
KEY_S = 4.0  # more patience with a board that waits for its key


class DescribedSource(WireSource):
    """``rate_hz`` is 0 until ``open`` has measured it, unless the URL, the profile or the board says it."""

    def __init__(
        self,
        target: str,
        profile: Profile,
        *,
        url: str,
        rate_hz: float | None = None,
        clock: Callable[[], float] = time.monotonic,
    ) -> None:
        self.url, self.target, self.profile = url, target, profile
        self.description = target
        self._given_rate_hz = rate_hz
        self._clock = clock
        self._waiting = b""  # read while opening, handed out first

    @property
    def channels(self) -> tuple[Channel, ...]:
        """In the order of the wire."""
        return self.profile.channels

    @property
    def rate_hz(self) -> float:
        """Frames per second; 0: not known yet."""
        return self._given_rate_hz or self.profile.rate_hz or 0.0

    @property
    def sequence_modulus(self) -> int | None:
        """Where the sequence number wraps, if the profile says so."""
        return self.profile.sequence_modulus

    def make_decoder(self) -> Decoder:
        """Decoder for what this board sends."""
        return replace(self.profile, rate_hz=self.rate_hz).make_decoder()

    @abstractmethod
    def connect(self) -> None:
        """Open the wire, and nothing more. SourceError with its cure."""

    def listen(self, seconds: float, *, is_enough: Callable[[bytes], bool] = lambda received: False) -> bytes:
        """What comes within so long, or until it is enough, whatever it is; the wire is opened and closed for it."""
        received, started_s = bytearray(), self._clock()
        self.connect()
        try:
            while self._clock() - started_s < seconds and len(received) < MOST_HEARD:
                data = self.read()
                received += data
                if data and is_enough(bytes(received)):
                    break
        finally:
            self.close()
        return bytes(received)

    @abstractmethod
    def explain_nothing(self) -> str:
        """What to look at when no data come."""

    def _wait_for_frames(self) -> None:
        """Until three frames have come (or the rate has been measured), or it is clear that they never will."""
        decoder = self.profile.make_decoder()
        measure = not self.rate_hz
        patience_s = NO_DATA_S + KEY_S * (self.profile.key is not None)
        started_s, received = self._clock(), bytearray()
        meter, n_frames, decoded = RateMeter(), 0, list[Decoded]()
        while n_frames < 3 or (measure and not is_measured(meter, MEASURE_S)):
            data = self.read()
            received += data
            new = decoder.feed(data)
            decoded += new
            n_new = sum(len(piece.counts) for piece in new if isinstance(piece, Frames))
            if n_new:
                n_frames += n_new
                meter.add(n_new, self._clock())
            waited_s = self._clock() - started_s
            if waited_s > patience_s and not received:
                raise SourceError(f"no data from {self.target} within {patience_s:g} s", self.explain_nothing())
            if (
                (n_frames < 3 and waited_s > patience_s)
                or decoder.n_bad_lines > JUDGED_LINES
                or len(received) > 1 << 20
            ):
                adopted = adopt_layout(self.profile, bytes(received), target=self.target)
                if adopted is not None:  # and what has come is read again
                    self.profile, started_s = adopted, self._clock()
                    decoder = adopted.make_decoder()
                    decoded = decoder.feed(bytes(received))
                    n_frames = sum(len(piece.counts) for piece in decoded if isinstance(piece, Frames))
                judge_first_lines(decoder, decoded, bytes(received), target=self.target, profile=self.profile)
            if waited_s > patience_s + 2 * MEASURE_S:
                raise SourceError(
                    f"{self.target} sends {n_frames} frames in {waited_s:.0f} s", "give its rate: rate=..."
                )
        check_meaning(self.profile, bytes(received), target=self.target)
        if measure:
            self._take_rate(meter.rate_hz or 0.0)
        else:
            self._waiting = bytes(received)

    def _take_rate(self, measured_hz: float) -> None:
        self._given_rate_hz = find_common_rate(measured_hz)
        self.description = f"{self.target}, {self.rate_hz:.4g} Hz (measured {measured_hz:.4g} Hz)"


def read_description(parsed: SourceUrl, transport: Transport) -> Profile:
    """The profile that a URL names, or one made of its ``channels=`` and ``columns=``."""
    options = parsed.options
    if "profile" in options:
        return read_profile(parsed, transport)
    if "channels" not in options:
        cure = "add channels=, for example channels=force:N or channels=force:N,emg:uV, or the profile= of the board"
        raise SourceError(f"{parsed.target}: its channels are not declared", cure)
    channels = read_channels(options["channels"])
    decimal = read_decimal(options.get("decimal"))
    if "pattern" in options:
        if "columns" in options:
            raise SourceError("columns= and pattern= at once", "leave one of them out")
        layout = make_layout(options["pattern"], decimal or ".", channels)
        return Profile(name="", title="", transport=transport, channels=channels, layout=layout)
    columns = read_columns(options.get("columns"), channels)
    return Profile(name="", title="", transport=transport, channels=channels, columns=columns, decimal=decimal)


def make_layout(pattern: str, decimal: str, channels: Sequence[Channel]) -> Layout:
    """The layout that ``pattern=`` says, one template per line of it. SourceError where it does not fit."""
    layout = Layout(tuple(pattern.split("\n")), decimal)
    try:
        LayoutDecoder(layout, [channel.name for channel in channels])
    except ValueError as error:
        cure = "write a line as the board prints it with names for its numbers, for example pattern=Weight: {force} kg"
        raise SourceError(f"pattern={pattern[:60]!r}: {error}", cure) from None
    return layout
