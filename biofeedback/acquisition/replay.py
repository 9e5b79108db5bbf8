"""The ``replay:`` source: a recording, or a plain log of what a serial port once sent, as if the sensor were there."""

from __future__ import annotations

import time
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Generic, TypeAlias, TypeVar

from biofeedback.acquisition.source import (
    EndOfSource,
    ItemSource,
    OpenRecording,
    ReplayableRecording,
    SourceUrl,
    WireSource,
    read_channels,
    read_columns,
)
from biofeedback.errors import SourceError
from biofeedback.model import Channel, Chunk, Gap, Item, Note

PIECE_S = 0.01  # one wake-up per 10 ms, as a port does
MOST_FRAMES = 1000  # handed out by one read when played as fast as possible
_SQLITE = b"SQLite format 3\x00"

Content = TypeVar("Content")
Piece: TypeAlias = tuple[int, Content]  # the frame at which it is due, and what is due then


class Player(Generic[Content]):
    """Hands out pieces when their frame is due; ``speed`` None is as fast as possible."""

    def __init__(
        self,
        pieces: Callable[[], Iterator[Piece[Content]]],
        *,
        rate_hz: float,
        speed: float | None,
        clock: Callable[[], float] = time.monotonic,
        sleep: Callable[[float], None] = time.sleep,
    ) -> None:
        self.clock, self.sleep = clock, sleep
        self._pieces, self._rate_hz, self._speed = pieces, rate_hz, speed
        self._waiting: Iterator[Piece[Content]] = iter(())
        self._next: Piece[Content] | None = None
        self._started_s = 0.0

    def start(self) -> None:
        """From the beginning."""
        self._waiting = self._pieces()
        self._next = next(self._waiting, None)
        self._started_s = self.clock()

    def stop(self) -> None:
        """Nothing is left."""
        self._waiting, self._next = iter(()), None

    def take(self) -> list[Content]:
        """What is due; waits up to 10 ms if nothing is. EndOfSource when nothing is left."""
        if self._next is None:
            raise EndOfSource
        if self._speed is not None and self._next[0] > self._due_frame():
            self.sleep(PIECE_S)
        limit = self._next[0] + MOST_FRAMES if self._speed is None else self._due_frame()
        ready = []
        while self._next is not None and self._next[0] <= limit:
            ready.append(self._next[1])
            self._next = next(self._waiting, None)
        return ready

    def _due_frame(self) -> int:
        return int((self.clock() - self._started_s) * self._rate_hz * (self._speed or 1.0))


class LogReplay(WireSource):
    """What a port once sent, one line per frame."""

    is_replay = True
    channels: tuple[Channel, ...] = ()
    rate_hz: float = 0.0
    columns: tuple[str, ...] | None = None

    def __init__(
        self,
        path: Path,
        *,
        url: str,
        channels: tuple[Channel, ...],
        rate_hz: float,
        columns: tuple[str, ...] | None,
        speed: float | None,
    ) -> None:
        self.url, self.channels, self.rate_hz, self.columns = url, channels, rate_hz, columns
        self.description = f"replay of {path.name}"
        self._path = path
        self.player = Player(self._read_lines, rate_hz=rate_hz, speed=speed)

    def _read_lines(self) -> Iterator[Piece[bytes]]:
        with self._path.open("rb") as file:
            yield from enumerate(file)

    def open(self) -> None:
        """Start at the beginning."""
        self.player.start()

    def close(self) -> None:
        """Nothing is left to read."""
        self.player.stop()

    def read(self) -> bytes:
        """The lines that are due."""
        return b"".join(self.player.take())


class RecordingReplay(ItemSource):
    """A recording: its chunks, gaps and notes as they were, in pieces as a port would bring them."""

    channels: tuple[Channel, ...] = ()
    rate_hz: float = 0.0

    def __init__(self, recording: ReplayableRecording, *, url: str, description: str, speed: float | None) -> None:
        self.url, self.description = url, description
        self.channels, self.rate_hz = tuple(recording.channels), recording.rate_hz
        self.is_simulated = bool(recording.settings.get("simulated", False))
        self._recording = recording
        self.player = Player(self._cut, rate_hz=self.rate_hz, speed=speed)

    def open(self) -> None:
        """Start at the beginning."""
        self.player.start()

    def close(self) -> None:
        """Nothing is left to read."""
        self.player.stop()

    def read_items(self) -> list[Item]:
        """What is due, chunks that follow each other as one: what handles them takes its time for each."""
        items: list[Item] = []
        waiting: list[Chunk] = []
        for item in [*self.player.take(), None]:
            if waiting and not (isinstance(item, Chunk) and item.first_frame == waiting[-1].end_frame):
                items.append(Chunk.join(waiting))
                waiting = []
            if isinstance(item, Chunk):
                waiting.append(item)
            elif item is not None:
                items.append(item)
        return items

    def _cut(self) -> Iterator[Piece[Item]]:
        n_piece = max(1, round(PIECE_S * self.rate_hz))
        for item in self._recording.items():
            if isinstance(item, Note):
                yield item.frame, item
                continue
            for at in range(0, item.n_frames, n_piece):
                first, n = item.first_frame + at, min(n_piece, item.n_frames - at)
                if isinstance(item, Gap):
                    yield first + n, Gap(first, n, item.reason)
                else:
                    times = None if item.device_us is None else item.device_us[at : at + n]
                    yield first + n, Chunk(first, item.counts[at : at + n], times)


def open_replay(
    url: str, parsed: SourceUrl, *, open_recording: OpenRecording | None = None
) -> LogReplay | RecordingReplay:
    """Source for a ``replay:`` URL.

    A recording brings its own channels and rate; a text log needs ``rate=``, ``channels=`` and perhaps ``columns=``.
    """
    parsed.check_known(("speed", "rate", "channels", "columns"))
    path = Path(parsed.target).expanduser()
    speed = None if parsed.options.get("speed") == "max" else parsed.number("speed") or 1.0
    try:
        with path.open("rb") as file:
            head = file.read(len(_SQLITE))
    except OSError as error:
        cure = "check its name" if isinstance(error, FileNotFoundError) else "check that it may be read"
        raise SourceError(f"{path} cannot be opened: {error.strerror}", cure) from None
    if head == _SQLITE or path.suffix == ".hold":
        if open_recording is None:
            raise SourceError(f"{path} is a recording", "only text logs can be replayed here")
        return RecordingReplay(open_recording(str(path)), url=url, description=f"replay of {path.name}", speed=speed)
    return _replay_log(url, parsed, path, speed)


def _replay_log(url: str, parsed: SourceUrl, path: Path, speed: float | None) -> LogReplay:
    rate_hz = parsed.number("rate")
    if rate_hz is None or "channels" not in parsed.options:
        raise SourceError(
            f"{path.name} is a text log and does not say its rate and channels",
            f"for example replay:{path.name}?rate=80&channels=force:N",
        )
    channels = read_channels(parsed.options["channels"])

    columns = read_columns(parsed.options.get("columns"), channels)
    return LogReplay(path, url=url, channels=channels, rate_hz=rate_hz, columns=columns, speed=speed)
