"""Learning to contract: repeats are measured live as afterwards, the number fades, repeats decide what is passed."""

from __future__ import annotations

import numpy as np
import pytest

from biofeedback.account.fold import fold
from biofeedback.account.kinds import RepeatMade
from biofeedback.account.lessons import LESSONS
from biofeedback.account.target import Target
from biofeedback.analysis.trace import compute_trace
from biofeedback.errors import PlanError, SessionError
from biofeedback.model import Band, Channel
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
        ("on-off", {"onset_s": None, "release_s": 0.4}, "no clear onset or release"),
        ("light", {"rms_error": 2.1, "constant_error": -1.5}, "with the number 2.1 % off, 1.5 too low on average"),
        ("light", {"rms_error": 2.1, "constant_error": 1.5}, "with the number 2.1 % off, 1.5 too high on average"),
        ("light", {"rms_error": 2.1}, "with the number 2.1 % off, 0.0 too high on average"),
        (
            "blind",
            {"rms_error": 2.1, "constant_error": 0.0, "blind_rms_error": 4.0, "blind_constant_error": -3.0},
            "with the number 2.1 % off, 0.0 too high on average; without it 4.0 % off, 3.0 too low on average",
        ),
        (
            "light",
            {"rms_error": 2.1, "constant_error": 1.5, "share_percent": 79.6},
            "with the number 2.1 % off, 1.5 too high on average; 80 % of it from the wanted channel",
        ),
        ("light", {"share_percent": 79.6}, "not measured"),
    ],
)
def test_a_repeat_is_described_by_what_its_lesson_is_about(lesson, measured, said):
    assert describe_repeat(RepeatMade(lesson=lesson, phase_index=1, **measured)) == said


TARGET = Target(Band(20, 30), 4.0, blind=((2.0, 4.0),))


def measure(lesson, values, *, before=None, after=(), percent=None, beside=None, target=TARGET):
    """A repeat at 100 levels a second; rest is 10 +- 0.1 (above 10.3 is a contraction), the filter 0.05 s late."""
    values = np.asarray(values, float)
    return measure_repeat(
        lesson,
        3,
        percent=values if percent is None else np.asarray(percent, float),
        values=values,
        before=np.tile([9.9, 10.1], 50) if before is None else np.asarray(before, float),
        after=np.asarray(after, float),
        target=target,
        level_rate_hz=100.0,
        grace_s=0.5,
        delay_s=0.05,
        beside=None if beside is None else np.asarray(beside, float),
    )


@pytest.mark.parametrize(
    ("on_s", "off_s", "onset_s", "release_s", "kept"),
    [
        (0.35, 0.55, 0.3, 0.5, True),
        (1.05, 1.05, 1.0, 1.0, True),  # within a second of their cues
        (1.06, 0.55, 1.01, 0.5, False),
        (0.35, 1.06, 0.3, 1.01, False),
        (0.0, 0.0, 0.0, 0.0, True),  # never before the cue
        (0.35, None, 0.3, None, False),
        (None, 0.3, None, 0.25, False),
    ],
)
def test_on_and_off_by_their_own_numbers(on_s, off_s, onset_s, release_s, kept):
    time_s = np.arange(400) / 100.0
    values = 10 + 40.0 * (time_s >= (9 if on_s is None else on_s) - 1e-9)
    after = 10 + 40.0 * (time_s < (9 if off_s is None else off_s) - 1e-9)
    found = measure("on-off", values, after=after)
    assert (found.onset_s, found.release_s) == (
        pytest.approx(onset_s) if on_s is not None else None,
        pytest.approx(release_s) if off_s is not None else None,
    )
    assert found.kept is kept
    is_known = on_s is not None and off_s is not None
    assert found.error == (pytest.approx(onset_s + release_s) if is_known else None)
    assert found.phase_index == 3


def test_finding_it_by_its_own_numbers():
    found = measure("find", [10.0] * 120 + [20.0] * 300)
    assert (found.steady_s, found.error, found.kept) == (1.2, 1.2, True)
    found = measure("find", [10.0] * 121 + [20.0] * 299)
    assert (found.steady_s, found.error, found.kept) == (None, 4.2, False)
    found = measure("find", [20.0] * 420, before=[10.0] * 9)  # nobody knows what rest is
    assert (found.error, found.kept, found.onset_s) == (None, False, None)


def test_half_a_contractions_fall_is_not_let_go_and_a_tenth_of_it_is():
    """Of a median of 40 above rest, 4."""
    values = [50.0] * 300 + [90.0] * 100
    assert measure("on-off", values, after=[14.0] * 50).release_s == 0.0
    assert measure("on-off", values, after=[14.1] * 50).release_s is None
    assert measure("on-off", [5.0] * 400, after=[10.2] * 50).release_s == 0.0  # a pull below rest has no height


def test_a_band_with_and_without_the_number_by_their_own_numbers():
    percent = [90.0] * 50 + [27.0] * 150 + [21.0] * 200
    seen = {"constant_error": 2.0, "rms_error": 2.0, "blind_constant_error": -4.0, "blind_rms_error": 4.0}
    for lesson, error in (("light", 2.0), ("blind", 4.0)):
        found = measure(lesson, percent)
        assert found.error == pytest.approx(error)
        assert found.kept
        for name, value in seen.items():
            assert getattr(found, name) == pytest.approx(value), name
        assert (found.cv_percent, found.blind_cv_percent) == (pytest.approx(0.0), pytest.approx(0.0))
    off = measure("blind", [27.0] * 200 + [31.0] * 200)
    assert (off.error, off.kept) == (pytest.approx(6.0), False)
    only_seen = measure("blind", percent, target=Target(Band(20, 30), 4.0))
    assert only_seen.blind_rms_error is None
    assert only_seen.error == only_seen.rms_error  # nothing was blind: then what was seen counts


@pytest.mark.parametrize(
    ("percent", "beside", "share"),
    [
        ([20.0, 40.0], [10.0, 10.0], 75.0),
        ([20.0, np.nan], [20.0, 99.0], 50.0),
        ([20.0, 20.0], [-5.0, -5.0], 100.0),
        ([-5.0, -5.0], [20.0, 20.0], 0.0),
        ([-5.0, -5.0], [-5.0, -5.0], None),
        ([0.2, 0.2], [0.3, 0.3], 40.0),
        ([np.nan, 1.0], [1.0, np.nan], None),
        ([20.0, 20.0], None, None),
    ],
)
def test_the_share_of_the_wanted_channel_is_of_both_means(percent, beside, share):
    found = measure("on-off", [10.0] * 400, percent=percent, beside=beside).share_percent
    assert found == (None if share is None else pytest.approx(share))
    assert measure("light", percent, beside=beside).share_percent == found


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
