"""From a recording to the effort that was shown: the same filters, the same events, the same numbers as live."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any, Protocol

import numpy as np

from biofeedback.account.account import Account
from biofeedback.account.fold import fold
from biofeedback.account.order import in_order
from biofeedback.account.records import FOREVER, StopOnRecord
from biofeedback.account.values import Maximum
from biofeedback.analysis.phases import Phase, place_phases
from biofeedback.calibration.effort import BaselineMethod, EffortStream
from biofeedback.calibration.events import tell_levels
from biofeedback.calibration.recalibrate import recalibrate
from biofeedback.model import Channel, Chunk, Event, FlagArray, FloatArray, Gap, Item, Levels, Note
from biofeedback.signal.levels import LevelStream, Mains
from biofeedback.signal.mains import read_search

JOINED_S = 64.0  # what the filters take together


class RecordingLike(Protocol):
    """What analysis needs of a recording; the storage room's own object fits."""

    @property
    def channels(self) -> Sequence[Channel]:
        """One per column."""
        ...

    @property
    def rate_hz(self) -> float:
        """Frames per second."""
        ...

    @property
    def settings(self) -> Mapping[str, Any]:
        """What was stored before the first frame."""
        ...

    @property
    def events(self) -> Sequence[Event]:
        """What happened, oldest first."""
        ...

    def items(self) -> Iterable[Item]:
        """Chunks, gaps and notes in time order."""
        ...


@dataclass(frozen=True, slots=True)
class RatingRow:
    """One discomfort rating, 0-10; ``value`` None is "no answer"; ``originals``: what it replaced, oldest first.

    ``phase_number`` (from 1) is the phase it belongs to: the one that asked, else the one it was given in.
    """

    number: int
    frame: int
    time_s: float
    value: float | None
    phase_index: int | None
    phase_number: int | None
    by: str
    originals: tuple[float | None, ...] = ()


@dataclass(frozen=True, slots=True, eq=False)
class Trace:
    """Effort over a whole recording, on the level grid (level k covers frames ``[k * hop, (k + 1) * hop)``).

    ``time_s`` (n,) is the middle of each level's block; ``level``, ``baseline`` (channel unit), ``percent`` (% of
    maximum, NaN where unknown, never clipped), ``plus_minus_percent`` (one standard deviation of what the baseline's
    uncertainty adds) and ``flags`` have shape (n, n_channels). ``guide`` is the column that
    the bands are about. ``account`` is what the events mean together; ``zeros`` and ``maxima``: from which frame on.
    ``delay_s``: how much later than
    the muscle each channel's filter shows a change. ``is_recalibrated``: other maxima or another baseline than live.
    ``resampling``: how uneven readings were brought onto even spacing, "" where they were not. ``n_off_scale``: ratings
    beyond 0-10, as foreign files may hold; among ``ratings`` they have no value. ``replaced``: the other maxima.
    """

    channels: tuple[Channel, ...]
    rate_hz: float
    level_rate_hz: float
    hop: int
    delay_s: tuple[float, ...]
    baseline_methods: tuple[str, ...]
    baseline_method: BaselineMethod
    is_recalibrated: bool
    mains_hz: float | None
    guide: int
    level: FloatArray
    percent: FloatArray
    baseline: FloatArray
    plus_minus_percent: FloatArray
    flags: FlagArray
    phases: tuple[Phase, ...]
    ratings: tuple[RatingRow, ...]
    stops: tuple[StopOnRecord, ...]
    gaps: tuple[Gap, ...]
    notes: tuple[Note, ...]
    zeros: tuple[tuple[int, str, float], ...]
    maxima: tuple[tuple[int, Maximum], ...]
    warnings: tuple[str, ...]
    account: Account
    replaced: Mapping[str, Maximum]
    resampling: str = ""
    n_off_scale: int = 0

    @property
    def n_levels(self) -> int:
        """Number of rows."""
        return int(self.percent.shape[0])

    @property
    def time_s(self) -> FloatArray:
        """Seconds from the first frame to the middle of each level's block, (n,)."""
        return (np.arange(self.n_levels, dtype=np.float64) + 0.5) / self.level_rate_hz

    @property
    def duration_s(self) -> float:
        """From the first frame to the end of the last level."""
        return self.n_levels / self.level_rate_hz

    def maximum_at(self, frame: int, channel: str) -> Maximum | None:
        """The maximum in force for ``channel`` at ``frame``."""
        return self.replaced.get(channel) or self.account.maximum_at(frame, channel)

    def tension_percent(self, column: int) -> FloatArray:
        """The position's own tension (n,) in % of the maximum in force at the end; NaN where it is not known."""
        channel = self.channels[column].name
        maximum, zero = self.maximum_at(FOREVER - 1, channel), self.zero_at(FOREVER - 1, channel)
        if maximum is None or zero is None:
            return np.full(self.n_levels, np.nan)
        return np.asarray(100.0 * (self.baseline[:, column] - zero) / maximum.strength, dtype=np.float64)

    def zero_at(self, frame: int, channel: str) -> float | None:
        """The zero in force for ``channel`` at ``frame``, in its unit."""
        return next((level for since, name, level in reversed(self.zeros) if since <= frame and name == channel), None)


def compute_trace(
    recording: RecordingLike,
    *,
    maxima: Mapping[str, Maximum] | None = None,
    baseline: BaselineMethod = "passive",
    mains_hz: Mains = "auto",
    account: Account | None = None,
    watch: Callable[[Item], None] | None = None,
) -> Trace:
    """Run a recording through the live filters and calibration again.

    Events "zero", "maximum" and "relaxed" take effect at level ``frame // hop``, exactly as live, so effort is the
    one that was shown, bit for bit, unless other ``maxima`` (by channel), another ``baseline`` or mains notch is asked
    for; the raw data stay as they are. ``account``: what the events mean, where that is known already. ``watch`` is
    shown every item on the way. Raises what the level filters raise for channels that cannot be used.
    """
    channels = tuple(recording.channels)
    search = read_search(recording.settings)
    stream = LevelStream(channels, recording.rate_hz, mains_hz=mains_hz, hum_search=search)
    effort_stream = EffortStream(channels, stream.level_rate_hz, baseline=baseline)
    events = in_order(recording.events)
    account = account or fold(recording.events, channels=channels, settings=recording.settings)
    for event in events:
        tell_levels(stream, event)
    gaps: list[Gap] = []
    notes: list[Note] = []
    runs = []
    for item in _join_chunks(recording.items(), recording.rate_hz):
        if watch is not None:
            watch(item)
        if isinstance(item, Note):
            notes.append(item)
            continue
        if isinstance(item, Gap):
            _add_gap(gaps, item)
        runs.append(stream.push(item))
    level = np.concatenate([np.empty((0, len(channels))), *(run.values for run in runs)])
    flags = np.concatenate([np.empty((0, len(channels)), np.uint16), *(run.flags for run in runs)])
    shown = recalibrate([Levels(0, level, flags)], events, stream=effort_stream, hop=stream.hop, maxima=maxima)
    percent, baseline_level, flags = shown.percent, shown.baseline, shown.flags
    replaced = dict(maxima or {})
    on_record = [one for one in account.maximum_history if one.maximum.channel not in replaced]
    used = tuple((one.frame, one.maximum) for one in on_record)
    used += tuple((0, maximum) for maximum in replaced.values())
    names = [channel.name for channel in channels]
    return Trace(
        channels=channels,
        rate_hz=recording.rate_hz,
        level_rate_hz=stream.level_rate_hz,
        hop=stream.hop,
        delay_s=stream.delay_s,
        baseline_methods=effort_stream.methods,
        baseline_method=baseline,
        guide=names.index(account.guide),
        level=level,
        percent=percent,
        baseline=baseline_level,
        plus_minus_percent=shown.plus_minus_percent,
        flags=flags,
        phases=place_phases(account.phases, hop=stream.hop, rate_hz=recording.rate_hz, n_levels=percent.shape[0]),
        ratings=list_ratings(account, recording.rate_hz),
        stops=tuple(account.stops),
        gaps=tuple(gaps),
        notes=tuple(notes),
        zeros=tuple((one.frame, one.channel, one.zero.level) for one in account.zero_history),
        maxima=used,
        is_recalibrated=bool(maxima) or baseline != "passive" or mains_hz != "auto",
        mains_hz=stream.mains_hz,
        warnings=tuple(stream.warnings),
        resampling=stream.resampling,
        account=account,
        replaced=replaced,
        n_off_scale=account.n_off_scale,
    )


def list_ratings(account: Account, rate_hz: float) -> tuple[RatingRow, ...]:
    """The ratings of an account, corrections applied, with their times."""
    return tuple(
        RatingRow(
            number=one.number,
            frame=one.frame,
            time_s=one.frame / rate_hz,
            value=one.value,
            phase_index=one.phase_index,
            phase_number=one.phase_number,
            by=one.by,
            originals=one.originals,
        )
        for one in account.ratings
    )


def _add_gap(gaps: list[Gap], gap: Gap) -> None:
    """One outage is one gap, in however many pieces it was noticed."""
    if gaps and gaps[-1].end_frame == gap.first_frame:
        last = gaps.pop()
        gap = replace(last, n_frames=last.n_frames + gap.n_frames)
    gaps.append(gap)


def _join_chunks(items: Iterable[Item], rate_hz: float) -> Iterator[Item]:
    """The same items with consecutive chunks joined: filters cost less per frame in longer runs."""
    waiting: list[Chunk] = []
    for item in items:
        if waiting and not (isinstance(item, Chunk) and item.first_frame == waiting[-1].end_frame):
            yield Chunk.join(waiting)
            waiting = []
        if not isinstance(item, Chunk):
            yield item
            continue
        waiting.append(item)
        if item.end_frame - waiting[0].first_frame >= JOINED_S * rate_hz:
            yield Chunk.join(waiting)
            waiting = []
    if waiting:
        yield Chunk.join(waiting)
