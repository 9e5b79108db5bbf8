"""What the page is told at the end: the answer, and in a few words what to do next."""

from biofeedback.analysis.answer import analyse_recording
from biofeedback.wiring.answers import describe_analysis

from ..analysis.made_session import make_check


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
