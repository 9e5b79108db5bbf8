"""What the next evening needs to know of a recording: every field, from events made by hand."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest

from biofeedback.account.codec import write_payload
from biofeedback.account.kinds import Aftermath, MaximumSet, RangeRead, RepeatMade, WayDone
from biofeedback.account.values import Maximum
from biofeedback.model import Band, Channel, Chunk, Event
from biofeedback.storage.evening import Evening, add_band, read_evening, write_evening
from biofeedback.storage.recorder import Recorder
from biofeedback.storage.recording import open_recording

from .helpers import make_counts


def say(payload: Any, frame: int = 10) -> Event:
    return Event(frame, payload.kind, write_payload(payload))


def phase(frame: int, kind: str, index: int, band: list[int] | None = None) -> Event:
    return Event(frame, "phase", {"kind": kind, "index": index, **({"band": band} if band else {})})


def keep(folder: Path, *events: Event, **settings: Any) -> Evening:
    path = folder / f"{len(list(folder.iterdir()))}.hold"
    channels = [Channel(name="force", kind="force", unit="N"), Channel(name="calf", kind="emg", unit="uV")]
    about = {"format": 1, "channels": [one.to_dict() for one in channels], "rate_hz": 100.0, **settings}
    with Recorder.create(path, about, threaded=False) as recorder:
        recorder.append(Chunk(0, make_counts(500, 2)))
        for event in events:
            recorder.event(event)
    return read_evening(write_evening(open_recording(path)))


def test_of_an_empty_recording_nothing_is_known(tmp_path: Path) -> None:
    assert keep(tmp_path) == Evening()
    kept = keep(tmp_path, source="serial:COM3", familiarisation=True, limit=7.0)
    assert (kept.source, kept.learning, kept.limit) == ("serial:COM3", True, 7.0)


@pytest.mark.parametrize(
    ("events", "is_hard"),
    [
        ([phase(10, "passive", 0), phase(50, "contract", 1, [59, 80])], False),
        ([phase(10, "passive", 0), phase(50, "contract", 1, [60, 80])], True),
        ([phase(10, "contract", 0)], False),
        ([Event(21, "attempt", {"number": 1, "channels": {}, "accepted": True, "reason": ""})], True),
    ],
)
def test_hard_are_contractions_of_60_percent_and_attempts(tmp_path: Path, events: list[Event], is_hard: bool) -> None:
    assert keep(tmp_path, *events).hard is is_hard


def test_discomfort_while_relaxed_is_the_mean_of_its_ratings(tmp_path: Path) -> None:
    phases = (phase(10, "passive", 0), phase(100, "contract", 1, [20, 30]), phase(200, "passive", 2))
    ratings = [Event(frame, "rating", {"value": value}) for frame, value in ((50, 5.0), (150, 1.0), (250, 6.0))]
    assert keep(tmp_path, *phases, *ratings).relaxed == 5.5
    assert keep(tmp_path, *phases, Event(250, "rating", {"value": None})).relaxed is None


def test_what_was_found_and_said_is_kept(tmp_path: Path) -> None:
    maxima = [
        say(MaximumSet(maximum=Maximum(channel=name, strength=400.0, baseline=5.0, unit=unit)))
        for name, unit in (("force", "N"), ("calf", "uV"))
    ]
    reach = RangeRead(when="after", at="agreed discomfort", value=62.0, unit="cm")
    after = Aftermath(when="end", soreness=2.0)
    way = WayDone(trial="A01-1", evening=2, drawn="warmth", done="")
    repeat = RepeatMade(lesson="steady", phase_index=3, error=4.5, kept=True)
    answer = Event(60, "answer", {"word": "less", "next_band": [20, 40]})
    kept = keep(tmp_path, *maxima, say(reach), say(after), say(way), say(repeat), answer)
    assert [(one.maximum.channel, one.maximum.strength, one.doubt) for one in kept.maxima] == [("force", 400.0, "")]
    assert (kept.ranges, kept.aftermath, kept.way) == ((reach,), (after,), way)
    assert [(one.phase_index, one.error, one.kept) for one in kept.repeats] == [(3, 4.5, True)]
    assert kept.next_band == Band(20.0, 40.0)
    assert not kept.band_sought


def test_what_is_no_evening_is_an_empty_one() -> None:
    for text in ("", "[]", "{", '{"limit": "seven"}', "5"):
        assert read_evening(text) == Evening()
    assert read_evening(add_band('{"limit": 7}', Band(10.0, 20.0))) == Evening(
        limit=7.0, next_band=Band(10.0, 20.0), band_sought=True
    )
