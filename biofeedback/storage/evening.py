"""What the next evening needs to know of a recording, kept as one text in the library's index."""

from __future__ import annotations

import json
from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import Any

from biofeedback.account.codec import PayloadError, read_payload, write_payload
from biofeedback.account.kinds import Aftermath, RangeRead, RepeatMade, WayDone
from biofeedback.account.values import Maximum
from biofeedback.account.words import get_meaning
from biofeedback.model import Band
from biofeedback.storage.recording import Recording

HARD_PERCENT = 60.0  # from here on a contraction at the end of the range is hard work; common practice, no source


@dataclass(frozen=True, slots=True, kw_only=True)
class KeptMaximum:
    """The last maximum of a force channel; ``doubt``: why it no longer held at the end, or what kept it low."""

    maximum: Maximum
    doubt: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Evening:
    """Of one recording: ``hard`` when attempts at a maximum or contractions of 60 % and more were made.

    ``learning``: an evening for learning the steps, which lends no maximum. ``relaxed``: mean discomfort rated while
    relaxed in the position. ``next_band``: the effort worth trying, of the answer on record, or where that one is from
    before it was kept, worked out again (``band_sought``). ``repeats`` of lessons, with their errors and whether they
    were kept.
    """

    source: str = ""
    limit: float | None = None
    learning: bool = False
    hard: bool = False
    maxima: tuple[KeptMaximum, ...] = ()
    ranges: tuple[RangeRead, ...] = ()
    aftermath: tuple[Aftermath, ...] = ()
    way: WayDone | None = None
    relaxed: float | None = None
    next_band: Band | None = None
    band_sought: bool = False
    repeats: tuple[RepeatMade, ...] = ()


def write_evening(recording: Recording) -> str:
    """The text of a recording."""
    account, settings = recording.account, recording.settings
    force = {channel.name for channel in account.channels if channel.kind == "force"}
    maxima = []
    for name, maximum in account.maxima.items():
        last = account.last_maximum(name)
        if name in force:
            doubt = "; ".join(filter(None, (last.void, last.limited))) if last else ""
            maxima.append(KeptMaximum(maximum=replace(maximum, whitener=None), doubt=doubt))
    bands = [phase.band for phase in account.phases if get_meaning(phase.kind).contracts and phase.band]
    limit = account.limit
    passive = {phase.number for phase in account.phases if get_meaning(phase.kind).compares_as == "passive"}
    relaxed = [one.value for one in account.ratings if one.value is not None and one.phase_number in passive]
    return json.dumps(
        write_payload(
            Evening(
                source=str(settings.get("source") or ""),
                limit=limit,
                learning=bool(settings.get("familiarisation")),
                hard=bool(account.attempts) or any(band.low_percent >= HARD_PERCENT for band in bands),
                maxima=tuple(maxima),
                ranges=tuple(account.ranges),
                aftermath=tuple(account.aftermath),
                way=account.way,
                relaxed=sum(relaxed) / len(relaxed) if relaxed else None,
                next_band=account.answer.next_band if account.answer else None,
                repeats=tuple(
                    RepeatMade(lesson=one.lesson, phase_index=one.phase_index, error=one.error, kept=one.kept)
                    for one in account.repeats
                ),
            )
        )
    )


def read_evening(text: str) -> Evening:
    """The inverse; an empty one when the text is of no such thing."""
    try:
        data: Any = json.loads(text)
        return read_payload(Evening, data) if isinstance(data, Mapping) else Evening()
    except (ValueError, RecursionError, PayloadError):
        return Evening()


def add_band(text: str, band: Band | None) -> str:
    """The text with the effort worth trying, as it was worked out: None where there is none."""
    return json.dumps(write_payload(replace(read_evening(text), next_band=band, band_sought=True)))
