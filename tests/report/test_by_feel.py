"""The report without a sensor: effort as it was said, no percentage of a maximum, what a sensor would add."""

from __future__ import annotations

import re
from dataclasses import replace
from html import unescape

import numpy as np
import pytest

from biofeedback.account.kinds import EffortSaid, make_event
from biofeedback.acquisition.felt_source import RATE_HZ, RATING
from biofeedback.analysis.answer import analyse_recording
from biofeedback.model import Chunk, Event
from biofeedback.report.figures import draw_trace
from biofeedback.report.figuring import capitalise
from biofeedback.report.html import build_report
from biofeedback.report.words import CAPTIONS, SENSOR_ADDS, describe_done, describe_next, summarise_advice
from biofeedback.session.engine import Engine
from biofeedback.session.plan import load_plan
from biofeedback.session.setup import GRADED, Setup

from .test_figures import drawn, lines_of

N_S = 400


class Kept:
    """A recording in memory."""

    channels = (RATING,)
    rate_hz = RATE_HZ

    def __init__(self, settings: dict, events: list[Event], n_frames: int) -> None:
        self.settings, self.events, self._n = settings, events, n_frames

    def items(self) -> list[Chunk]:
        return [Chunk(0, np.full((self._n, 1), np.nan))]


@pytest.fixture(scope="module")
def analysis():
    """Contracting eases by two points; asked for 2 of 10, said to be 2 to 4."""
    engine = Engine([RATING], RATE_HZ, Setup(**GRADED), [load_plan("felt-check")])
    engine.command({"do": "accept_cautions"})
    engine.command({"do": "start_plan", "plan": "felt-check"})
    said = iter([2, 3, 4, 3, 2, 3, 3])
    events = []
    for second in range(N_S):
        n = round(RATE_HZ)
        engine.push(Chunk(second * n, np.full((n, 1), np.nan)))
        hold = engine.hold
        if hold and hold.ask:
            is_contracting = hold.plan.phases[hold.ask.phase_index or 0].kind == "contract"
            engine.command(
                {"do": "rate", "value": 3.5 if is_contracting else 5.5 + 0.5 * (second % 2), "ask": hold.ask.id}
            )
        if hold and hold.ask_effort is not None and not hold.ask:
            engine.command({"do": "effort", "value": next(said)})
        events += engine.take_events()
    return analyse_recording(Kept(engine.setup.to_settings(), events, round(N_S * RATE_HZ)))


def text_of(html: str) -> str:
    return re.sub(r"<[^>]+>", " ", re.sub(r"<(style|svg).*?</\1>", " ", html, flags=re.DOTALL))


def test_contraction_is_answered_from_the_ratings_alone(analysis):
    assert analysis.by_feel
    assert analysis.response.word == "less"
    assert analysis.response.mean_change == pytest.approx(-2.2, abs=0.4)


def test_effort_is_called_what_it_is(analysis):
    told = " ".join(describe_done(analysis))
    assert "Effort as the athlete said it: 2.8 of 10 on average, from 2 to 4, of all contractions" in told
    assert "2 of 10 was asked for" in told


def test_no_percentage_of_a_maximum_stands_anywhere(analysis):
    shown = text_of(build_report(analysis, full=True))
    shown = shown[: shown.index("What the literature says")]
    around = [shown[max(0, m.start() - 30) : m.end() + 20] for m in re.finditer("%", shown)]
    allowed = ("95 %", "2 points or 30 %")  # of an interval, and of a rating
    assert not [text for text in around if not any(word in text for word in allowed)]
    told = "no maximum|share of a maximum|hold several times the athlete.{1,6}s maximum"
    without = re.sub(told, "", shown, flags=re.IGNORECASE)
    assert "maximum" not in without.casefold()


def test_the_report_says_what_a_sensor_would_add(analysis):
    assert SENSOR_ADDS in describe_next(analysis)
    assert not any("Find the maximum" in step for step in describe_next(analysis))
    assert summarise_advice(analysis) == [("advice", "as lightly as tonight")]


def test_what_was_said_stands_in_the_picture_beside_what_was_asked_for(analysis):
    effort, _ = drawn(draw_trace, analysis)
    contracting = [phase for phase in analysis.trace.phases if phase.meaning.contracts]
    bars = [one.get_paths()[0].get_extents() for one in effort.collections if one.get_zorder() == 2]
    assert [(bar.x0, bar.x1, bar.y0, bar.y1) for bar in bars] == [
        (phase.start_s, phase.end_s, 0, phase.said_effort) for phase in contracting
    ]
    asked = [[[phase.start_s, 2], [phase.end_s, 2]] for phase in contracting]
    assert lines_of(effort, "edge", dashed=False) == asked
    nobody = "nobody said how hard it was"
    assert nobody not in [text.get_text() for text in effort.texts]
    silent = tuple(replace(phase, said_effort=None) for phase in analysis.trace.phases)
    effort, _ = drawn(draw_trace, replace(analysis, trace=replace(analysis.trace, phases=silent)))
    assert nobody in [text.get_text() for text in effort.texts]
    assert not [one for one in effort.collections if one.get_zorder() == 2]


def test_each_picture_has_the_words_of_what_it_shows(analysis, check):
    felt, measured = (unescape(build_report(one, full=True)) for one in (analysis, check))
    for page, trace, other in ((felt, "said", "trace"), (measured, "trace", "said")):
        assert page.count(f"<figcaption>{CAPTIONS[trace]}") == 1
        assert CAPTIONS[other] not in page
        for name in ("ratings", "contrasts"):
            assert page.count(f"<figcaption>{capitalise(CAPTIONS[name])}") == 1


def test_who_says_nothing_is_told_so(analysis):
    rows = [row for row in analysis.phases if row.phase.kind == "contract"]
    event = make_event(EffortSaid(phase_index=rows[0].phase.index, value=None), 0)
    assert event.data == {"phase_index": rows[0].phase.index, "value": None}
