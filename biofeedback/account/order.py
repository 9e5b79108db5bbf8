"""The order in which the events of a file act, and what was superseded by something said afterwards."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import replace

from biofeedback.account.kinds import MaximumSet, ZeroTaken, make_event, try_read
from biofeedback.model import Event

ANSWERED_FROM = ("rating", "phase", "maximum", "zero")  # what an answer is made from


def in_order(events: Iterable[Event]) -> list[Event]:
    """Events in the order in which they act: by frame, and without what was superseded afterwards.

    A zero or maximum that supersedes, being said afterwards, takes the place of those of its channel from its frame on;
    of several the last one said counts. Without such events the order of a live recording is its own.
    """
    listed = _drop_old_answers(list(events))
    later: list[tuple[int, int, str, str]] = []  # place in the file, frame, kind, channel
    for place, event in enumerate(listed):
        payload = try_read(event) if event.kind in ("zero", "maximum") else None
        if isinstance(payload, ZeroTaken) and payload.supersedes:
            later += [(place, event.frame, "zero", name) for name in payload.channels]
        elif isinstance(payload, MaximumSet) and payload.supersedes:
            later.append((place, event.frame, "maximum", payload.maximum.channel))
    if later:
        listed = [kept for place, event in enumerate(listed) if (kept := _without_superseded(event, place, later))]
    return sorted(listed, key=lambda event: event.frame)


def _drop_old_answers(events: list[Event]) -> list[Event]:
    """Without each answer after which something that it was made from was said: by the file's order, not by frames."""
    made_from = [place for place, event in enumerate(events) if event.kind in ANSWERED_FROM]
    last = made_from[-1] if made_from else -1
    return [event for place, event in enumerate(events) if event.kind != "answer" or place > last]


def _without_superseded(event: Event, place: int, later: Sequence[tuple[int, int, str, str]]) -> Event | None:
    payload = try_read(event) if event.kind in ("zero", "maximum") else None
    is_recorded = not (isinstance(payload, ZeroTaken | MaximumSet) and payload.supersedes)
    gone = {
        name
        for at, frame, kind, name in later
        if kind == event.kind and event.frame >= frame and (at > place or is_recorded)
    }
    if isinstance(payload, MaximumSet) and payload.maximum.channel in gone:
        return None
    if isinstance(payload, ZeroTaken) and gone:
        kept = {name: zero for name, zero in payload.channels.items() if name not in gone}
        return make_event(replace(payload, channels=kept), event.frame, event.utc) if kept else None
    return event
