"""A plan event by event: what is told and when, worked out by hand from the plan's own words."""

import pytest

from biofeedback.model import Cue
from biofeedback.session.plan import parse_plan
from tests.session.conftest import Bench
from tests.session.test_pausing import lose

PLAN = """
name = "all"
grace_s = 0.5
ask_before_end_s = 1.0
[[block]]
[[block.phase]]
kind = "passive"
duration_s = 4
ask = true
[[block.phase]]
kind = "contract"
duration_s = 5
band = [20, 30]
ask = true
[[block.phase]]
kind = "rest"
duration_s = 2
[[block.phase]]
kind = "contract"
duration_s = 4
felt = 3
ask = true
[[block.phase]]
kind = "remote"
duration_s = 2
ask = true
"""
# A question opens 1 s before its phase ends, and stays open for 4 s of the next, but for the last second of that where
# the next one asks as well: "no answer" is the answer then.
TOLD = [
    (0.0, "phase", 0, "passive"),
    (0.0, "relaxed", True),
    (3.0, "ask", 1, 0),
    (4.0, "relaxation", 0),
    (4.0, "phase", 1, "contract"),
    (4.0, "relaxed", False),
    (8.0, "rating", 0, None, "nobody"),  # the next question needs its place
    (8.0, "ask", 2, 1),
    (9.0, "phase", 2, "rest"),
    (9.0, "relaxed", False),
    (11.0, "phase", 3, "contract"),
    (11.0, "relaxed", False),
    (13.0, "rating", 1, None, "nobody"),  # 4 s after its phase: a rest asks nothing
    (14.0, "ask", 3, 3),
    (15.0, "phase", 4, "remote"),
    (15.0, "relaxed", True),
    (16.0, "rating", 3, None, "nobody"),
    (16.0, "ask", 4, 4),
    (17.0, "relaxation", 4),
    (17.0, "phase", 4, "end"),
    (17.0, "relaxed", False),
    (21.0, "rating", 4, None, "nobody"),
]
CUES = [
    (0.0, Cue("relax")),
    (3.0, Cue("rate")),
    (4.0, Cue("contract", 25.0)),
    (8.0, Cue("rate")),
    (9.0, Cue("relax")),
    (11.0, Cue("contract", 30.0)),
    (14.0, Cue("rate")),
    (15.0, Cue("relax")),
    (16.0, Cue("rate")),
    (17.0, Cue("relax")),
]
FIELDS = {
    "phase": ("index", "kind"),
    "relaxed": ("on",),
    "ask": ("id", "phase_index"),
    "rating": ("phase_index", "value", "by"),
    "relaxation": ("phase_index",),
}


class Timeline:
    """A bench whose plan begins at 0 s, and what it told since."""

    def __init__(self, text=PLAN):
        self.bench = Bench()
        self.bench.ready()
        plan = parse_plan(text, "all.toml")
        self.bench.engine.offer_plan(plan)
        self.n_before, self.start, self.cues = len(self.bench.events), self.bench.frame, []
        give = self.bench.engine.give_cue

        def keep(cue):
            self.cues.append(((self.bench.engine.level - self.start) / 100, cue))
            give(cue)

        self.bench.engine.give_cue = keep
        self.bench.do(do="start_plan", plan=plan.name)

    @property
    def hold(self):
        return self.bench.engine.hold

    def to(self, time_s, force=10.0):
        self.bench.wait(time_s + (self.start - self.bench.frame) / 100, force)

    def told(self, *kinds):
        return [
            ((event.frame - self.start) / 100, event.kind, *(event.data[field] for field in FIELDS[event.kind]))
            for event in self.bench.events[self.n_before :]
            if event.kind in (kinds or FIELDS)
        ]


def test_an_unanswered_plan_event_by_event_and_cue_by_cue():
    line = Timeline()
    line.to(20.9)
    assert line.hold.is_over
    line.to(22.0)
    assert line.hold is None
    assert line.told() == TOLD
    assert line.cues == CUES


def test_what_a_page_counts_down_at_moments_of_the_plan():
    line = Timeline()
    seen = []
    for time_s in (2.0, 3.5, 5.0, 10.0, 16.5, 18.0):
        line.to(time_s)
        hold, level = line.hold, line.bench.engine.level
        late = (line.bench.frame - level) / 100  # levels stand a moment behind frames
        seen.append(
            (
                hold.index,
                round(hold.since_s - line.start / 100, 9),
                round(hold.remaining_s(level) - late, 9),
                round(hold.ask_remaining_s(level) - late, 9) if hold.ask else None,
                hold.next_phase.kind if hold.next_phase else None,
                hold.is_over,
            )
        )
    assert seen == [
        (0, 0.0, 2.0, None, "contract", False),
        (0, 0.0, 0.5, 4.5, "contract", False),
        (1, 4.0, 4.0, 3.0, "rest", False),
        (2, 9.0, 1.0, 3.0, "contract", False),
        (4, 15.0, 0.5, 4.5, None, False),
        (4, 15.0, 0.0, 3.0, None, True),
    ]


def test_an_answered_plan_ends_with_its_last_phase_and_asks_of_each_once():
    line = Timeline()
    for time_s in (3.5, 8.5, 14.5, 16.5):
        line.to(time_s)
        line.bench.do(do="rate", value=4)
    line.to(16.99)
    assert line.hold
    line.to(17.1)
    assert line.hold is None
    assert line.told("ask") == [one for one in TOLD if one[1] == "ask"]
    assert [one[1:] for one in line.told("rating")] == [("rating", k, 4.0, "coach") for k in (0, 1, 3, 4)]
    assert line.told("phase") == [one for one in TOLD if one[1] == "phase"]


def test_a_pause_takes_the_question_with_it_and_what_is_taken_up_begins_anew():
    line = Timeline()
    line.to(8.5)
    assert line.hold.ask.phase_index == 1
    line.hold.pause("held back", by="coach")
    level = line.bench.engine.level
    assert (line.hold.ask, line.hold.remaining_s(level), line.cues[-1]) == (None, None, (8.5, Cue("relax")))
    line.bench._collect()
    assert line.told("relaxed")[-1] == (8.5, "relaxed", False)
    line.to(30.0)
    assert line.hold.index == 1
    assert line.told("ask")[-1] == (8.0, "ask", 2, 1)
    line.bench.do(do="take_up")
    assert line.cues[-1] == (30.0, Cue("contract", 25.0))
    line.to(36.0)
    assert line.told("phase", "ask")[-3:] == [
        (30.0, "phase", 1, "contract"),
        (34.0, "ask", 3, 1),
        (35.0, "phase", 2, "rest"),
    ]


def test_the_end_of_a_phase_moved_by_hand_moves_its_question_and_all_that_follows():
    line = Timeline()
    line.to(1.0)
    line.bench.do(do="extend_phase", seconds=2)  # 0 to 6 s, asks at 5 s
    line.to(5.5)
    line.bench.do(do="extend_phase", seconds=3)  # 0 to 9 s; the question is open already: to 13 s
    line.to(10.0)
    assert line.hold.index == 1
    line.bench.do(do="end_phase")  # 9 to 10 s, asks nothing
    line.to(13.5)
    assert line.told("phase", "ask", "rating") == [
        (0.0, "phase", 0, "passive"),
        (5.0, "ask", 1, 0),
        (9.0, "phase", 1, "contract"),
        (10.01, "phase", 2, "rest"),
        (12.01, "phase", 3, "contract"),
        (13.0, "rating", 0, None, "nobody"),  # 4 s after the phase that it is about, whatever becomes of the next one
    ]
    moved = [event.data for event in line.bench.events if event.kind == "phase_end"]
    assert [(one["phase_index"], round(one["seconds"], 6)) for one in moved] == [(0, 2), (0, 3), (1, -4)]


def test_a_longer_phase_does_not_keep_the_question_about_the_one_before_open():
    line = Timeline()
    line.to(5.0)
    line.bench.do(do="extend_phase", seconds=60)
    line.to(8.5)
    assert line.told("rating") == [(8.0, "rating", 0, None, "nobody")]
    assert line.hold.ask is None


def test_what_is_judged_of_each_phase_is_kept_by_its_number() -> None:
    """Mean effort after the grace; the athlete holds 25 % of 400 N in the band, and 40 % by feeling."""
    line = Timeline()
    line.to(4.0)
    line.to(9.0, 10.0 + 100.0)
    line.to(11.0)
    line.to(15.0, 10.0 + 160.0)
    line.to(17.5)
    efforts = line.bench.engine.efforts
    assert sorted(efforts) == [1, 2, 3, 4, 5]
    assert efforts[2] == pytest.approx(25.0, abs=0.3)
    assert efforts[4] == pytest.approx(40.0, abs=0.3)
    held = line.bench.engine.held
    assert [one.kind for one in held] == ["passive", "contract", "rest", "contract", "remote"]
    assert [one.index for one in held] == [0, 1, 2, 3, 4]
    assert held[1].effort_percent == efforts[2]


def test_a_doubt_of_the_maximum_says_when_in_the_session_it_was_seen() -> None:
    """440 N in place of 400, from two seconds into the contraction on, which begins 4 s after the plan."""
    line = Timeline()
    line.to(6.0)
    line.to(9.2, 10.0 + 440.0)
    (doubt,) = line.bench.engine.account.doubts
    assert doubt.at_s == pytest.approx(line.start / 100 + 6.0, abs=0.3)
    assert doubt.strength == pytest.approx(440.0, rel=0.01)
    assert line.bench.last("doubt").data["phase_index"] == 1


def test_three_seconds_of_nothing_to_go_by_are_counted_from_the_last_good_level() -> None:
    """Two losses of 1.5 s with a good level between them pause nothing; a felt contraction goes by no number at all."""
    line = Timeline()
    line.to(4.5, 110.0)
    for _ in range(2):
        lose(line.bench, 1.5)
        line.bench.wait(0.3, 110.0)
    assert not line.hold.paused
    line.to(11.2)
    lose(line.bench, 3.6)
    assert line.hold.index == 3
    assert not line.hold.paused


def test_a_simulated_athlete_is_led_along_a_moving_band_ten_times_a_second_and_the_tracker_follows() -> None:
    """From 25 to 45 % in 4 s: half a point each tenth of a second; nothing is told on the way of a band that stays."""
    line = Timeline("""
name = "ramp"
[[block]]
[[block.phase]]
kind = "contract"
duration_s = 4
band = [20, 30]
ramp = [[40, 50]]
[[block.phase]]
kind = "contract"
duration_s = 2
band = [20, 30]
""")
    line.to(2.0)
    assert line.hold.tracker.band.low_percent == pytest.approx(30.0, abs=0.1)
    assert line.hold.tracker.band.high_percent == pytest.approx(40.0, abs=0.1)
    line.to(5.9)
    assert [(time_s, cue.kind) for time_s, cue in line.cues[:41]] == [
        (pytest.approx(k / 10), "contract") for k in range(41)
    ]
    assert [cue.target_percent for _, cue in line.cues[:41]] == [pytest.approx(25 + k / 2) for k in range(41)]
    assert line.cues[41:] == [(4.0, Cue("contract", 25.0))]
