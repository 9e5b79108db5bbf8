"""What the page is told at the end: the answer, and in a few words what to do next."""

from pathlib import Path

import numpy as np
import pytest

from biofeedback.analysis.answer import analyse_recording
from biofeedback.analysis.trace import compute_trace
from biofeedback.analysis.words import describe_odds
from biofeedback.errors import RecordingError
from biofeedback.wiring import review_page
from biofeedback.wiring.answers import describe_analysis, render_report, summarise

from ..analysis.made_session import MadeSession, make_check
from ..commands.test_report import store


def test_an_effect_that_is_enough_names_band_hold_and_rest_with_its_model():
    analysis = analyse_recording(make_check(contract=(2, 2, 2, 2, 2)))
    answer = describe_analysis(analysis)
    details = dict(answer["details"])
    assert answer["word"] == "less"
    assert details["advice"] == "60–80 %, as it was held"
    assert "three-compartment model" in details["next set"]


def test_no_effect_at_one_effort_decides_nothing_and_too_few_ratings_nothing():
    alike = describe_analysis(analyse_recording(make_check(contract=(6, 6, 6, 6, 6))))
    assert dict(alike["details"])["advice"] == "not decided"  # light effort was not tried
    assert dict(alike["details"])["to try next"] == "20–30 %"
    few = describe_analysis(analyse_recording(make_check(passive=(6, 6), contract=(4,))))
    assert "advice" not in dict(few["details"])


PHASE = {"title": "", "cycle": 1, "band": None, "ask": True}


def make_plan(*phases):
    return {
        "name": "made",
        "title": "Made",
        "phases": [PHASE | {"kind": kind, "duration_s": seconds, "band": band} for kind, seconds, band in phases],
    }


def make_light_hold(*, stopped_after_s=None, why="", last_rating=None):
    """Settle 5 s, 30 s at 25 % in a band of 20-30, settle 5 s; a rating near the end of each."""
    session = MadeSession()
    session.calibrate()
    phases = [("passive", 5, None), ("contract", 30, [20, 30]), ("passive", 5, None)]
    session.happen("plan", **make_plan(*phases))
    for index, (kind, seconds, band) in enumerate(phases):
        session.happen("phase", kind=kind, index=index, title="", duration_s=seconds, band=band, ask=True, grace_s=2.0)
        effort = 25.0 if band else 0.0
        if stopped_after_s is not None and band:
            session.hold(stopped_after_s, effort)
            if last_rating is not None:
                session.happen("rating", value=last_rating, phase_index=index)
            session.happen("stop", reason="stopped by hand")
            session.happen("phase", kind="end", index=index, reason="stopped by hand")
            if why:
                session.happen("stop_reason", why=why)
            return analyse_recording(session)
        session.hold(seconds, effort)
        session.happen("rating", value=5 - index, phase_index=index)
    session.happen("phase", kind="end", index=2, reason="plan finished")
    return analyse_recording(session)


def test_a_light_hold_says_how_it_was_held_and_nothing_about_what_contraction_did():
    answer = describe_analysis(make_light_hold())
    assert answer["kind"] == "hold"
    assert answer["over"] == "How it was held"
    assert answer["headline"] == "In the band 100 % of 28 s"  # 30 s less 2 s of grace, at 25 % in 20-30 %
    assert "too few" not in answer["said"].lower()
    assert "a check does" in answer["said"]
    assert not any("repeat" in step.lower() for step in answer["next"])


def test_a_stopped_hold_says_what_was_reached_and_why_it_was_stopped():
    answer = describe_analysis(make_light_hold(stopped_after_s=12.0, why="cramp", last_rating=9))
    assert answer["kind"] == "stopped"
    assert answer["headline"] == "0 of 1 contraction done"
    assert "Stopped by hand, said to be" in answer["said"]
    assert "in the band 100 % of 10 s" in answer["said"]
    assert not any("average" in name or "fits" in name for name, _ in answer["details"])


def test_a_check_says_what_contraction_did_and_no_page_shows_what_only_a_statistician_reads():
    answer = describe_analysis(analyse_recording(make_check(contract=(2, 2, 2, 2, 2))))
    assert (answer["kind"], answer["headline"]) == ("check", "less")
    assert not any("NAP" in name for name, _ in answer["details"])
    few = describe_analysis(analyse_recording(make_check(passive=(6, 6), contract=(4,))))
    assert not any("average" in name or "fits" in name for name, _ in few["details"])


def test_the_effort_worth_trying_is_kept_with_the_answer_as_the_page_says_it() -> None:
    answer = describe_analysis(analyse_recording(make_check(contract=(2, 2, 2, 2, 2))))
    low, high = answer["next_band"]
    assert dict(answer["details"])["to try next"] == f"{low:.0f}–{high:.0f} %"
    few = describe_analysis(analyse_recording(make_check(passive=(6, 6), contract=(4,))))
    assert "next_band" not in few


def test_the_numbers_behind_the_fold_are_said_in_a_persons_words():
    details = dict(describe_analysis(analyse_recording(make_check(contract=(2, 3, 2, 3, 2))))["details"])
    assert "lower" in details["discomfort while contracting, on average"]
    assert details["what also fits these ratings (95 of 100 times it is right)"].startswith("from ")
    told = " ".join([*details, *details.values()]).lower()
    for word in ("nap", "tau", "contrast", "p =", "p,", "one-sided", "interval", "points/min", "drift"):
        assert word not in told, word


@pytest.mark.parametrize(("p", "said"), [(1 / 32, "in 3 of 100 orders"), (0.001, "in fewer than 1 of 100 orders")])
def test_odds_are_told_as_a_count(p, said):
    assert describe_odds(p) == said


def test_a_recording_is_summed_up_with_each_phase_as_it_was_held(tmp_path: Path) -> None:
    path = store(make_check(contract=(2, 2, 2, 2, 2)), tmp_path / "a.hold")
    told = summarise(path)
    assert told["word"] == "less"
    assert [phase["number"] for phase in told["phases"]] == list(range(1, 12))
    assert [phase["mean_percent"] for phase in told["phases"]] == pytest.approx([0, 70] * 5 + [0], abs=0.5)
    assert [phase["in_band_percent"] for phase in told["phases"]] == [None, 100.0] * 5 + [None]
    assert "Less discomfort while contracting" in render_report(path)
    np.testing.assert_array_equal(
        review_page.load_trace(path).percent, compute_trace(make_check(contract=(2, 2, 2, 2, 2))).percent
    )
    for make in (summarise, render_report, review_page.load_trace):
        with pytest.raises(RecordingError):
            make(tmp_path / "none.hold")


def test_a_history_is_of_one_athletes_sessions_that_can_be_read(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(review_page, "run_parallel", map)  # no processes of their own
    store(make_check(), tmp_path / "a.hold")
    other = make_check()
    other.settings |= {"athlete": "B02", "started_utc": "2026-02-05T18:00:00+00:00"}
    store(other, tmp_path / "b.hold")
    (tmp_path / "c.hold").write_bytes(b"no recording")
    page = review_page.render_history(tmp_path, "a01")
    assert "One session so far" in page
    assert "B02" not in page
    with pytest.raises(RecordingError, match="no session of A09 can be analysed"):
        review_page.render_history(tmp_path, "A09")
