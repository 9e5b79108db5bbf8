"""What a page is told, stage by stage, beside the numbers."""

from __future__ import annotations

import copy
from typing import Any

import pytest

from biofeedback.model import Channel, Flag
from biofeedback.session.engine import Engine
from biofeedback.session.setup import GRADED, Setup
from biofeedback.session.view import describe_calibration, describe_problem, describe_session
from tests.session.conftest import Bench
from tests.session.test_each_command import make

RELAX = {"kind": "passive", "title": "Relax, stay in the position", "duration_s": 3.0, "band": None, "ask": True}
CONTRACT = {"kind": "contract", "title": "Contract", "duration_s": 3.0, "band": [20.0, 30.0], "ask": True}
FIRST_RATING = {"number": 1, "time_s": 4.5, "value": 4.0, "phase_index": 0, "corrected": False} | {
    "phase_kind": "passive",
    "ask_id": 1,
}
TYPED = {"strength": 400.0, "unit": "N", "method": "typed", "utc": "", "n_attempts": 1}
QUIET: dict[str, Any] = {  # what is told of nothing
    "phase": None,
    "next": None,
    "band": None,
    "ask": None,
    "ask_effort": None,
    "ask_position": None,
    "paused": None,
    "stopped": None,
    "message": None,
    "plan": None,
    "training": None,
    "choice": None,
}
TOLD: dict[str, dict[str, Any]] = {
    "new": {"stage": "cautions", "zero.state": "idle", "maximum.step": "idle", "maximum.n_needed": 3, **QUIET},
    "zeroing": {"stage": "zero", "zero.state": "running", "maximum.step": "idle", **QUIET},
    "zeroed": {"stage": "maximum", "zero.state": "done", "maximum.number": 1, "channels.0.in_use.zeroed_s": 2.0},
    "tried": {
        "stage": "maximum",
        "maximum.step": "idle",
        "maximum.number": 2,
        "maximum.n_needed": 3,
        "maximum.verdict": {"state": "more", "text": "1 good attempt of 3; 2 more"},
        "asked.rest_over_s": 9.0,  # at once: only a graded maximum asks for a rest before a plan
    },
    "resting": {"maximum.step": "rest", "maximum.number": 2},
    "ready+": {
        "stage": "ready",
        "plan_ran": False,
        "ranges_when": "before",
        "maximum.step": "accepted",
        "maximum.strength": 400.0,
        "maximum.method": "typed",
        "maximum.warnings": [],
        "maximum.beyond": "",
        "limit": 8.0,
        "feedback": True,
        "channels.0.calibrated": True,
        "channels.0.guide": True,
        "channels.0.can_guide": True,
        "channels.0.beside": False,
        "channels.0.limits": None,
        "channels.0.in_use": {"scale": None, "factor": 1.0, "zeroed_s": 2.0, "maximum": TYPED},
        "channels.1.calibrated": False,
        "channels.1.can_guide": False,
        "channels.2.limits.text": "limits 2.5 and 5.0 cm",
        **QUIET,
    },
    "asked": {
        "stage": "plan",
        "plan_ran": True,
        "ranges_when": "after",
        "phase": {"index": 0, "since_s": 2.0, "cycle": 1, **RELAX},
        "next": {"cycle": 1, **CONTRACT},
        "band": None,
        "ask": {"id": 1, "text": "Discomfort now, 0 to 10?", "phase_index": 0, "said": 3.0},
        "channels.0.can_guide": False,
        "ratings": [],
    },
    "holding+": {
        "phase": {"index": 1, "since_s": 5.0, "cycle": 1, **CONTRACT},
        "next": {"cycle": 2, **RELAX},
        "band": [20.0, 30.0],
        "ask": None,
        "ratings": [FIRST_RATING],
        "position_offset": {"phase_index": 0, "state": "held", "reason": "", "by": "sensor"},
        "paused": None,
    },
    "paused": {
        "stage": "plan",
        "phase": {"index": 1, "since_s": 5.0, "cycle": 1, **CONTRACT, "kind": "rest", "title": "Paused", "band": None},
        "next": {"cycle": 1, **CONTRACT},
        "band": None,
        "paused": {"reason": "x", "phase_index": 1},
        "stopped": None,
        "position_offset": None,
    },
    "stopped": {"stage": "done", "stopped": {"reason": "x", "why": ""}, "plan_ran": True, "phase": None},
    "sharp": {"stopped": {"reason": "x", "why": "sharp"}, "asked.refused.short.what": (
        "this session was stopped for a sharp or odd sensation"
    )},
    "done": {
        "stage": "done",
        "ratings.1": FIRST_RATING
        | {"number": 2, "time_s": 10.0, "value": None, "phase_index": 1, "phase_kind": "contract", "ask_id": 2},
        "ranges_when": "after",
        **QUIET,
    },
}  # fmt: skip


def look(told: Any, path: str) -> Any:
    for part in path.split("."):
        told = told[int(part)] if part.isdigit() else told[part]
    return told


@pytest.mark.parametrize("stage", TOLD)
def test_a_page_is_told(stage: str) -> None:
    told = describe_session(copy.deepcopy(make(stage)).engine, said=3.0)
    assert {path: look(told, path) for path in TOLD[stage]} == TOLD[stage]


def test_a_second_calibrated_channel_stands_beside_and_stays_there_through_a_hold() -> None:
    bench = copy.deepcopy(make("ready+"))
    bench.do(do="typed_maximum", channel="force", value=300.0)
    other = copy.deepcopy(bench)
    other.engine.set_maxima(
        {"emg": other.engine.maxima["force"].__class__(channel="emg", strength=9.0, baseline=0.0, unit="mV")},
        settled=True,
        by="coach",
    )
    told = describe_session(other.engine)["channels"]
    assert [(one["beside"], one["can_guide"]) for one in told] == [(False, True), (True, True), (False, False)]
    bench.do(do="start_plan", plan="short")
    bench.engine.set_maxima(dict(other.engine.maxima), settled=True, by="coach")
    assert [one["beside"] for one in describe_session(bench.engine)["channels"]] == [False] * 3


def graded() -> Bench:
    bench = Bench(**{**GRADED, "rest_s": 2.0, "check_rest_s": 20.0})
    bench.zero()
    return bench


def care(bench: Bench, *names: str) -> list[Any]:
    told = describe_session(bench.engine)["maximum"]["care"]
    return [told[name] for name in names]


def test_what_is_asked_around_a_graded_maximum_step_by_step() -> None:
    bench = graded()
    names = ("screened", "closed", "next_practice", "practising", "ask_felt", "ended")
    assert care(bench, *names) == [None, True, 25.0, None, None, ""]
    bench.do(do="screening", applies=False)
    assert care(bench, *names) == [False, False, 25.0, None, None, ""]
    for felt, following in ((25.0, 50.0), (50.0, 75.0), (75.0, None)):
        bench.do(do="practice", felt=felt)
        assert care(bench, "practising", "next_practice") == [felt, felt]
        bench.wait(5.0, 10.0)
        bench.wait(6.1, lambda t, felt=felt: 10.0 + 4.0 * felt * min(1.0, t))
        assert care(bench, "practising", "next_practice") == [None, following]
    bench.do(do="attempt")
    bench.wait(5.0, 10.0)
    bench.wait(6.1, lambda t: 10.0 + 400.0 * min(1.0, t))
    assert care(bench, "ask_felt") == [1]
    bench.do(do="attempt_felt", number=1, discomfort=3)
    assert care(bench, "ask_felt") == [None]
    assert describe_session(bench.engine)["asked"]["rest_over_s"] == pytest.approx(2.0 + 4 * 11.0 + 20.0, abs=0.5)
    bench.do(do="attempt_felt", number=1, sharp=True)
    assert care(bench, "closed", "ended") == [True, "sharp pain at attempt 1"]
    bench = graded()
    bench.do(do="screening", applies=True)
    assert care(bench, "screened", "closed") == [True, True]


@pytest.mark.parametrize(
    ("flags", "is_brief", "words", "doubt"),
    [
        (0, False, None, None),
        (int(Flag.TENSION), False, "", True),
        (int(Flag.CLIPPED), False, "", None),
        (int(Flag.CLIPPED), True, "", True),
        (int(Flag.MISSING | Flag.TENSION), True, "", None),
    ],
)
def test_the_worst_of_several_troubles_is_told_and_which_of_them_is_only_a_doubt(
    flags: int, is_brief: bool, words: str | None, doubt: bool | None
) -> None:
    told = describe_problem(flags, Channel(name="force", kind="force", unit="N"), is_brief=is_brief)
    if words is None:
        assert told is None
        return
    assert told is not None
    assert told.get("doubt") is doubt
    assert told["what"]
    assert told["cure"]


def test_where_a_channels_numbers_come_from() -> None:
    channels = [
        Channel(name="force", kind="force", unit="count"),
        Channel(name="force2", kind="force", unit="N", factor=0.02),
    ]
    setup = Setup(certificates={"force2": {"sensor": "cell 1", "heaviest": "300"}})
    engine = Engine(channels, 100.0, setup, [])
    assert describe_calibration(engine, channels[0])["factor"] is None
    told = describe_calibration(engine, channels[1])
    assert (told["factor"], told["scale"]) == (0.02, {"sensor": "cell 1", "heaviest": "300"})
    assert (told["zeroed_s"], told["maximum"]) == (None, None)
