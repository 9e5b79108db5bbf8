"""The ``lsl:`` source: a stream of the lab streaming layer, from this computer or its network. An extra: pylsl.

Samples come over TCP, in order: they are counted, not timed, and a stall that ends in a burst costs nothing. A stream
that ends and returns under the same source id is found again by the library itself.
"""

from __future__ import annotations

import re
import time
from collections.abc import Callable
from importlib import import_module
from typing import Any

import numpy as np

from biofeedback.acquisition.decoder import Frames
from biofeedback.acquisition.source import ItemSource, SourceUrl, read_channel, read_channels
from biofeedback.acquisition.timeline import BURST_S, Timeline
from biofeedback.errors import SourceError
from biofeedback.model import BOARD_KINDS, Channel, Item, Note

FIND_S, OPEN_S = 3.0, 5.0
LISTEN_S = 1.0  # for a second stream of the name: it would be somebody else's
BATCH_S = 0.0165  # pages are drawn 60 times a second
BUFFER_S = 60  # kept by the library while this computer is busy
MOST_SAMPLES = 4096  # handed over at once
EXAMPLE = "write lsl:NAME?channels=force:N, one channel for each of the stream, in its order"
NO_DATA = "no data from the stream: check that its program still runs"


class LslSource(ItemSource):
    """One stream, by its name; ``channels`` None takes those that it describes."""

    device_id: str = ""
    trouble: str = ""
    rate_hz: float = 0.0
    channels: tuple[Channel, ...] = ()

    def __init__(
        self,
        name: str,
        channels: tuple[Channel, ...] | None,
        *,
        url: str,
        rate_hz: float | None = None,
        clock: Callable[[], float] = time.monotonic,
    ) -> None:
        self.url, self.name = url, name
        self.description = f"stream {name}"
        self._given, self._given_rate_hz, self._clock = channels, rate_hz, clock
        self._inlet: Any = None
        self._timeline = Timeline(1.0, 1)
        self._is_silent = False

    def open(self) -> None:
        """Find the stream and connect. SourceError with its cure."""
        lsl = import_lsl()
        info = self._find(lsl)
        self.rate_hz = self._given_rate_hz or float(info.nominal_srate())
        if info.channel_format() == lsl.cf_string:
            raise SourceError(f"stream {self.name} carries words, not numbers", "name the stream of the sensor")
        if not self.rate_hz > 0:
            raise SourceError(f"stream {self.name} does not say its rate", "add rate=, samples per second")
        self._inlet = lsl.StreamInlet(info, max_buflen=BUFFER_S)
        try:
            self._inlet.open_stream(OPEN_S)
            self.channels = self._given or describe_channels(self._inlet.info(OPEN_S))
        except (lsl.util.TimeoutError, lsl.util.LostError) as error:
            self.close()
            raise SourceError(f"stream {self.name} does not answer ({error})", "start its program again") from None
        except SourceError:
            self.close()
            raise
        if len(self.channels) != info.channel_count():
            self.close()
            raise SourceError(f"stream {self.name} has {info.channel_count()} channels", EXAMPLE)
        self.device_id = f"{info.source_id() or info.name()} on {info.hostname()}"
        self.description = f"stream {self.name} of {info.hostname()}, {self.rate_hz:g} Hz"
        self._timeline = Timeline(self.rate_hz, len(self.channels), patience_s=BURST_S)

    def close(self) -> None:
        """Let go of the stream."""
        if self._inlet is not None:
            self._inlet.close_stream()
            self._inlet = None

    def read_items(self) -> list[Item]:
        """What has come in some 16 ms."""
        if self._inlet is None:
            raise SourceError(f"stream {self.name} is not open", "open it first")
        time.sleep(BATCH_S)
        samples, _ = self._inlet.pull_chunk(timeout=0.0, max_samples=MOST_SAMPLES)
        now_s = self._clock()
        items = self._timeline.place([Frames(np.array(samples, dtype=np.float64))] if samples else [], now_s)
        items += self._timeline.silence(now_s)
        self.n_lines += len(samples)
        if self._timeline.is_silent != self._is_silent:
            self._is_silent = self._timeline.is_silent
            self.trouble = NO_DATA if self._is_silent else ""
            items.append(Note(self._timeline.next_frame, NO_DATA if self._is_silent else "data again from the stream"))
        return items

    def _find(self, lsl: Any) -> Any:
        here = lsl.ContinuousResolver()  # listens all the while: one short look misses streams of a busy computer
        found = {info.uid(): info for info in lsl.resolve_byprop("name", self.name, 1, FIND_S)}
        if not found:
            others = ", ".join(sorted({info.name() for info in here.results()})) or "none"
            cure = f"start its program, in the same network; streams that are here: {others}"
            raise SourceError(f"there is no stream {self.name!r}", cure)
        found |= {info.uid(): info for info in lsl.resolve_byprop("name", self.name, 2, LISTEN_S)}
        if len(found) > 1:
            told = ", ".join(f"{info.source_id() or 'without an id'} on {info.hostname()}" for info in found.values())
            raise SourceError(f"{len(found)} streams are named {self.name!r}: {told}", "give each a name of its own")
        return next(iter(found.values()))


def describe_channels(info: Any) -> tuple[Channel, ...]:
    """The channels as the stream describes them: label and unit, each label beginning with what is measured."""
    channels: list[Channel] = []
    kinds, of_stream = BOARD_KINDS, info.type().lower()
    entry = info.desc().child("channels").child("channel")
    while not entry.empty():
        label, unit = entry.child_value("label"), entry.child_value("unit")
        name = re.sub(r"\W+", "_", label).strip("_").lower()
        if not name.startswith(kinds) and of_stream in kinds:
            name = f"{of_stream}_{name}" if name else of_stream
        if not name.startswith(kinds):
            raise SourceError(f"channel {label!r} of the stream does not say what it measures", EXAMPLE)
        channels.append(read_channel(f"{name}:{unit}" if re.fullmatch(r"[^*@,:]+", unit) else name))
        entry = entry.next_sibling("channel")
    if not channels or len({channel.name for channel in channels}) < len(channels):
        raise SourceError("the stream does not describe its channels", EXAMPLE)
    return tuple(channels)


def import_lsl() -> Any:
    """The library, which brings its own compiled part."""
    try:
        import_module("pylsl.util")
        lsl = import_module("pylsl")
    except (ImportError, RuntimeError, OSError) as error:
        raise SourceError(f"pylsl cannot be used ({error})", "pip install 'biofeedback[lsl]'") from None
    return lsl


def open_lsl(url: str, parsed: SourceUrl) -> LslSource:
    """Source for an ``lsl:`` URL: ``lsl:NAME``, ``lsl:NAME?channels=force:N,emg:uV&rate=500``."""
    parsed.check_known(("channels", "rate"))
    if not parsed.target:
        raise SourceError("lsl: does not name a stream", EXAMPLE)
    channels = read_channels(parsed.options["channels"]) if "channels" in parsed.options else None
    return LslSource(parsed.target, channels, url=url, rate_hz=parsed.number("rate"))
