"""The coach's athletes on the start page: who was here, what is lent to the next evening, and nobody gets another's."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest

from biofeedback.account.codec import write_payload
from biofeedback.account.kinds import Aftermath, MaximumSet, RangeRead, RepeatMade
from biofeedback.account.values import Maximum
from biofeedback.errors import RecordingError
from biofeedback.model import Band, Channel, Chunk, Event
from biofeedback.session.exercises import load_exercises
from biofeedback.storage.evening import read_evening
from biofeedback.storage.library import list_recordings
from biofeedback.storage.recorder import Recorder
from biofeedback.storage.recording import open_recording
from biofeedback.wiring.athletes import list_athletes
from biofeedback.wiring.bands import seek_bands
from biofeedback.wiring.lent import describe_age

from ..storage.helpers import make_counts

DEMO = Path(__file__).parents[2] / "recordings-demo"
NOW = "2026-11-28T18:00:00+00:00"
STRETCH = {"exercise": "Standing hamstring stretch", "side": "left", "position": "heel on a box, 60 cm"}


def make_event(payload: Any, frame: int = 10) -> Event:
    return Event(frame, payload.kind, write_payload(payload), "2026-11-25T18:05:00+00:00")


def make_maximum(strength: float = 412.0, day: int = 25, **more: Any) -> Event:
    maximum = Maximum(
        channel="force",
        strength=strength,
        baseline=20.0,
        unit="N",
        utc=f"2026-11-{day:02}T18:05:00+00:00",
        n_attempts=3,
        **{**STRETCH, **more},
    )
    return make_event(MaximumSet(maximum=maximum))


def make_attempt() -> Event:
    return Event(21, "attempt", {"number": 1, "channels": {}, "accepted": True, "reason": ""})


def record(folder: Path, code: str, day: int, *events: Event, **more: Any) -> Path:
    path = folder / f"{code}-2026-11-{day:02}.hold"
    settings = {
        "format": 1,
        "channels": [Channel(name="force", kind="force", unit="N").to_dict()],
        "rate_hz": 100.0,
        "athlete": code,
        "started_utc": f"2026-11-{day:02}T18:00:00+00:00",
        "source": "serial:/dev/ttyUSB0?profile=frame-lines",
        "limit": 7.0,
        **STRETCH,
        **more,
    }
    with Recorder.create(path, settings, threaded=False) as recorder:
        recorder.append(Chunk(0, make_counts(100, 1)))
        for event in events:
            recorder.event(event)
    return path


def list_cards(folder: Path, now_utc: str = NOW, **more: Any) -> dict[str, dict[str, Any]]:
    return {card["code"]: card for card in list_athletes(folder, load_exercises(), now_utc=now_utc, **more)}


def test_a_card_says_the_last_evening_the_maximum_the_range_and_what_is_due(tmp_path: Path) -> None:
    reach = make_event(RangeRead(when="after", at="agreed discomfort", value=62.0, unit="cm"))
    answer = Event(50, "answer", {"word": "less"})
    record(tmp_path, "A01", 20, make_maximum(300.0, day=20))
    record(tmp_path, "A01", 25, make_maximum(), reach, answer)
    record(tmp_path, "A02", 27)
    cards = list_cards(tmp_path)
    assert list(cards) == ["A02", "A01"]  # the newest evening first
    card = cards["A01"]
    assert card["last"] == "3 days ago, 2026-11-25"
    assert card["answer"] == "contracting: less discomfort"
    assert card["maximum"] == "412 N, 3 days old"
    assert any("repeats only to about" in doubt for doubt in card["doubts"])
    assert card["range"] == "62 cm at agreed discomfort, 3 days old"
    assert card["due"] == []
    assert cards["A02"]["due"] == ["no maximum of this stretch and side: find one, or choose a plan by felt effort"]


def test_the_form_of_a_card_begins_the_evening_as_it_stands(tmp_path: Path) -> None:
    record(tmp_path, "A01", 25, make_maximum(), covariates=["heat"])
    form = list_cards(tmp_path)["A01"]["form"]
    assert form == {
        "sensor": "url",
        "url": "serial:/dev/ttyUSB0?profile=frame-lines",
        "athlete": "A01",
        "exercise": "hamstring-standing",
        "side": "left",
        "position": "heel on a box, 60 cm",
        "before": [],  # what was done before is of that evening
        "limit": "7",
        "carry": True,
    }
    sensor = {"sensor": "port", "port": "/dev/ttyUSB0", "profile": "frame-lines"}
    known = list_cards(tmp_path, sensor=sensor, sensor_source="serial:/dev/ttyUSB0?profile=frame-lines")
    assert {name: known["A01"]["form"][name] for name in sensor} == sensor


@pytest.mark.parametrize(
    ("source", "fields"),
    [
        ("simulated:?seed=3&athlete=A01&channels=force", {"sensor": "simulated", "simulated": "force", "seed": "3"}),
        ("simulated:?seed=3&effect=-2", {"sensor": "url", "url": "simulated:?seed=3&effect=-2"}),
        ("", {"sensor": ""}),
    ],
)
def test_the_sensor_of_the_last_evening_is_the_next_ones(tmp_path: Path, source: str, fields: dict[str, str]) -> None:
    record(tmp_path, "A01", 25, source=source)
    form = list_cards(tmp_path)["A01"]["form"]
    assert {name: form.get(name) for name in fields} == fields


def test_a_maximum_is_of_its_stretch_and_side_and_of_no_evening_for_learning(tmp_path: Path) -> None:
    record(tmp_path, "A01", 10, make_maximum(400.0, day=10, exercise="standing  HAMSTRING stretch"))
    record(tmp_path, "A01", 20, make_maximum(500.0, day=20, side="right"), side="right")
    record(tmp_path, "A01", 22, make_maximum(600.0, day=22), familiarisation=True)
    record(tmp_path, "A01", 25)
    assert list_cards(tmp_path)["A01"]["maximum"] == "400 N, 18 days old"


def test_another_position_and_an_old_maximum_are_doubts_that_are_said(tmp_path: Path) -> None:
    record(tmp_path, "A01", 1, make_maximum(day=1, position="floor"))
    card = list_cards(tmp_path, now_utc="2026-12-28T18:00:00+00:00")["A01"]
    assert any("position floor" in doubt for doubt in card["doubts"])
    assert card["due"] == ["a new maximum: this one is more than 28 days old"]


def test_a_simulated_athletes_maximum_is_not_a_persons(tmp_path: Path) -> None:
    record(tmp_path, "A01", 20, make_maximum(300.0, day=20), simulated=True)
    record(tmp_path, "A01", 25)
    card = list_cards(tmp_path)["A01"]
    assert card["maximum"] == ""
    assert card["form"]["carry"] is False


def test_pain_at_the_end_of_the_last_evening_is_asked_about_first(tmp_path: Path) -> None:
    record(tmp_path, "A01", 25, make_event(Aftermath(when="end", new_pain=True)))
    assert any(due.startswith("ask first") for due in list_cards(tmp_path)["A01"]["due"])


def test_the_effort_worth_trying_is_due_from_the_last_answer_unless_something_slows_work_down(tmp_path: Path) -> None:
    answer = Event(50, "answer", {"word": "less", "next_band": [20, 30]})
    record(tmp_path, "A01", 25, make_maximum(), answer)
    assert list_cards(tmp_path)["A01"]["due"] == ["effort worth trying: 20–30 %, from the last answer"]
    record(tmp_path, "A02", 25, answer)  # nothing that it would be a share of
    record(tmp_path, "A03", 25, make_maximum(), answer, make_event(Aftermath(when="next", soreness=5.0)))
    late = Event(60, "rating", {"value": 4})  # said after the answer was made: it is no longer on record
    record(tmp_path, "A04", 25, make_maximum(), answer, late)
    cards = list_cards(tmp_path)
    assert not any("worth trying" in due for code in ("A02", "A03", "A04") for due in cards[code]["due"])
    hard = Event(50, "answer", {"word": "less", "next_band": [60, 70]})
    record(tmp_path, "A05", 25, make_maximum(), Event(20, "attempt_begun", {"number": 1}), make_attempt(), hard)
    assert any("60–70 %" in due for due in list_cards(tmp_path)["A05"]["due"])
    the_day_after = list_cards(tmp_path, now_utc="2026-11-26T18:00:00+00:00")["A05"]["due"]
    assert not any("worth trying" in due for due in the_day_after)


def test_the_next_lesson_of_a_course_that_was_begun_is_due(tmp_path: Path) -> None:
    def repeat(lesson: str, *, kept: bool) -> Event:
        return make_event(RepeatMade(lesson=lesson, phase_index=1, error=1.0, kept=kept))

    def find_lessons() -> list[str]:
        return [due for due in list_cards(tmp_path)["A01"]["due"] if "lesson" in due]

    record(tmp_path, "A01", 20)
    assert find_lessons() == []  # nobody is sent to a course that they have not begun
    record(tmp_path, "A01", 21, *[repeat("find", kept=True)] * 5)
    assert find_lessons() == ["next lesson: find it (5 of 5 kept; a falling error passes, or 9 more kept in a row)"]
    record(tmp_path, "A01", 23, *[repeat("find", kept=True)] * 9, exercise="standing HAMSTRING stretch")
    record(tmp_path, "A01", 25, repeat("on-off", kept=False))
    assert find_lessons() == ["next lesson: on and off (0 of 1 kept; a falling error passes, or 16 more kept in a row)"]
    record(tmp_path, "A01", 26, side="right")
    assert find_lessons() == []  # another side has a course of its own


def test_a_code_is_one_athlete_whatever_its_case_and_a_broken_file_nobodys(tmp_path: Path) -> None:
    record(tmp_path, "a01", 20)
    record(tmp_path, "A01", 25)
    (tmp_path / "A09-1.hold").write_bytes(b"no recording")
    cards = list_cards(tmp_path)
    assert list(cards) == ["A01"]
    assert cards["A01"]["n_evenings"] == 2


def test_no_folder_is_nobody_yet(tmp_path: Path) -> None:
    assert list_cards(tmp_path / "none") == {}


def test_a_folder_that_cannot_be_read_is_said(tmp_path: Path) -> None:
    (tmp_path / "file").write_text("")
    with pytest.raises(RecordingError, match="there is no folder"):
        list_cards(tmp_path / "file")


def test_a_clock_that_was_wrong_is_said(tmp_path: Path) -> None:
    record(tmp_path, "A01", 29, make_maximum(day=29))
    card = list_cards(tmp_path)["A01"]
    assert "later than now" in card["last"]
    assert "check the computer's clock" in card["maximum"]


@pytest.mark.parametrize(
    ("days", "words"), [(None, "without a date"), (0.2, "earlier today"), (0.9, "1 day old"), (40.0, "40 days old")]
)
def test_ages_in_words(days: float | None, words: str) -> None:
    assert describe_age(days) == words


@pytest.mark.parametrize("text", ["", "{", "[]", '{"maxima": 3}', '{"limit": "x"}'])
def test_an_index_of_another_hand_is_an_empty_evening(text: str) -> None:
    assert read_evening(text).maxima == ()


def test_the_index_keeps_what_the_cards_need(tmp_path: Path) -> None:
    record(tmp_path, "A01", 25, make_maximum())
    first, again = list_recordings(tmp_path), list_recordings(tmp_path)
    assert first == again
    assert read_evening(again[0].evening).maxima[0].maximum.strength == 412.0


def test_an_evening_answered_before_the_effort_worth_trying_was_kept_has_it_worked_out_once(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    before = Event(50, "answer", {"word": "less"})
    for code in ("A01", "A02"):
        record(tmp_path, code, 24, make_maximum(), before)
        record(tmp_path, code, 25, make_maximum(), before)
    assert list_cards(tmp_path)["A01"]["seeking"]
    sought: list[str] = []

    def work_out(recording: Any) -> Band | None:
        sought.append(recording.path.name)
        return Band(20, 30) if "A01" in recording.path.name else None

    monkeypatch.setattr("biofeedback.wiring.bands._work_out", work_out)
    assert seek_bands(tmp_path, lambda: True) == 0  # the page is left
    assert seek_bands(tmp_path, lambda: False) == 2
    cards = list_cards(tmp_path)
    assert cards["A01"]["due"] == ["effort worth trying: 20–30 %, from the last answer"]
    assert cards["A02"]["due"] == []
    assert not any(card["seeking"] for card in cards.values())
    assert seek_bands(tmp_path, lambda: False) == 0  # kept in the index, also that there is none
    assert sorted(sought) == ["A01-2026-11-25.hold", "A02-2026-11-25.hold"]


def test_the_band_worked_out_anew_is_the_one_that_the_answer_would_have_kept(tmp_path: Path) -> None:
    from biofeedback.wiring.answers import find_answer
    from biofeedback.wiring.bands import _work_out

    path = DEMO / "A03.hold"
    band = _work_out(open_recording(path))
    kept = find_answer(path).get("next_band")
    assert kept == (None if band is None else [band.low_percent, band.high_percent])
    assert band is not None
