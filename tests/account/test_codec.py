"""Payloads to and from JSON, shape by shape of what a field may be, and the values of the account that use it."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from typing import Any, Literal

import pytest

from biofeedback.account.codec import PayloadError, read_payload, write_payload
from biofeedback.account.kinds import MaximumSet, ZeroTaken, make_event
from biofeedback.account.order import in_order
from biofeedback.account.target import Target
from biofeedback.account.values import Attempt, Doubt, Maximum, PositionResult, Zero
from biofeedback.model import Band, Event


@dataclass(frozen=True)
class Inner:
    depth: float
    note: str = ""


@dataclass(frozen=True)
class Inline:
    left: float = 0.0


@dataclass(frozen=True)
class Every:
    """One field of each shape."""

    size: float
    count: int = 0
    on: bool = False
    text: str = ""
    word: Literal["a", "b"] = "a"
    band: Band | None = None
    inner: Inner | None = None
    many: tuple[Inner, ...] = ()
    named: Mapping[str, float] = field(default_factory=dict)
    free: Any = None
    told: float | None = field(default=None, metadata={"always": True})
    renamed: str = field(default="", metadata={"key": "other"})
    rest: Mapping[str, Any] = field(default_factory=dict, metadata={"place": "rest"})


@dataclass(frozen=True)
class Owner:
    """What stands among the keys of its owner."""

    name: str
    inline: Inline = field(metadata={"place": "inline"})


FULL = Every(
    size=1.5,
    count=3,
    on=True,
    text="t",
    word="b",
    band=Band(20, 30),
    inner=Inner(2.0, "n"),
    many=(Inner(1.0), Inner(0.0)),
    named={"x": 4.0},
    free={"deep": (1, [2])},
    told=7.0,
    renamed="r",
    rest={"more": [1]},
)
WRITTEN = {
    "size": 1.5,
    "count": 3,
    "on": True,
    "text": "t",
    "word": "b",
    "band": [20, 30],
    "inner": {"depth": 2.0, "note": "n"},
    "many": [{"depth": 1.0}, {"depth": 0.0}],
    "named": {"x": 4.0},
    "free": {"deep": [1, [2]]},
    "told": 7.0,
    "other": "r",
    "more": [1],
}


def test_every_shape_is_written_and_read_back() -> None:
    assert write_payload(FULL) == WRITTEN
    assert read_payload(Every, WRITTEN) == replace(FULL, free={"deep": [1, [2]]})


def test_what_is_inline_stands_among_the_keys_of_its_owner() -> None:
    assert write_payload(Owner("n", Inline(9.0))) == {"name": "n", "left": 9.0}
    assert read_payload(Owner, {"name": "n", "left": 9.0, "right": 3}) == Owner("n", Inline(9.0))


def test_what_is_empty_by_default_is_not_written_but_where_it_is_always() -> None:
    assert write_payload(Every(size=0.0)) == {"size": 0.0, "told": None, "word": "a"}
    assert read_payload(Every, {"size": 0}) == Every(size=0.0)
    assert write_payload(Every(size=0.0, count=False))["count"] is False  # type: ignore[arg-type]  # not the same empty


@pytest.mark.parametrize(
    ("key", "value", "kept"),
    [
        ("size", 3, 3.0),
        ("count", 3.0, 3),
        ("count", -2, -2),
        ("told", None, None),
        ("count", None, 0),  # nothing stands for the default
        ("many", [], ()),
        ("many", ({"depth": 1},), (Inner(1.0),)),
        ("band", (20, 30), Band(20, 30)),
        ("band", None, None),
        ("free", None, None),
        ("free", [1], [1]),
        ("named", {3: 1}, {"3": 1.0}),
    ],
)
def test_what_fits_is_read(key: str, value: Any, kept: Any) -> None:
    assert getattr(read_payload(Every, {"size": 1, key: value}), key) == kept


@pytest.mark.parametrize(
    ("data", "said"),
    [
        ([], "is not an object"),
        ("text", "is not an object"),
        ({}, "size is missing"),
        ({"size": None}, "size is missing"),
        ({"size": True}, "size is True, not a number"),
        ({"size": "1"}, "size is '1', not a number"),
        ({"size": float("inf")}, "size is inf, not a number"),
        ({"size": float("nan")}, "size is nan, not a number"),
        ({"size": 10**400}, "not a number"),
        ({"size": 1, "count": 1.5}, "count is 1.5, not a whole number"),
        ({"size": 1, "count": True}, "count is True, not a number"),
        ({"size": 1, "on": 1}, "on is 1, neither true nor false"),
        ({"size": 1, "text": 1}, "text is 1, not a text"),
        ({"size": 1, "word": "c"}, "word is 'c', none of a, b"),
        ({"size": 1, "band": [20]}, "band is [20], not a lower and an upper edge"),
        ({"size": 1, "band": [20, 30, 40]}, "not a lower and an upper edge"),
        ({"size": 1, "band": 20}, "band is 20, not a lower and an upper edge"),
        ({"size": 1, "band": [30, 20]}, "band is [30, 20]: "),
        ({"size": 1, "band": [True, 20]}, "band is [True, 20]: is True, not a number"),
        ({"size": 1, "inner": {}}, "inner depth is missing"),
        ({"size": 1, "inner": {"depth": "x"}}, "inner depth is 'x', not a number"),
        ({"size": 1, "many": {}}, "many is {}, not a list"),
        ({"size": 1, "many": [3]}, "many is not an object"),
        ({"size": 1, "named": []}, "named is [], not an object"),
        ({"size": 1, "named": {"x": "y"}}, "named is 'y', not a number"),
        ({"size": 1, "text": ["x" * 38]}, "text is ['" + "x" * 37 + "…, not a text"),
        ({"size": 1, "text": ["x" * 36]}, "text is ['" + "x" * 36 + "'], not a text"),
    ],
)
def test_what_does_not_fit_is_told_by_its_field(data: Any, said: str) -> None:
    with pytest.raises(PayloadError) as refused:
        read_payload(Every, data)
    assert said in str(refused.value)


def test_what_a_kind_itself_refuses_is_told() -> None:
    with pytest.raises(PayloadError, match="must be a finite number above 0"):
        read_payload(Maximum, {"channel": "force", "strength": 0, "baseline": 0, "unit": "N"})
    assert read_payload(Every, {"size": 1, "unheard": 2}).rest == {"unheard": 2}


ATTEMPT = Attempt("force", "N", 400.0, 410.0, 1.0, 0.1, 0.5, 4.0, True, "")


def test_the_values_of_the_account_are_written_and_read_back() -> None:
    zero = Zero(1.0, 0.1, 200, "N")
    assert Zero.from_dict(zero.to_dict()) == zero
    assert zero.to_dict() == {"level": 1.0, "sd": 0.1, "n_levels": 200, "unit": "N"}
    assert Attempt.from_dict(ATTEMPT.to_dict()) == ATTEMPT
    maximum = Maximum(channel="force", strength=400.0, baseline=1.0, unit="N", n_attempts=3)
    assert Maximum.from_dict(maximum.to_dict()) == maximum
    assert PositionResult("held", 1.0, 2.0).to_dict() == {
        "state": "held",
        "largest": 1.0,
        "at_s": 2.0,
        "by": "coach",
    }


def test_an_attempt_set_aside_says_by_whom_and_why() -> None:
    rejected = ATTEMPT.rejected("slipped")
    assert (rejected.accepted, rejected.reason, rejected.by_coach) == (False, "slipped", True)
    assert replace(rejected, accepted=True, reason="", by_coach=False) == ATTEMPT


def test_a_revised_maximum_is_marked_and_a_typed_one_stays_typed() -> None:
    maximum = Maximum(channel="force", strength=400.0, baseline=1.0, unit="N", utc="2026-01-05")
    revised = maximum.revised(450.0)
    assert (revised.strength, revised.method, revised.utc) == (450.0, "revised", "2026-01-05")
    assert maximum.revised(450.0, "2026-01-06").utc == "2026-01-06"
    assert replace(maximum, method="typed").revised(450.0).method == "typed"
    for strength in (0.0, -1.0, float("inf"), float("nan")):
        with pytest.raises(ValueError, match="must be a finite number above 0"):
            maximum.revised(strength)


def test_a_doubt_says_what_a_percentage_would_be() -> None:
    doubt = Doubt("above maximum", "force", "110 %", 500.0, "N", 3.0, "find a new one")
    maximum = Maximum(channel="force", strength=400.0, baseline=1.0, unit="N")
    assert doubt.percent_would_be(60.0, maximum) == pytest.approx(48.0)
    assert doubt.to_dict()["strength"] == 500.0


def test_a_blind_stretch_begins_at_its_first_moment_and_ends_before_its_last() -> None:
    target = Target(Band(20, 30), 10.0, blind=((2.0, 3.0), (5.0, 6.0)))
    seen = {time_s: target.is_blind(time_s) for time_s in (1.99, 2.0, 2.99, 3.0, 5.5, 6.0)}
    assert seen == {1.99: False, 2.0: True, 2.99: True, 3.0: False, 5.5: True, 6.0: False}
    hidden = target.blind_levels(5, 10.0, first=18)  # middles at 1.85, 1.95, 2.05, ... s
    assert hidden.tolist() == [False, False, True, True, True]


def zero_event(frame: int, level: float, *names: str, supersedes: bool = False) -> Event:
    zeros = {name: Zero(level, 0.1) for name in names}
    return make_event(ZeroTaken(channels=zeros, supersedes=supersedes), frame)


def maximum_event(frame: int, strength: float, name: str = "force", *, supersedes: bool = False) -> Event:
    maximum = Maximum(channel=name, strength=strength, baseline=0.0, unit="N")
    return make_event(MaximumSet(maximum=maximum, supersedes=supersedes), frame)


def said(events: list[Event]) -> list[tuple[int, str, Any]]:
    return [(e.frame, e.kind, sorted(e.data["channels"]) if e.kind == "zero" else e.data["strength"]) for e in events]


def test_what_is_said_afterwards_takes_the_place_of_its_own_channels_only() -> None:
    listed = [
        zero_event(10, 1.0, "force", "emg"),
        maximum_event(50, 400.0),
        maximum_event(60, 9.0, "emg"),
        zero_event(90, 2.0, "force"),
        zero_event(10, 5.0, "force", supersedes=True),
        maximum_event(50, 500.0, supersedes=True),
    ]
    assert said(in_order(listed)) == [
        (10, "zero", ["emg"]),
        (10, "zero", ["force"]),
        (50, "maximum", 500.0),
        (60, "maximum", 9.0),
    ]


def test_what_came_before_the_frame_of_what_is_said_afterwards_stays() -> None:
    listed = [maximum_event(50, 400.0), maximum_event(100, 410.0), maximum_event(99, 500.0, supersedes=True)]
    assert said(in_order(listed)) == [(50, "maximum", 400.0), (99, "maximum", 500.0)]
    at_once = [maximum_event(50, 400.0), maximum_event(50, 500.0, supersedes=True)]
    assert said(in_order(at_once)) == [(50, "maximum", 500.0)]


def test_of_several_said_afterwards_the_last_one_counts() -> None:
    first, second = maximum_event(50, 500.0, supersedes=True), maximum_event(50, 600.0, supersedes=True)
    recorded = maximum_event(70, 400.0)
    assert said(in_order([recorded, first, second])) == [(50, "maximum", 600.0)]
    earlier = maximum_event(30, 600.0, supersedes=True)
    assert said(in_order([recorded, first, earlier])) == [(30, "maximum", 600.0)]
    later = maximum_event(60, 600.0, supersedes=True)
    assert said(in_order([recorded, first, later])) == [(50, "maximum", 500.0), (60, "maximum", 600.0)]


def test_events_act_by_their_frames_and_of_one_frame_as_they_stand() -> None:
    listed = [Event(5, "b", {}), Event(1, "c", {}), Event(5, "a", {})]
    assert [(e.frame, e.kind) for e in in_order(listed)] == [(1, "c"), (5, "b"), (5, "a")]


@pytest.mark.parametrize("kind", ["rating", "phase", "maximum", "zero"])
def test_an_answer_made_before_something_that_it_rests_on_is_none(kind: str) -> None:
    answers = [Event(9, "answer", {"word": "less"}), Event(9, "answer", {"word": "more"})]
    between = [answers[0], Event(1, kind, {}), answers[1]]
    assert [e.data.get("word") for e in in_order(between) if e.kind == "answer"] == ["more"]
    noted = [answers[0], Event(1, "note", {}), answers[1]]
    assert [e.data.get("word") for e in in_order(noted) if e.kind == "answer"] == ["less", "more"]
