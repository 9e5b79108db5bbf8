"""One call from source to items: decode, place on the grid, survive an unplugged sensor."""

from __future__ import annotations

import time
from collections.abc import Callable

from biofeedback.acquisition.decoder import BadLines, Frames, is_readable_text
from biofeedback.acquisition.identify import read_board_id
from biofeedback.acquisition.source import ItemSource, Source, WireSource
from biofeedback.errors import SourceError
from biofeedback.model import Item, Note

RETRY_S = (0.1, 0.2, 0.5, 1.0)  # the longest is well within 2 s of the sensor's return
WAIT_S = 0.05
NO_DATA = "no data: check that the sensor is on and its plug and cable"
NO_FRAMES = "the data cannot be read: check the baud rate and the profile"
MUTE_S = 3.0  # after which a sensor that has never sent a frame is told of
SHOWN_S = 60.0  # of what concerns times, when it is found
NO_SEQUENCE = (
    "the sensor's sequence numbers make no sense and are ignored: readings lost on the way leave no gap, "
    "and times may be off; restart the board"
)
JUDGED_LINES = 50  # unreadable share is judged over this many lines
UNREADABLE_PERCENT = 50.0
MOST_SHOWN = 60  # characters of a line


class Reader:
    """Owns decoder and timeline of an opened source. All methods belong to the thread that reads.

    ``trouble`` is one line for the page, "" when all is well; ``is_lost`` while the device is away; ``device_id`` who
    answers, "" if that cannot be told.
    """

    def __init__(
        self,
        source: WireSource,
        *,
        clock: Callable[[], float] = time.monotonic,
        sleep: Callable[[float], None] = time.sleep,
    ) -> None:
        self.source = source
        self.decoder = source.make_decoder()
        self.timeline = source.make_timeline()
        self.is_lost = False
        self.trouble = ""
        self._bad_reason, self._recent = "", b""
        self.device_id = source.device_id
        self._source_id = self._noted_id = self.device_id
        self._clock, self._sleep = clock, sleep
        self._n_empty = self._n_dropped = 0
        self._n_tries = 0
        self._next_try_s = 0.0
        self._judged = (0, 0)
        self._is_unreadable = False
        self._is_silent = False  # and ``trouble`` says so
        self._rate_trouble, self._rate_told_s = "", 0.0
        self._sequence_told_s: float | None = None
        self._passing = self._noted_trouble = ""  # shown while nothing worse is
        self._started_s = clock()

    @property
    def clock_drift_ppm(self) -> float | None:
        """How much faster the device's clock runs than this computer's, if it sends its time."""
        return self.timeline.clock_drift_ppm

    @property
    def n_lines(self) -> int:
        """Lines or packets seen."""
        return self.decoder.n_lines

    @property
    def n_bad_lines(self) -> int:
        """Lines or packets that could not be read."""
        return self.decoder.n_bad_lines

    def keep_times(self) -> None:
        """Keep the device times of a fast board too."""
        self.timeline.keeps_times = True

    def read(self) -> list[Item]:
        """What has come since the last call, waiting up to about 50 ms. EndOfSource passes through."""
        if self.is_lost:
            return self._try_again()
        try:
            data = self.source.read()
        except SourceError as error:
            self.is_lost, self._n_tries, self._next_try_s = True, 0, self._clock()
            self.trouble = str(error)
            return [Note(self.timeline.next_frame, str(error))]
        now_s = self._clock()
        if not data and self.source.is_replay:
            return []
        if not data:
            # Two in a row: after a stall of this computer the first may be stale while data wait in a buffer.
            self._n_empty += 1
            return self._notice_silence(now_s, NO_DATA) if self._n_empty > 1 else []
        self._n_empty = 0
        self._recent = data
        decoded = self.decoder.feed(data)
        self._bad_reason = next((p.reason for p in reversed(decoded) if isinstance(p, BadLines)), self._bad_reason)
        items = self.timeline.place(decoded, now_s)
        if self._is_silent and any(isinstance(piece, Frames) for piece in decoded):
            self._is_silent, self.trouble = False, ""
        if not self.source.is_replay:
            items += self._notice_silence(now_s, NO_FRAMES)  # bytes without frames do not stop time either
        self._notice_device(items)
        self._notice_dropped(items)
        self._judge_lines(items)
        self._notice_passing(items, now_s)
        return items

    @property
    def deviating_rate_hz(self) -> float | None:
        """The rate that arrives where it is over 1 % off the declared one, else None."""
        return self.timeline.deviating_rate_hz if self.trouble in ("", self._rate_trouble) else None

    def _notice_silence(self, now_s: float, trouble: str) -> list[Item]:
        items = self.timeline.silence(now_s)
        is_mute = not self.timeline.next_frame and now_s - self._started_s > MUTE_S
        if (self.timeline.is_silent or is_mute) and self.trouble in ("", self._passing):
            self._is_silent, self.trouble = True, self.source.trouble or trouble
        return items

    def _notice_passing(self, items: list[Item], now_s: float) -> None:
        """What the source has to say while data come, and for a while what makes times wrong: rate, numbering."""
        measured_hz, declared_hz = self.timeline.deviating_rate_hz, self.source.rate_hz
        if measured_hz is not None and not self._rate_trouble:
            off = f"{100 * (measured_hz / declared_hz - 1):+.1f} %"
            self._rate_trouble = (
                f"the sensor sends {measured_hz:.4g} readings a second, not {declared_hz:g} ({off}), and times are off "
                f"by as much: for the next session set its rate to {measured_hz:.4g}"
            )
            self._rate_told_s = now_s
        of_source = self.source.trouble
        if of_source and of_source != self._noted_trouble:
            self._noted_trouble = of_source
            items.append(Note(self.timeline.next_frame, of_source))
        if self.timeline.ignores_sequence and self._sequence_told_s is None:
            self._sequence_told_s = now_s
        has_lately = self._sequence_told_s is not None and now_s - self._sequence_told_s < SHOWN_S
        of_times = NO_SEQUENCE if has_lately else self._rate_trouble if now_s - self._rate_told_s < SHOWN_S else ""
        passing = of_source or of_times
        if self.trouble in ("", self._passing):
            self.trouble = self._passing = passing

    def _notice_device(self, items: list[Item]) -> None:
        """Calibration belongs to one device, so another one in its place goes on record."""
        answers = self.source.device_id
        if answers != self._source_id:
            self._source_id = self.device_id = answers
        if self.source.board_id:  # it was asked at first; a board that restarts says so unasked
            for item in items:
                if isinstance(item, Note):
                    self.device_id = read_board_id(item.text) or self.device_id
        if self.device_id != self._noted_id:
            items.append(Note(self.timeline.next_frame, f"device {self.device_id} answers instead of {self._noted_id}"))
            self._noted_id = self.device_id

    def _notice_dropped(self, items: list[Item]) -> None:
        """What found the queue full between radio and reader was lost here, not on air."""
        n = self.source.n_dropped
        if n > self._n_dropped:
            text = f"{n - self._n_dropped} packets lost: this computer was too busy to take them"
            items.append(Note(self.timeline.next_frame, text))
            self._n_dropped = n

    def _try_again(self) -> list[Item]:
        now_s = self._clock()
        if now_s >= self._next_try_s:
            if self.source.reopen():
                self.is_lost, self.trouble, self._is_silent, self._n_empty = False, "", False, 0
                self.decoder.resync()
                self.timeline.resume()
                return [Note(self.timeline.next_frame, "the sensor is back")]
            self._next_try_s = now_s + RETRY_S[min(self._n_tries, len(RETRY_S) - 1)]
            self._n_tries += 1
        self._sleep(WAIT_S)
        return self.timeline.silence(self._clock(), is_lost=True)

    @property
    def last_line(self) -> str:
        """The last line that came, as the board printed it; "" for what is no text."""
        lines = [line.strip() for line in self._recent.decode("utf-8", "replace").splitlines() if line.strip()]
        return next((line[:MOST_SHOWN] for line in reversed(lines) if line.isprintable()), "")

    def _judge_lines(self, items: list[Item]) -> None:
        n_lines, n_bad = self.n_lines - self._judged[0], self.n_bad_lines - self._judged[1]
        if n_lines < JUDGED_LINES:
            return
        self._judged = (self.n_lines, self.n_bad_lines)
        percent = 100.0 * n_bad / n_lines
        was_unreadable, self._is_unreadable = self._is_unreadable, percent >= UNREADABLE_PERCENT
        if self._is_unreadable:
            self._is_silent = False
            self.trouble = unreadable_trouble(percent, self._bad_reason, self.last_line)
            if not was_unreadable:
                items.append(Note(self.timeline.next_frame, self.trouble))
        elif was_unreadable:
            self.trouble = ""


class ItemReader:
    """The same for a source that has frames already."""

    clock_drift_ppm = None

    @property
    def deviating_rate_hz(self) -> float | None:
        """The rate that arrives where it is over 1 % off the declared one, else None."""
        return self.source.deviating_rate_hz

    def __init__(self, source: ItemSource) -> None:
        self.source = source

    @property
    def trouble(self) -> str:
        """One line for the page, "" when all is well."""
        return self.source.trouble

    @property
    def device_id(self) -> str:
        """Who answers, "" if that cannot be told."""
        return self.source.device_id

    @property
    def n_lines(self) -> int:
        """Lines or packets seen."""
        return self.source.n_lines

    @property
    def n_bad_lines(self) -> int:
        """Lines or packets that could not be read."""
        return self.source.n_bad_lines

    def keep_times(self) -> None:
        """Keep the device times of a fast board too."""
        self.source.keep_times()

    def read(self) -> list[Item]:
        """What has come since the last call, waiting up to about 50 ms. EndOfSource passes through."""
        return self.source.read_items()


def make_reader(source: Source) -> Reader | ItemReader:
    """The reader that fits."""
    if isinstance(source, ItemSource):
        return ItemReader(source)
    if isinstance(source, WireSource):
        return Reader(source)
    raise TypeError(f"{type(source).__name__} moves neither bytes nor frames")


def unreadable_trouble(percent: float, reason: str = "", line: str = "") -> str:
    """What to tell when most of what comes is no frame; ``reason`` is that of the last bad line."""
    if is_readable_text(reason):  # another baud rate would not help
        return f"{percent:.0f} % of lines are not as described, the board prints {line!r} ({reason}): describe it again"
    return f"{percent:.0f} % of lines unreadable: check the baud rate"
