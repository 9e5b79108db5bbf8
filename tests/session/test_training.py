"""Sets to fatigue: the band is lost by one rule live and afterwards, rests follow recovery, nothing asks for more."""

from __future__ import annotations

from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from biofeedback.account.fold import fold
from biofeedback.account.target import Target
from biofeedback.analysis.fatigue import find_band_exit
from biofeedback.analysis.holds import HeldEmg, measure_holds
from biofeedback.analysis.trace import compute_trace
from biofeedback.calibration.band_loss import BandLoss
from biofeedback.errors import PlanError, SessionError
from biofeedback.model import Band, Chunk, Flag, Gap
from biofeedback.session.autopilot import Autopilot
from biofeedback.session.plan import parse_plan
from biofeedback.session.training import find_begun_wasted
from biofeedback.session.view import describe_session

from .conftest import RATE_HZ, Bench

SETS = """
name = "sets"
title = "Sets"
description = "for tests"
grace_s = 1.0
ask_before_end_s = 2.0
[[block]]
repeat = 3
[[block.phase]]
kind = "passive"
duration_s = 3
[[block.phase]]
kind = "contract"
duration_s = 30
band = [80, 100]
until = "band lost"
ask = true
[[block.phase]]
kind = "rest"
duration_s = 200
until = "recovered"
"""


class Kept:
    """What a bench recorded, as the analysis reads it."""

    def __init__(self, bench: Bench, items: list[Chunk | Gap]) -> None:
        self.channels, self.rate_hz = bench.engine.channels, RATE_HZ
        self.settings, self.events, self._items = bench.engine.setup.to_settings(), bench.events, items

    def items(self):
        return iter(self._items)


@pytest.fixture
def bench(monkeypatch):
    made = Bench(joint="knee")
    made.items = []
    push = made.engine.push
    monkeypatch.setattr(made.engine, "push", lambda item: (made.items.append(item), push(item)))
    return made


def begin(bench, text=SETS):
    bench.ready()
    bench.engine.offer_plan(parse_plan(text, "sets.toml"))
    bench.do(do="start_plan", plan="sets")
    bench.wait(3.0, 10.0)
    assert bench.engine.hold.phase.kind == "contract"


def force(percent):
    return 10.0 + 4.0 * percent


def phase_kind(bench):
    return bench.engine.hold.phase.kind


# -- the rule -----------------------------------------------------------------------------------------------------


def by_the_words(percent, known, low, n_needed, n_from):
    """The rule said plainly, level by level: below for so long in a row, once reached or after the grace."""
    entered, run = None, 0
    for k, value in enumerate(percent):
        if known[k] and value >= low[k] and entered is None:
            entered = k
        may = entered is not None or k >= n_from
        run = run + 1 if may and known[k] and value < low[k] else 0
        if run == n_needed:
            return entered, k + 1
    return entered, None


@settings(max_examples=200, deadline=None)
@given(
    runs=st.lists(
        st.tuples(st.sampled_from([85.0, 60.0, 110.0, float("nan"), -1.0]), st.integers(1, 260)), max_size=12
    ),
    cuts=st.lists(st.integers(1, 90), min_size=1, max_size=5),
    ramp=st.booleans(),
)
def test_the_rule_finds_the_same_level_however_the_levels_come_and_as_said_in_words(runs, cuts, ramp):
    percent = np.concatenate([np.full(n, value) for value, n in runs] or [np.empty(0)])
    flags = np.where(percent == -1.0, int(Flag.CLIPPED), 0).astype(np.uint16)
    target = Target(Band(80, 100), 10.0, ramp=(Band(55, 75),) if ramp else ())
    known = np.isfinite(percent) & (flags == 0)
    wanted = by_the_words(percent, known, target.level_edges(len(percent), 100.0)[0], 200, 100)
    whole = BandLoss(target, 100.0, grace_s=1.0)
    whole.take(percent, flags)
    pieces, at = BandLoss(target, 100.0, grace_s=1.0), 0
    while at < len(percent):
        n = cuts[at % len(cuts)]
        pieces.take(percent[at : at + n], flags[at : at + n])
        at += n
    assert (pieces.entered, pieces.left, pieces.found) == (whole.entered, whole.left, whole.found)
    assert whole.found == wanted[1]
    if wanted[0] is not None and (wanted[1] is None or wanted[0] < wanted[1]):
        assert whole.entered == wanted[0]


def test_a_blind_stretch_loses_no_band():
    target = Target(Band(20, 30), 20.0, blind=((4.0, 10.0),))
    percent = np.concatenate([np.full(400, 25.0), np.full(700, 5.0)])
    rule = BandLoss(target, 100.0)
    rule.take(percent, np.zeros(1100, np.uint16))
    assert rule.found is None  # 6 s of it were blind, one second was not
    rule.take(np.full(100, 5.0), np.zeros(100, np.uint16))
    assert rule.found == 1200


# -- in a session -------------------------------------------------------------------------------------------------


def test_a_contraction_ends_two_seconds_after_the_band_was_left_and_asks_at_once(bench):
    begin(bench)
    bench.wait(8.0, force(90))
    left = bench.engine.level
    bench.wait(1.9, force(70))
    assert phase_kind(bench) == "contract"
    bench.wait(0.4, force(70))
    assert phase_kind(bench) == "rest"
    event = bench.last("phase_end")
    assert event.data["why"] == "band lost"
    assert event.data["by"] == "rule"
    assert abs(event.frame - left - 200) <= 10  # the levels' filter passes 80 % a few hundredths later
    assert bench.engine.hold.ask.phase_index == 1
    bench.do(do="rate", value=5, ask=bench.engine.hold.ask.id)
    phase = next(phase for phase in bench.engine.account.phases if phase.kind == "contract")
    assert phase.ended_for == "band lost"
    rating = bench.engine.account.ratings[-1]
    assert (rating.value, rating.phase_number) == (5, phase.number)
    again = fold(bench.events, channels=bench.engine.channels, settings=bench.engine.setup.to_settings())
    assert again == bench.engine.account


@pytest.mark.parametrize("piece", [1, 7, 33, 400])
def test_live_and_afterwards_lose_the_band_at_the_same_level_whatever_the_chunks(bench, piece):
    begin(bench)
    rng = np.random.default_rng(4)
    wave = np.concatenate([np.full(900, 90.0), np.linspace(90, 60, 700)]) + rng.normal(0, 3, 1600)
    for start in range(0, 1600, piece):
        part = force(wave[start : start + piece])[:, None]
        bench.engine.push(Chunk(bench.frame + start, part))
        if bench.engine.hold.phase.kind != "contract":
            break
    bench.frame += start + len(part)
    bench._collect()
    live = next(iter(bench.engine.sets_done.values()))
    trace = compute_trace(Kept(bench, bench.items))
    row = measure_holds(trace, HeldEmg(trace.account, trace.channels, trace.rate_hz))[0]
    assert row.exit.left_s == live.lost_s
    assert row.phase.ended_for == "band lost"
    assert not row.phase.cut_short
    moved = bench.last("phase_end").frame // trace.hop
    assert moved == row.phase.first_level + round((live.lost_s + 2.0) * trace.level_rate_hz) == row.phase.end_level
    span = slice(row.phase.first_level, row.phase.end_level)
    direct = find_band_exit(trace.percent[span, 0], level_rate_hz=trace.level_rate_hz, low_percent=80)
    assert direct.left_s == live.lost_s


def test_a_band_that_is_never_reached_is_lost_after_the_grace(bench):
    begin(bench)
    bench.wait(3.4, force(60))
    assert phase_kind(bench) == "rest"
    assert not next(iter(bench.engine.sets_done.values())).reached


def test_the_longest_duration_always_holds(bench):
    begin(bench)
    bench.wait(29.5, force(90))
    assert phase_kind(bench) == "contract"
    bench.wait(1.0, force(90))
    assert phase_kind(bench) == "rest"
    assert not [event for event in bench.events if event.kind == "phase_end"]
    assert bench.engine.account.phases[1].ended_for == ""


def test_what_the_sensor_loses_is_no_fatigue(bench):
    begin(bench)
    bench.wait(5.0, force(90))
    bench.wait(1.5, force(60))
    for start in range(0, 250, 10):
        bench.engine.push(Gap(bench.frame + start, 10, "lost"))
    bench.frame += 250
    bench._collect()
    bench.wait(0.4, force(90))
    bench.wait(1.2, force(60))
    assert phase_kind(bench) == "contract"
    for start in range(0, 400, 10):
        bench.engine.push(Gap(bench.frame + start, 10, "lost"))
    bench.frame += 400
    bench._collect()
    assert bench.engine.hold.paused == "force: no signal for 3 s"
    assert "phase_end" not in bench.kinds()


def test_a_blind_stretch_whose_signal_is_lost_is_paused_like_any(bench):
    blind = SETS.replace("duration_s = 30", "duration_s = 30\nblind = [[2, 28]]")
    begin(bench, blind)
    bench.wait(5.0, force(90))
    assert bench.engine.hold.is_blind
    assert int(bench.engine.hold.band_state) == 0
    for start in range(0, 400, 10):
        bench.engine.push(Gap(bench.frame + start, 10, "lost"))
    bench.frame += 400
    bench._collect()
    assert bench.engine.hold.paused == "force: no signal for 3 s"


def test_stop_and_the_agreed_limit_end_a_set_as_ever(bench):
    begin(bench)
    bench.do(do="limit", value=6)
    bench.wait(4.0, force(90))
    bench.do(do="rate", value=6)
    assert bench.engine.account.stopped
    assert bench.engine.hold is None
    bench.do(do="resume")
    with pytest.raises(SessionError, match="stopped today: discomfort 6"):
        bench.do(do="start_plan", plan="sets")


def lose(bench, hold_s, height=90.0):
    bench.wait(hold_s, force(height))
    bench.wait(2.3, force(min(50.0, height - 30)))
    assert phase_kind(bench) == "rest"


def to_next_set(bench):
    for _ in range(400):
        if phase_kind(bench) == "contract":
            return
        bench.wait(1.0, 10.0)
    raise AssertionError("no other set came")


def test_a_rest_lasts_until_the_model_has_recovered_and_says_so(bench):
    begin(bench)
    lose(bench, 12.0)
    said = bench.engine.account.phases[-1]
    event = [event for event in bench.events if event.kind == "phase"][-1]
    assert 30 <= said.planned_s < 200
    assert event.data["reason"].startswith(f"{said.planned_s:.0f} s of rest")
    assert "three-compartment model of the knee" in event.data["reason"]
    state = describe_session(bench.engine)["training"]
    assert state["lost_s"] == [pytest.approx(12.0, abs=0.2)]
    assert state["hard_s"] == pytest.approx(14.2, abs=0.3)
    assert state["said"] == event.data["reason"]
    short = Bench(joint="knee")
    begin(short)
    lose(short, 5.0)
    assert short.engine.account.phases[-1].planned_s < said.planned_s  # a shorter set needs less


def test_own_times_lead_from_the_third_on(bench):
    begin(bench)
    sources = []
    for seconds in (20.0, 16.0, 15.0):
        lose(bench, seconds)
        sources.append(bench.engine.hold.sets.said)
        if seconds != 15.0:
            to_next_set(bench)
    assert bench.engine.hold.next_phase is None
    assert bench.engine.hold.phase.duration_s < 200  # the last rest follows recovery, too
    assert "three-compartment" in sources[1]
    assert "the athlete's own 3 times" in sources[2]
    ready = bench.engine.sets
    assert [one.lost_s for one in ready] == pytest.approx([20, 16, 15], abs=1.3)


def test_a_set_that_would_be_wasted_is_not_offered_yet_and_a_coach_can_insist(bench):
    begin(bench, SETS.replace('duration_s = 200\nuntil = "recovered"', "duration_s = 5"))
    lose(bench, 14.0)
    bench.wait(5.2, 10.0)
    assert phase_kind(bench) == "rest"
    event = bench.last("phase_end")
    assert event.data["why"].startswith("not yet: a set now would last about")
    assert event.data["seconds"] > 5
    with pytest.raises(SessionError, match="not yet"):
        bench.do(do="end_phase")
    early = describe_session(bench.engine)["training"]["held_back"]
    assert early["what"].startswith("a set now would last about")
    assert bench.engine.level / bench.engine.level_rate_hz < early["over_s"] < 200
    assert early["why_not"] == ""
    bench.do(do="end_phase", anyway=True)
    bench.wait(0.2, 10.0)
    assert phase_kind(bench) == "passive"
    kept = bench.last("phase_end").data
    assert kept["why"].startswith("begun all the same; not yet: a set now would last about")
    assert kept["by"] not in ("rule", "program", "")


def test_nobody_insists_on_a_set_soon_after_one_that_hurt(bench):
    begin(bench, SETS.replace('duration_s = 200\nuntil = "recovered"', "duration_s = 5"))
    lose(bench, 14.0)
    bench.do(do="rate", value=7, ask=bench.engine.hold.ask.id)
    bench.wait(1.0, 10.0)
    assert "near the agreed limit of 8" in describe_session(bench.engine)["training"]["held_back"]["why_not"]
    with pytest.raises(SessionError, match="the last set hurt: discomfort 7") as refused:
        bench.do(do="end_phase", anyway=True)
    assert "licensed professional" in refused.value.cure
    assert phase_kind(bench) == "rest"


def test_a_plan_whose_first_set_would_be_wasted_is_not_begun_unless_a_coach_insists(bench):
    begin(bench)
    lose(bench, 14.0)
    bench.do(do="rate", value=3, ask=bench.engine.hold.ask.id)
    bench.do(do="stop")
    bench.do(do="explain_stop", why="enough")
    bench.do(do="resume")
    early = describe_session(bench.engine)["asked"]["early"]
    assert early["sets"]["what"].startswith("a set now would last about")
    with pytest.raises(SessionError, match="not yet: a set now would last") as refused:
        bench.do(do="start_plan", plan="sets")
    assert refused.value.cure == "rest out of the stretch first, or start all the same"
    light = SETS.replace("[80, 100]", "[10, 20]").replace('"sets"', '"light"').replace('until = "band lost"\n', "")
    bench.engine.offer_plan(parse_plan(light, "light.toml"))
    assert "light" not in describe_session(bench.engine)["asked"]["early"]  # a plan without sets is not held back
    bench.do(do="start_plan", plan="sets", anyway=True)
    assert bench.engine.hold
    assert bench.last("note").data["text"].startswith("begun all the same; not yet: a set now would last about")


def test_once_rested_the_plan_begins_as_ever(bench):
    begin(bench)
    lose(bench, 14.0)
    bench.do(do="stop")
    bench.do(do="explain_stop", why="enough")
    bench.do(do="resume")
    wait_s = describe_session(bench.engine)["asked"]["early"]["sets"]["over_s"]
    bench.wait(wait_s - bench.engine.level / bench.engine.level_rate_hz + 1.0, 10.0)
    assert describe_session(bench.engine)["asked"]["early"] == {}
    bench.do(do="start_plan", plan="sets")
    assert bench.engine.hold


def test_when_a_set_may_begin_is_told_in_session_time(bench):
    begin(bench, SETS.replace('duration_s = 200\nuntil = "recovered"', "duration_s = 5"))
    lose(bench, 14.0)
    bench.wait(2.0, 10.0)
    engine = bench.engine
    now_s = engine.level / engine.level_rate_hz
    waste = engine.hold.find_waste(engine.level)
    held_back = describe_session(engine)["training"]["held_back"]
    assert held_back["over_s"] == pytest.approx(now_s + waste.wait_s, abs=0.06)
    assert describe_session(engine)["training"]["lost_s"] == [pytest.approx(14.0, abs=0.5)]
    assert describe_session(engine)["training"]["hard_s"] == pytest.approx(16.0, abs=0.5)
    bench.do(do="stop")
    bench.do(do="explain_stop", why="enough")
    bench.do(do="resume")
    early = describe_session(engine)["asked"]["early"]["sets"]
    ready = find_begun_wasted(engine.plans["sets"], engine.sets, now_s, "knee")
    assert early["over_s"] == pytest.approx(now_s + ready.wait_s, abs=0.06)


def test_a_simulated_coach_waits_until_a_plan_of_sets_is_worth_it(bench):
    begin(bench)
    lose(bench, 14.0)
    bench.do(do="stop")
    bench.do(do="explain_stop", why="enough")
    bench.do(do="resume")
    pilot = Autopilot(["sets"])
    assert pilot.next_command(bench.engine, None) is None
    wait_s = describe_session(bench.engine)["asked"]["early"]["sets"]["over_s"]
    bench.wait(wait_s - bench.engine.level / bench.engine.level_rate_hz + 1.0, 10.0)
    assert pilot.next_command(bench.engine, None) == {"do": "start_plan", "plan": "sets"}


def test_nobody_insists_on_a_plan_of_sets_after_pain(bench):
    begin(bench)
    lose(bench, 14.0)
    bench.do(do="rate", value=7.5, ask=bench.engine.hold.ask.id)
    bench.do(do="stop")
    bench.do(do="explain_stop", why="enough")
    bench.do(do="resume")
    with pytest.raises(SessionError, match="the last set hurt: discomfort 7"):
        bench.do(do="start_plan", plan="sets", anyway=True)
    bench.do(do="stop")
    bench.do(do="explain_stop", why="cramp")
    bench.do(do="resume")
    with pytest.raises(SessionError, match="a set was stopped today"):
        bench.do(do="start_plan", plan="sets", anyway=True)


def test_after_a_painful_set_the_next_is_lighter_and_stays_so(bench):
    begin(bench)
    bench.wait(10.0, force(90))
    bench.wait(2.3, force(50))
    bench.do(do="rate", value=7.5, ask=bench.engine.hold.ask.id)
    to_next_set(bench)
    assert bench.engine.hold.phase.band == Band(60, 80)
    choice = bench.last("choice").data
    assert choice["reason"] == "lighter: discomfort 7.5 was near the agreed limit of 8"
    lose(bench, 8.0, 70)
    bench.do(do="rate", value=1, ask=bench.engine.hold.ask.id)
    to_next_set(bench)
    assert bench.engine.hold.phase.band.high_percent <= 80  # less discomfort asks for no more


def test_a_falling_best_push_makes_the_next_set_lighter(bench):
    begin(bench)
    lose(bench, 10.0, 99)
    to_next_set(bench)
    lose(bench, 6.0, 82)
    to_next_set(bench)
    assert bench.engine.hold.phase.band == Band(60, 80)
    assert "fell from 99 to 82 %" in bench.last("choice").data["reason"]


def test_after_pain_no_hard_set_is_offered_that_day(bench):
    begin(bench)
    bench.wait(5.0, force(90))
    bench.do(do="stop")
    bench.do(do="explain_stop", why="cramp")
    bench.do(do="resume")
    with pytest.raises(SessionError, match="a set was stopped today \\(cramp\\)") as refused:
        bench.do(do="start_plan", plan="sets")
    assert "licensed professional" in refused.value.cure
    light = SETS.replace("[80, 100]", "[20, 30]").replace('"sets"', '"light"')
    bench.engine.offer_plan(parse_plan(light, "light.toml"))
    bench.do(do="start_plan", plan="light")
    assert bench.engine.hold


def test_after_a_fallen_maximum_no_hard_set_is_offered(bench):
    begin(bench)
    bench.do(do="stop")
    bench.do(do="resume")
    bench.do(do="typed_maximum", value=300, unit="N")
    with pytest.raises(SessionError, match="maximum fell today to 75 %"):
        bench.do(do="start_plan", plan="sets")


@settings(max_examples=6, deadline=None)
@given(ratings=st.lists(st.floats(0, 7.4), min_size=3, max_size=3))
def test_nothing_asks_for_more_because_discomfort_fell(ratings):
    bench = Bench(joint="knee")
    begin(bench)
    bands, index = [], 0
    while bench.engine.hold and index < 3:
        bands.append(bench.engine.hold.phase.band)
        lose(bench, 6.0, bands[-1].low_percent + 5)
        bench.do(do="rate", value=round(ratings[index] * 2) / 2)
        index += 1
        if index < 3:
            to_next_set(bench)
    assert all(later.high_percent <= earlier.high_percent for earlier, later in pairwise(bands))


# -- plan files ---------------------------------------------------------------------------------------------------


def refused(phase):
    text = f'title = "t"\n[[block]]\n[[block.phase]]\n{phase}\n'
    with pytest.raises(PlanError) as error:
        parse_plan(text, "plan.toml")
    return f"{error.value.what} | {error.value.cure}"


@pytest.mark.parametrize(
    ("phase", "line", "what"),
    [
        ('kind = "contract"\nband = [80, 100]\nuntil = "band lost"', 6, "until without a longest duration"),
        ('kind = "rest"\nuntil = "recovered"', 5, "until without a longest duration"),
        ('kind = "contract"\nduration_s = 9\nband = [20, 30]\nuntil = "tired"', 7, "until = 'tired'"),
        ('kind = "passive"\nduration_s = 9\nuntil = "band lost"', 6, "until in a passive phase"),
        ('kind = "contract"\nduration_s = 9\nfelt = 2\nuntil = "band lost"', 7, "without a band"),
        ('kind = "contract"\nduration_s = 9\nband = [20, 30]\nlost_s = 2', 7, "lost_s without until"),
        ('kind = "contract"\nduration_s = 9\nband = [20, 30]\nuntil = "band lost"\nlost_s = 0.1', 8, "lost_s = 0.1"),
        ('kind = "contract"\nduration_s = 9\nband = [20, 30]\nramp = [[90, 110]]', 7, "ramp to 90-110 %"),
        ('kind = "contract"\nduration_s = 9\nband = [20, 30]\nramp = [[0, 10]]', 7, "ramp to 0-10 %"),
        ('kind = "contract"\nduration_s = 9\nband = [20, 30]\nramp = [40, 50]', 7, "ramp = [40, 50]"),
        ('kind = "contract"\nduration_s = 9\nband = [20, 30]\nsteps = []', 7, "steps = []"),
        (
            'kind = "contract"\nduration_s = 9\nband = [20, 30]\nramp = [[4, 9]]\nsteps = [[4, 9]]',
            8,
            "a ramp and steps",
        ),
        ('kind = "contract"\nduration_s = 9\nband = [20, 30]\nblind = [[5, 12]]', 7, "blind = 12"),
        ('kind = "contract"\nduration_s = 9\nband = [20, 30]\nblind = [[5, 5.5]]', 7, "blind = [[5, 5.5]]"),
        ('kind = "contract"\nduration_s = 9\nband = [20, 30]\nblind = [[5, 7], [6, 8]]', 7, "blind ="),
        ('kind = "contract"\nduration_s = 9\nfelt = 1\nblind = [[5, 7]]', 7, "blind in a phase without a band"),
        ('kind = "passive"\nduration_s = 9\nsteps = [[4, 9]]', 6, "steps in a phase without a band"),
        ('kind = "contract"\nduration_s = 9\nband = [20, 30]\nadapt = [10, 60]\nramp = [[40, 50]]', 8, "adapts"),
    ],
)
def test_what_no_plan_can_mean_is_refused_by_its_line(phase, line, what):
    said = refused(phase)
    assert f"line {line}" in said
    assert what in said


def test_shapes_and_a_draw_do_not_go_together():
    text = SETS.replace('name = "sets"', 'name = "sets"\ndraw = "pairs"')
    with pytest.raises(PlanError, match="until in a randomised plan"):
        parse_plan(text, "plan.toml")
