"""The ``simulated:`` source: an athlete with physiology behind a board that prints text lines.

``simulated:?seed=1&channels=force,emg&rate=1000&athlete=A01&effect=-2.5``; every field of ``Athlete`` is an option
under its own name, a few also under a short one. Each line is a sequence number and one number per channel.
"""

from __future__ import annotations

import time
from collections import deque
from collections.abc import Callable
from dataclasses import fields
from typing import Any

from biofeedback.acquisition.athlete import Athlete, AthleteSimulator, make_channel
from biofeedback.acquisition.source import SourceUrl, WireSource, read_channels
from biofeedback.errors import SourceError
from biofeedback.joints import JOINT_NAMES
from biofeedback.model import Channel, Cue

READ_S = 0.016  # a read waits for this much signal: about 60 wake-ups a second, as often as the page is drawn
CATCH_UP_S = 0.25  # most signal handed out by one read after the host has stalled
SHORT_NAMES = {
    "athlete": "code",
    "effect": "effect_points",
    "maximum": "maximum_newton",
    "passive": "passive_newton",
    "noise": "force_noise_percent",
    "drift": "drift_per_min",
}
ATHLETE_FIELDS = {field.name: field.default for field in fields(Athlete)}
SOURCE_OPTIONS = ("channels", "rate", "hum", "speed", "fast", "unplug_at", "unplug_for", "clip")


class SimulatedSource(WireSource):
    """See ``Source``. ``produce_bytes`` works without any clock; ``read`` paces itself by ``clock`` and ``sleep``."""

    is_simulated = True
    channels: tuple[Channel, ...] = ()
    rate_hz: float = 0.0
    columns: tuple[str, ...] = ()

    def __init__(
        self,
        simulator: AthleteSimulator,
        *,
        url: str = "simulated:",
        speed: float | None = 1.0,
        unplug_at_s: float | None = None,
        unplug_for_s: float = 3.0,
        clock: Callable[[], float] = time.monotonic,
        sleep: Callable[[float], None] = time.sleep,
    ) -> None:
        """``speed`` is in times real time, None as fast as possible; the unplug times are sample time."""
        self.url, self.channels, self.rate_hz = url, simulator.channels, simulator.rate_hz
        self.columns = ("seq", *(channel.name for channel in simulator.channels))
        self.description = f"simulated athlete {simulator.athlete.code}, seed {simulator.athlete.seed}"
        self.simulator = simulator
        self._speed, self._clock, self._sleep = speed, clock, sleep
        self._cues: deque[Cue] = deque()
        self._line = b" ".join([b"%d"] * (1 + len(self.channels))) + b"\n"
        self._unplug_frame = None if unplug_at_s is None else round(unplug_at_s * self.rate_hz)
        self._unplug_for_s = unplug_for_s
        self._started_s: float | None = None
        self._gone = False

    @property
    def said(self) -> float | None:
        """Answer to the last ``rate`` cue, or None until it has been given."""
        return None if self._cues else self.simulator.said

    def open(self) -> None:
        """Start the clock."""
        self._started_s = self._clock() - self.simulator.next_frame / self.rate_hz / (self._speed or 1.0)

    def close(self) -> None:
        """Stop; the athlete stays where they are."""
        self._started_s = None

    def tire_as(self, joint: str, *, rest_speed: float = 1.0) -> None:
        """Tire like the joint that is trained, unless the URL says which; before the first frame.

        ``rest_speed``: how much longer than they last the rests of a shortened session stand for.
        """
        if "joint" in SourceUrl.parse(self.url).options:
            joint = self.simulator.athlete.joint
        if (joint, rest_speed) != (self.simulator.athlete.joint, self.simulator.athlete.rest_speed):
            self.simulator.tire_as(joint, rest_speed=rest_speed)

    def cue(self, cue: Cue) -> None:
        """Ask something of the athlete, from any thread; it counts from the next frame on."""
        self._cues.append(cue)

    def read(self) -> bytes:
        """Lines that have become due, after waiting for the next 16 ms of signal if there are none."""
        if self._started_s is None:
            return b""
        frame = self.simulator.next_frame
        if self._gone or (self._unplug_frame is not None and frame >= self._unplug_frame):
            self._gone = True
            raise SourceError("the simulated sensor has been unplugged", "it comes back by itself")
        least = max(1, round(READ_S * self.rate_hz * (self._speed or 5.0)))
        if self._speed is not None:
            if self._n_due() < least:
                missing_s = (frame + least) / self.rate_hz / self._speed
                self._sleep(min(0.05, max(0.001, self._started_s + missing_s - self._clock())))
            least = self._n_due()
        n_frames = min(least, round(CATCH_UP_S * self.rate_hz * (self._speed or 1.0)) or 1)
        if self._unplug_frame is not None:
            n_frames = min(n_frames, self._unplug_frame - frame)
        return self.produce_bytes(n_frames) if n_frames else b""

    def reopen(self) -> bool:
        """Back again once the unplugged time is over; what happened meanwhile is missing from the sequence."""
        if not self._gone:
            return True
        n_missing = round(self._unplug_for_s * self.rate_hz)
        if self._speed is not None:
            if self._n_due() < n_missing:
                return False
            n_missing = self._n_due()
        self._take_cues()
        while n_missing > 0:
            n_missing -= len(self.simulator.produce(min(n_missing, 1000)))
        self._gone, self._unplug_frame = False, None
        return True

    def produce_bytes(self, n_frames: int) -> bytes:
        """The next ``n_frames`` lines, in no time."""
        self._take_cues()
        first = self.simulator.next_frame
        numbers: list[int] = []
        for i, row in enumerate(self.simulator.produce(n_frames).tolist()):
            numbers.append(first + i)
            numbers += row
        return self._line * n_frames % tuple(numbers)

    def _n_due(self) -> int:
        if self._started_s is None or self._speed is None:
            return 0
        elapsed_s = (self._clock() - self._started_s) * self._speed
        return max(0, int(elapsed_s * self.rate_hz + 1e-6) - self.simulator.next_frame)

    def _take_cues(self) -> None:
        while self._cues:
            self.simulator.cue(self._cues.popleft())


def open_simulated(
    url: str, *, clock: Callable[[], float] = time.monotonic, sleep: Callable[[float], None] = time.sleep
) -> SimulatedSource:
    """Source for a ``simulated:`` URL.

    Raises
    ------
    SourceError
        An option is unknown or its value cannot be used.
    """
    parsed = SourceUrl.parse(url)
    parsed.check_known({*SOURCE_OPTIONS, *SHORT_NAMES, *ATHLETE_FIELDS})
    options = parsed.options
    rate_hz = _number(options, "rate", 1000.0, least=1.0)
    simulator = AthleteSimulator(
        _read_athlete(options),
        _make_channels(options.get("channels", "force"), _number(options, "clip", None, least=0.001)),
        rate_hz,
        hum_hz=_number(options, "hum", 50.0),
        keep_truth=False,
    )
    unplug_for_s = _number(options, "unplug_for", 3.0)
    return SimulatedSource(
        simulator,
        url=url,
        speed=_read_speed(options),
        unplug_at_s=_number(options, "unplug_at", None),
        unplug_for_s=unplug_for_s,
        clock=clock,
        sleep=sleep,
    )


def _read_speed(options: dict[str, str]) -> float | None:
    if options.get("speed") == "max" or options.get("fast", "0") not in ("0", ""):
        return None
    return float(_number(options, "speed", 1.0, least=0.01))


def _make_channels(text: str, clip: float | None) -> list[Channel]:
    channels = []
    for asked in read_channels(text):
        channel = make_channel(asked.name, envelope=asked.envelope, clip=clip if asked.kind == "force" else None)
        if asked.unit not in ("count", channel.unit) or asked.factor != 1:
            raise SourceError(f"channel {asked.name} is simulated in {channel.unit}", f"write {asked.name} alone")
        channels.append(channel)
    return channels


def _read_athlete(options: dict[str, str]) -> Athlete:
    given: dict[str, Any] = {}
    for option, text in options.items():
        name = SHORT_NAMES.get(option, option)
        if name not in ATHLETE_FIELDS:
            continue
        default = ATHLETE_FIELDS[name]
        if isinstance(default, str):
            given[name] = text
        else:
            given[name] = _number(options, option, 0.0, least=None)
    joint = given.get("joint", "knee")
    if joint not in JOINT_NAMES:
        raise SourceError(f"joint={joint} is not known", f"use {', '.join(JOINT_NAMES)}")
    if given.get("dose", "none") not in ("none", "line", "saturating"):
        raise SourceError(f"dose={given['dose']} is not known", "use none, line or saturating")
    for name in ("maximum_newton", "relaxation_s", "carry_over_s", "rating_step", "half_effort_percent"):
        if given.get(name, 1.0) <= 0:
            raise SourceError(f"{name}={given[name]:g} must be above 0", "leave it out for the default")
    seed = given.get("seed", 0)
    if seed < 0 or seed != int(seed):
        raise SourceError(f"seed={options['seed']} cannot be used", "give a whole number from 0 on")
    return Athlete(**{**given, "seed": int(seed)} if "seed" in given else given)


def _number(options: dict[str, str], name: str, default: Any, *, least: float | None = 0.0) -> Any:
    text = options.get(name)
    if text is None:
        return default
    try:
        value = float(text)
    except ValueError:
        value = float("nan")
    if not abs(value) < 1e9 or (least is not None and value < least):
        bound = "" if least is None else f" of at least {least:g}"
        raise SourceError(f"{name}={text} cannot be used", f"give a number{bound}")
    return value
