"""Two or more sensors on one time axis: the ``join:`` source. The first one's frames are the grid.

Each sensor's frames are mapped to this computer's clock by a running line of their own, from the device times of a slow
board that sends them, else from its frame numbers; the other sensors' counts are interpolated linearly at the moments
of the first one's frames, which a note in the recording says. An uneven first sensor is not resampled: all channels of
a row are of one moment, and row k stands at k / rate. What differs in the delay of their wires (a radio may take 30 ms,
a cable 1 ms) cannot be known and stays.

What one sensor misses costs the others nothing: its counts are NaN for as long, its channels have a clock of their own,
and a note names it. Only where no sensor has anything there is a gap.
"""

from __future__ import annotations

import contextlib
import math
import queue
import threading
import time
from collections import deque
from collections.abc import Callable, Iterator, Sequence
from dataclasses import replace
from typing import TypeAlias

import numpy as np

from biofeedback.acquisition.clock import DeviceClock
from biofeedback.acquisition.reader import ItemReader, Reader, make_reader
from biofeedback.acquisition.source import ItemSource, Source
from biofeedback.errors import SourceError
from biofeedback.model import Channel, Chunk, Cue, FloatArray, Gap, Item, Note

News: TypeAlias = tuple[int, list[Item], float] | Exception  # of which sensor, and when; or what ended it
PATIENCE_S = 0.25  # for the other sensors; what comes later is missing
HISTORY_S = 1.0  # of readings kept behind the last row that was made of them
MOST_HISTORY_S = 60.0  # and at all, while the first sensor says nothing
PIECE_S = 1.0  # a longer gap of the first sensor is filled piece by piece
REACH_PERIODS = 1.5  # neighbours further apart than this belong to a gap: nothing is interpolated across it
READ_S = 0.05


class _Stream:
    """One sensor: its clock, and of a sensor other than the first the readings that rows may still need."""

    def __init__(self, rate_hz: float, n_channels: int) -> None:
        self.rate_hz, self.n_channels = rate_hz, n_channels
        self._clock = DeviceClock()
        self._is_broken = False
        self._own_s: FloatArray = np.empty(0)
        self._counts: FloatArray = np.empty((0, n_channels))
        self._last: tuple[int, float] | None = None  # frame and own time of the last reading
        self._known_s = -math.inf  # the moment up to which nothing more will come

    def follow(self, item: Chunk | Gap, arrival_s: float) -> None:
        """The line that maps the sensor's own time to moments learns from the last frame of every chunk."""
        if isinstance(item, Gap):
            self._is_broken |= item.reason in ("no data", "device restarted")  # known to some 0.1 s only
            if self._last is not None:
                self._known_s = float(self.moments_of(Gap(item.end_frame, 1, ""))[0])
            return
        own_s = self._time_of(item)
        if self._is_broken or (self._last is not None and own_s[0] < self._last[1]):
            self._clock.reset()
            self._own_s, self._counts, self._is_broken = np.empty(0), np.empty((0, self.n_channels)), False
        self._last = item.end_frame - 1, float(own_s[-1])
        self._clock.add(float(own_s[-1]), arrival_s)

    def remember(self, chunk: Chunk) -> None:
        """Keep for ``look_up``."""
        own_s = np.concatenate((self._own_s, self._time_of(chunk)))
        keep = own_s > own_s[-1] - MOST_HISTORY_S
        self._own_s, self._counts = own_s[keep], np.concatenate((self._counts, chunk.counts))[keep]

    def forget(self, before_s: float) -> None:
        """No row before ``before_s`` will ask any more."""
        if len(self._own_s) > 1 and self._clock.to_session(self._own_s[:1])[0] < before_s - 2 * HISTORY_S:
            keep = self._clock.to_session(self._own_s) > before_s - HISTORY_S
            keep[-2:] = True
            self._own_s, self._counts = self._own_s[keep], self._counts[keep]

    def _time_of(self, chunk: Chunk) -> FloatArray:
        """By the board's own clock where it is slow and sends its time, else by the numbers of its frames."""
        if chunk.device_us is not None:
            return chunk.device_us * 1e-6
        return np.arange(chunk.first_frame, chunk.end_frame) / self.rate_hz

    def moments_of(self, item: Chunk | Gap) -> FloatArray:
        """Seconds on this computer's clock, by the line as it is now; in a gap the line goes on."""
        if isinstance(item, Chunk):
            return self._clock.to_session(self._time_of(item))
        if self._last is None:
            return np.full(item.n_frames, np.nan)
        frame, own_s = self._last
        ahead_s = np.arange(item.first_frame - frame, item.end_frame - frame) / self.rate_hz
        return self._clock.to_session(own_s + ahead_s)

    def has_seen(self, moment_s: float) -> bool:
        """Whether all readings up to that moment are here, or known to be missing."""
        if len(self._own_s) > 1 and self._clock.to_session(self._own_s[-1:])[0] >= moment_s:
            return True
        return self._known_s >= moment_s

    def look_up(self, times_s: FloatArray) -> FloatArray:
        """Counts ``(n, n_channels)`` at ``times_s``, NaN where no two neighbours lie around that belong together."""
        table = np.full((len(times_s), self.n_channels), np.nan)
        if len(self._own_s) < 2:
            return table
        known_s = self._clock.to_session(self._own_s)
        right = np.clip(np.searchsorted(known_s, times_s), 1, len(known_s) - 1)
        reach_s = REACH_PERIODS / self.rate_hz
        before, after = times_s - known_s[right - 1], known_s[right] - times_s
        good = (before >= 0) & (after >= 0) & (before <= reach_s) & (after <= reach_s)
        for k, column in enumerate(self._counts.T):
            table[good, k] = np.interp(times_s[good], known_s, column)
        return table


class Joiner:
    """Chunks and gaps of all sensors to those of the first one's grid. Pure: moments come in as arguments."""

    def __init__(self, rates_hz: Sequence[float], n_channels: Sequence[int]) -> None:
        self._streams = [_Stream(rate_hz, n) for rate_hz, n in zip(rates_hz, n_channels, strict=True)]
        self._pending: deque[tuple[Chunk | Gap, float]] = deque()
        self.next_frame = 0

    def push(self, which: int, items: Sequence[Item], arrival_s: float) -> None:
        """Items of sensor ``which`` have arrived."""
        for item in items:
            if isinstance(item, Note):
                continue
            self._streams[which].follow(item, arrival_s)
            if which == 0:
                self._pending += [(piece, arrival_s) for piece in self._cut(item)]
            elif isinstance(item, Chunk):
                self._streams[which].remember(item)

    def _cut(self, item: Chunk | Gap) -> Iterator[Chunk | Gap]:
        if isinstance(item, Chunk):
            yield item
            return
        n_most = max(1, round(PIECE_S * self._streams[0].rate_hz))
        for first in range(item.first_frame, item.end_frame, n_most):
            yield Gap(first, min(n_most, item.end_frame - first), item.reason)

    def take(self, now_s: float) -> list[Chunk | Gap]:
        """What is complete, or never will be: every frame of the first sensor once, without holes."""
        joined: list[Chunk | Gap] = []
        first, *others = self._streams
        while self._pending:
            item, arrival_s = self._pending[0]
            times_s = first.moments_of(item)
            complete = all(other.has_seen(float(times_s[-1])) for other in others)
            if not complete and now_s - arrival_s < PATIENCE_S:
                break
            self._pending.popleft()
            joined.append(self._join(item, times_s))
            self.next_frame = item.end_frame
            for other in others:
                other.forget(float(times_s[-1]))
        return joined

    def _join(self, item: Chunk | Gap, times_s: FloatArray) -> Chunk | Gap:
        first, *others = self._streams
        found = [other.look_up(times_s) for other in others]
        if isinstance(item, Chunk):
            return Chunk(item.first_frame, np.hstack([item.counts, *found]))
        if np.isnan(np.hstack(found)).all():
            return item
        return Chunk(item.first_frame, np.hstack([np.full((item.n_frames, first.n_channels), np.nan), *found]))


class _Silences:
    """Says once that a sensor is silent, by name, and how long it was when it is back."""

    def __init__(self, name: str) -> None:
        self._name = name
        self._since_s: float | None = None

    def tell(self, items: Sequence[Item], now_s: float) -> list[str]:
        """What there is to say about these items of the sensor."""
        texts: list[str] = []
        for item in items:
            if isinstance(item, Note):
                texts.append(f"{self._name}: {item.text}")
            elif isinstance(item, Gap) and item.reason == "no data" and self._since_s is None:
                self._since_s = now_s
                texts.append(f"{self._name}: no data")
            elif isinstance(item, Chunk) and self._since_s is not None:
                texts.append(f"{self._name}: data again after {now_s - self._since_s:.1f} s")
                self._since_s = None
        return texts


class JoinedSource(ItemSource):
    """Every sensor has a reader and a thread of its own; what they make is put on one grid."""

    def __init__(self, sources: Sequence[Source], *, url: str, clock: Callable[[], float] = time.monotonic) -> None:
        self.url, self._sources, self._clock = url, list(sources), clock
        self.is_simulated = any(source.is_simulated for source in sources)
        self._queue: queue.Queue[News] = queue.Queue(1000)
        self._ending: Exception | None = None  # raised once everything before it has been read
        self._stopped = threading.Event()
        self._threads: list[threading.Thread] = []
        self._readers: list[Reader | ItemReader] = []
        self._joiner = Joiner([1.0], [1])
        self._words: list[str] = []
        self._silences = [_Silences(source.description) for source in sources]
        self.description = " and ".join(source.description for source in sources)

    @property
    def channels(self) -> tuple[Channel, ...]:
        """Those of the first sensor, then those of the others, each sensor's with a clock of their own."""
        return tuple(
            replace(channel, clock=which) for which, source in enumerate(self._sources) for channel in source.channels
        )

    @property
    def device_id(self) -> str:
        """Who answers at each; "" if none of them says."""
        names = [reader.device_id for reader in self._readers]
        return " and ".join(name or "one that does not say" for name in names) if any(names) else ""

    @property
    def trouble(self) -> str:
        """What ails each sensor that has any trouble, by name; "" when all is well."""
        told = zip(self._sources, self._readers, strict=False)
        return "; ".join(f"{source.description}: {reader.trouble}" for source, reader in told if reader.trouble)

    @property
    def said(self) -> float | None:
        """Of the first that says anything."""
        return next((source.said for source in self._sources if source.said is not None), None)

    @property
    def rate_hz(self) -> float:
        """The first sensor's."""
        return self._sources[0].rate_hz

    def open(self) -> None:
        """Open one after the other; SourceError if one cannot be opened, or if they do not go together."""
        try:
            for source in self._sources:
                source.open()
            self._check()
        except BaseException:
            self.close()
            raise
        self._joiner = Joiner(
            [source.rate_hz for source in self._sources], [len(source.channels) for source in self._sources]
        )
        names = ", ".join(channel.name for source in self._sources[1:] for channel in source.channels)
        self._words = [f"{names} interpolated linearly at the frames of {self._sources[0].description}"]
        self.description = " and ".join(source.description for source in self._sources)
        self._stopped.clear()
        self._silences = [_Silences(source.description) for source in self._sources]
        self._readers = [make_reader(source) for source in self._sources]
        for which, reader in enumerate(self._readers):
            thread = threading.Thread(target=self._pump, args=(which, reader), daemon=True)
            thread.start()
            self._threads.append(thread)

    def close(self) -> None:
        """Stop the threads, let go of the sensors."""
        self._stopped.set()
        for thread in self._threads:
            thread.join(2.0)
        self._threads.clear()
        for source in self._sources:
            source.close()

    def cue(self, cue: Cue) -> None:
        """To whichever listens."""
        for source in self._sources:
            source.cue(cue)

    def read_items(self) -> list[Item]:
        """Complete frames; [] after 50 ms without any news. Raises what ended one of the sensors."""
        if self._ending is not None:
            raise self._ending
        words, self._words = self._words, []
        for new in self._take_news():
            if isinstance(new, Exception):
                self._ending = new
                break
            which, items, arrival_s = new
            words += self._silences[which].tell(items, arrival_s)
            self._joiner.push(which, items, arrival_s)
        self.n_lines = sum(reader.n_lines for reader in self._readers)
        self.n_bad_lines = sum(reader.n_bad_lines for reader in self._readers)
        notes: list[Item] = [Note(self._joiner.next_frame, text) for text in words]
        return [*notes, *self._joiner.take(self._clock() if self._ending is None else math.inf)]

    def _take_news(self) -> list[News]:
        try:
            news = [self._queue.get(timeout=READ_S)]
            while not self._queue.empty():
                news.append(self._queue.get_nowait())
        except queue.Empty:
            return []
        return news

    def _pump(self, which: int, reader: Reader | ItemReader) -> None:
        """Whatever ends it goes to whoever reads: a thread that died alone would look like silence."""
        try:
            while not self._stopped.is_set():
                if items := reader.read():
                    self._tell((which, items, self._clock()))
        except Exception as error:
            self._tell(error)

    def _tell(self, news: News) -> None:
        """Wait for room while nobody reads, but not beyond the end."""
        while not self._stopped.is_set():
            with contextlib.suppress(queue.Full):
                self._queue.put(news, timeout=READ_S)
                return

    def _check(self) -> None:
        names = [channel.name for channel in self.channels]
        if len(set(names)) < len(names):
            raise SourceError(f"two sensors have a channel of one name: {', '.join(names)}", "give each its own name")
        for source in self._sources[1:]:
            for channel in source.channels:
                if channel.kind == "emg" and not channel.envelope:
                    cure = "name its sensor first: what is interpolated loses its spectrum"
                    raise SourceError(f"{channel.name} is raw EMG and not of the first sensor", cure)


def open_joined(url: str, open_one: Callable[[str], Source]) -> JoinedSource:
    """Source for ``join:URL|URL``."""
    parts = [part for part in url.partition(":")[2].split("|") if part.strip()]
    if len(parts) < 2:
        raise SourceError("join: needs two sources", "write join:FIRST|SECOND, the one with the highest rate first")
    return JoinedSource([open_one(part) for part in parts], url=url)
