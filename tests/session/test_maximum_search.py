"""What attempts amount to by channel, and what a practice push gives: worked out from given numbers."""

from __future__ import annotations

from dataclasses import replace
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest

from biofeedback.account.fold import fold
from biofeedback.account.kinds import AttemptFelt, AttemptMade, AttemptRejected, PracticeMade, make_event
from biofeedback.account.values import Attempt
from biofeedback.model import Channel, Cue, Levels
from biofeedback.session.maximum import MaximumSearch, Practising
from biofeedback.session.setup import GRADED, Setup
from tests.session.conftest import Bench

FORCE = Channel(name="force", kind="force", unit="N")
EMG = Channel(name="emg", kind="emg", unit="uV")
POSITION = Channel(name="position", kind="position", unit="cm")
SETUP = Setup(position="seated", side="left", exercise="x", tolerance_percent=5.0)


def tried(channel: str, value: float | None, *, accepted: bool = True, baseline: float | None = 0.0) -> Attempt:
    return Attempt(
        channel, "N", value, value, baseline, 0.1, 0.5, 4.0, accepted, "" if accepted else f"{channel} was bad"
    )


def search(*rows: dict[str, Any], setup: Setup = SETUP, more: tuple[Any, ...] = ()) -> MaximumSearch:
    """One row of channels for each attempt: a value, or an `Attempt`; every second saw the display."""
    said = [
        AttemptMade(
            number=k + 1,
            channels={n: v if isinstance(v, Attempt) else tried(n, v) for n, v in row.items()},
            accepted=True,
            feedback_shown=bool(k % 2),
        )
        for k, row in enumerate(rows)
    ]
    events = [make_event(one, k) for k, one in enumerate((*said, *more))]
    return MaximumSearch(fold(events, channels=[FORCE, EMG], settings={}), setup)


def test_nothing_was_tried_yet() -> None:
    assert search().verdict().state == "more"
    assert (search().maxima("u"), search().find_left_out(), search().to_dict()) == ({}, {}, [])


def test_the_guide_needs_three_that_agree_and_a_channel_beside_two() -> None:
    assert search({"force": 400.0}, {"force": 400.0}).verdict().state == "more"
    assert search({"force": 400.0}, {"force": 400.0}, {"force": 381.0}).verdict().state == "accepted"
    both = search({"force": 400.0, "emg": 100.0}, {"force": 400.0, "emg": 81.0}, {"force": 400.0, "emg": 50.0})
    assert both.verdict_of("emg").state == "accepted"  # an EMG repeats within 20 %
    assert search({"emg": 100.0}, {"emg": 79.0}).verdict_of("emg").state == "more"
    wide = search({"emg": 100.0}, {"emg": 71.0}, setup=Setup(tolerance_percent=30.0))
    assert wide.verdict_of("emg").state == "accepted"


def test_only_the_guide_is_asked_for_one_more_while_it_improves() -> None:
    graded = Setup(tolerance_percent=5.0, improving_percent=2.0)
    rising = [{"force": value, "emg": value} for value in (380.0, 390.0, 400.0)]
    assert search(*rising, setup=graded).verdict().state == "more"
    assert search(*rising, setup=graded).verdict_of("emg").state == "accepted"
    assert search(*rising).verdict().state == "accepted"


@pytest.mark.parametrize(
    ("emg", "why"),
    [
        ([100.0, 90.0, 95.0], None),
        (
            [100.0, *(replace(tried("emg", 9.0, accepted=False), reason=why) for why in ("loose", "dry", "hum"))],
            ("hum", "mend that, then find the maximum again"),  # the last one
        ),
        (
            [tried("emg", 100.0, accepted=False), 100.0, 40.0, tried("emg", 9.0, accepted=False)],  # half is not most
            (
                "the two best differ by 60.0 %; 20 % is allowed; up to 2 more",
                "see to its strap or electrodes, then find the maximum again",
            ),
        ),
    ],
)
def test_a_channel_beside_that_was_refused_or_does_not_agree_gets_no_maximum(
    emg: list[Any], why: tuple[str, str] | None
) -> None:
    found = search(*({"force": 400.0, "emg": one} for one in emg))
    assert found.find_left_out() == ({} if why is None else {"emg": why})
    assert list(found.maxima("u")) == (["force", "emg"] if why is None else ["force"])


def test_the_guide_is_taken_as_it_is_when_a_person_says_so() -> None:
    found = search({"force": 400.0}, {"force": 300.0})
    assert found.find_left_out() == {}
    assert found.maxima("u")["force"].strength == 400.0
    assert search({"force": tried("force", 400.0, accepted=False)}).maxima("u") == {}


def test_a_maximum_is_the_best_accepted_attempt_with_all_that_belongs_to_it() -> None:
    rows = (
        {"force": tried("force", 390.0, baseline=3.0)},
        {"force": tried("force", 400.0, baseline=0.0)},
        {"force": tried("force", 500.0, accepted=False)},
        {"force": tried("force", None)},
    )
    one = search(*rows).maxima("2026-01-05T18:00:00+00:00")["force"]
    assert (one.strength, one.baseline, one.unit, one.n_attempts) == (400.0, 0.0, "N", 2)
    assert (one.position, one.side, one.exercise) == ("seated", "left", "x")
    assert (one.feedback_shown, one.utc, one.method) == (True, "2026-01-05T18:00:00+00:00", "attempts")
    assert search(rows[0]).maxima("")["force"].baseline == 3.0
    assert search(rows[0]).maxima("")["force"].feedback_shown is False


def test_the_page_gets_each_attempt_of_the_guide() -> None:
    more = (AttemptRejected(number=1, reason="slipped"), AttemptFelt(number=2, discomfort=3.0, effort=9.0, sharp=True))
    found = search({"force": 390.0}, {"force": tried("force", 400.0, accepted=False)}, more=more)
    nothing = {"discomfort": None, "effort": None, "sharp": False}
    told = {"unit": "N", "accepted": False, "told": ""}
    assert found.to_dict() == [
        {"number": 1, "value": 390.0, "reason": "slipped", "rejected": "slipped", "felt": nothing, **told},
        {
            "number": 2,
            "value": 400.0,
            "reason": "force was bad",
            "rejected": None,
            "felt": {"discomfort": 3.0, "effort": 9.0, "sharp": True},
            **told,
        },
    ]


@pytest.mark.parametrize(
    ("rest_s", "n_attempts", "end_s"),
    [(2.0, 1, 17.0), (20.0, 1, 31.0), (20.0, 3, 17.0)],  # nothing to rest for when the search is over
)
def test_a_graded_attempt_step_by_step(rest_s: float, n_attempts: int, end_s: float) -> None:
    """5 s into the stretch, 6 s of push, out of it for 1 s, then asked for 5 s, and the rest where it lasts longer."""
    bench = Bench(**{**GRADED, "rest_s": rest_s})
    bench.zero()
    bench.do(do="screening", applies=False)
    engine = bench.engine
    for felt in (25.0, 50.0, 75.0):
        engine.emit(PracticeMade(felt_percent=felt, channels={}))
    for number in range(1, n_attempts + 1):
        start, told = engine.level, []
        bench.do(do="attempt")
        engine.give_cue = lambda cue, told=told, start=start: told.append((engine.level - start, cue.kind))
        activity, boundaries = engine.activity, []
        while engine.activity is activity and engine.level < start + 4000:
            seconds = (engine.level - start) / 100
            boundaries.append(activity.boundary - start)
            bench.wait(0.1, 410.0 if 5.5 <= seconds < 11 else 10.0)
        assert told == [(500, "maximum"), (1100, "release"), (1200, "rate")]
        if number == n_attempts:
            assert list(dict.fromkeys(boundaries)) == [500, 1100, 1200, round(100 * end_s)]
            assert engine.level - start == pytest.approx(100 * end_s, abs=12)


def test_no_time_at_all_is_one_level() -> None:
    context: Any = SimpleNamespace(setup=Setup(countdown_s=0.0), level_rate_hz=100.0, give_cue=lambda cue: None)
    assert Practising(50.0, context, 7).boundary == 8


def practise(
    before: list[float], pushed: list[float], *, rate_hz: float = 2.0, channels: tuple[Channel, ...] = (FORCE,)
) -> PracticeMade | None:
    """A practice push whose countdown and push are these levels; every channel reads the same."""
    emitted: list[PracticeMade] = []
    cues: list[Cue] = []
    kept: list[Cue] = []
    context: Any = SimpleNamespace(
        setup=Setup(countdown_s=len(before) / rate_hz, push_s=len(pushed) / rate_hz),
        level_rate_hz=rate_hz,
        channels=channels,
        account=SimpleNamespace(guide="force"),
        emit=emitted.append,
        give_cue=cues.append,
    )
    activity = Practising(50.0, context, 0)
    assert activity.boundary == len(before)
    effort: Any = None
    for part in (before, pushed):
        values = np.tile(np.array(part)[:, None], (1, len(channels)))
        activity.take(Levels(0, values, np.zeros(values.shape, np.uint16)), effort)
        is_over = activity.reach(activity.boundary)
        kept.append(cues[-1])  # the last one is what an athlete goes by
    assert is_over
    assert kept == [Cue("contract", 50.0), Cue("relax")]
    return emitted[0]


@pytest.mark.parametrize(
    ("before", "pushed", "rate_hz", "value", "fell"),
    [
        ([9.0, 9.0, 1.0, 1.0], [1.0, 5.0, 3.0], 2.0, 4.0, False),  # rest is the last second of the countdown
        ([1.0] * 8, [1.0, 5.0, 7.0, 3.0, 1.0], 4.0, 5.0, False),  # the best two that follow each other: 6
        ([1.0, 3.0] * 4, [2.0, 2.0, 2.0], 4.0, 0.0, False),
        ([2.0] * 4, [2.0, 1.0, 2.0], 2.0, 0.0, True),
        ([1.0, 3.0], [2.0, -4.0, 2.0], 2.0, 0.0, False),  # six SD of the rest are 6
        ([1.0, 3.0], [2.0, -4.1, 2.0], 2.0, 0.0, True),
        ([2.0, 2.0], [5.0, -4.0], 2.0, 3.0, False),  # no more than twice what it rose by
        ([2.0, 2.0], [5.0, -4.1], 2.0, 3.0, True),
        ([2.0, 2.0], [1.0, 1.0], 2.0, -1.0, True),
        ([2.0, np.nan, 2.0, 2.0], [5.0, np.nan, 1.0], 2.0, 3.0, False),
    ],
)
def test_a_practice_push_gives_the_best_half_second_over_the_rest_before_it(
    before: list[float], pushed: list[float], rate_hz: float, value: float, fell: bool
) -> None:
    found = practise(before, pushed, rate_hz=rate_hz)
    assert found is not None
    assert found.channels == pytest.approx({"force": value})
    assert (found.fell, found.felt_percent) == (fell, 50.0)


def test_what_cannot_be_measured_is_left_out_and_another_channel_never_falls() -> None:
    found = practise([2.0, 2.0], [1.0, 1.0], channels=(EMG, POSITION, FORCE))
    assert found is not None
    assert list(found.channels) == ["emg", "force"]
    assert found.fell
    found = practise([2.0, np.nan], [1.0, 1.0])
    assert found is not None
    assert (found.channels, found.fell) == ({}, False)
    found = practise([2.0, 2.0, 2.0], [5.0, 5.0], rate_hz=1.0)  # one level is no rest
    assert found is not None
    assert found.channels == {}
    found = practise([2.0, 2.0], [np.nan, np.nan])
    assert found is not None
    assert found.channels == {}
