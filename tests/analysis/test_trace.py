"""Effort from the recording is the effort that was shown, and what was said is kept."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from biofeedback.account.fold import fold
from biofeedback.account.kinds import ZeroTaken
from biofeedback.account.values import Zero
from biofeedback.analysis.trace import compute_trace, list_ratings
from biofeedback.model import Channel, Chunk, Event, Flag, Gap, find_guide
from biofeedback.session.engine import Engine
from biofeedback.session.plan import parse_plan
from biofeedback.session.setup import Setup

from .made_session import FORCE, STRENGTH_N, ZERO_N, MadeSession, make_maximum

PLAN = """
title = "Two phases"
name = "two"
[[block]]
[[block.phase]]
kind = "passive"
duration_s = 2
[[block.phase]]
kind = "contract"
duration_s = 2
band = [20, 30]
"""


class WatchedEngine(Engine):
    """Keeps every effort that went to the page."""

    def __init__(self, rate_hz: float) -> None:
        super().__init__([FORCE], rate_hz, Setup(), [parse_plan(PLAN, "two.toml")])
        self.shown: list[np.ndarray] = []

    def _take(self, levels):
        push, kept = self.effort.push, self.shown
        self.effort.push = lambda piece: kept.append(push(piece)) or kept[-1]  # type: ignore[method-assign]
        try:
            super()._take(levels)
        finally:
            self.effort.push = push  # type: ignore[method-assign]


@settings(max_examples=15, deadline=None)
@given(st.lists(st.integers(1, 700), min_size=1, max_size=12), st.sampled_from([80.0, 250.0, 1000.0]), st.booleans())
def test_live_equals_afterwards_bit_for_bit(sizes: list[int], rate_hz: float, with_gap: bool) -> None:
    engine, made = WatchedEngine(rate_hz), MadeSession(rate_hz=rate_hz)
    rng = np.random.default_rng(0)

    def run(seconds: float, percent: float) -> None:
        end = made.frame + round(seconds * rate_hz)
        while made.frame < end:
            n = min(sizes[len(made.chunks) % len(sizes)], end - made.frame)
            force = ZERO_N + STRENGTH_N / 100 * percent + rng.normal(0, 0.3, (n, 1))
            lost = with_gap and len(made.chunks) == 7
            item = Gap(made.frame, n, "unplugged") if lost else Chunk(made.frame, force)
            made.chunks.append(item)
            made.frame += n
            engine.push(item)

    run(1, 0)
    engine.command({"do": "accept_cautions"})
    engine.command({"do": "zero"})
    run(5, 0)
    if not engine.account.zeros:  # the gap fell into the zero
        engine.emit(ZeroTaken(channels={"force": Zero(ZERO_N, 0.1)}))
    engine.command({"do": "typed_maximum", "channel": "force", "value": STRENGTH_N})
    engine.notice_device("A")
    run(0.73, 0)
    engine.command({"do": "start_plan", "plan": "two"})
    run(1, 3)
    engine.notice_device("B")
    run(1, 3)
    engine.command({"do": "device", "answer": "keep"})
    run(2.5, 25)
    made.events = engine.take_events()
    trace = compute_trace(made)
    shown = np.concatenate([effort.percent for effort in engine.shown])
    assert trace.percent.tobytes() == shown.tobytes()
    assert trace.flags.tobytes() == np.concatenate([effort.flags for effort in engine.shown]).tobytes()
    assert (trace.flags & Flag.STRANGER).any()
    assert trace.baseline.tobytes() == np.concatenate([effort.baseline for effort in engine.shown]).tobytes()
    assert np.isfinite(trace.percent).any()
    assert [phase.kind for phase in trace.phases] == ["passive", "contract"]


def test_effort_is_unknown_before_the_maximum_and_known_from_that_level_on() -> None:
    session = MadeSession()
    session.hold(2.0)
    session.happen("zero", channels={"force": {"level": ZERO_N, "sd": 0.1}})
    session.hold(1.0, 50.0)
    session.happen("maximum", **make_maximum())
    session.hold(2.0, 50.0)
    trace = compute_trace(session)
    at = session.events[-1].frame // trace.hop
    assert np.isnan(trace.percent[:at]).all()
    assert trace.percent[at:, 0] == pytest.approx(50.0, abs=0.5)
    assert trace.maximum_at(at * trace.hop, "force").strength == STRENGTH_N
    assert trace.maximum_at(at * trace.hop - 1, "force") is None
    assert trace.time_s[0] == pytest.approx(0.5 / trace.level_rate_hz)
    assert trace.duration_s == pytest.approx(5.0)


def test_one_outage_is_one_gap_however_often_it_was_noticed() -> None:
    session = MadeSession()
    session.hold(2.0)
    session.lose(0.3)
    session.lose(0.4)
    session.hold(1.0)
    session.lose(0.5)
    session.hold(1.0)
    trace = compute_trace(session)
    assert [(gap.first_frame, gap.n_frames) for gap in trace.gaps] == [(200, 70), (370, 50)]
    assert (trace.flags[205:265, 0] & Flag.MISSING).all()
    assert np.isnan(trace.level[205:265]).all()


def test_an_empty_recording_has_an_empty_trace() -> None:
    trace = compute_trace(MadeSession())
    assert trace.percent.shape == (0, 1)
    assert trace.phases == ()
    assert trace.duration_s == 0.0


def test_a_correction_replaces_the_value_and_keeps_every_original() -> None:
    events = [
        Event(100, "rating", {"value": 6.0, "phase_index": 0, "by": "coach"}),
        Event(200, "rating", {"value": None, "phase_index": 1, "by": "nobody"}),
        Event(300, "rating", {"corrects": 1, "value": 5.0, "phase_index": 0, "by": "coach"}),
        Event(400, "rating", {"corrects": 1, "value": 5.5, "phase_index": 0, "by": "coach"}),
        Event(500, "rating", {"corrects": 9, "value": 1.0, "by": "coach"}),
    ]
    first, second = list_ratings(fold(events, channels=(), settings={}), 100.0)
    assert (first.value, first.originals, first.time_s, first.phase_index) == (5.5, (6.0, 5.0), 1.0, 0)
    assert (second.number, second.value, second.originals) == (2, None, ())


def test_force_guides_before_muscle_activity() -> None:
    emg = Channel(name="emg", kind="emg", unit="uV", envelope=True)
    position = Channel(name="position", kind="position", unit="cm")
    assert find_guide([position, emg, FORCE]) == 2
    assert find_guide([position, emg]) == 1


def test_the_channel_that_was_chosen_guides() -> None:
    made = MadeSession(rate_hz=100.0, channels=(FORCE, Channel(name="emg", kind="emg", unit="uV", envelope=True)))
    assert compute_trace(made).guide == 0
    made.events.append(Event(0, "guide", {"channel": "emg", "by": "coach"}))
    assert compute_trace(made).guide == 1
    made.events.append(Event(0, "guide", {"channel": "of another version"}))
    assert compute_trace(made).guide == 1


def test_another_maximum_changes_the_past_and_not_the_file() -> None:
    engine, made = WatchedEngine(100.0), MadeSession(rate_hz=100.0)
    force = ZERO_N + STRENGTH_N / 4 + 0.01 * (np.arange(600) % 2)[:, None]
    made.chunks.append(Chunk(0, force))
    engine.emit(ZeroTaken(channels={"force": Zero(ZERO_N, 0.1)}))
    engine.command({"do": "typed_maximum", "channel": "force", "value": STRENGTH_N})
    made.events = engine.take_events()
    live = compute_trace(made)
    maximum = live.maximum_at(0, "force")
    assert maximum is not None
    doubled = compute_trace(made, maxima={"force": maximum.revised(2 * STRENGTH_N)})
    assert not live.is_recalibrated
    assert doubled.is_recalibrated
    np.testing.assert_allclose(doubled.percent[-100:], live.percent[-100:] / 2)
    assert compute_trace(made).percent.tobytes() == live.percent.tobytes()
    assert compute_trace(made, baseline="zero").baseline_method == "zero"
