"""Learning to contract: repeats are measured live as afterwards, the number fades, repeats decide what is passed."""

from __future__ import annotations

import numpy as np
import pytest

from biofeedback.account.fold import fold
from biofeedback.account.kinds import RepeatMade
from biofeedback.account.lessons import LESSONS
from biofeedback.analysis.trace import compute_trace
from biofeedback.errors import PlanError, SessionError
from biofeedback.model import Channel
from biofeedback.session.lessons import describe_course, describe_lesson, describe_repeat, measure_repeat, name_repeat
from biofeedback.session.plan import load_plan, parse_plan
from biofeedback.session.view import describe_session

from .conftest import Bench
from .test_training import Kept, force


@pytest.fixture
def bench(monkeypatch):
    made = Bench(joint="knee")
    made.items = []
    push = made.engine.push
    monkeypatch.setattr(made.engine, "push", lambda item: (made.items.append(item), push(item)))
    return made


def begin(bench, lesson, *, maximum=True):
    bench.ready() if maximum else bench.zero()
    bench.engine.offer_plan(load_plan(f"lesson-{lesson}"))
    bench.do(do="start_plan", plan=f"lesson-{lesson}")


def repeat_of(bench, place=-1):
    return bench.engine.account.repeats[place]


def contract(bench, lesson, percent):
    """One repeat: relaxed, then as ``percent`` (constant or a function of time) says."""
    phases = load_plan(f"lesson-{lesson}").phases
    bench.wait(phases[0].duration_s, 10.0)
    follow = percent if callable(percent) else lambda t: percent
    bench.wait(phases[1].duration_s, lambda t: force(follow(t)))


def made(lesson, kept, error=3.0):
    return RepeatMade(lesson=lesson, phase_index=1, error=error, kept=kept)


def test_finding_it_needs_no_maximum_and_is_steady_for_three_seconds_above_rest(bench):
    begin(bench, "find", maximum=False)
    contract(bench, "find", lambda t: 0.0 if t < 2 else 15.0)
    bench.wait(0.3, 10.0)
    assert repeat_of(bench).kept
    assert repeat_of(bench).steady_s == pytest.approx(2.0, abs=0.2)
    contract(bench, "find", lambda t: 15.0 * (1 + np.sin(4 * t)) / 2)  # comes and goes
    bench.wait(0.3, 10.0)
    assert not repeat_of(bench).kept
    assert repeat_of(bench).error == pytest.approx(8.0, abs=0.1)


def test_on_and_off_are_timed_from_their_cues(bench):
    begin(bench, "on-off", maximum=False)
    bench.wait(4.0, 10.0)
    bench.wait(4.0, lambda t: force(20.0 if t > 0.4 else 0.0))
    bench.wait(4.2, lambda t: force(20.0 if t < 0.6 else 0.0))
    one = repeat_of(bench)
    assert one.onset_s == pytest.approx(0.4, abs=0.06)
    assert one.release_s == pytest.approx(0.6, abs=0.15)
    assert one.kept
    assert one.error == pytest.approx(one.onset_s + one.release_s)
    assert one.phase_index == 1


def test_a_lesson_in_a_band_needs_a_maximum(bench):
    bench.zero()
    bench.engine.offer_plan(load_plan("lesson-light"))
    with pytest.raises(SessionError, match="there is no maximum yet"):
        bench.do(do="start_plan", plan="lesson-light")


def test_a_held_band_has_the_errors_by_their_definitions(bench):
    begin(bench, "light")
    contract(bench, "light", lambda t: 22.0 + 2 * np.sin(2 * np.pi * t))
    bench.wait(0.3, 10.0)
    one = repeat_of(bench)
    assert one.constant_error == pytest.approx(2.0, abs=0.1)
    assert one.rms_error == pytest.approx(np.sqrt(4 + 2), abs=0.12)  # sine of 2: mean square 2
    assert one.cv_percent == pytest.approx(100 * np.sqrt(2) / 22, abs=0.5)
    assert one.kept
    assert one.blind_rms_error is None


@pytest.mark.parametrize("lesson", ["find", "on-off", "ramp", "blind"])
def test_a_repeat_is_the_same_afterwards(bench, lesson):
    """From the recording's own levels, by the same function."""
    begin(bench, lesson)
    contract(bench, lesson, lambda t: 14.0 + 4 * np.sin(3 * t))
    bench.wait(load_plan(f"lesson-{lesson}").phases[0].duration_s, 10.0)
    live = repeat_of(bench)
    trace = compute_trace(Kept(bench, bench.items))
    phase = trace.phases[1]
    n = round(2.0 * trace.level_rate_hz)
    values = trace.level[:, 0]
    again = measure_repeat(
        lesson,
        1,
        percent=trace.percent[phase.first_level : phase.end_level, 0],
        values=values[phase.first_level : phase.end_level],
        before=values[phase.first_level - n : phase.first_level],
        after=values[phase.end_level : trace.phases[2].end_level] if lesson == "on-off" else np.empty(0),
        target=phase.target,
        level_rate_hz=trace.level_rate_hz,
        grace_s=phase.grace_s,
        delay_s=trace.delay_s[0],
    )
    assert again == live
    folded = fold(bench.events, channels=bench.engine.channels, settings=bench.engine.setup.to_settings())
    assert folded.repeats == bench.engine.account.repeats


def test_a_repeat_that_was_cut_short_is_none(bench):
    begin(bench, "light")
    bench.wait(8.0, 10.0)
    bench.wait(4.0, force(20))
    bench.do(do="stop")
    assert bench.engine.account.repeats == []


def test_the_share_of_the_wanted_muscle_is_told_with_two_channels():
    bench = Bench(Channel(name="force_other", kind="force", unit="N"))
    bench.zero()
    bench.do(do="typed_maximum", value=400, unit="N", channel="force")
    bench.do(do="typed_maximum", value=400, unit="N", channel="force_other")
    bench.engine.offer_plan(load_plan("lesson-light"))
    bench.do(do="start_plan", plan="lesson-light")
    bench.wait(8.0, 10.0)
    bench.others = [20.0]
    bench.wait(10.0, force(20))
    bench.wait(0.2, 10.0)
    assert repeat_of(bench).share_percent == pytest.approx(80, abs=2)  # 20 % against 5 %


def test_the_number_goes_away_as_the_error_falls_and_never_before(bench):
    begin(bench, "light")
    bench.engine.earlier_repeats = tuple(made("light", True, error) for error in (9, 9, 9, 4, 4, 4))
    contract(bench, "light", 20.0)
    bench.wait(0.3, 10.0)
    hidden = [phase.target.blind for phase in bench.engine.account.phases if phase.kind == "contract"]
    assert hidden == [((3.3, 10.0),)]
    shown = Bench(joint="knee")
    begin(shown, "light")
    contract(shown, "light", 20.0)
    assert shown.engine.account.phases[1].target.blind == ()
    one = repeat_of(bench)
    assert one.blind_rms_error is not None
    assert one.rms_error is None or one.rms_error < 1.0


@pytest.mark.parametrize(
    ("lesson", "measured", "said"),
    [
        ("find", {"steady_s": 2.04}, "steady after 2.0 s"),
        ("find", {}, "not steady yet"),
        ("on-off", {"onset_s": 0.34, "release_s": None}, "on 0.3 s, off –"),
        ("light", {"rms_error": 2.1, "blind_rms_error": 4.04}, "2.1 % off, blind 4.0 %"),
        ("ramp", {}, "not measured"),
    ],
)
def test_a_repeat_is_told_in_few_words_too(lesson, measured, said):
    assert name_repeat(RepeatMade(lesson=lesson, phase_index=1, **measured)) == said
    assert len(f"Last: {said}") <= 30


@pytest.mark.parametrize(
    ("lesson", "measured", "said"),
    [
        ("find", {"steady_s": 2.04}, "steady after 2.0 s"),
        ("find", {}, "not steady for 3 s yet"),
        ("on-off", {"onset_s": 0.34, "release_s": 0.4}, "on after 0.34 s, off after 0.40 s"),
        ("on-off", {"onset_s": 0.34, "release_s": None}, "no clear onset or release"),
    ],
)
def test_a_repeat_is_described_by_what_its_lesson_is_about(lesson, measured, said):
    assert describe_repeat(RepeatMade(lesson=lesson, phase_index=1, **measured)) == said


def test_the_course_leads_on_and_says_when_the_check_is_worth_doing_again(bench):
    course = describe_course([])
    assert course["next"] == "find"
    assert [lesson["name"] for lesson in course["lessons"]] == list(LESSONS)
    done = [made("find", True) for _ in range(14)]
    assert describe_course(done)["next"] == "on-off"
    assert describe_lesson("find", done) == "Passed: kept, clearly more often than seven times in ten."
    assert describe_lesson("on-off", done) == "not tried yet. Next for you."
    assert not describe_course(done)["check_again"]
    done += [made(lesson, True) for lesson in ("light", "steady") for _ in range(14)]
    assert describe_course(done)["check_again"]
    bench.engine.earlier_repeats = tuple(done)
    state = describe_session(bench.engine)
    assert state["course"]["next"] == "on-off"
    bench.engine.offer_plan(load_plan("response-check"))
    said = {plan["name"]: plan["expects"] for plan in describe_session(bench.engine)["plans"]}
    assert any("Worth doing again" in sentence for sentence in said["response-check"])


@pytest.mark.parametrize(
    ("text", "what"),
    [
        ('lesson = "dance"\n', "lesson = 'dance'"),
        ('lesson = "find"\n', "the lesson find without felt effort"),
        ('lesson = "light"\nrandomise = "pairs"\n', "a lesson in a randomised plan"),
    ],
)
def test_lessons_that_make_no_sense_are_refused_by_line(text, what):
    plan = (
        '[[block]]\n[[block.phase]]\nkind = "passive"\nduration_s = 5\n'
        '[[block.phase]]\nkind = "contract"\nduration_s = 5\nband = [20, 30]\n'
    )
    with pytest.raises(PlanError) as refused:
        parse_plan(text + plan, "own.toml")
    assert what in refused.value.what
    assert "line" in refused.value.what
