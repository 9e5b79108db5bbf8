"""A phone as a sensor beside any other: raw gravity for an angle, and a slider for ratings, on the sensor's time axis.

Readings come in batches with the phone's own times, which are mapped to this computer's clock by the line that boards
use too. They stand in the frames `LAG_S` later than they were taken: about as long as a batch is under way; where one
comes later, the reading before stands. Where there is none not older than `HOLD_S`, nothing does: a gap stays a gap.
"""

from __future__ import annotations

import threading
import time
from bisect import bisect_right
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field

import numpy as np

from biofeedback.acquisition.clock import DeviceClock
from biofeedback.acquisition.felt_source import RATING
from biofeedback.acquisition.reader import ItemReader, Reader, make_reader
from biofeedback.acquisition.source import ItemSource, Source
from biofeedback.model import (
    PHONE_ANGLE,
    PHONE_GRAVITY,
    Channel,
    Chunk,
    Cue,
    FloatArray,
    Gap,
    Item,
    Note,
    count_readings,
    measure_turn,
    place_reading,
)

GRAVITY_HZ = 50.0
LAG_S = 0.04
HOLD_S = 0.15
KEPT_S = 2.0
JUMP_S = 1.0  # a phone's clock that moved by so much against ours has been set: times are mapped again
SILENT_S = 0.8  # told within a second
MUTE_S = 1.5  # batches without a reading for so long: the sensor gives none; one a second is only slow
SLOW_HZ = 15.0
RATE_OVER_S = 2.0
MOST_READINGS = 400  # of one batch

ANGLE = Channel(name=PHONE_ANGLE, kind="position", unit="deg", rate_hz=GRAVITY_HZ, clock=2)
GRAVITY = tuple(Channel(name=name, kind="gravity", unit="m/s2", rate_hz=GRAVITY_HZ, clock=1) for name in PHONE_GRAVITY)
CHANNELS: tuple[Channel, ...] = (RATING, ANGLE, *GRAVITY)


@dataclass(slots=True)
class _Track:
    """Readings of one kind, by the phone's own seconds."""

    own_s: list[float] = field(default_factory=list)
    values: list[tuple[float, ...]] = field(default_factory=list)

    def add(self, readings: Sequence[Sequence[float]]) -> None:
        """Each the phone's seconds and its numbers; what is not later than the one before is left out."""
        for own_s, *values in readings:
            if not self.own_s or own_s > self.own_s[-1]:
                self.own_s.append(own_s)
                self.values.append(tuple(values))

    def forget(self, before_s: float) -> None:
        """Those before are no longer asked for."""
        n = max(0, bisect_right(self.own_s, before_s) - 1)
        del self.own_s[:n], self.values[:n]

    def find(self, own_s: float) -> tuple[float, ...] | None:
        """The latest reading then, if it is not too old."""
        at = bisect_right(self.own_s, own_s) - 1
        return None if at < 0 or own_s - self.own_s[at] > HOLD_S else self.values[at]


class PhoneInbox:
    """What the phone of one seat has sent. Pages put in, on the event loop; the port's thread takes out.

    One phone at a time: ``who`` is a word that its page made up. ``clock`` is this computer's.
    """

    def __init__(self, *, clock: Callable[[], float] = time.monotonic) -> None:
        self._clock_s = clock
        self._lock = threading.Lock()
        self._clock = DeviceClock()
        self._gravity, self._rating = _Track(), _Track()
        self._arrivals: list[tuple[float, int]] = []
        self._words: list[str] = []
        self._reference: tuple[float, ...] | None = None
        self.who = ""
        self.is_hidden = False
        self.has_angle = True
        self.heard_s = -np.inf
        self._felt_s = -np.inf  # when gravity last came
        self._was_mute = False

    def claim(self, who: str, *, has_angle: bool = True) -> bool:
        """Become the phone of this seat; False while another one sends."""
        with self._lock:
            if self.who not in ("", who) and self._clock_s() - self.heard_s < SILENT_S:
                return False
            if self.who != who:
                self._restart()
                self._reference = None
                self._words.append("a phone measures angle and rating")
            now_s = self._clock_s()
            if self.who != who or (has_angle and not self.has_angle):
                self._felt_s, self._was_mute = now_s, False
            self.who, self.is_hidden, self.heard_s = who, False, now_s
            self.has_angle = has_angle
            return True

    def leave(self, who: str) -> None:
        """It is no sensor any more."""
        with self._lock:
            if who == self.who:
                self.who = ""
                self._words.append("the phone measures no more")

    def hide(self, who: str, is_hidden: bool) -> None:
        """Its page went to the background, or came back."""
        with self._lock:
            if who == self.who and is_hidden != self.is_hidden:
                self.is_hidden = is_hidden
                self._felt_s = max(self._felt_s, self._clock_s())  # it could not measure meanwhile
                self._words.append(f"the phone's page is {'in the background' if is_hidden else 'back'}")

    def put(self, who: str, gravity: Sequence[Sequence[float]], ratings: Sequence[Sequence[float]]) -> bool:
        """A batch: times in the phone's seconds, gravity in m/s2, ratings 0-10. False: another phone is the sensor."""
        with self._lock:
            if who != self.who:
                return False
            now_s = self._clock_s()
            times = [row[0] for row in (*gravity, *ratings)]
            if times:
                newest = max(times)
                self._follow(newest, now_s)
            self._gravity.add(gravity)
            self._rating.add(ratings)
            self.heard_s = now_s
            if gravity:
                self._felt_s = now_s
            self._arrivals = [one for one in self._arrivals if one[0] > now_s - RATE_OVER_S] + [(now_s, len(gravity))]
            return True

    @property
    def rate_hz(self) -> float:
        """Motion readings per second, over the last two seconds."""
        with self._lock:
            now_s = self._clock_s()
            recent = [(at_s, n) for at_s, n in self._arrivals if at_s > now_s - RATE_OVER_S]
            span_s = now_s - recent[0][0] if recent else 0.0
            return sum(n for _, n in recent[1:]) / span_s if span_s > 0.5 else float("nan")

    @property
    def is_silent(self) -> bool:
        """Nothing for so long that it has to be told."""
        return self._clock_s() - self.heard_s > SILENT_S

    @property
    def is_mute(self) -> bool:
        """Its page sends, and no motion is in it: permission was taken back, or there is no sensor."""
        is_heard = bool(self.who) and self.has_angle and not self.is_hidden and not self.is_silent
        return is_heard and self._clock_s() - self._felt_s > MUTE_S

    def take_words(self) -> list[str]:
        """What happened to the phone, for the record, once."""
        with self._lock:
            if self.is_mute and not self._was_mute:
                self._was_mute = True
                self._words.append("the phone gives no motion: its angle is missing")
            elif self._was_mute and self._clock_s() - self._felt_s <= MUTE_S and not self.is_hidden:
                self._was_mute = False
                self._words.append("the phone gives motion again")
            words, self._words = self._words, []
            return words

    def look_up(self, moments_s: FloatArray) -> tuple[FloatArray, FloatArray]:
        """Gravity ``(n, 3)`` and ratings ``(n,)`` at moments of this computer's clock; NaN where there is none."""
        gravity, ratings = np.full((len(moments_s), 3), np.nan), np.full(len(moments_s), np.nan)
        with self._lock:
            if not self._gravity.own_s and not self._rating.own_s:
                return gravity, ratings
            mapped_0, mapped_1 = self._clock.to_session(np.array([0.0, 1.0]))
            own = (moments_s - LAG_S - mapped_0) / (mapped_1 - mapped_0)
            for row, own_s in enumerate(own.tolist()):
                if (found := self._gravity.find(own_s)) is not None:
                    gravity[row] = found
                if (rated := self._rating.find(own_s)) is not None:
                    ratings[row] = rated[0]
            if len(own):
                self._gravity.forget(float(own[0]) - KEPT_S)
                self._rating.forget(float(own[0]) - KEPT_S)
        return gravity, ratings

    def turn(self, gravity: FloatArray) -> FloatArray:
        """Degrees ``(n,)`` from where the phone was when it began to measure; NaN while it is being moved."""
        angles = np.full(len(gravity), np.nan)
        for row, vector in enumerate(gravity):
            if self._reference is None:
                if np.isfinite(measure_turn(vector, vector)):
                    self._reference = tuple(vector.tolist())
                else:
                    continue
            angles[row] = float(measure_turn(vector, np.array(self._reference)))
        return angles

    def _follow(self, own_s: float, now_s: float) -> None:
        if self._gravity.own_s or self._rating.own_s:
            expected_s = float(self._clock.to_session(np.array([own_s]))[0])
            if (
                own_s < max((*self._gravity.own_s[-1:], *self._rating.own_s[-1:]))
                or expected_s - now_s > JUMP_S
                or (now_s - expected_s > JUMP_S + HOLD_S and now_s - self.heard_s < JUMP_S)
            ):
                self._restart()
                self._words.append("the phone's clock jumped")
        self._clock.add(own_s, now_s)

    def _restart(self) -> None:
        self._clock.reset()
        self._gravity, self._rating = _Track(), _Track()


class WithPhone(ItemSource):
    """Any source with the channels of a phone beside its own; what has no phone holds nothing."""

    def __init__(self, inner: Source, inbox: PhoneInbox, *, clock: Callable[[], float] = time.monotonic) -> None:
        self.inner, self.inbox, self._clock = inner, inbox, clock
        self._reader: Reader | ItemReader | None = None
        self.is_simulated = inner.is_simulated
        self._own = len(inner.channels)

    @property
    def url(self) -> str:  # type: ignore[override]
        """The sensor's."""
        return self.inner.url

    @property
    def description(self) -> str:  # type: ignore[override]
        """The sensor's."""
        return self.inner.description

    @property
    def channels(self) -> tuple[Channel, ...]:
        """Those of the sensor, then those of the phone that it does not have."""
        return (*self.inner.channels, *self._added)

    @property
    def _added(self) -> tuple[Channel, ...]:
        names = [channel.name for channel in self.inner.channels]
        return tuple(channel for channel in CHANNELS if channel.name not in names)

    @property
    def rate_hz(self) -> float:
        """The sensor's."""
        return self.inner.rate_hz

    @property
    def device_id(self) -> str:
        """The sensor's."""
        return self._reader.device_id if self._reader else self.inner.device_id

    @property
    def trouble(self) -> str:
        """The sensor's."""
        return self._reader.trouble if self._reader else ""

    @property
    def deviating_rate_hz(self) -> float | None:  # type: ignore[override]
        """The sensor's."""
        return self._reader.deviating_rate_hz if self._reader else None

    @property
    def said(self) -> float | None:
        """Of a simulated athlete."""
        return self.inner.said

    def open(self) -> None:
        """Open the sensor."""
        self.inner.open()
        self._own = len(self.inner.channels)
        self._reader = make_reader(self.inner)

    def close(self) -> None:
        """Let the sensor go."""
        self.inner.close()

    def cue(self, cue: Cue) -> None:
        """To whichever listens."""
        self.inner.cue(cue)

    def read_items(self) -> list[Item]:
        """The sensor's items, widened."""
        assert self._reader is not None
        items = self._reader.read()
        self.n_lines, self.n_bad_lines = self._reader.n_lines, self._reader.n_bad_lines
        frames = [item for item in items if not isinstance(item, Note)]
        end = frames[-1].end_frame if frames else 0
        now_s = self._clock()
        widened: list[Item] = [self._widen(item, now_s - (end - item.end_frame) / self.rate_hz) for item in items
                               if not isinstance(item, Note)]  # fmt: skip
        notes = [item for item in items if isinstance(item, Note)]
        if frames:
            notes += [Note(frames[0].first_frame, text) for text in self.inbox.take_words()]
        return [*notes, *widened]

    def _widen(self, item: Chunk | Gap, end_s: float) -> Chunk | Gap:
        """The frames of ``item``, the last of which was taken at ``end_s``."""
        n = item.n_frames
        if isinstance(item, Gap) and n > KEPT_S * self.rate_hz:
            return item
        moments_s = end_s - (np.arange(n)[::-1]) / self.rate_hz
        table = np.full((n, len(CHANNELS)), np.nan)
        motion, slider = self._places(item, GRAVITY_HZ), self._places(item, RATING.rate_hz or 0.0)
        gravity, _ = self.inbox.look_up(moments_s[motion])
        _, ratings = self.inbox.look_up(moments_s[slider])
        table[motion, 2:], table[motion, 1] = gravity, self.inbox.turn(gravity)
        table[slider, 0] = np.round(100 * ratings)
        if isinstance(item, Gap) and np.isnan(table).all():
            return item
        own = item.counts if isinstance(item, Chunk) else np.full((n, self._own), np.nan)
        names = [channel.name for channel in self.inner.channels]
        if names and RATING.name in names:
            own = own.copy()
            own[:, names.index(RATING.name)] = table[:, 0]
        added = [k for k, channel in enumerate(CHANNELS) if channel.name not in names]
        times = item.device_us if isinstance(item, Chunk) else None
        return Chunk(item.first_frame, np.hstack([own, table[:, added]]), times)

    def _places(self, item: Chunk | Gap, rate_hz: float) -> list[int]:
        """Rows that hold a reading of a channel of this rate, see `place_reading`."""
        step = self.rate_hz / min(self.rate_hz, rate_hz)
        first, end = (count_readings(frame, step) for frame in (item.first_frame, item.end_frame))
        return [place_reading(j, step) - item.first_frame for j in range(first, end)]
