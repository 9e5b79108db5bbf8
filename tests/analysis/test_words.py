"""What a person reads, word for word."""

import pytest

from biofeedback.analysis.response import RatedPhase, compute_response
from biofeedback.analysis.response_words import describe_drift, describe_response, describe_return
from biofeedback.analysis.trends import fit_theil_sen
from biofeedback.analysis.words import choose_word, count, describe_points, judge_reach


def answer(ratings):
    return compute_response(
        [RatedPhase("contract" if i % 2 else "passive", r, 20.0 * i) for i, r in enumerate(ratings)]
    )


@pytest.mark.parametrize(
    ("ratings", "sentences"),
    [
        (
            [7, 4, 7, 5, 7, 4, 7],
            (
                "There was less discomfort while contracting: 2.7 points lower than in the passive phases around it, "
                "over 3 contractions (95 % interval: 3.8 points lower to 1.6 points lower).",
                "That may reach the usual yardstick for a change that matters, 2 points or 30 %.",
            ),
        ),
        (
            [7, 8, 7, 8, 7, 8, 7.5, 9, 7.5],
            (
                "There was more discomfort while contracting: 1.1 points higher than in the passive phases around it, "
                "over 4 contractions (95 % interval: 0.7 points higher to 1.6 points higher).",
                "That is below the usual yardstick for a change that matters, 2 points or 30 %.",
            ),
        ),
        (
            [6, 6, 6.5, 6.5, 6, 6.5, 6],
            (
                "No clear difference: over 3 contractions discomfort while contracting was 0.2 points higher, and "
                "anything from 0.6 points lower to 0.9 points higher fits these ratings.",
                "Whatever there is, it is below the usual yardstick for a change that matters, 2 points or 30 %.",
            ),
        ),
        (
            [6, 4, 7, 8, 5, 5, 8, 7, 4],
            (
                "No clear difference: over 4 contractions discomfort while contracting was the same, and "
                "anything from 3.0 points lower to 3.0 points higher fits these ratings.",
                "More of the same will hardly settle it: with a change this small against its scatter, 60 cycles would "
                "not be enough.",
            ),
        ),
        (
            [7, 5, 7],
            ("Too few ratings to say what contraction did: 1 rated contraction, 3 are needed.",),
        ),
        ([], ("No contraction was held in a phase of its own, so there is nothing to compare.",)),
    ],
)
def test_sentences(ratings, sentences):
    assert describe_response(answer(ratings)) == sentences


def test_what_rounding_could_imitate_is_settled_by_no_more_cycles():
    response = answer([2, 2, 3, 3, 4, 4, 5, 5, 6, 6, 7])
    assert response.alias_points > abs(response.mean_change)
    assert response.n_more_cycles is None
    assert "rounding to the scale's steps could imitate" in response.n_more_reason


def test_a_clear_answer_in_sight_is_counted():
    response = answer([7, 5, 7, 6, 6, 5.5, 7])
    assert response.word == "no clear difference"
    assert describe_response(response)[1] == (
        f"About {count(response.n_more_cycles, 'more cycle')} would settle it, if the change stays as large as it was."
    )


@pytest.mark.parametrize(
    ("n", "low", "high", "word"),
    [
        (3, -2.0, -0.001, "less"),
        (3, -2.0, 0.0, "no clear difference"),
        (3, 0.0, 2.0, "no clear difference"),
        (3, 0.001, 2.0, "more"),
        (2, -3.0, -2.0, "too few ratings to say"),
        (5, None, None, "too few ratings to say"),
    ],
)
def test_the_rule_at_its_edges(n, low, high, word):
    assert choose_word(n, low, high, n_min=3, yardstick=2)[0] == word


def test_a_small_difference_is_told_from_an_unknown_one():
    assert "any difference is below 2 points" in choose_word(5, -1.9, 1.9, n_min=3, yardstick=2)[1]
    assert "larger differences than 2 points too" in choose_word(5, -2.1, 1.0, n_min=3, yardstick=2)[1]


def test_points_and_trends():
    assert describe_points(-0.04) == "the same"
    assert describe_points(-1.25) == "1.2 points lower"
    assert describe_points(0.4) == "0.4 points higher"
    x = list(range(8))
    assert fit_theil_sen(x, x).word == "rising"
    assert fit_theil_sen(x, [-v for v in x]).word == "falling"
    assert fit_theil_sen(x, [1, -1, 1, -1, 1, -1, 1, -1]).word == "no clear trend"
    assert fit_theil_sen(x[:3], x[:3]).word == "unknown"


def test_what_may_be_thirty_per_cent_is_not_called_below_the_yardstick():
    response = answer([4, 3, 4, 4.5, 4, 3.5, 4, 3, 4])  # more than 1.2 of 4 points, 30 %, fits
    assert -2 < response.low < -1.2 < 0 < response.high
    assert "below the usual yardstick" not in " ".join(describe_response(response))


def test_a_difference_too_small_to_matter_asks_for_no_more_cycles():
    response = answer([5, 4, 4.5, 4.5, 4, 4, 3.5, 3.5, 4, 3, 3])
    assert response.n_more_cycles is not None
    assert "below the usual yardstick" in describe_response(response)[1]


def test_discomfort_that_rises_throughout_came_back_after_an_easing_contraction():
    response = answer([3, 3.2, 4, 4.2, 5, 5.2, 6, 6.2, 7])
    assert response.word == "less"
    assert response.fell == pytest.approx(0.2)
    assert describe_return(response) == "After the contractions discomfort came back by 0.8 points on average."


@pytest.mark.parametrize(
    ("low", "high", "relaxed", "reach"),
    [
        (-3.8, -2.0, 7.0, "reaches"),  # even the end nearer to zero
        (-3.8, -1.99, 7.0, "may reach"),  # the point lies above the yardstick, the interval does not
        (-1.9, -0.1, 7.0, "is below"),
        (-2.5, 0.5, 7.0, "may reach"),
        (2.0, 3.0, 7.0, "reaches"),
        (-1.0, -0.9, 3.0, "reaches"),  # 30 % of 3
        (-1.0, -0.8, 3.0, "may reach"),
        (None, None, 3.0, None),
    ],
)
def test_the_yardstick_is_reached_by_the_interval_and_not_by_the_point(low, high, relaxed, reach):
    """2 points or 30 %: Farrar et al., Pain 94 (2001) 149."""
    assert judge_reach(low, high, relaxed) == reach


def test_a_change_is_said_to_reach_the_yardstick_only_when_its_whole_interval_does():
    assert describe_response(answer([7, 2, 7, 2, 7, 2, 7, 2, 7]))[1].startswith("That reaches the usual yardstick")


def drifting(passive, *, apart_s=60.0):
    pairs = [
        RatedPhase(kind, rating, apart_s * (2 * k + late))
        for k, rating in enumerate(passive)
        for kind, late in (("passive", 0), ("contract", 1))
    ]
    return compute_response([*pairs[:-1]])


def test_no_drift_is_told_only_where_the_interval_leaves_none_that_matters():
    assert describe_drift(drifting([6.0] * 9)) == (
        "The relaxed ratings did not drift by themselves as far as would matter: by 1.0 points at most in 16 min "
        "(95 % interval, rounding included)."
    )
    loose = drifting([4, 7, 5, 7, 4, 6, 5])
    assert abs(loose.drift_per_min.slope) < 0.05  # the middle alone would say that nothing moved
    assert describe_drift(loose).startswith("Whether the relaxed ratings drifted by themselves is open: anything from")


def test_a_clear_drift_and_too_few_ratings_are_told_as_that():
    assert describe_drift(drifting([8, 7.5, 7, 6.5, 6, 5.5, 5])) == (
        "The relaxed ratings fell by 0.2 a minute by themselves; this is taken out of the comparison."
    )
    assert describe_drift(drifting([6, 6, 6])).startswith("Too few relaxed ratings to say whether they drifted")
    assert describe_drift(drifting([6])) == ""
