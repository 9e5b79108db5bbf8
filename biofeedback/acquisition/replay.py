"""The ``replay:`` source: a recording, or a plain log of what a serial port once sent, as if the sensor were there."""

from __future__ import annotations

import time
from collections.abc import Callable, Iterator
from pathlib import Path

import numpy as np

from biofeedback.acquisition.sources import (
    EndOfSource,
    OpenRecording,
    ReplayableRecording,
    SourceUrl,
    read_channels,
    read_columns,
)
from biofeedback.errors import SourceError
from biofeedback.model import Channel, Chunk, Cue, Note

PIECE_S = 0.01  # one wake-up per 10 ms, as a port does
MOST_FRAMES = 1000  # handed out by one read when played as fast as possible
_SQLITE = b"SQLite format 3\x00"

Piece = tuple[int, int, bytes]  # first frame, the frame at which the bytes are due, and the bytes


class ReplaySource:
    """See ``Source``. Pieces are handed out when their frame is due; ``speed`` None is as fast as possible."""

    is_replay = True
    starts_mid_line = False

    def __init__(
        self,
        pieces: Callable[[], Iterator[Piece]],
        *,
        url: str,
        channels: tuple[Channel, ...],
        rate_hz: float,
        columns: tuple[str, ...] | None,
        description: str,
        is_simulated: bool = False,
        speed: float | None = 1.0,
        n_frames: int = 0,
        first_sequence: int | None = None,
        clock: Callable[[], float] = time.monotonic,
        sleep: Callable[[float], None] = time.sleep,
    ) -> None:
        self.url, self.channels, self.rate_hz, self.columns = url, channels, rate_hz, columns
        self.description, self.is_simulated = description, is_simulated
        self.n_frames, self.first_sequence = n_frames, first_sequence
        self._pieces, self._speed, self._clock, self._sleep = pieces, speed, clock, sleep
        self._waiting: Iterator[Piece] = iter(())
        self._next: Piece | None = None
        self._started_s = 0.0

    def open(self) -> None:
        """Start at the beginning."""
        self._waiting = self._pieces()
        self._next = next(self._waiting, None)
        self._started_s = self._clock()

    def close(self) -> None:
        """Nothing is left to read."""
        self._waiting, self._next = iter(()), None

    def reopen(self) -> bool:
        """A replay does not vanish."""
        return True

    def cue(self, cue: Cue) -> None:
        """What was recorded does not change."""

    @property
    def n_played(self) -> int:
        """Frames of which everything that exists has been handed out."""
        if self._next is None:
            return self.n_frames
        return min(self._next[0], self._due_frame(), self.n_frames)

    def read(self) -> bytes:
        """What is due; waits up to 10 ms if nothing is."""
        if self._next is None:
            raise EndOfSource
        if self._speed is not None and self._next[1] > self._due_frame():
            self._sleep(PIECE_S)
        limit = self._next[1] + MOST_FRAMES if self._speed is None else self._due_frame()
        ready = []
        while self._next is not None and self._next[1] <= limit:
            ready.append(self._next[2])
            self._next = next(self._waiting, None)
        return b"".join(ready)

    def _due_frame(self) -> int:
        return int((self._clock() - self._started_s) * self.rate_hz * (self._speed or 1.0))


def open_replay(url: str, parsed: SourceUrl, *, open_recording: OpenRecording | None = None) -> ReplaySource:
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
        return _replay_recording(open_recording(str(path)), url=url, path=path, speed=speed)
    return _replay_log(url, parsed, path, speed)


def _replay_recording(recording: ReplayableRecording, *, url: str, path: Path, speed: float | None) -> ReplaySource:
    channels = tuple(recording.channels)
    return ReplaySource(
        lambda: _encode(recording, max(1, round(PIECE_S * recording.rate_hz))),
        url=url,
        channels=channels,
        rate_hz=recording.rate_hz,
        columns=("seq", *(("t_us",) if _has_times(recording) else ()), *(channel.name for channel in channels)),
        description=f"replay of {path.name}",
        is_simulated=bool(recording.settings.get("simulated", False)),
        speed=speed,
        n_frames=recording.n_frames,
        first_sequence=0,
    )


def _has_times(recording: ReplayableRecording) -> bool:
    """Whether its board sent its time; then every chunk has it."""
    first = next((item for item in recording.items() if isinstance(item, Chunk)), None)
    return first is not None and first.device_us is not None


def _encode(recording: ReplayableRecording, n_piece: int) -> Iterator[Piece]:
    """Frames as lines with their index as sequence number; a gap is a jump in it, a note a comment line."""
    for item in recording.items():
        if isinstance(item, Note):
            yield item.frame, item.frame, b"# %b\n" % " ".join(item.text.split()).encode("ascii", "replace")
        elif isinstance(item, Chunk):
            table = item.counts
            if item.device_us is not None:
                table = np.concatenate((item.device_us[:, None], table), axis=1)
            for at in range(0, item.n_frames, n_piece):
                rows = table[at : at + n_piece].tolist()
                first = item.first_frame + at
                lines = (f"{first + i} {' '.join(map(_print_count, row))}\n" for i, row in enumerate(rows))
                yield first, first + len(rows), "".join(lines).encode("ascii")


def _print_count(value: float) -> str:
    return str(int(value)) if value.is_integer() else repr(value)


def _replay_log(url: str, parsed: SourceUrl, path: Path, speed: float | None) -> ReplaySource:
    rate_hz = parsed.number("rate")
    if rate_hz is None or "channels" not in parsed.options:
        raise SourceError(
            f"{path.name} is a text log and does not say its rate and channels",
            f"for example replay:{path.name}?rate=80&channels=force:N",
        )
    channels = read_channels(parsed.options["channels"])

    def pieces() -> Iterator[Piece]:
        with path.open("rb") as file:
            for k, line in enumerate(file):
                yield k, k, line

    return ReplaySource(
        pieces,
        url=url,
        channels=channels,
        rate_hz=rate_hz,
        columns=read_columns(parsed.options.get("columns"), channels),
        description=f"replay of {path.name}",
        speed=speed,
    )
