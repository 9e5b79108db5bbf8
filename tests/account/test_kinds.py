"""Kinds of events: to JSON and back, what cannot be read is told, and the table in DEVELOPERS.md is this one."""

from __future__ import annotations

import dataclasses
import json
import re
from pathlib import Path
from typing import Any, get_type_hints

import pytest
from hypothesis import given
from hypothesis import strategies as st

from biofeedback.account.codec import PayloadError
from biofeedback.account.fold import fold
from biofeedback.account.kinds import (
    KINDS,
    Noted,
    PhaseBegun,
    RatingGiven,
    RepeatMade,
    Stopped,
    make_event,
    read_event,
)
from biofeedback.model import Band, Channel, Event

ROOT = Path(__file__).resolve().parents[2]
FORCE = (Channel(name="force", kind="force", unit="N"),)
st.register_type_strategy(
    Band,
    st.tuples(st.floats(0, 100), st.floats(0.1, 50)).map(lambda pair: Band(pair[0], pair[0] + pair[1])),
)
st.register_type_strategy(float, st.floats(1e-6, 1e6))
plain = st.one_of(st.integers(-9, 9), st.text(max_size=5))


@given(st.data())
@pytest.mark.parametrize("kind", KINDS)
def test_what_is_written_reads_back_the_same(kind: str, data: st.DataObject) -> None:
    fields = {f.name: f for f in dataclasses.fields(KINDS[kind])}
    overrides: dict[str, Any] = {}
    if "points" in fields:
        overrides["points"] = st.lists(plain, max_size=3).map(tuple)
    if "drawn" in fields and kind == "plan":
        overrides["drawn"] = st.one_of(st.none(), st.dictionaries(st.text(max_size=5), plain, min_size=1, max_size=3))
    for name in ("more", "certificate"):
        if name in fields:
            overrides[name] = st.dictionaries(st.text("xyz", min_size=5, max_size=8), plain, max_size=3)
    payload = data.draw(st.builds(KINDS[kind], **overrides))
    event = make_event(payload, 7)
    assert event.kind == kind
    on_file = Event(7, kind, json.loads(json.dumps(event.data, allow_nan=False)))
    assert read_event(on_file) == payload


@pytest.mark.parametrize(
    ("data", "told"),
    [
        ({"value": "6"}, "value is '6', not a number"),
        ({"value": True}, "not a number"),
        ({"value": float("nan")}, "not a number"),
        ({"value": 10**400}, "not a number"),
        ({"value": 6, "phase_index": 1.5}, "not a whole number"),
        ({"value": 6, "by": 3}, "by is 3, not a text"),
        ([], "is not an object"),
    ],
)
def test_a_wrong_payload_names_its_field(data: Any, told: str) -> None:
    with pytest.raises(PayloadError, match=re.escape(told)):
        read_event(Event(0, "rating", data))


KEYS = ("value", "channel", "channels", "kind", "band", "phases", "number", "index", "on", "state", "id", "phase_index")
junk = st.recursive(st.one_of(st.none(), st.booleans(), st.floats(), st.text(max_size=4)), st.lists, max_leaves=4)


@given(st.sampled_from([*KINDS, "of another version"]), st.dictionaries(st.sampled_from(KEYS), junk, max_size=5))
def test_nothing_that_a_file_holds_stops_the_account(kind: str, data: dict[str, Any]) -> None:
    events = [
        Event(0, "phase", {"kind": "passive", "index": 0}),
        Event(1, kind, data),
        Event(2, "rating", {"value": 5, "phase_index": 0}),
    ]
    account = fold(events, channels=FORCE, settings={})
    assert account.ratings[-1].value == 5
    assert len(account.problems) <= 1


def test_what_is_empty_by_default_is_left_out_while_it_is() -> None:
    assert make_event(Noted(text="x"), 1).data == {"text": "x"}
    assert make_event(Stopped(), 1).data == {}
    assert make_event(Stopped(reason="too much"), 1).data == {"reason": "too much"}
    assert make_event(PhaseBegun(phase_kind="passive", index=0), 1).data == {"kind": "passive", "index": 0}
    asks = make_event(PhaseBegun(phase_kind="passive", index=0, ask=True, duration_s=0.0), 1).data
    assert asks == {"kind": "passive", "index": 0, "ask": True, "duration_s": 0.0}, "none is not nought"


def test_unknown_keys_and_kinds_are_ignored() -> None:
    assert read_event(Event(0, "rating", {"value": 6, "mood": "calm"})) == RatingGiven(value=6.0)
    assert read_event(Event(0, "mood", {"seen": ["calm"]})) is None


def test_an_unknown_kind_of_phase_is_kept() -> None:
    events = [Event(0, "phase", {"kind": "ramp", "index": 0}), Event(9, "phase", {"kind": "passive", "index": 1})]
    assert [phase.kind for phase in fold(events, channels=FORCE, settings={}).phases] == ["ramp", "passive"]


def list_keys(cls: type) -> list[str]:
    keys = []
    for field in dataclasses.fields(cls):
        place = field.metadata.get("place")
        if place == "inline":
            keys += list_keys(get_type_hints(cls)[field.name])
        elif place != "rest":
            keys.append(field.metadata.get("key", field.name))
    return keys


def test_developers_read_of_every_kind_and_its_fields() -> None:
    rows = re.findall(r"^\| `(\w+)` \| (.*?) \|", (ROOT / "DEVELOPERS.md").read_text("utf-8"), re.MULTILINE)
    told = {kind: set(re.findall(r"`(\w+)`", fields)) for kind, fields in rows if kind in KINDS}
    assert set(told) == set(KINDS)
    for kind, cls in KINDS.items():
        assert told[kind] == set(list_keys(cls)), kind


TAKEN_FOR_GRANTED = {("caution", "acknowledged"), ("attempt", "feedback_shown"), ("maximum", "settled")}


def test_what_a_file_does_not_say_is_nothing_or_no_but_for_these() -> None:
    """A repeat of which nobody says that it was kept was not; an attempt without a word was made with the number."""
    granted = set()
    for kind, cls in KINDS.items():
        for field in dataclasses.fields(cls):
            made = None if field.default_factory is dataclasses.MISSING else field.default_factory()
            default = made if field.default is dataclasses.MISSING else field.default
            if default is True:
                granted.add((kind, field.name))
            else:
                assert not default, (kind, field.name)
    assert granted == TAKEN_FOR_GRANTED


def test_a_repeat_says_in_its_file_whether_it_was_kept() -> None:
    repeat = RepeatMade(lesson="light", phase_index=3)
    event = make_event(repeat, 7)
    assert event.data == {"lesson": "light", "phase_index": 3, "kept": False}
    assert read_event(event) == read_event(Event(7, "repeat", {"lesson": "light", "phase_index": 3})) == repeat
    assert make_event(dataclasses.replace(repeat, kept=True, error=0.0), 7).data == {
        "lesson": "light", "phase_index": 3, "kept": True, "error": 0.0,
    }  # fmt: skip
