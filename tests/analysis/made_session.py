"""Recordings made by hand: a force channel that does what the test says, with the events a session would store."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

import numpy as np

from biofeedback.model import Channel, Chunk, Event, Gap, Item

RATE_HZ = 100.0
ZERO_N, STRENGTH_N = 10.0, 400.0
FORCE = Channel(name="force", kind="force", unit="N")


def make_settings(**changes: Any) -> dict[str, Any]:
    settings = {
        "format": 1,
        "software": "0.1.0",
        "started_utc": "2026-01-05T18:00:00+00:00",
        "channels": [FORCE.to_dict()],
        "rate_hz": RATE_HZ,
        "source": "simulated:?seed=1",
        "simulated": True,
        "athlete": "A01",
        "exercise": "hurdle seat",
        "side": "left",
        "position": "floor, 90 degrees",
    }
    return settings | changes


@dataclass
class MadeSession:
    """Append signal with ``hold``; every call is one chunk. Fits where a recording is wanted."""

    channels: Sequence[Channel] = (FORCE,)
    rate_hz: float = RATE_HZ
    settings: dict[str, Any] = field(default_factory=make_settings)
    events: list[Event] = field(default_factory=list)
    chunks: list[Item] = field(default_factory=list)
    frame: int = 0

    def items(self) -> Iterable[Item]:
        return iter(self.chunks)

    def happen(self, kind: str, /, **data: Any) -> None:
        self.events.append(Event(self.frame, kind, data))

    def hold(self, seconds: float, percent: float = 0.0, *, ripple_percent: float = 0.0) -> None:
        n = round(seconds * self.rate_hz)
        t = (self.frame + np.arange(n)) / self.rate_hz
        noise = np.random.default_rng(self.frame).normal(0, 0.02, n)  # a signal without any is called flat
        force = ZERO_N + STRENGTH_N / 100 * (percent + ripple_percent * np.sin(2 * np.pi * 2.0 * t)) + noise
        self.chunks.append(Chunk(self.frame, np.repeat(force[:, None], len(self.channels), axis=1)))
        self.frame += n

    def lose(self, seconds: float) -> None:
        n = round(seconds * self.rate_hz)
        self.chunks.append(Gap(self.frame, n, "unplugged"))
        self.frame += n

    def calibrate(self) -> None:
        self.hold(2.0)
        self.happen("zero", channels={c.name: {"level": ZERO_N, "sd": 0.1} for c in self.channels})
        for channel in self.channels:
            self.happen("maximum", **make_maximum(channel.name))

    def phase(self, kind: str, seconds: float, percent: float = 0.0, **more: Any) -> None:
        index = sum(e.kind == "phase" and e.data["kind"] != "end" for e in self.events)
        band = more.pop("band", [60, 80] if kind == "contract" else None)
        ripple_percent = more.pop("ripple_percent", 0.0)
        rating = more.pop("rating", ...)
        self.happen("phase", index=index, kind=kind, title=kind, band=band, duration_s=seconds, **more)
        self.happen("relaxed", on=kind == "passive")
        self.hold(seconds - 0.5, percent, ripple_percent=ripple_percent)
        if rating is not ...:
            self.happen("rating", value=rating, phase_index=index, ask_id=None, by="coach")
        self.hold(0.5, percent, ripple_percent=ripple_percent)

    def end(self) -> None:
        self.happen("phase", kind="end", index=0, reason="plan finished")
        self.hold(1.0)


def make_maximum(channel: str = "force", **changes: Any) -> Mapping[str, Any]:
    return {"channel": channel, "strength": STRENGTH_N, "baseline": ZERO_N, "unit": "N", "method": "typed"} | changes


def make_check(
    passive: Sequence[float | None] = (6, 6, 6, 6, 6, 6), contract: Sequence[float | None] = (4, 4, 3, 4, 4)
) -> MadeSession:
    """A response check with these ratings and 70 % of effort in every contraction."""
    session = MadeSession()
    session.calibrate()
    session.happen("plan", name="response-check", title="Response check")
    for index, rating in enumerate(passive):
        session.phase("passive", 6.0, rating=rating)
        if index < len(contract):
            session.phase("contract", 6.0, 70.0, ripple_percent=1.0, rating=contract[index])
    session.end()
    return session
