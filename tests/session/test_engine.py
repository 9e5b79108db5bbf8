import itertools
from functools import cache

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from biofeedback.calibration.effort import EffortStream
from biofeedback.calibration.events import apply_event
from biofeedback.errors import SessionError
from biofeedback.model import Channel, Chunk, Flag, Gap, Levels
from biofeedback.session.engine import Engine
from biofeedback.session.setup import Setup
from biofeedback.session.view import describe_session
from biofeedback.signal.levels import LevelStream
from tests.session.conftest import Bench, make_plan


def test_the_whole_job(bench):
    bench.ready(height=400.0)
    assert bench.engine.stage == "ready"
    assert bench.engine.maxima["force"].strength == pytest.approx(400.0, rel=0.01)
    bench.do(do="start_plan", plan="short")
    bench.wait(2.5, 10.0)
    bench.do(do="rate", value=6)
    bench.wait(0.5, 10.0)
    assert bench.engine.hold.phase.kind == "contract"
    bench.wait(2.5, 110.0)
    assert bench.engine.hold.band_state == 2
    assert bench.engine.strip.since(bench.engine.level - 1)[1][0, 0, 0] == pytest.approx(25.0, abs=0.5)
    bench.do(do="rate", value=3.5)
    bench.wait(0.5, 110.0)
    for _ in range(3):
        bench.wait(2.5, 10.0)
        bench.do(do="rate", value=5)
        bench.wait(0.5, 10.0)
    assert bench.engine.stage == "done"
    assert [rating.value for rating in bench.engine.account.ratings] == [6, 3.5, 5, 5, 5]
    phases = [event.data["kind"] for event in bench.events if event.kind == "phase"]
    assert phases == ["passive", "contract", "passive", "contract", "passive", "end"]


def test_phases_begin_at_their_very_level(bench):
    bench.ready()
    bench.do(do="start_plan", plan="short")
    start = bench.frame
    bench.wait(16.0, 10.0)
    frames = [event.frame - start for event in bench.events if event.kind == "phase"]
    assert frames == [0, 300, 600, 900, 1200, 1500]


def test_no_answer_is_an_answer(bench):
    bench.ready()
    bench.do(do="start_plan", plan="short")
    bench.wait(3.0 + 4.0 + 0.1)
    rating = bench.last("rating")
    assert rating.data["value"] is None
    assert rating.data["phase_index"] == 0
    bench.wait(20)
    assert bench.kinds().count("rating") == 5
    assert bench.engine.stage == "done"


def test_the_last_prompt_stays_open_after_the_last_phase(bench):
    bench.ready()
    bench.do(do="start_plan", plan="short")
    bench.wait(15.5)
    assert bench.engine.hold.ask.phase_index == 4
    bench.do(do="rate", value=4)
    bench.wait(0.05)
    assert bench.engine.stage == "done"
    assert bench.last("rating").data["phase_index"] == 4
    assert bench.last("phase").data == {"kind": "end", "index": 4, "reason": "plan finished"}


def test_stop_ends_the_phase_at_once_and_is_recorded(bench):
    bench.ready()
    bench.do(do="start_plan", plan="short")
    bench.wait(4.0)
    frame = bench.frame
    bench.do(do="stop", reason="cramp")
    assert bench.engine.activity is None
    assert bench.engine.stage == "done"
    assert bench.last("stop").frame == bench.last("phase").frame == frame
    assert bench.last("stop").data["reason"] == "cramp"
    bench.do(do="resume")
    bench.do(do="start_plan", plan="short")
    assert bench.engine.stage == "plan"


def test_a_rating_at_the_agreed_limit_stops_the_hold(bench):
    bench.ready()
    bench.do(do="limit", value=8)
    bench.do(do="start_plan", plan="short")
    bench.wait(1.0)
    bench.do(do="rate", value=7.5)
    assert bench.engine.hold
    bench.do(do="rate", value=8)
    assert bench.engine.hold is None
    assert "agreed limit" in bench.last("stop").data["reason"]


@pytest.mark.parametrize("value", [11, -1, 3.3, "6", True, float("nan")])
def test_a_rating_outside_the_scale_is_refused(bench, value):
    bench.ready()
    bench.do(do="start_plan", plan="short")
    with pytest.raises(SessionError):
        bench.do(do="rate", value=value)
    assert "rating" not in bench.kinds()


def test_a_rating_is_corrected_by_a_later_entry_and_the_first_stays_on_record(bench):
    bench.ready()
    bench.do(do="start_plan", plan="short")
    bench.wait(2.5)
    bench.do(do="rate", value=6)
    bench.do(do="correct", rating=1, value=5)
    assert [(r.value, r.originals) for r in bench.engine.account.ratings] == [(5.0, (6.0,))]
    assert [e.data["value"] for e in bench.events if e.kind == "rating"] == [6.0, 5.0]


def test_attempts_that_disagree_ask_for_more(bench):
    bench.zero()
    for height in (400, 360, 350):
        bench.attempt(height)
    assert bench.engine.stage == "maximum"
    assert bench.engine.search.verdict().n_more == 2
    bench.attempt(395)
    assert bench.engine.stage == "ready"
    assert bench.engine.maxima["force"].n_attempts == 4


def test_rest_between_attempts_is_a_minute_by_default():
    bench = Bench(rest_s=Setup().rest_s)
    bench.zero()
    bench.do(do="attempt")
    bench.wait(3.0, 10.0)
    bench.wait(4.0, 400.0)
    with pytest.raises(SessionError, match="60 s of rest"):
        bench.do(do="attempt")


def test_a_rejected_attempt_is_kept_and_does_not_count(bench):
    bench.zero()
    bench.attempt(400)
    bench.do(do="reject_attempt", number=1, reason="heel lifted")
    bench.attempt(400)
    bench.attempt(400)
    assert bench.engine.stage == "maximum"
    bench.attempt(400)
    assert bench.engine.stage == "ready"
    assert bench.engine.search.to_dict()[0]["rejected"] == "heel lifted"


def test_an_attempt_too_short_is_refused_with_its_cure(bench):
    bench.zero()
    bench.do(do="attempt")
    bench.wait(3.0, 10.0)
    bench.wait(4.0, lambda t: 400.0 if 1 < t < 2 else 10.0)
    attempt = bench.last("attempt").data
    assert not attempt["accepted"]
    assert "3 s are needed; hold longer" in attempt["reason"]


def test_effort_is_not_clipped_at_one_hundred(bench):
    bench.ready(height=400.0)
    bench.do(do="start_plan", plan="short")
    bench.wait(3.0, 10.0)
    bench.wait(1.0, 10.0 + 2 * 400.0)
    assert bench.engine.strip.since(bench.engine.level - 1)[1][0, 0, 0] == pytest.approx(200.0, abs=1)


def test_a_moving_zero_is_refused(bench):
    bench.do(do="accept_cautions")
    bench.do(do="zero")
    bench.wait(2.0, lambda t: 10 + 100 * t)
    assert bench.engine.stage == "zero"
    assert "moves" in bench.engine.message["text"]


@pytest.mark.parametrize(
    ("message", "words"),
    [
        ({"do": "start_plan", "plan": "short"}, "cautions"),
        ({"do": "attempt"}, "cautions"),
        ({"do": "accept_maximum"}, "no attempt"),
        ({"do": "correct", "rating": 1, "value": 2}, "no rating"),
        ({"do": "limit", "value": 11}, "out of range"),
        ({"do": "reject_attempt", "number": 1}, "no attempt"),
    ],
)
def test_commands_out_of_place_say_why(bench, message, words):
    with pytest.raises(SessionError, match=words):
        bench.engine.command(message)


def test_an_attempt_needs_a_zero(bench):
    bench.do(do="accept_cautions")
    with pytest.raises(SessionError, match="no zero"):
        bench.do(do="attempt")


def test_an_unknown_command_is_refused(bench):
    with pytest.raises(SessionError, match="unknown command"):
        bench.engine.command({"do": "format_disk"})


def test_a_maximum_read_off_a_display_is_marked_as_typed(bench):
    bench.zero()
    bench.do(do="typed_maximum", channel="force", value=300)
    assert bench.last("maximum").data["method"] == "typed"
    assert bench.engine.stage == "ready"


def test_what_was_done_before_is_kept_and_the_last_word_counts(bench):
    bench.do(do="covariates", text="heat, massage")
    bench.do(do="covariates", text="heat")
    assert [event.data["covariates"] for event in bench.events if event.kind == "setup"] == [
        ["heat", "massage"],
        ["heat"],
    ]
    assert bench.engine.account.covariates == ["heat"]


def test_a_typed_maximum_skips_neither_cautions_nor_zero():
    bench = Bench()
    bench.do(do="typed_maximum", channel="force", value=300)
    assert bench.engine.stage == "cautions"
    bench.zero()
    assert bench.engine.stage == "ready"


def test_a_lost_signal_is_a_problem_with_a_cure_and_time_goes_on():
    bench = Bench()
    bench.ready()
    bench.do(do="start_plan", plan="short")
    bench.wait(1.0)
    bench.engine.push(Gap(bench.frame, 250, "no data"))
    bench.frame += 250
    assert bench.engine.problems[0]
    assert bench.engine.hold.phase.kind == "contract"
    bench.wait(1.0)
    assert bench.engine.problems[0] in (0, Flag.TENSION), "nothing was learnt of the position in the gap"


# -- live equals afterwards --------------------------------------------------------------------------------------

CHANNELS = [Channel(name="force", kind="force", unit="N"), Channel(name="emg", kind="emg", unit="uV")]
RATE_HZ = 1000.0


def play(chunk_sizes, seed=0, seconds=40):
    """A whole session fed in chunks of the given sizes; the same commands at the same frames (on the level grid)."""
    rng = np.random.default_rng(seed)
    n = round(seconds * RATE_HZ)
    counts = np.column_stack([10 + rng.normal(0, 0.3, n), rng.normal(0, 5, n)])
    push = slice(6300, 9900)
    counts[push, 0] += 300
    counts[push, 1] *= 40
    commands = {0: {"do": "accept_cautions"}, 1000: {"do": "zero"}, 3000: {"do": "attempt"}}
    commands |= {11000: {"do": "accept_maximum"}, 12000: {"do": "start_plan", "plan": "short"}}
    commands |= {14500: {"do": "rate", "value": 6}, 26000: {"do": "stop"}}
    engine = Engine(CHANNELS, RATE_HZ, Setup(), [make_plan()])
    events, efforts, items, frame, sizes = [], [], [], 0, iter(chunk_sizes)
    while frame < n:
        if frame in commands:
            engine.command(commands[frame])
        end = min([n, *(f for f in commands if f > frame), frame + next(sizes)])
        if 17000 <= frame < 18000:
            end = min(end, 18000)
            item = Gap(frame, end - frame, "no data")
        else:
            end = min([end, *(f for f in (17000, 18000) if f > frame)])
            item = Chunk(frame, counts[frame:end])
        items.append(item)
        level = engine.level
        engine.push(item)
        efforts.append(engine.strip.since(level)[1][0].copy())
        events += engine.take_events()
        frame = end
    return items, events, np.concatenate(efforts)


def recompute(items, events):
    """What the analysis does with a file: the same two streams, calibration events at their frames."""
    stream = LevelStream(CHANNELS, RATE_HZ)
    effort = EffortStream(CHANNELS, stream.level_rate_hz)
    levels = [stream.push(item) for item in items]
    values = np.concatenate([part.values for part in levels])
    flags = np.concatenate([part.flags for part in levels])
    cuts = sorted({event.frame // stream.hop for event in events} | {0, len(values)})
    parts = []
    for start, end in itertools.pairwise(cuts):
        for event in events:
            if event.frame // stream.hop == start:
                apply_event(effort, event)
        parts.append(effort.push(Levels(start, values[start:end], flags[start:end])).percent)
    return np.concatenate(parts)


@cache
def play_in_tens():
    return play(iter(lambda: 10, 0))


def test_the_played_session_reaches_its_plan():
    _, events, efforts = play_in_tens()
    kinds = [event.kind for event in events]
    assert {"zero", "attempt", "maximum", "plan", "phase", "ask", "rating", "stop"} <= set(kinds)
    assert np.isfinite(efforts).any()


@settings(max_examples=8, deadline=None)
@given(st.lists(st.integers(1, 400), min_size=1, max_size=12))
def test_efforts_do_not_depend_on_chunks_and_are_the_same_afterwards(sizes):
    def forever():
        while True:
            yield from (*sizes, 500)  # single frames among them, not 40 000 of them

    items, events, live = play(forever())
    _, reference_events, reference = play_in_tens()
    assert [(e.frame, e.kind, e.data) for e in events] == [(e.frame, e.kind, e.data) for e in reference_events]
    assert live.tobytes() == reference.tobytes()
    assert recompute(items, events).tobytes() == live.tobytes()


def ask_about(bench: Bench, device_id: str) -> None:
    bench.engine.notice_device(device_id)
    bench.wait(0.1)


def test_a_device_seen_before_anything_is_calibrated_is_the_one(bench):
    ask_about(bench, "A")
    ask_about(bench, "B")
    assert bench.engine.account.stranger == ""
    assert "device" not in bench.kinds()


def test_another_device_makes_the_numbers_doubtful_until_somebody_says_what_holds(bench):
    ask_about(bench, "A")
    bench.ready()
    ask_about(bench, "B")
    assert bench.last("device").data == {"id": "B", "state": "asked"}
    state = describe_session(bench.engine)
    assert "ID B" in state["message"]["text"]
    assert [action["command"]["answer"] for action in state["message"]["actions"]] == ["keep", "renew"]
    assert state["channels"][0]["problem"]["what"] == "force comes from another device"
    bench.do(do="device", answer="keep")
    bench.wait(1.0)
    assert bench.last("device").data == {"id": "B", "state": "kept", "by": "coach"}
    state = describe_session(bench.engine)
    assert (state["message"], state["channels"][0]["problem"]) == (None, None)
    assert bench.engine.maxima["force"].strength == pytest.approx(400.0, rel=0.01)
    for known in ("A", "B"):
        ask_about(bench, known)
        assert bench.engine.account.stranger == ""


def test_the_calibrated_device_that_comes_back_answers_the_question_itself(bench):
    ask_about(bench, "A")
    bench.ready()
    ask_about(bench, "B")
    ask_about(bench, "A")
    assert bench.last("device").data == {"id": "A", "state": "back"}
    bench.wait(1.0)
    assert describe_session(bench.engine)["channels"][0]["problem"] is None


def test_a_device_that_cannot_say_who_it_is_is_not_asked_about(bench):
    ask_about(bench, "A")
    bench.ready()
    ask_about(bench, "")
    assert bench.engine.account.stranger == ""


def test_starting_anew_with_another_device_forgets_zero_and_maximum_and_ends_the_hold(bench):
    ask_about(bench, "A")
    bench.ready()
    bench.do(do="start_plan", plan="short")
    bench.wait(1.0)
    ask_about(bench, "B")
    bench.do(do="device", answer="renew")
    assert (bench.engine.stage, bench.engine.account.zeros, bench.engine.maxima, bench.engine.hold) == (
        "zero",
        {},
        {},
        None,
    )
    bench.wait(1.0)
    assert np.isnan(bench.engine.strip.since(bench.engine.level - 1)[1][0]).all()
    assert "another sensor" in bench.last("stop").data["reason"]
    bench.do(do="zero")
    bench.wait(2.0, 3.0)
    assert bench.engine.stage == "maximum"
    ask_about(bench, "A")
    assert bench.engine.account.stranger == "A"  # what was calibrated before is forgotten


def test_nothing_is_asked_nothing_can_be_answered(bench):
    with pytest.raises(SessionError, match="no other device"):
        bench.do(do="device", answer="keep")
    with pytest.raises(SessionError, match="keep or renew"):
        bench.do(do="device", answer="perhaps")
