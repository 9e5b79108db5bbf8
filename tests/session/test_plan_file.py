"""Drafts of plans: what is written reads back the same, and every mistake is found where it is."""

from __future__ import annotations

import tomllib
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from biofeedback.account.words import PHASES
from biofeedback.errors import PlanError
from biofeedback.model import Band
from biofeedback.session.plan import BUILT_IN, Plan, PlannedPhase, parse_plan, read_plan_text
from biofeedback.session.plan_file import find_mistakes, write_plan, write_table

words = st.text(st.characters(exclude_categories=["Cs"]), max_size=40)
seconds = st.one_of(st.integers(1, 3600), st.floats(1, 3600))
bands = st.tuples(st.floats(0, 200), st.floats(0, 200)).filter(lambda pair: pair[0] < pair[1]).map(list)


@st.composite
def phases(draw: st.DrawFn) -> dict[str, Any]:
    phase: dict[str, Any] = {"kind": draw(st.sampled_from(sorted(PHASES))), "duration_s": draw(seconds)}
    if phase["kind"] == "contract":
        phase["band"] = draw(bands)
    for key, values in (("ask", st.booleans()), ("title", words)):
        if draw(st.booleans()):
            phase[key] = draw(values)
    return phase


drafts = st.fixed_dictionaries(
    {
        "name": words,
        "title": words,
        "description": words,
        "block": st.lists(
            st.fixed_dictionaries({"repeat": st.integers(1, 9), "phase": st.lists(phases(), min_size=1, max_size=4)}),
            min_size=1,
            max_size=3,
        ),
    },
    optional={"grace_s": st.floats(0, 30), "ask_before_end_s": st.integers(0, 60)},
)


def expected_plan(draft: dict[str, Any]) -> Plan:
    """Built from the draft by hand, without the reader."""
    made = []
    for block in draft["block"]:
        for cycle in range(1, block["repeat"] + 1):
            made += [
                PlannedPhase(
                    kind=phase["kind"],
                    title=phase.get("title", PHASES[phase["kind"]].say),
                    duration_s=float(phase["duration_s"]),
                    band=Band(*phase["band"]) if "band" in phase else None,
                    ask=phase.get("ask", False),
                    cycle=cycle,
                )
                for phase in block["phase"]
            ]
    numbers = {key: float(draft[key]) for key in ("grace_s", "ask_before_end_s") if key in draft}
    return Plan(
        name=draft["name"], title=draft["title"], description=draft["description"], phases=tuple(made), **numbers
    )


@settings(max_examples=150, deadline=None)
@given(drafts)
def test_what_is_written_reads_back_identical(draft: dict[str, Any]) -> None:
    text = write_plan(draft)
    assert tomllib.loads(text) == draft
    assert parse_plan(text, "x.toml") == expected_plan(draft)
    assert find_mistakes(draft, "x") == []


@pytest.mark.parametrize("name", BUILT_IN)
def test_built_in_plans_survive_being_written_anew(name: str) -> None:
    text, file_name = read_plan_text(name)
    assert parse_plan(write_plan(tomllib.loads(text)), file_name) == parse_plan(text, file_name)


plain = st.recursive(
    st.none() | st.booleans() | st.integers() | st.floats() | words,
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(words, inner, max_size=3),
    max_leaves=8,
)


@settings(max_examples=300, deadline=None)
@given(drafts, st.data())
def test_nonsense_anywhere_is_a_mistake_or_a_plan_and_never_a_crash(draft: dict[str, Any], data: st.DataObject) -> None:
    block = data.draw(st.sampled_from(draft["block"]))
    table = data.draw(st.sampled_from([draft, block, block["phase"][0]]))
    table[data.draw(st.sampled_from([*table, "elsewhere", "draw", "draw_bands", "adapt", "ü"]))] = data.draw(plain)
    try:
        text = write_plan(draft)
    except PlanError:
        return
    if find_mistakes(draft, "x"):
        with pytest.raises(PlanError):
            parse_plan(text, "x")
    else:
        parse_plan(text, "x")


def test_every_mistake_is_told_at_its_place_with_its_line_and_cure() -> None:
    draft = {
        "title": "Mine",
        "grace_s": "soon",
        "block": [
            {
                "repeat": 0,
                "phase": [
                    {"kind": "passive", "duration_s": ""},
                    {"kind": "contract", "duration_s": 20, "band": [80, 60]},
                    {"kind": "contract", "duration_s": 20},
                ],
            },
            {"phase": []},
        ],
    }
    found = {mistake.place: mistake for mistake in find_mistakes(draft, "mine")}
    assert set(found) == {
        ("grace_s",),
        ("block", 0, "repeat"),
        ("block", 0, "phase", 0, "duration_s"),
        ("block", 0, "phase", 1, "band"),
        ("block", 0, "phase", 2, "band"),
        ("block", 1),
    }
    seconds_left_empty = found["block", 0, "phase", 0, "duration_s"]
    assert seconds_left_empty.cure == "use a number from 1 to 3600"
    lines = write_plan(draft).splitlines()
    assert lines[(found["block", 0, "phase", 1, "band"].line or 0) - 1] == "band = [80, 60]"


CONTRACT: dict[str, Any] = {"kind": "contract", "duration_s": 30, "band": [10, 20]}
MIXED: dict[str, Any] = {
    "title": "Everything",
    "description": "A set, a ramp, steps and a blind stretch in one plan",
    "grace_s": 2.5,
    "lesson": "ramp",
    "block": [
        {
            "repeat": 2,
            "phase": [
                {"kind": "passive", "duration_s": 15, "ask": True},
                {
                    "kind": "contract",
                    "duration_s": 30,
                    "band": [80, 100],
                    "until": "band lost",
                    "lost_s": 3,
                    "ask": True,
                },
                {"kind": "rest", "duration_s": 300, "until": "recovered"},
            ],
        },
        {
            "phase": [
                {"kind": "passive", "duration_s": 15},
                {
                    "kind": "contract",
                    "duration_s": 30,
                    "band": [10, 20],
                    "ramp": [[40, 50], [20, 30]],
                    "blind": [[8, 12]],
                },
                {
                    "kind": "contract",
                    "duration_s": 20,
                    "band": [10, 20],
                    "steps": [[30, 40], [20, 30]],
                    "until": "band lost",
                },
                {"kind": "passive", "duration_s": 15},
            ]
        },
    ],
}


def test_a_plan_that_mixes_all_is_written_and_read_with_nothing_lost() -> None:
    text = write_plan(MIXED)
    assert tomllib.loads(text) == MIXED
    plan = parse_plan(text, "everything.toml")
    first, _, ramp, steps = (phase for phase in plan.phases if phase.band)
    assert (first.shape.until, first.shape.lost_s) == ("band lost", 3.0)
    assert ramp.shape.ramp == (Band(40, 50), Band(20, 30))
    assert ramp.shape.blind == ((8.0, 12.0),)
    assert (steps.shape.steps, steps.shape.until) == ((Band(30, 40), Band(20, 30)), "band lost")
    assert [phase.shape.until for phase in plan.phases if phase.kind == "rest"] == ["recovered"] * 2
    assert plan.lesson == "ramp"
    assert find_mistakes(MIXED, "x") == []


@pytest.mark.parametrize(
    ("key", "value", "what"),
    [
        ("ramp", [[90, 110]], "ramp to 90-110 %"),
        ("ramp", [[0, 10]], "ramp to 0-10 %"),
        ("duration_s", "", "until without a longest duration"),
        ("blind", [[28, 40]], "blind"),
    ],
)
def test_a_shape_that_cannot_be_is_told_at_its_field(key: str, value: object, what: str) -> None:
    phase = {"kind": "contract", "duration_s": 30, "band": [20, 30], "until": "band lost", key: value}
    if value == "":
        del phase["duration_s"]
    draft = {"title": "Mine", "block": [{"phase": [phase]}]}
    [mistake] = find_mistakes(draft, "mine")
    assert what in mistake.what
    assert mistake.place[:4] == ("block", 0, "phase", 0)
    assert mistake.line is not None


def test_a_plan_has_an_end() -> None:
    phase = {"kind": "passive", "duration_s": 20}
    draft = {"title": "Endless", "block": [{"repeat": 100, "phase": [phase] * 6}]}
    [mistake] = find_mistakes(draft, "x")
    assert mistake.what == "600 phases, repeats included"


def test_half_a_character_cannot_be_written() -> None:
    draft = {"title": "\ud83d", "block": [{"phase": [{"kind": "passive", "duration_s": 20}]}]}
    [mistake] = find_mistakes(draft, "x")
    assert mistake.cure == "type it again"


def test_a_table_is_written_with_what_there_is() -> None:
    table = {
        "title": 'my "own"',
        "joint": "",
        "lever_m": 0.4,
        "phone_sees": False,
        "drift": None,
        "cautions": ["a", "b"],
    }
    text = write_table("two words", table)
    assert text.splitlines()[0] == '["two words"]'
    assert text.endswith('"]\n')
    assert tomllib.loads(text) == {
        "two words": {"title": 'my "own"', "lever_m": 0.4, "phone_sees": False, "cautions": ["a", "b"]}
    }
    assert write_table("bare-1", {}) == "[bare-1]\n"


def test_a_mistake_is_told_to_a_page_with_its_place() -> None:
    (mistake,) = find_mistakes({"block": [{"phase": [{"kind": "passive"}]}]}, "own.toml")
    assert mistake.to_dict() == {
        "place": ["block", 0, "phase", 0],
        "line": 4,  # two blank lines, and the block
        "what": "a phase without duration_s",
        "cure": "say how many seconds it lasts",
    }
