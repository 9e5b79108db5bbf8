"""The same levels on another maximum or another baseline; raw data stay as they are."""

from __future__ import annotations

from collections import deque
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import replace

import numpy as np

from biofeedback.account.kinds import MaximumSet, make_event, try_read
from biofeedback.account.order import in_order
from biofeedback.account.values import Maximum
from biofeedback.calibration.effort import Effort, EffortStream
from biofeedback.calibration.events import apply_event
from biofeedback.model import Event, Levels

KINDS = ("zero", "maximum", "relaxed", "device")


def recalibrate(
    runs: Iterable[Levels],
    events: Sequence[Event],
    *,
    stream: EffortStream,
    hop: int,
    maxima: Mapping[str, Maximum] | None = None,
) -> Effort:
    """Effort over consecutive ``runs`` of levels, with calibration ``events`` acting at level ``frame // hop``.

    ``stream`` is a new one, made for the channels and the baseline wanted. ``maxima`` by channel name replace every
    maximum on record for that channel, from the first level on; without them, and with the usual baseline, the result
    is the effort that was shown live, bit for bit.
    """
    maxima = maxima or {}
    for index, channel in enumerate(stream.channels):
        if channel.name in maxima:
            stream.set_maximum(index, maxima[channel.name])
    kept = (_replace(event, maxima) for event in events if event.kind in KINDS)
    pending = deque(in_order(kept))
    parts = [part for levels in runs for part in _push(stream, levels, pending, hop)]
    if not parts:
        n_channels = len(stream.channels)
        return stream.push(Levels(0, np.empty((0, n_channels)), np.empty((0, n_channels), np.uint16)))
    return Effort(
        parts[0].first,
        np.concatenate([part.percent for part in parts]),
        np.concatenate([part.baseline for part in parts]),
        np.concatenate([part.plus_minus_percent for part in parts]),
        np.concatenate([part.flags for part in parts]),
    )


def _replace(event: Event, maxima: Mapping[str, Maximum]) -> Event:
    """A "maximum" event of a channel that has a replacement, with that instead."""
    said = try_read(event) if event.kind == "maximum" else None
    if not isinstance(said, MaximumSet) or said.maximum.channel not in maxima:
        return event
    return make_event(replace(said, maximum=maxima[said.maximum.channel]), event.frame)


def _push(stream: EffortStream, levels: Levels, pending: deque[Event], hop: int) -> Iterator[Effort]:
    """Push a run in pieces, letting each event act before its level."""
    at = levels.first
    while at < levels.end:
        while pending and pending[0].frame // hop <= at:
            apply_event(stream, pending.popleft())
        end = min(levels.end, pending[0].frame // hop) if pending else levels.end
        piece = slice(at - levels.first, end - levels.first)
        yield stream.push(Levels(at, levels.values[piece], levels.flags[piece]))
        at = end
