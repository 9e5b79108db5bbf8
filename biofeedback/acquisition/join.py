"""Two or more sensors on one time axis: the ``join:`` source. The first one's frames are the grid, see `joiner`.

What one sensor misses costs the others nothing: its channels have a clock of their own, and a note names it.
"""

from __future__ import annotations

import contextlib
import math
import queue
import threading
import time
from collections.abc import Callable, Sequence
from dataclasses import replace
from typing import TypeAlias

from biofeedback.acquisition.joiner import Joiner
from biofeedback.acquisition.reader import ItemReader, Reader, make_reader
from biofeedback.acquisition.source import ItemSource, Source
from biofeedback.errors import SourceError
from biofeedback.model import Channel, Chunk, Cue, Gap, Item, Note

News: TypeAlias = tuple[int, list[Item], float] | Exception  # of which sensor, and when; or what ended it
READ_S = 0.05


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
