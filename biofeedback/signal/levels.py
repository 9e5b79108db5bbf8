"""Frames to levels. One object serves live and afterwards, and chunk sizes leave no trace in its results."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from biofeedback.model import (
    Channel,
    Chunk,
    Flag,
    FlagArray,
    FloatArray,
    Gap,
    Levels,
    count_readings,
    place_reading,
)
from biofeedback.signal.hops import Columns
from biofeedback.signal.lane import LEVEL_RATE_HZ, Lane, Mains, as_columns
from biofeedback.signal.mains import WEAK, HumSearch
from biofeedback.signal.whiten import WhiteningFilter

__all__ = ["LEVEL_RATE_HZ", "LevelStream", "Mains"]
ROUNDING = 1e-9  # of a level


class LevelStream:
    """Chunks and gaps in, levels out: each kind of channel through its own filter, on one level grid.

    Level k is made from the frames before ``(k + 1) * hop``; ``delay_s`` (one number per channel) is how much older
    than its last frame's end the effort is that it shows. Statistics are taken per aligned hop of frames counted
    from frame 0, and filters carry their state, so any cutting of the same frames into chunks gives the same bits.

    Missing frames: up to 0.1 s the filter is held at the last reading (BRIDGED; for raw EMG the held frames do not
    count in the RMS), and levels wait until it is known that the gap is that short. Longer ones give NaN (MISSING),
    and the filters start again afterwards (SETTLING until a step would be within 1 %).

    Channels of another clock or rate go through a lane of their own, as if each were alone in the recording: what one
    misses costs the others nothing, and a slow one is filtered at its own rate, its last level held on the grid.

    Parameters
    ----------
    channels : one per column of the chunks.
    rate_hz : frames per second; of channels with a rate of their own the readings among NaN are taken.
    mains_hz : 50 or 60 puts the notch of raw EMG channels on from the start, ``"auto"`` when hum is found in two
        seconds running (then for all of them, and for good), None never.
    hum_search : how hum too weak for single seconds is found with ``"auto"``: today's search, or that of a recording;
        None: single seconds alone.

    Raises
    ------
    SourceError
        Raw EMG sampled below 400 Hz.
    """

    def __init__(
        self,
        channels: Sequence[Channel],
        rate_hz: float,
        *,
        mains_hz: Mains = "auto",
        hum_search: HumSearch | None = WEAK,
    ) -> None:
        if not channels or not rate_hz > 0:
            raise ValueError(f"{len(channels)} channels at {rate_hz} Hz: at least one at a positive rate")
        self.channels, self.rate_hz = tuple(channels), float(rate_hz)
        self.hop = max(1, round(rate_hz / LEVEL_RATE_HZ))
        self.level_rate_hz = rate_hz / self.hop
        self._next_level, self._frame = 0, 0
        together: dict[tuple[float, int], list[int]] = {}
        for k, channel in enumerate(channels):
            own_hz = rate_hz if channel.rate_hz is None else min(rate_hz, channel.rate_hz)
            together.setdefault((own_hz, channel.clock), []).append(k)
        self._shares = [
            _Share(
                as_columns(np.array(columns)),
                Lane([channels[k] for k in columns], own_hz, mains_hz=mains_hz, hum_search=hum_search),
                rate_hz / own_hz,
                self.level_rate_hz,
            )
            for (own_hz, _), columns in together.items()
        ]
        first = self._shares[0]
        self._only = first.lane if len(self._shares) == 1 and first.frames_per_reading == 1.0 else None
        delay_s = np.zeros(len(channels))
        for share in self._shares:
            delay_s[share.columns] = np.array(share.lane.delay_s) + share.held_s
        self.delay_s = tuple(delay_s.tolist())
        self.warnings = tuple(warning for share in self._shares for warning in share.lane.warnings)

    @property
    def next_level(self) -> int:
        """Index of the level that comes next."""
        return self._next_level if self._only is None else self._only.next_level

    @property
    def mains_hz(self) -> float | None:
        """The mains frequency that is being taken out of raw EMG, None while the notch is off."""
        return next((s.lane.mains_hz for s in self._shares if s.lane.mains_hz is not None), None)

    @property
    def resampling(self) -> str:
        """How uneven readings were brought onto even spacing, their true rate and jitter; "" where they were not."""
        return next((share.lane.resampling for share in self._shares if share.lane.resampling), "")

    def keep(self, seconds: float) -> None:
        """From here on keep the counts of the last ``seconds`` for ``recall``."""
        for share in self._shares:
            share.lane.keep(seconds)

    def recall(self, column: int, first: int, end: int) -> tuple[FloatArray, float, int] | None:
        """What one channel sent in levels ``first`` to ``end``: counts (n,), their rate, and how many make a level.

        None where they are not kept any more. Of a channel slower than the level grid the reading that each level
        shows.
        """
        share, own = self._find(column)
        if share.ratio == 1.0:
            counts = share.lane.recall(own, first, end)
            return None if counts is None else (counts, share.lane.rate_hz, share.lane.hop)
        at = [int(k * share.ratio + ROUNDING) for k in range(first, end)]
        counts = share.lane.recall(own, at[0], at[-1] + 1) if share.lane.hop == 1 and at else None
        return None if counts is None else (counts[np.array(at) - at[0]], self.level_rate_hz, 1)

    def find_turn(self, column: int) -> int:
        """The first level from which the filter of a channel can be changed; see ``whiten``."""
        share, _ = self._find(column)
        return int(np.ceil(share.lane.find_turn() / share.ratio))

    def whiten(self, column: int, one: WhiteningFilter, from_level: int) -> None:
        """Take the squares of a raw EMG channel after this filter, from a level on that `find_turn` has named.

        The level has then less random error; see ``signal.whiten``.
        """
        share, own = self._find(column)
        share.lane.whiten(own, one, int(from_level * share.ratio + ROUNDING))

    def find_whitener(self, column: int) -> WhiteningFilter | None:
        """The filter that was said last for a channel; None where none ever was."""
        share, own = self._find(column)
        return share.lane.whiteners.get(own)

    def _find(self, column: int) -> tuple[_Share, int]:
        """The share that holds a channel, and its place there."""
        for share in self._shares:
            own = np.arange(len(self.channels))[share.columns].tolist()
            if column in own:
                return share, own.index(column)
        raise ValueError(f"there is no channel {column}")

    def push(self, item: Chunk | Gap) -> Levels:
        """The next frames or missing frames; returns the levels that they complete, possibly none.

        Frames skipped between two items, and rows of one clock that are not finite, count as missing.

        Raises
        ------
        ValueError
            Frames already seen, or the wrong number of columns.
        """
        if self._only is not None:
            return self._only.push(item)
        n = len(self.channels)
        if item.first_frame < self._frame:
            raise ValueError(f"frame {item.first_frame} comes after frame {self._frame - 1}")
        if isinstance(item, Chunk) and item.counts.shape[1:] != (n,):
            raise ValueError(f"chunk of shape {item.counts.shape} for {n} channels")
        for share in self._shares:
            share.push(item)
        self._frame = item.end_frame
        first = self._next_level
        end = max(first, min(self._frame // self.hop, *(share.count_ready() for share in self._shares)))
        values, flags = np.empty((end - first, n)), np.empty((end - first, n), dtype=np.uint16)
        for share in self._shares:
            values[:, share.columns], flags[:, share.columns] = share.take(first, end)
        self._next_level = end
        return Levels(first, values, flags)


class _Share:
    """The columns of one lane among all: which readings go in, and which of its levels stands at each of the grid's.

    Level k of the grid shows the lane's latest level that had ended by then, NaN (MISSING) before there is one.
    """

    def __init__(self, columns: Columns, lane: Lane, frames_per_reading: float, level_rate_hz: float) -> None:
        self.columns, self.lane, self.frames_per_reading = columns, lane, frames_per_reading
        self.ratio = lane.level_rate_hz / level_rate_hz
        self.held_s = max(0.0, 1.0 / lane.level_rate_hz - 1.0 / level_rate_hz) / 2.0
        self._first = -1  # of the levels that are kept: the one before the first is missing
        self._values: FloatArray = np.full((1, len(lane.channels)), np.nan)
        self._flags: FlagArray = np.full((1, len(lane.channels)), Flag.MISSING, dtype=np.uint16)

    def push(self, item: Chunk | Gap) -> None:
        """What of ``item`` is this lane's, in its own frames."""
        if self.frames_per_reading == 1.0:
            first, n = item.first_frame, item.n_frames
        else:
            first, end = (
                count_readings(frame, self.frames_per_reading) for frame in (item.first_frame, item.end_frame)
            )
            n = end - first
        if isinstance(item, Gap):
            levels = self.lane.push(Gap(first, n, item.reason))
        elif self.frames_per_reading == 1.0:
            levels = self.lane.push(Chunk(first, item.counts[:, self.columns], item.device_us))
        else:
            rows = [place_reading(first + j, self.frames_per_reading) - item.first_frame for j in range(n)]
            levels = self.lane.push(Chunk(first, item.counts[rows][:, self.columns]))
        self._values = np.concatenate((self._values, levels.values))
        self._flags = np.concatenate((self._flags, levels.flags))

    def count_ready(self) -> int:
        """Levels of the grid for which this lane has all it will ever have."""
        n = int((self.lane.next_level + 1) / self.ratio) + 1
        while n and int(n * self.ratio + ROUNDING) > self.lane.next_level:
            n -= 1
        return n

    def take(self, first: int, end: int) -> tuple[FloatArray, FlagArray]:
        """Values and flags of the grid's levels ``first`` to ``end``."""
        which = (np.arange(first + 1, end + 2) * self.ratio + ROUNDING).astype(np.int64) - 1 - self._first
        rows = which[:-1]
        values, flags = self._values[rows], self._flags[rows]
        done = int(which[-1])  # where the next will look, at the earliest
        kept = max(0, min(done, len(self._values) - 1))
        self._first, self._values, self._flags = self._first + kept, self._values[kept:], self._flags[kept:]
        return values, flags
