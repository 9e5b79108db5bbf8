"""Frozen values that every room shares. Arrays have time in rows; counts are numbers exactly as sent."""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass, fields
from enum import IntFlag
from typing import Any, Literal, TypeAlias, get_args

import numpy as np
from numpy.typing import NDArray

FloatArray: TypeAlias = NDArray[np.float64]
FlagArray: TypeAlias = NDArray[np.uint16]
Kind: TypeAlias = Literal["force", "emg", "position", "rating", "gravity"]
BOARD_KINDS: tuple[Kind, ...] = ("force", "emg", "position")  # what a board may measure; the others come from a phone
UNJUDGED_KINDS: tuple[Kind, ...] = ("position", "rating", "gravity")  # may rest at one value: no rails are learnt
ATHLETE_CODE = re.compile(r"[A-Za-z]{1,4}-?[0-9]{1,6}")  # names stay out of recordings
PHONE_ANGLE = "position_phone"  # the angle that a phone at the limb shows, from its gravity channels
PHONE_GRAVITY = ("gravity_phone_x", "gravity_phone_y", "gravity_phone_z")
MOTION_SHARE = 0.05  # gravity that is off by more is a phone being moved, not tilted (common practice, no source)
STANDARD_GRAVITY_M_PER_S2 = 9.80665  # exact, 3rd CGPM (1901)


def same_name(text: str) -> str:
    """What names are compared by: "Standing  Stretch" and "standing stretch" are one thing."""
    return " ".join(text.casefold().split())


def name_unit(unit: str) -> str:
    """A unit as people read it: files and sources write "uV", which every keyboard has."""
    return "µV" if unit == "uV" else unit


class Flag(IntFlag):
    """What is wrong with a level; 0 is a good one. Stored and shown, never hidden by a filled-in number."""

    GOOD = 0
    MISSING = 1  # a gap longer than the filter can bridge: the level is NaN
    BRIDGED = 2  # a gap short enough that the filter was held over it
    SETTLING = 4  # the filter has just (re)started and is not yet within 1 % of a step
    CLIPPED = 8  # at least one sample lies on a rail of the converter
    FLAT = 16  # not one count of change for a second
    HUM = 32  # mains frequency carries most of the signal
    ELECTRODE = 64  # most of an EMG's power lies below 20 Hz, or it is far quieter than at rest: loose, dry or off
    SPIKE = 128  # a jump no muscle makes
    DRIFT = 256  # the zero has moved since it was set
    STRANGER = 512  # another device answers than the one that was calibrated, and nobody has said what holds
    TENSION = 1024  # contracting without a relaxed stretch before: the effort includes the position's own tension


@dataclass(frozen=True, slots=True, kw_only=True)
class Channel:
    """One column of a source.

    ``kind`` decides the filter, ``unit`` is what ``(counts - offset_counts) * factor`` is in. ``envelope`` is
    declared, never guessed: the EMG board already puts out a rectified, smoothed value. Rails are the first and
    last code of the converter; a sample on either is clipped.

    Channels of one ``clock`` are read together; those of another may be missing (NaN counts) while these are there.
    ``rate_hz`` is given where a channel has fewer readings per second than the recording has frames: reading j stands
    at frame `place_reading`, the frames in between hold NaN.
    """

    name: str
    kind: Kind
    unit: str = "count"
    factor: float = 1.0
    offset_counts: float = 0.0
    envelope: bool = False
    rail_low_counts: float | None = None
    rail_high_counts: float | None = None
    rate_hz: float | None = None
    clock: int = 0

    def __post_init__(self) -> None:
        if self.rate_hz is not None and not 0 < self.rate_hz < np.inf:
            raise ValueError(f"rate {self.rate_hz} of {self.name}: must be above 0")
        if self.kind not in get_args(Kind):
            raise ValueError(f"kind {self.kind!r} is not one of {', '.join(get_args(Kind))}")
        if not np.isfinite(self.factor) or self.factor == 0:
            raise ValueError(f"factor {self.factor} of {self.name}: must be a finite number other than 0")

    def scaled(self, counts: FloatArray) -> FloatArray:
        """Counts, any shape, to ``unit``."""
        return (counts - self.offset_counts) * self.factor

    def to_dict(self) -> dict[str, Any]:
        """As stored in a recording's settings; a rate and a clock of its own only where it has them."""
        return {key: value for key, value in asdict(self).items() if value or key not in ("rate_hz", "clock")}

    @classmethod
    def from_dict(cls, data: Mapping[str, Any]) -> Channel:
        """The inverse of ``to_dict``; unknown keys of newer versions are ignored."""
        known = {f.name for f in fields(cls)}
        return cls(**{key: value for key, value in data.items() if key in known})


def measure_turn(gravity: FloatArray, zero: FloatArray) -> FloatArray:
    """Degrees between gravity (..., 3) now and at the zero (3,): how far the phone was tilted, however it lies.

    The sign that a system gives gravity drops out. NaN where its size is off by over 5 %: it is being moved. A turn
    about the vertical does not show at all.
    """
    size = np.sqrt((gravity * gravity).sum(axis=-1))
    across = np.sqrt((np.cross(gravity, zero) ** 2).sum(axis=-1))
    angle = np.degrees(np.arctan2(across, (gravity * zero).sum(axis=-1)))
    is_still = np.abs(size / STANDARD_GRAVITY_M_PER_S2 - 1.0) <= MOTION_SHARE
    return np.where(is_still, angle, np.nan)


def find_phone(channels: Sequence[Channel]) -> tuple[int, list[int]] | None:
    """Columns of the phone's angle and of its gravity; None without."""
    names = [channel.name for channel in channels]
    if not {PHONE_ANGLE, *PHONE_GRAVITY} <= set(names):
        return None
    return names.index(PHONE_ANGLE), [names.index(name) for name in PHONE_GRAVITY]


def is_from_phone(channel: Channel) -> bool:
    """Whether a phone may or may not send it: nothing waits for it, and its absence is no trouble of the sensor."""
    return channel.kind in ("rating", "gravity") or channel.name == PHONE_ANGLE


def place_reading(number: int, frames_per_reading: float) -> int:
    """The frame that holds reading ``number`` (from 0) of a channel with a rate of its own."""
    return int(number * frames_per_reading + 0.5)


def count_readings(frame: int, frames_per_reading: float) -> int:
    """How many readings of such a channel stand before ``frame``."""
    n = max(0, int(frame / frames_per_reading) - 1)
    while place_reading(n, frames_per_reading) < frame:
        n += 1
    return n


def find_guide(channels: Sequence[Channel]) -> int | None:
    """Index of the channel that leads the athlete: the first force channel, else the first EMG channel, else None."""
    kinds = [channel.kind for channel in channels]
    return next((kinds.index(kind) for kind in ("force", "emg") if kind in kinds), None)


def goes_by_feel(channels: Sequence[Channel]) -> bool:
    """Whether nothing measures effort, so that it is what the athlete says: a session without a sensor."""
    return find_guide(channels) is None and any(channel.kind == "rating" for channel in channels)


@dataclass(frozen=True, slots=True, eq=False)
class Chunk:
    """Consecutive frames: ``counts`` has shape ``(n_frames, n_channels)``, float64, numbers exactly as sent.

    ``device_us`` (n_frames,): when the board took them, microseconds of its own clock without wraps; only of boards
    that are so slow, and say it, that uneven readings matter.
    """

    first_frame: int
    counts: FloatArray
    device_us: FloatArray | None = None

    @property
    def n_frames(self) -> int:
        """Number of rows."""
        return int(self.counts.shape[0])

    @property
    def end_frame(self) -> int:
        """Index of the frame after the last."""
        return self.first_frame + self.n_frames

    @classmethod
    def join(cls, chunks: Sequence[Chunk]) -> Chunk:
        """Chunks that follow each other as one, device times only where all have them."""
        if len(chunks) == 1 and chunks[0].counts.dtype == np.float64:
            return chunks[0]
        times = [chunk.device_us for chunk in chunks if chunk.device_us is not None]
        counts = np.concatenate([chunk.counts for chunk in chunks], dtype=np.float64)
        return cls(chunks[0].first_frame, counts, np.concatenate(times) if len(times) == len(chunks) else None)


@dataclass(frozen=True, slots=True)
class Gap:
    """Frames that should have come and did not; they occupy time and are never filled in."""

    first_frame: int
    n_frames: int
    reason: str

    @property
    def end_frame(self) -> int:
        """Index of the frame after the last missing one."""
        return self.first_frame + self.n_frames


@dataclass(frozen=True, slots=True)
class Note:
    """Something about the wire worth keeping, at ``frame``: a boot line, a burst of unreadable lines."""

    frame: int
    text: str


Item: TypeAlias = Chunk | Gap | Note


@dataclass(frozen=True, slots=True)
class Event:
    """Something that happened in the session, from ``frame`` on. ``data`` is JSON. ``utc`` is ISO 8601."""

    frame: int
    kind: str
    data: Mapping[str, Any]
    utc: str = ""


@dataclass(frozen=True, slots=True, eq=False)
class Levels:
    """A run of levels on the level grid: level k covers frames ``[k * hop, (k + 1) * hop)``.

    ``values`` and ``flags`` have shape ``(n_levels, n_channels)``; values are in the channel's unit (EMG: RMS),
    NaN exactly where ``flags`` has MISSING.
    """

    first: int
    values: FloatArray
    flags: FlagArray

    @property
    def n_levels(self) -> int:
        """Number of rows."""
        return int(self.values.shape[0])

    @property
    def end(self) -> int:
        """Index of the level after the last."""
        return self.first + self.n_levels


@dataclass(frozen=True, slots=True)
class Band:
    """Target band of effort in % of maximum; ``0 <= low < high``; may exceed 100."""

    low_percent: float
    high_percent: float

    def __post_init__(self) -> None:
        if not 0 <= self.low_percent < self.high_percent:
            raise ValueError(f"band {self.low_percent}-{self.high_percent} %: low must be at least 0 and below high")


@dataclass(frozen=True, slots=True)
class Cue:
    """What the athlete is asked to do from now on; real sensors ignore it, a simulated athlete follows it.

    ``relax`` in the position, ``contract`` towards ``target_percent``, a ``maximum`` effort, ``rate`` the discomfort,
    or ``release``: leave the position (an athlete starts outside it, so that the sensor can be zeroed).
    """

    kind: Literal["relax", "contract", "maximum", "rate", "release"]
    target_percent: float | None = None
