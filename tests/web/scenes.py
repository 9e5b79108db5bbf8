"""Every state of the page worth looking at, each set on a fake session."""

from __future__ import annotations

import math
from collections.abc import Callable
from typing import Any

import numpy as np
from numpy.typing import NDArray

from biofeedback.session.view import ask_about_device

from .care_scenes import CARE_SCENES
from .fake_live import LEVEL_RATE_HZ, FakeLive, attempt, in_use


def calibrated(live: FakeLive, **channel: Any) -> None:
    channels = [{"name": "force", "kind": "force", "unit": "N", "calibrated": True, "problem": None, "guide": True}]
    live.change(channels=[channels[0] | channel])


def hold_trace(target_percent: float, n_s: float = 34.0) -> NDArray[np.float64]:
    """20 s let go, then a contraction towards ``target_percent``: fixed noise, no two levels equal."""
    time_s = np.arange(round(n_s * LEVEL_RATE_HZ)) / LEVEL_RATE_HZ
    noise = np.random.default_rng(7).normal(size=time_s.size)
    smooth = np.convolve(noise, np.ones(20) / 20, mode="same")
    rise = np.clip((time_s - 20.3) / 1.1, 0, 1)
    return np.asarray(rise * target_percent + smooth * (0.8 + 6 * rise) + 0.6)


def holding(live: FakeLive, percent: float, band_state: int, *, asking: bool = False) -> None:
    calibrated(live)
    live.command({"do": "start_plan", "plan": "response-check"}, "test")
    live.feed(hold_trace(percent)[:1500])
    live.command({"do": "rate", "value": 7.0}, "test")
    live.feed(hold_trace(percent)[1500:2000])
    live.enter_phase(1)
    live.feed(hold_trace(percent)[2000:], band_state=band_state)
    live.feed(np.array([percent]), band_state=band_state, remaining_s=5.6, in_band_s=9.4, counted_s=11.9)
    if asking:
        live.change(ask={"id": 2, "text": "Discomfort now, 0-10?", "said": 4.5})


def cautions(live: FakeLive) -> None:
    """As it starts."""


def zero(live: FakeLive) -> None:
    live.command({"do": "accept_cautions"}, "test")


def maximum_idle(live: FakeLive) -> None:
    zero(live)
    live.command({"do": "zero"}, "test")


def _maximum(live: FakeLive, **changes: Any) -> None:
    maximum_idle(live)
    live.change(maximum=live.state()["maximum"] | changes)


def maximum_countdown(live: FakeLive) -> None:
    _maximum(live, step="countdown")
    live.show(remaining_s=2.4)


def maximum_push(live: FakeLive) -> None:
    _maximum(live, step="push", number=2, attempts=[attempt(1, 402.2)])
    live.show(remaining_s=3.2)


def maximum_rest(live: FakeLive) -> None:
    spike = attempt(2, 431.0, accepted=False, reason="a spike: its peak lies 31 % above the best 0.5 s")
    _maximum(live, step="rest", number=3, attempts=[attempt(1, 402.2), spike])
    live.show(remaining_s=44.1)


def maximum_settled(live: FakeLive) -> None:
    maximum_idle(live)
    for _ in range(3):
        live.command({"do": "attempt"}, "test")


def ready(live: FakeLive) -> None:
    maximum_settled(live)
    live.command({"do": "accept_maximum"}, "test")


def passive(live: FakeLive) -> None:
    calibrated(live)
    live.command({"do": "start_plan", "plan": "response-check"}, "test")
    live.feed(hold_trace(0)[:1000], band_state=0, remaining_s=10.0)


def below(live: FakeLive) -> None:
    holding(live, 48.4, 1)


def inside(live: FakeLive) -> None:
    holding(live, 71.3, 2, asking=True)


def above(live: FakeLive) -> None:
    holding(live, 93.7, 3)


def moving(live: FakeLive) -> None:
    """A ramp up, half way: the band is where it is now, and lies on the strip as it went."""
    _moving(live, [10, 20], {"ramp": [[50, 60], [50, 60]]}, 47.0)


def blind(live: FakeLive) -> None:
    """A stretch without the number."""
    _moving(live, [20, 30], {"blind": [[6, 18]]}, 25.0)


def to_fatigue(live: FakeLive) -> None:
    """The second set of a plan that goes on until the band is lost."""
    _moving(live, [80, 100], {"until": "band lost"}, 88.0)
    live.change(
        training={
            "expected_s": 14.2,
            "source": "three-compartment model of the knee",
            "lost_s": [15.4],
            "hard_s": 21.0,
            "said": "",
        }
    )


EARLY = {"what": "a set now would last about 6 s of 15 s (three-compartment model of the knee)", "over_s": 90.0}


def held_back(live: FakeLive) -> None:
    """A rest between sets: the next would be wasted, and only the coach may insist."""
    to_fatigue(live)
    live.enter_phase(2)
    live.feed(hold_trace(2.0)[:1], band_state=0)
    rest = {"kind": "rest", "title": "Rest", "band": None}
    training = live.state()["training"] | {"said": "95 s of rest", "held_back": EARLY | {"why_not": ""}}
    live.change(phase=live.state()["phase"] | rest, band=None, training=training)


def held_back_by_pain(live: FakeLive) -> None:
    """The same after a set that hurt: nobody may insist."""
    held_back(live)
    hurt = EARLY | {"why_not": "discomfort 7.5 was near the agreed limit of 8"}
    live.change(training=live.state()["training"] | {"held_back": hurt})


def early(live: FakeLive) -> None:
    """Before a plan of sets, soon after other sets."""
    ready(live)
    live.change(
        asked={
            "since": {"utc": "", "open": False, "said": "", "caution": ""},
            "expect": {"question": "What will contracting do?", "answers": {"less": "less discomfort"}, "said": ""},
            "end": {"said": "", "caution": ""},
            "range": {"plans": [], "places": [], "wanted": False, "readings": []},
            "refused": {},
            "early": {"hard-hold": EARLY | {"why_not": ""}},
        }
    )


def lessons(live: FakeLive) -> None:
    """Between two repeats of a lesson: how the last one was, and how far the course has come."""
    holding(live, 4.0, 0)
    live.enter_phase(2)
    plan = live.state()["plan"] | {"title": "Lesson: hold it lightly", "lesson": "light"}
    said = "with the number 2.1 % off, 1.5 too low on average; without it 4.0 % off, 3.1 too low on average"
    one = {"name": "light", "title": "Hold it lightly", "n": 3, "passed": False}
    course = {
        "next": "light",
        "last": {"lesson": "light", "said": said, "short": "2.1 % off, blind 4.0 %"},
        "check_again": False,
        "lessons": [one | {"said": "2 of 3 kept; a falling error passes, or 16 more kept in a row"}],
    }
    live.change(plan=plan, course=course)


def _moving(live: FakeLive, band: list[float], shape: dict[str, Any], percent: float) -> None:
    calibrated(live)
    live.command({"do": "start_plan", "plan": "response-check"}, "test")
    live.feed(hold_trace(0)[:2000])
    live.enter_phase(1)
    plan = live.state()["plan"]
    phase = live.state()["phase"] | shape | {"band": band, "since_s": 20.0, "duration_s": 20.0}
    phases = [phase if each["index"] == 1 else each | {"band": None} for each in plan["phases"]]
    live.change(plan=plan | {"phases": phases}, phase=phase, band=band)
    live.feed(hold_trace(percent)[2000:2800], band_state=2, remaining_s=12.0, in_band_s=5.0, counted_s=6.0)


def far_above(live: FakeLive) -> None:
    holding(live, 127.2, 3)


def light(live: FakeLive) -> None:
    holding(live, 24.6, 2)
    plan = live.state()["plan"]
    phases = [phase | {"band": [20, 30] if phase["band"] else None} for phase in plan["phases"]]
    live.change(plan=plan | {"phases": phases}, band=[20, 30], phase=live.state()["phase"] | {"band": [20, 30]})


SCALES = ({"file": "S1-force_left-20261120.json", "sensor": "S1", "utc": "2026-11-20T09:00:00+00:00"}, None)
MAXIMA: tuple[dict[str, Any], ...] = (
    {"strength": 412.3, "method": "attempts", "utc": "2026-11-25T18:04:00+00:00", "n_attempts": 3},
    {"strength": 309.1, "method": "carried", "utc": "2026-11-18T18:30:00+00:00", "n_attempts": 3},
)


def two_channels(live: FakeLive, names: tuple[str, str], kinds: tuple[str, str], *, guide: int = 0) -> None:
    """Two calibrated channels; the levels so far are taken for both."""
    live.change(
        channels=[
            {
                "name": name,
                "kind": kind,
                "unit": "N" if kind == "force" else "uV",
                "calibrated": True,
                "problem": None,
                "guide": k == guide,
                "beside": k != guide,
                "can_guide": True,
                "in_use": in_use(
                    scale=SCALES[k], zeroed_s=0.0, maximum=MAXIMA[k] | {"unit": "N" if kind == "force" else "uV"}
                ),
            }
            for k, (name, kind) in enumerate(zip(names, kinds, strict=True))
        ]
    )


def holding_two(live: FakeLive, percent: tuple[float, float], band_state: int, beside_state: int) -> None:
    """As ``holding``, for two channels; the first guides."""
    two_channels(live, ("force_left", "force_right"), ("force", "force"))
    live.command({"do": "start_plan", "plan": "response-check"}, "test")
    rows = np.stack([hold_trace(each) for each in percent], axis=1)
    live.feed(rows[:2000])
    live.enter_phase(1)
    live.feed(rows[2000:])
    live.feed(
        np.array([percent]),
        band_state=band_state,
        beside_state=beside_state,
        remaining_s=5.6,
        in_band_s=9.4,
        counted_s=11.9,
    )


def two_sides(live: FakeLive) -> None:
    holding_two(live, (71.3, 48.4), 2, 1)


def two_sides_right(live: FakeLive) -> None:
    """The right side is judged and above the band; the left keeps its place on the screen."""
    holding_two(live, (127.2, 104.4), 3, 3)
    two_channels(live, ("force_left", "force_right"), ("force", "force"), guide=1)
    live.change(ask={"id": 2, "text": "Discomfort now, 0-10?", "said": 4.5})


def two_kinds(live: FakeLive) -> None:
    holding_two(live, (52.0, 71.0), 1, 2)
    two_channels(live, ("force", "emg"), ("force", "emg"))


def two_letting_go(live: FakeLive) -> None:
    holding_two(live, (3.0, 2.0), 0, 0)
    live.enter_phase(2)


def two_ready(live: FakeLive) -> None:
    """Both calibrated; the coach may choose which of them to go by."""
    ready(live)
    two_channels(live, ("force_left", "force_right"), ("force", "force"))


def two_lost(live: FakeLive) -> None:
    """The channel beside is lost; the guide is not."""
    holding_two(live, (71.3, 48.4), 2, 0)
    channels = live.state()["channels"]
    live.change(channels=[channels[0], channels[1] | {"problem": {"what": "signal lost", "cure": "check the cable"}}])


def offered(live: FakeLive) -> None:
    """Before a contraction of a plan that adapts."""
    holding(live, 4.0, 0)
    plan = live.state()["plan"]
    phases = [p | {"adapt": [10, 80], "band": [45, 55]} if p["band"] else p for p in plan["phases"]]
    live.change(plan=plan | {"phases": phases})
    live.enter_phase(2)
    reason = "a contraction at 50 % is expected to say most about how much is enough"
    live.change(choice={"phase_index": 3, "band": [45, 55], "by": "rule", "reason": reason})


def lost(live: FakeLive) -> None:
    holding(live, 71.3, 2)
    live.feed(np.full(120, np.nan), band_state=0, stale=True)
    calibrated(live, problem={"what": "signal lost", "cure": "check the cable"})


def clipping(live: FakeLive) -> None:
    holding(live, 71.3, 2)
    calibrated(live, problem={"what": "signal clips at the converter's upper limit", "cure": "lower the gain"})


def uncalibrated(live: FakeLive) -> None:
    holding(live, math.nan, 0)
    calibrated(live, calibrated=False)


def position(live: FakeLive) -> None:
    """The coach is asked about the contraction that has just ended, and the maximum is in doubt."""
    holding(live, 4.0, 0)
    live.enter_phase(2)
    doubt = {
        "kind": "above maximum",
        "channel": "force",
        "seen": "112 % of the maximum, held for 0.5 s",
        "strength": 459.4,
        "unit": "N",
        "at_s": 31.0,
        "advice": "this does not fit a maximum of 410 N; at least 459.4 N would; first maxima are often low",
    }
    live.change(ask_position={"phase_index": 1}, doubts=[doubt])


def effort_asked(live: FakeLive) -> None:
    """Without a sensor, after a contraction: the athlete is asked how hard it was."""
    passive(live)
    plan = live.state()["plan"]
    phases = [phase | ({"band": None, "felt": 2} if phase["band"] else {}) for phase in plan["phases"]]
    channel = {"name": "rating", "kind": "rating", "unit": "1/100", "calibrated": False, "problem": None, "guide": True}
    live.change(by_feel=True, channels=[channel], plan=plan | {"phases": phases})
    live.enter_phase(2)
    live.change(ask_effort={"phase_index": 1})


def another_device(live: FakeLive) -> None:
    """In the middle of a hold another board answers, and the coach is asked what holds."""
    holding(live, 71.3, 2)
    live.change(message=ask_about_device("1A2B3C4D"))


def resting(live: FakeLive) -> None:
    """A rest out of the stretch, in a plan."""
    holding(live, 3.0, 0)
    plan = live.state()["plan"]
    rest = {"kind": "rest", "title": "Rest", "band": None}
    phases = [phase | (rest if phase["index"] == 2 else {}) for phase in plan["phases"]]
    live.change(plan=plan | {"phases": phases})
    live.enter_phase(2)
    live.feed(np.full(30, 3.0), band_state=0, remaining_s=14.3)


def paused(live: FakeLive) -> None:
    """Without a signal the phase stopped by itself; it goes on when somebody says so."""
    holding(live, 71.3, 2)
    live.pause("force: no signal for 3 s")


def doubted(live: FakeLive) -> None:
    """Numbers that no person gives, before the first attempt."""
    maximum_idle(live)
    sense = {"what": "force: with nothing on it it reads 85552 N", "cure": "it looks like grams: check the factor"}
    live.change(maximum=live.state()["maximum"] | {"sense": sense})


def stopped(live: FakeLive) -> None:
    holding(live, 71.3, 2)
    live.command({"do": "stop", "reason": "stopped by hand"}, "test")


def done(live: FakeLive) -> None:
    holding(live, 71.3, 2)
    for k, value in enumerate([7.0, 5.0, 7.0, 4.5, None, 5.0]):
        live.command({"do": "rate", "value": value}, "test")
        live.state()["ratings"][-1]["phase_index"] = k
    live.finish()


SCENES: dict[str, Callable[[FakeLive], None]] = {
    scene.__name__: scene
    for scene in (
        cautions,
        zero,
        maximum_idle,
        maximum_countdown,
        maximum_push,
        maximum_rest,
        maximum_settled,
        ready,
        passive,
        below,
        inside,
        above,
        far_above,
        moving,
        blind,
        to_fatigue,
        held_back,
        held_back_by_pain,
        early,
        lessons,
        light,
        two_sides,
        two_sides_right,
        two_kinds,
        two_letting_go,
        two_ready,
        two_lost,
        offered,
        lost,
        clipping,
        uncalibrated,
        position,
        effort_asked,
        another_device,
        resting,
        paused,
        doubted,
        stopped,
        done,
    )
}
SCENES |= CARE_SCENES
