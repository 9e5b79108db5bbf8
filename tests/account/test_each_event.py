"""What one event changes of an account, and nothing else: each kind after the events that it needs."""

from __future__ import annotations

import copy
import dataclasses
from typing import Any

import pytest

from biofeedback.account.account import Account
from biofeedback.account.fold import apply, fold
from biofeedback.account.kinds import (
    Aftermath,
    Answered,
    AttemptBegun,
    AttemptFelt,
    AttemptMade,
    AttemptRejected,
    BandChosen,
    CautionsRead,
    CertificateMade,
    DeviceNoticed,
    EffortSaid,
    Expected,
    FeedbackSwitched,
    Finished,
    GuideChosen,
    LimitAgreed,
    MaximumDoubted,
    MaximumSet,
    Noted,
    NumbersTrusted,
    Paused,
    Payload,
    PhaseBegun,
    PhaseEndMoved,
    PlanBegun,
    PracticeMade,
    RangeRead,
    RateKept,
    RatingAsked,
    RatingGiven,
    RelaxationJudged,
    Relaxed,
    RepeatMade,
    Resumed,
    Screened,
    SetupCorrected,
    StopExplained,
    Stopped,
    TakenUp,
    WayDone,
    ZeroTaken,
    make_event,
)
from biofeedback.account.records import (
    FOREVER,
    AttemptOnRecord,
    MaximumOnRecord,
    PhaseOnRecord,
    RatingOnRecord,
    StopOnRecord,
    ZeroOnRecord,
    find_limiting,
)
from biofeedback.account.target import Target
from biofeedback.account.values import Attempt, Doubt, Maximum, Relaxation, Zero
from biofeedback.model import Band, Channel

CHANNELS = (
    Channel(name="force", kind="force", unit="N"),
    Channel(name="emg", kind="emg", unit="uV", envelope=True),
)


def tried(value: float | None, *, accepted: bool = True) -> Attempt:
    return Attempt("force", "N", value, value, 1.0, 0.1, 0.5, 4.0, accepted, "" if accepted else "too short")


def top(strength: float = 400.0, channel: str = "force", **more: Any) -> Maximum:
    return Maximum(channel=channel, strength=strength, baseline=0.0, unit="N", **more)


READ = (0, CautionsRead())
ZERO = (10, ZeroTaken(channels={"force": Zero(1.0, 0.1), "emg": Zero(2.0, 0.2)}))
MAXIMUM = (50, MaximumSet(maximum=top(), by="rule"))
ATTEMPT = (40, AttemptMade(number=1, channels={"force": tried(400.0)}, accepted=True, reason=""))
PLAN = (60, PlanBegun(name="p", grace_s=1.5, hysteresis_percent=3.0, dwell_s=0.4))
PHASE = (60, PhaseBegun(phase_kind="contract", index=0, duration_s=10.0, band=Band(20, 30), ask=True))
RECORD = PhaseOnRecord(
    number=1,
    index=0,
    kind="contract",
    title="contract",
    first_frame=60,
    planned_s=10.0,
    band=Band(20, 30),
    ask=True,
    grace_s=1.5,
    hysteresis_percent=3.0,
    dwell_s=0.4,
    plan_number=1,
    target=Target(Band(20, 30), 10.0),
)
ASKED = (65, RatingAsked(id=4, phase_index=0))
RATED = (66, RatingGiven(value=6.0, phase_index=0, by="athlete"))
RATING = RatingOnRecord(number=1, frame=66, value=6.0, phase_index=0, phase_number=1, ask_id=None, by="athlete")
STOP = (70, Stopped(reason="x", by="coach"))
ANSWERED = (90, Answered(word="less"))
DOUBT = Doubt("above maximum", "force", "110 %", 440.0, "N", 3.0, "find a new one")
GROUND = (READ, ZERO, MAXIMUM)
RUNNING = (*GROUND, PLAN, PHASE)
CHOICE = BandChosen(phase_index=0, band=Band(40, 50), by="rule", reason="r")
ONE_TRIED = AttemptOnRecord(1, 40, {"force": tried(400.0)}, True)
IN_FORCE = MaximumOnRecord(top(), 50, True, "rule")
ZEROS = [ZeroOnRecord("force", Zero(1.0, 0.1), 10), ZeroOnRecord("emg", Zero(2.0, 0.2), 10)]


def changed(record: Any, **values: Any) -> Any:
    return dataclasses.replace(record, **values)


def find_changes(before: tuple[tuple[int, Payload], ...], frame: int, payload: Payload) -> dict[str, Any]:
    """The fields of the account that ``payload`` changes after all ``before``, with what they are then."""
    events = [make_event(said, at) for at, said in before]
    account = fold(events, channels=CHANNELS, settings={"limit": 9, "covariates": ["heat"]})
    was = copy.deepcopy(account)
    apply(account, make_event(payload, frame))
    names = [field.name for field in dataclasses.fields(Account)]
    return {name: getattr(account, name) for name in names if getattr(account, name) != getattr(was, name)}


CASES: dict[str, tuple[tuple[tuple[int, Payload], ...], int, Payload, dict[str, Any]]] = {
    "cautions": ((), 5, CautionsRead(), {"has_read_cautions": True, "stage": "zero"}),
    "cautions not accepted": ((), 5, CautionsRead(acknowledged=False), {}),
    "cautions shown again": ((READ,), 5, CautionsRead(acknowledged=False), {}),
    "zero": (
        (READ,),
        10,
        ZERO[1],
        {"zeros": {"force": Zero(1.0, 0.1), "emg": Zero(2.0, 0.2)}, "zero_history": ZEROS, "stage": "maximum"},
    ),
    "zero of one channel": (
        (*GROUND, ANSWERED),
        100,
        ZeroTaken(channels={"emg": Zero(3.0, 0.3)}),
        {
            "zeros": {"force": Zero(1.0, 0.1), "emg": Zero(3.0, 0.3)},
            "zero_history": [ZEROS[0], changed(ZEROS[1], until_frame=100), ZeroOnRecord("emg", Zero(3.0, 0.3), 100)],
            "answer": None,
        },
    ),
    "a list answered": ((), 5, Screened(applies=True), {"tests_no_maximum": True}),
    "a list answered with none": ((), 5, Screened(applies=False), {"tests_no_maximum": False}),
    "a practice push": (
        (),
        5,
        PracticeMade(felt_percent=25.0, channels={"force": 9.0}),
        {"practice": [PracticeMade(felt_percent=25.0, channels={"force": 9.0})]},
    ),
    "a first attempt begins": ((READ, ZERO, ATTEMPT), 80, AttemptBegun(number=1), {"attempts": []}),
    "a second attempt begins": ((READ, ZERO, ATTEMPT), 80, AttemptBegun(number=2), {}),
    "an attempt when ready": (GROUND, 80, AttemptBegun(number=1), {"stage": "maximum"}),
    "a second attempt": (
        (READ, ZERO, ATTEMPT),
        80,
        AttemptMade(number=2, channels={"force": tried(410.0)}, feedback_shown=False),
        {"attempts": [ONE_TRIED, AttemptOnRecord(2, 80, {"force": tried(410.0)}, False)]},
    ),
    "how it felt": (
        (READ, ZERO, ATTEMPT),
        44,
        AttemptFelt(number=1, discomfort=3.0, effort=9.0),
        {"attempts": [changed(ONE_TRIED, discomfort=3.0, felt_effort=9.0)]},
    ),
    "how another felt": ((READ, ZERO, ATTEMPT), 44, AttemptFelt(number=2, discomfort=3.0), {}),
    "sharp pain": (
        (READ, ZERO, ATTEMPT),
        44,
        AttemptFelt(number=1, sharp=True),
        {"attempts": [changed(ONE_TRIED, sharp=True)], "testing_ended": "sharp pain at attempt 1"},
    ),
    "discomfort told after the maximum was taken": (
        (READ, ZERO, ATTEMPT, MAXIMUM),
        55,
        AttemptFelt(number=1, discomfort=7.0),
        {
            "attempts": [changed(ONE_TRIED, discomfort=7.0)],
            "maximum_history": [changed(IN_FORCE, limited="limited by discomfort 7 of 10 at the best attempt")],
        },
    ),
    "discomfort told of a typed maximum": (
        (READ, ZERO, ATTEMPT, (50, MaximumSet(maximum=top(method="typed")))),
        55,
        AttemptFelt(number=1, discomfort=7.0),
        {"attempts": [changed(ONE_TRIED, discomfort=7.0)]},
    ),
    "an attempt set aside": (
        (READ, ZERO, ATTEMPT),
        44,
        AttemptRejected(number=1, reason="slipped"),
        {"attempts": [changed(ONE_TRIED, channels={"force": tried(400.0).rejected("slipped")})]},
    ),
    "an attempt set aside that nobody made": ((READ, ZERO, ATTEMPT), 44, AttemptRejected(number=2, reason="x"), {}),
    "what is expected": ((), 5, Expected(expects="same"), {"expects": "same"}),
    "how it was": ((), 5, Aftermath(when="end"), {"aftermath": [Aftermath(when="end")]}),
    "how far": (
        (),
        5,
        RangeRead(when="before", at="first discomfort", value=80.0, unit="deg"),
        {"ranges": [RangeRead(when="before", at="first discomfort", value=80.0, unit="deg")]},
    ),
    "which way": (
        (),
        5,
        WayDone(trial="t", evening=2, drawn="warmth"),
        {"way": WayDone(trial="t", evening=2, drawn="warmth")},
    ),
    "numbers trusted": (
        (),
        5,
        NumbersTrusted(what="900 N", by="coach"),
        {"trusts_numbers": True, "notes": [(5, Noted(text="said to be right all the same: 900 N", by="coach"))]},
    ),
    "a maximum": (
        (READ, ZERO),
        50,
        MAXIMUM[1],
        {"maxima": {"force": top()}, "maximum_history": [IN_FORCE], "stage": "ready"},
    ),
    "a maximum of the channel beside": (
        (READ, ZERO),
        50,
        MaximumSet(maximum=top(9.0, "emg"), settled=False, warnings=("old",)),
        {
            "maxima": {"emg": top(9.0, "emg")},
            "maximum_history": [MaximumOnRecord(top(9.0, "emg"), 50, False, warnings=("old",))],
        },
    ),
    "another maximum": (
        (*RUNNING, (64, MaximumDoubted(phase_index=0, doubt=DOUBT)), ANSWERED),
        95,
        MaximumSet(maximum=top(440.0), by="coach", why="seen"),
        {
            "maxima": {"force": top(440.0)},
            "maximum_history": [
                changed(IN_FORCE, until_frame=95),
                MaximumOnRecord(top(440.0), 95, True, "coach", why="seen"),
            ],
            "doubts": [],
            "answer": None,
        },
    ),
    "a maximum of another channel than the doubted": (
        (*RUNNING, (64, MaximumDoubted(phase_index=0, doubt=DOUBT))),
        95,
        MaximumSet(maximum=top(9.0, "emg")),
        {
            "maxima": {"force": top(), "emg": top(9.0, "emg")},
            "maximum_history": [IN_FORCE, MaximumOnRecord(top(9.0, "emg"), 95)],
        },
    ),
    "a guide": ((), 5, GuideChosen(channel="emg"), {"guide": "emg"}),
    "a guide that there is not": ((), 5, GuideChosen(channel="knee"), {}),
    "a plan": (
        (*GROUND, (51, BandChosen(phase_index=0, band=Band(1, 2), by="x", reason="")), ASKED),
        70,
        PlanBegun(name="p"),
        {
            "plans": [PlanBegun(name="p")],
            "pending_choice": None,
            "open_ask": None,
            "is_plan_over": False,
            "stage": "plan",
        },
    ),
    "a plan after a stop": (
        (*RUNNING, STOP),
        80,
        PlanBegun(name="q"),
        {"plans": [PLAN[1], PlanBegun(name="q")], "stopped": None, "is_plan_over": False, "stage": "plan"},
    ),
    "a plan after a pause": (
        (*RUNNING, (70, Paused(reason="x"))),
        80,
        PlanBegun(name="q"),
        {"plans": [PLAN[1], PlanBegun(name="q")], "paused": None},
    ),
    "a chosen band": ((*GROUND, PLAN), 60, CHOICE, {"pending_choice": CHOICE}),
    "a phase": ((*GROUND, PLAN), 60, PHASE[1], {"phases": [RECORD]}),
    "a phase with the band chosen for it": (
        (*GROUND, PLAN, (60, CHOICE)),
        60,
        PHASE[1],
        {"phases": [changed(RECORD, choice=CHOICE)], "pending_choice": None},
    ),
    "a phase with the band chosen for another": (
        (*GROUND, PLAN, (60, changed(CHOICE, phase_index=1))),
        60,
        PHASE[1],
        {"phases": [RECORD], "pending_choice": None},
    ),
    "the next phase": (
        (*RUNNING, ANSWERED),
        95,
        PhaseBegun(phase_kind="passive", index=1, title="Relax", felt=2.0, cycle=3, grace_s=0.7, lost_s=5.0, until="u"),
        {
            "phases": [
                changed(RECORD, end_frame=95, closed_by="phase"),
                PhaseOnRecord(
                    number=2,
                    index=1,
                    kind="passive",
                    title="Relax",
                    first_frame=95,
                    cycle=3,
                    felt=2.0,
                    ask=False,
                    grace_s=0.7,
                    hysteresis_percent=3.0,
                    dwell_s=0.4,
                    plan_number=1,
                    until="u",
                    lost_s=5.0,
                ),
            ],
            "answer": None,
        },
    ),
    "a phase without its place, of no plan": (
        ((5, PhaseBegun(phase_kind="rest", index=7)),),
        9,
        PhaseBegun(phase_kind="rest"),
        {
            "phases": [
                PhaseOnRecord(
                    number=1,
                    index=7,
                    kind="rest",
                    title="rest",
                    first_frame=5,
                    end_frame=9,
                    closed_by="phase",
                    ask=False,
                    plan_number=0,
                ),
                PhaseOnRecord(number=2, index=1, kind="rest", title="rest", first_frame=9, ask=False, plan_number=0),
            ]
        },
    ),
    "a phase whose shape makes no sense": (
        (*GROUND, PLAN),
        60,
        PhaseBegun(phase_kind="contract", index=0, duration_s=10.0, band=Band(20, 30), ask=True, blind=((5.0, 2.0),)),
        {"phases": [changed(RECORD, target=Target(Band(20, 30), 3600.0))]},
    ),
    "the end of a plan": (
        (*RUNNING, (64, CHOICE)),
        75,
        PhaseBegun(phase_kind="end", index=0),
        {
            "phases": [changed(RECORD, end_frame=75, closed_by="phase")],
            "is_plan_over": True,
            "pending_choice": None,
            "stage": "done",
        },
    ),
    "the end of a plan whose last question is open": (
        (*RUNNING, ASKED),
        75,
        PhaseBegun(phase_kind="end", index=0),
        {"phases": [changed(RECORD, end_frame=75, closed_by="phase")], "is_plan_over": True},
    ),
    "the last answer of a plan": (
        (*RUNNING, ASKED, (75, PhaseBegun(phase_kind="end", index=0))),
        78,
        RatingGiven(value=None, phase_index=0, ask_id=4, by="nobody"),
        {
            "ratings": [changed(RATING, frame=78, value=None, ask_id=4, by="nobody")],
            "open_ask": None,
            "stage": "done",
        },
    ),
    "a longer phase": (
        RUNNING,
        65,
        PhaseEndMoved(phase_index=0, seconds=5.0),
        {"phases": [changed(RECORD, planned_s=15.0)]},
    ),
    "a shorter phase": (RUNNING, 65, PhaseEndMoved(phase_index=0, seconds=-5.0), {}),
    "a phase ended by a rule": (
        RUNNING,
        65,
        PhaseEndMoved(phase_index=0, seconds=-5.0, why="band lost"),
        {"phases": [changed(RECORD, ended_for="band lost")]},
    ),
    "a phase made longer by a rule": (
        RUNNING,
        65,
        PhaseEndMoved(phase_index=0, seconds=5.0, why="recovered"),
        {"phases": [changed(RECORD, planned_s=15.0)]},
    ),
    "the end of a phase that there is not": (RUNNING, 65, PhaseEndMoved(phase_index=3, seconds=5.0), {}),
    "a question": (RUNNING, 65, ASKED[1], {"open_ask": ASKED[1]}),
    "a rating": ((*RUNNING, ANSWERED), 66, RATED[1], {"ratings": [RATING], "answer": None}),
    "a rating that nobody asked for": (
        RUNNING,
        66,
        RatingGiven(value=6.0, by="athlete"),
        {"ratings": [changed(RATING, phase_index=None)]},
    ),
    "a rating before any phase": (
        (),
        66,
        RatingGiven(value=6.0, by="athlete"),
        {"ratings": [changed(RATING, phase_index=None, phase_number=None)]},
    ),
    "a rating of another question": (
        (*RUNNING, ASKED),
        66,
        RatingGiven(value=6.0, phase_index=0, ask_id=3, by="athlete"),
        {"ratings": [changed(RATING, ask_id=3)]},
    ),
    "a rating off the scale": (
        RUNNING,
        66,
        RatingGiven(value=11.0, phase_index=0, by="athlete"),
        {"ratings": [changed(RATING, value=None)], "n_off_scale": 1},
    ),
    "a correction": (
        (*RUNNING, RATED, (67, RatingGiven(value=5.0, corrects=1))),
        68,
        RatingGiven(value=4.0, corrects=1, by="coach"),
        {"ratings": [changed(RATING, value=4.0, originals=(6.0, 5.0))]},
    ),
    "a correction of the second": (
        (*RUNNING, RATED, RATED),
        68,
        RatingGiven(value=4.0, corrects=2),
        {"ratings": [RATING, changed(RATING, number=2, value=4.0, originals=(6.0,))]},
    ),
    "a correction of one that there is not": ((*RUNNING, RATED), 68, RatingGiven(value=4.0, corrects=2), {}),
    "a correction of the one before the first": ((*RUNNING, RATED), 68, RatingGiven(value=4.0, corrects=0), {}),
    "how hard it was": (
        RUNNING,
        69,
        EffortSaid(phase_index=0, value=10.0),
        {"phases": [changed(RECORD, said_effort=10.0)]},
    ),
    "how hard it was, off the scale": (RUNNING, 69, EffortSaid(phase_index=0, value=10.5), {}),
    "whether it let go": (
        RUNNING,
        69,
        RelaxationJudged(phase_index=0, relaxation=Relaxation(True, "emg")),
        {"phases": [changed(RECORD, relaxation=Relaxation(True, "emg"))]},
    ),
    "a repeat": (
        RUNNING,
        69,
        RepeatMade(lesson="light", phase_index=0, kept=True),
        {"repeats": [RepeatMade(lesson="light", phase_index=0, kept=True)]},
    ),
    "a doubt": (RUNNING, 69, MaximumDoubted(phase_index=0, doubt=DOUBT), {"doubts": [DOUBT]}),
    "a stop": (
        (*RUNNING, ASKED, (66, CHOICE)),
        70,
        STOP[1],
        {
            "stops": [StopOnRecord(70, "x", "coach")],
            "stopped": "x",
            "open_ask": None,
            "pending_choice": None,
            "phases": [changed(RECORD, end_frame=70, closed_by="stop")],
            "is_plan_over": True,
            "stage": "done",
        },
    ),
    "a stop of nothing": (GROUND, 70, STOP[1], {"stops": [StopOnRecord(70, "x", "coach")], "stopped": "x"}),
    "a stop of a pause": (
        (*RUNNING, (68, Paused(reason="y"))),
        70,
        STOP[1],
        {
            "stops": [StopOnRecord(68, "y", "", True), StopOnRecord(70, "x", "coach")],
            "stopped": "x",
            "paused": None,
            "is_plan_over": True,
            "stage": "done",
        },
    ),
    "a pause": (
        (*RUNNING, ASKED, (66, CHOICE)),
        70,
        Paused(reason="x", by="program"),
        {
            "stops": [StopOnRecord(70, "x", "program", True)],
            "paused": "x",
            "open_ask": None,
            "pending_choice": None,
            "phases": [changed(RECORD, end_frame=70, closed_by="stop")],
        },
    ),
    "a pause of nothing": (GROUND, 70, Paused(reason="x"), {}),
    "going on": ((*RUNNING, (68, Paused(reason="y"))), 70, TakenUp(phase_index=0), {"paused": None}),
    "a phase after a pause": (
        (*RUNNING, (68, Paused(reason="y"))),
        70,
        PHASE[1],
        {
            "paused": None,
            "phases": [
                changed(RECORD, end_frame=68, closed_by="stop"),
                changed(RECORD, number=2, first_frame=70),
            ],
        },
    ),
    "why it was stopped": (
        (*RUNNING, STOP),
        75,
        StopExplained(why="cramp"),
        {"stops": [StopOnRecord(70, "x", "coach", why="cramp")]},
    ),
    "resumed": ((*RUNNING, STOP), 75, Resumed(), {"stopped": None, "stage": "ready"}),
    "finished": (GROUND, 75, Finished(), {"stage": "done"}),
    "a limit": ((), 5, LimitAgreed(value=6.5), {"limit": 6.5}),
    "the display away": ((), 5, FeedbackSwitched(shown=False), {"feedback_shown": False}),
    "what was done before": ((), 5, SetupCorrected(covariates=("jog",)), {"covariates": ["jog"]}),
    "what was done before, not said": ((), 5, SetupCorrected(), {}),
    "another sensor": (GROUND, 70, DeviceNoticed(state="asked", id="two"), {"stranger": "two"}),
    "the known sensor": (
        (*GROUND, (69, DeviceNoticed(state="asked", id="two"))),
        70,
        DeviceNoticed(state="back", id="one"),
        {"stranger": ""},
    ),
    "another sensor that counts": (
        (
            *(READ, ZERO, ATTEMPT, MAXIMUM, (51, PracticeMade(felt_percent=25.0, channels={}))),
            *(PLAN, PHASE, (64, MaximumDoubted(phase_index=0, doubt=DOUBT)), STOP),
            (71, DeviceNoticed(state="asked", id="two")),
        ),
        75,
        DeviceNoticed(state="renewed", id="two"),
        {
            "stranger": "",
            "zeros": {},
            "maxima": {},
            "zero_history": [changed(one, until_frame=75) for one in ZEROS],
            "maximum_history": [changed(IN_FORCE, until_frame=75, void="another sensor was put in its place")],
            "attempts": [changed(ONE_TRIED, is_void=True)],
            "doubts": [],
            "practice": [],
            "stopped": None,
            "stage": "zero",
        },
    ),
    "a rate": ((), 5, RateKept(declared_hz=80.0, measured_hz=79.0), {"next_rate_hz": 79.0}),
    "a remark": ((), 5, Noted(text="cold"), {"notes": [(5, Noted(text="cold"))]}),
    "an answer": (RUNNING, 95, ANSWERED[1], {"answer": ANSWERED[1]}),
    "relaxing": (RUNNING, 95, Relaxed(on=True), {}),
    "a certificate": (RUNNING, 95, CertificateMade(channel="force"), {}),
}


@pytest.mark.parametrize("name", CASES)
def test_an_event_changes_this_and_nothing_else(name: str) -> None:
    before, frame, payload, expected = CASES[name]
    assert find_changes(before, frame, payload) == expected


def felt(number: int, value: float, discomfort: float | None, *, accepted: bool = True) -> AttemptOnRecord:
    return AttemptOnRecord(number, number, {"force": tried(value, accepted=accepted)}, True, discomfort=discomfort)


@pytest.mark.parametrize(
    ("attempts", "said"),
    [
        ([], ""),
        ([felt(1, 400.0, 7.0)], "limited by discomfort 7 of 10 at the best attempt"),
        ([felt(1, 400.0, 6.5)], ""),
        ([felt(1, 400.0, None)], ""),
        ([felt(1, 300.0, 4.5), felt(2, 400.0, 6.5)], "limited by discomfort, which rose by 2 to 6.5 of 10"),
        ([felt(1, 300.0, 5.0), felt(2, 400.0, 6.5)], ""),
        (
            [felt(1, 300.0, 3.0), felt(2, 310.0, 5.0), felt(3, 400.0, 5.5)],
            "limited by discomfort, which rose by 2.5 to 5.5 of 10",
        ),
        ([felt(1, 400.0, 4.0), felt(2, 300.0, 9.0)], ""),  # what comes after the best says nothing of it
        ([felt(1, 400.0, 4.0), felt(2, 500.0, 9.0, accepted=False)], ""),
        (
            [felt(1, 300.0, 1.0, accepted=False), felt(2, 400.0, 4.0)],
            "limited by discomfort, which rose by 3 to 4 of 10",
        ),
        ([felt(1, 300.0, None), felt(2, 400.0, 6.0)], ""),
    ],
)
def test_discomfort_limits_a_maximum_from_seven_on_or_where_it_rose_by_two(
    attempts: list[AttemptOnRecord], said: str
) -> None:
    assert find_limiting(attempts, "force") == said
    assert find_limiting(attempts, "emg") == ""


def test_what_is_in_force_is_so_from_its_frame_to_before_the_next_ones() -> None:
    said = [
        (100, MaximumSet(maximum=top(400.0))),
        (200, MaximumSet(maximum=top(500.0))),
        (150, MaximumSet(maximum=top(9.0, "emg"))),
    ]
    account = fold([make_event(payload, at) for at, payload in said], channels=CHANNELS, settings={})
    found = [account.maximum_at(frame, "force") for frame in (99, 100, 199, 200, FOREVER - 1)]
    assert [one and one.strength for one in found] == [None, 400.0, 400.0, 500.0, 500.0]
    last = account.last_maximum("force")
    assert last is not None
    assert (last.maximum.strength, account.last_maximum("knee")) == (500.0, None)


def test_a_phone_that_is_zeroed_is_no_sensor_that_is() -> None:
    channels = (*CHANNELS, *(Channel(name=f"gravity_{axis}", kind="gravity", unit="m/s²") for axis in "xyz"))
    account = Account(channels, {})
    assert not account.is_zeroed
    apply(account, make_event(ZeroTaken(channels={"gravity_x": Zero(0.0, 0.1)}), 5))
    assert not account.is_zeroed
    apply(account, make_event(ZeroTaken(channels={"force": Zero(0.0, 0.1)}), 6))
    assert account.is_zeroed


@pytest.mark.parametrize(("limit", "known"), [(7, 7.0), (7.5, 7.5), ("7", None), (None, None)])
def test_the_agreed_limit_of_the_settings_is_a_number_or_none(limit: Any, known: float | None) -> None:
    assert Account(CHANNELS, {"limit": limit}).limit == known
    assert Account(CHANNELS, {"limit": limit}).guide == "force"


def test_settings_are_told_with_what_was_corrected() -> None:
    account = Account(CHANNELS, {"covariates": ["heat"], "side": "left"})
    assert account.describe_settings() == {"covariates": ["heat"], "side": "left"}
    apply(account, make_event(SetupCorrected(covariates=("jog",)), 5))
    assert account.describe_settings() == {"covariates": ["jog"], "side": "left"}


def test_a_phase_never_ends_before_it_began() -> None:
    account = Account(CHANNELS, {})
    apply(account, make_event(PHASE[1], 60))
    apply(account, make_event(STOP[1], 50))
    assert [(one.first_frame, one.end_frame) for one in account.phases] == [(60, 60)]
