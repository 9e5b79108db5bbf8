"""Bands chosen on the way: on record before the phase, safe whatever was chosen, the coach's word last."""

import pytest

from biofeedback.errors import PlanError, SessionError
from biofeedback.model import Band
from biofeedback.session.adapting import Choice, HeldPhase, find_range, place_band
from biofeedback.session.plan import load_plan, parse_plan

from .conftest import SHORT_PLAN, Bench

ADAPTIVE = SHORT_PLAN.replace("band = [20, 30]", "band = [20, 30]\nadapt = [10, 80]").replace(
    "repeat = 2", "repeat = 3"
)


class Chooser:
    """Always wants ``effort``; keeps what it was asked with."""

    def __init__(self, effort):
        self.effort, self.asked = effort, []

    def __call__(self, held, **limits):
        self.asked.append(([(h.kind, h.effort_percent, h.rating) for h in held], limits))
        return Choice(self.effort, "it teaches most", {"points": []})


@pytest.fixture
def adaptive():
    bench = Bench(limit=9.0)
    bench.engine.plans["short"] = parse_plan(ADAPTIVE, "short.toml")
    bench.engine.choose = bench.chooser = Chooser(50.0)
    bench.ready()
    bench.do(do="start_plan", plan="short")
    return bench


def hold(bench, rating=6.0, force=10.0):
    """One phase of 3 s, rated in its last second."""
    bench.wait(2.5, force)
    if rating is not None:
        bench.do(do="rate", value=rating)
    bench.wait(0.5, force)


def choices(bench):
    return [event for event in bench.events if event.kind == "choice"]


def test_a_light_start_then_the_chosen_band(adaptive):
    hold(adaptive)
    assert adaptive.engine.hold.phase.band == Band(20, 30)
    assert not choices(adaptive)
    hold(adaptive, 5.0, force=110.0)
    hold(adaptive)
    phase = adaptive.last("phase")
    assert phase.data["band"] == [45, 55]
    choice = choices(adaptive)[-1]
    assert choice.frame < phase.frame
    assert choice.data["phase_index"] == phase.data["index"]
    assert choice.data["by"] == "rule"
    assert choice.data["points"] == []
    assert adaptive.engine.hold.plan.phases[5].band == Band(20, 30)  # the one after is still as written


def test_the_page_is_told_what_comes_before_it_begins(adaptive):
    from biofeedback.session.view import describe_session

    hold(adaptive)
    hold(adaptive, 5.0, force=110.0)
    state = describe_session(adaptive.engine)
    assert state["next"]["band"] == [45, 55]
    assert state["next"]["adapt"] == [10, 80]
    assert state["choice"]["reason"].startswith("it teaches most (at most 25 % above")


def test_the_chooser_sees_every_phase_held_with_its_effort_and_rating(adaptive):
    hold(adaptive, 6.0)
    hold(adaptive, 4.0, force=110.0)
    adaptive.wait(2.5, 10.0)
    adaptive.do(do="rate", value=7.0)
    held, limits = adaptive.chooser.asked[-1]
    assert [kind for kind, _, _ in held] == ["passive", "contract", "passive"]
    assert [rating for _, _, rating in held] == [6.0, 4.0, 7.0]
    assert held[1][1] == pytest.approx(25.0, abs=0.5)
    assert limits["low_percent"] == 15
    assert limits["high_percent"] == pytest.approx(50.0, abs=0.5)  # 25 points above what was held
    assert limits["top_percent"] == 75
    adaptive.do(do="correct", rating=2, value=9.0 - 4.5)
    assert adaptive.chooser.asked[-1][0][1][2] == 4.5


def test_the_coach_chooses_another_and_it_stays(adaptive):
    hold(adaptive)
    hold(adaptive, 5.0, force=110.0)
    adaptive.do(do="choose_band", low=30, high=40)
    hold(adaptive, 7.0)  # its rating would ask the rule again
    assert adaptive.last("phase").data["band"] == [30, 40]
    assert choices(adaptive)[-1].data["by"] == "coach"
    hold(adaptive, 5.0, force=110.0)
    hold(adaptive)
    assert choices(adaptive)[-1].data["by"] == "rule"  # the next one is offered again


@pytest.mark.parametrize("low_high", [(5, 40), (70, 90), (40, 40), (50, 40)])
def test_no_band_outside_what_the_plan_allows(adaptive, low_high):
    hold(adaptive)
    hold(adaptive, 5.0, force=110.0)
    with pytest.raises(SessionError):
        adaptive.do(do="choose_band", low=low_high[0], high=low_high[1])


def test_nothing_to_choose_outside_an_adaptive_plan(bench):
    bench.ready()
    bench.do(do="start_plan", plan="short")
    with pytest.raises(SessionError, match="not open"):
        bench.do(do="choose_band", low=30, high=40)


BAND, ALLOWED = Band(20, 30), Band(10, 80)


def held(*rows):
    return [HeldPhase(kind, index, effort, rating) for index, (kind, effort, rating) in enumerate(rows)]


@pytest.mark.parametrize(
    ("rows", "high", "word"),
    [
        ([("passive", 0, 5.0), ("contract", 25.0, 4.0), ("passive", 0, 5.0)], 50.0, "above what was held"),
        ([("passive", 0, 5.0), ("contract", 60.0, 4.0), ("passive", 0, 5.0)], 75.0, ""),
        ([("passive", 0, 5.0), ("contract", 60.0, 8.0), ("passive", 0, 8.0)], 60.0, "no harder"),
        ([("contract", 70.0, 9.0), ("rest", None, None), ("passive", 0, 3.0)], 25.0, "light only"),
    ],
)
def test_what_is_safe_is_decided_here(rows, high, word):
    found = find_range(BAND, ALLOWED, held(*rows), agreed_limit=9.0)
    assert (found.low_percent, found.high_percent, found.top_percent) == (15.0, high, 75.0)
    assert word in found.caution


def test_a_chooser_that_wants_too_much_gets_what_is_safe(adaptive):
    adaptive.chooser.effort = 200.0
    hold(adaptive)
    hold(adaptive, 8.5, force=110.0)  # half a point below the agreed limit
    hold(adaptive, 8.0)
    low, high = adaptive.last("phase").data["band"]
    assert (low + high) / 2 == pytest.approx(25.0, abs=0.5)


def test_a_band_is_moved_within_the_plan():
    assert place_band(95.0, BAND, ALLOWED) == Band(70, 80)
    assert place_band(0.0, BAND, ALLOWED) == Band(10, 20)
    assert place_band(50.0, BAND, ALLOWED) == Band(45, 55)


def test_the_built_in_plan_starts_light_and_says_that_it_adapts():
    plan = load_plan("dose-search")
    contractions = [phase for phase in plan.phases if phase.kind == "contract"]
    assert all(phase.adapt == Band(10, 60) and phase.band == Band(20, 30) for phase in contractions)
    assert plan.drawn is None
    assert "adapt" in plan.to_dict()["phases"][1]
    assert "adapt" not in plan.to_dict()["phases"][0]


@pytest.mark.parametrize(
    ("line", "words"),
    [
        ("band = [20, 30]\nadapt = [25, 80]", "start with inside it"),
        ("band = [20, 30]\nadapt = [80, 25]", "low below high"),
    ],
)
def test_mistakes_are_told_by_line(line, words):
    with pytest.raises(PlanError, match=words):
        parse_plan(SHORT_PLAN.replace("band = [20, 30]", line), "x.toml")


def test_a_draw_and_adapting_exclude_each_other():
    with pytest.raises(PlanError, match="not both"):
        parse_plan('randomise = "pairs"\n' + ADAPTIVE.lstrip(), "x.toml")


def test_a_lower_limit_is_thought_of_at_once(adaptive):
    hold(adaptive)
    hold(adaptive, 6.0, force=110.0)
    assert adaptive.engine.hold.next_phase.band == Band(45, 55)
    adaptive.do(do="limit", value=6.5)  # the last rating is near it now
    assert adaptive.engine.hold.next_phase.band == Band(20, 30)
    assert "near the agreed limit" in choices(adaptive)[-1].data["reason"]
