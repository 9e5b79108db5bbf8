"""Two or more sensors on one time axis: the ``join:`` source. The first one's frames are the grid.

Each sensor's frames are mapped to this computer's clock by a running line of their own, from the device times of a slow
board that sends them, else from its frame numbers; the other sensors' counts are interpolated linearly at the moments
of the first one's frames, which a note in the recording says. An uneven first sensor is not resampled: all channels of
a row are of one moment, and row k stands at k / rate. What differs in the delay of their wires (a radio may take 30 ms,
a cable 1 ms) cannot be known and stays.
"""

from __future__ import annotations

import contextlib
import math
import queue
import threading
import time
from collections import deque
from collections.abc import Callable, Sequence
from typing import TypeAlias

import numpy as np
from numpy.typing import NDArray

from biofeedback.acquisition.clock import DeviceClock
from biofeedback.acquisition.reader import Reader
from biofeedback.acquisition.sources import Source
from biofeedback.errors import SourceError
from biofeedback.model import Channel, Chunk, Cue, FloatArray, Gap, Item, Note

BoolArray: TypeAlias = NDArray[np.bool_]
News: TypeAlias = tuple[int, list[Item], float] | Exception  # of which sensor, and when; or what ended it
PATIENCE_S = 0.25  # for the other sensors; then a frame is missing, since it is a reading of all channels
HISTORY_S = 2.0
REACH_PERIODS = 1.5  # neighbours further apart than this belong to a gap: nothing is interpolated across it
READ_S = 0.05


class _Stream:
    """One sensor: its clock, and of a sensor other than the first the frames of the last 2 s."""

    def __init__(self, rate_hz: float) -> None:
        self.rate_hz = rate_hz
        self._clock = DeviceClock()
        self._is_broken = False
        self._own_s: FloatArray = np.empty(0)
        self._counts: FloatArray | None = None
        self._last_s = -math.inf

    def follow(self, item: Item, arrival_s: float) -> None:
        """The line that maps the sensor's own time to moments learns from the last frame of every chunk."""
        if isinstance(item, Gap) and item.reason in ("no data", "device restarted"):
            self._is_broken = True  # the length of such a gap is only known to some 0.1 s
        elif isinstance(item, Chunk):
            own_s = self._time_of(item)
            if self._is_broken or own_s[0] < self._last_s:
                self._clock.reset()
                self._own_s, self._counts, self._is_broken = np.empty(0), None, False
            self._last_s = float(own_s[-1])
            self._clock.add(self._last_s, arrival_s)

    def remember(self, chunk: Chunk) -> None:
        """Keep for ``look_up``."""
        own_s = np.concatenate((self._own_s, self._time_of(chunk)))
        counts = chunk.counts if self._counts is None else np.concatenate((self._counts, chunk.counts))
        keep = own_s > own_s[-1] - HISTORY_S
        self._own_s, self._counts = own_s[keep], counts[keep]

    def _time_of(self, chunk: Chunk) -> FloatArray:
        """By the board's own clock where it is slow and sends its time, else by the numbers of its frames."""
        if chunk.device_us is not None:
            return chunk.device_us * 1e-6
        return np.arange(chunk.first_frame, chunk.end_frame) / self.rate_hz

    def moments_of(self, chunk: Chunk) -> FloatArray:
        """Seconds on this computer's clock, by the line as it is now."""
        return self._clock.to_session(self._time_of(chunk))

    def has_seen(self, moment_s: float) -> bool:
        """Whether frames up to that moment are here."""
        return len(self._own_s) > 1 and bool(self._clock.to_session(self._own_s[-1:])[0] >= moment_s)

    def look_up(self, times_s: FloatArray, n_channels: int) -> tuple[FloatArray, BoolArray]:
        """Counts at ``times_s``, and which of them lie between two neighbours that belong together."""
        if self._counts is None or len(self._own_s) < 2:
            return np.zeros((len(times_s), n_channels)), np.zeros(len(times_s), dtype=np.bool_)
        known_s = self._clock.to_session(self._own_s)
        right = np.clip(np.searchsorted(known_s, times_s), 1, len(known_s) - 1)
        reach_s = REACH_PERIODS / self.rate_hz
        before, after = times_s - known_s[right - 1], known_s[right] - times_s
        good = (before >= 0) & (after >= 0) & (before <= reach_s) & (after <= reach_s)
        columns = [np.interp(times_s, known_s, column) for column in self._counts.T]
        return np.stack(columns, axis=1), np.asarray(good, dtype=np.bool_)


class Joiner:
    """Frames of all sensors to rows of the first one's grid. Pure: moments come in as arguments."""

    def __init__(self, rates_hz: Sequence[float], n_channels: Sequence[int]) -> None:
        self._streams = [_Stream(rate_hz) for rate_hz in rates_hz]
        self._n_channels = n_channels
        self._pending: deque[tuple[Chunk, float]] = deque()

    def push(self, which: int, items: Sequence[Item], arrival_s: float) -> None:
        """Items of sensor ``which`` have arrived."""
        for item in items:
            self._streams[which].follow(item, arrival_s)
            if not isinstance(item, Chunk):
                continue
            if which == 0:
                self._pending.append((item, arrival_s))
            else:
                self._streams[which].remember(item)

    def take(self, now_s: float) -> list[tuple[int, FloatArray]]:
        """Number and counts of all channels of frames that are complete; those that never will be are left out."""
        rows: list[tuple[int, FloatArray]] = []
        first, *others = self._streams
        while self._pending:
            chunk, arrival_s = self._pending[0]
            times_s = first.moments_of(chunk)
            complete = all(other.has_seen(float(times_s[-1])) for other in others)
            if not complete and now_s - arrival_s < PATIENCE_S:
                break
            self._pending.popleft()
            found = [other.look_up(times_s, n) for other, n in zip(others, self._n_channels[1:], strict=True)]
            good = np.logical_and.reduce([ok for _, ok in found])
            table = np.hstack([chunk.counts, *[values for values, _ in found]])
            rows += [(chunk.first_frame + int(k), table[k]) for k in np.flatnonzero(good)]
        return rows


class JoinedSource:
    """See ``Source``. Every sensor has a reader and a thread of its own; what they make is sent on as lines."""

    def __init__(self, sources: Sequence[Source], *, url: str, clock: Callable[[], float] = time.monotonic) -> None:
        self.url, self._sources, self._clock = url, list(sources), clock
        self.is_simulated = any(source.is_simulated for source in sources)
        self._queue: queue.Queue[News] = queue.Queue(1000)
        self._ending: Exception | None = None  # raised once everything before it has been read
        self._stopped = threading.Event()
        self._threads: list[threading.Thread] = []
        self._readers: list[Reader] = []
        self._joiner = Joiner([1.0], [1])
        self._words: list[str] = []
        self.description = " and ".join(source.description for source in sources)

    @property
    def channels(self) -> tuple[Channel, ...]:
        """Those of the first sensor, then those of the others."""
        return tuple(channel for source in self._sources for channel in source.channels)

    @property
    def device_id(self) -> str:
        """Who answers at each; "" if none of them says."""
        names = [reader.device_id for reader in self._readers]
        return " and ".join(name or "one that does not say" for name in names) if any(names) else ""

    @property
    def trouble(self) -> str:
        """What ails the first sensor that has any trouble; "" when all is well."""
        told = zip(self._sources, self._readers, strict=False)
        return next((f"{source.description}: {reader.trouble}" for source, reader in told if reader.trouble), "")

    @property
    def columns(self) -> tuple[str, ...]:
        """Lines carry the frame number of the first sensor."""
        return ("seq", *(channel.name for channel in self.channels))

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
        self._readers = [Reader(source) for source in self._sources]
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

    def reopen(self) -> bool:
        """Each reader gets its own sensor back."""
        return True

    def cue(self, cue: Cue) -> None:
        """To whichever listens."""
        for source in self._sources:
            source.cue(cue)

    def read(self) -> bytes:
        """Complete frames as lines; b"" after 50 ms without any news. Raises what ended one of the sensors."""
        if self._ending is not None:
            raise self._ending
        words, self._words = self._words, []
        for new in self._take_news():
            if isinstance(new, Exception):
                self._ending = new
                break
            which, items, arrival_s = new
            words += [item.text for item in items if isinstance(item, Note)]
            self._joiner.push(which, items, arrival_s)
        lines = [f"# {' '.join(text.split())}\n" for text in words]
        for frame, counts in self._joiner.take(self._clock() if self._ending is None else math.inf):
            lines.append(f"{frame} {' '.join(f'{value:.10g}' for value in counts)}\n")
        return "".join(lines).encode("ascii", "replace")

    def _take_news(self) -> list[News]:
        try:
            news = [self._queue.get(timeout=READ_S)]
            while not self._queue.empty():
                news.append(self._queue.get_nowait())
        except queue.Empty:
            return []
        return news

    def _pump(self, which: int, reader: Reader) -> None:
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
