"""Each sentence about a session at the border where it changes: findings made up one by one."""

from __future__ import annotations

from dataclasses import replace

import pytest

from biofeedback.analysis.held import (
    DoseLevel,
    HeldBand,
    describe_enough,
    describe_neither,
    describe_open,
    describe_worse_from_little,
)
from biofeedback.analysis.response import RatedPhase, Response, Shift, compute_response
from biofeedback.analysis.response_words import ALL_AT_END, describe_drift, describe_response, describe_return
from biofeedback.analysis.words import choose_word, count, describe_odds, describe_points, find_wanted, judge_reach
from biofeedback.model import Band


@pytest.fixture(scope="module")
def less() -> Response:
    """Four contractions, each three points lower than the relaxed phases around it."""
    ratings = [7, 4, 7, 4, 7, 4, 6.5, 4, 7]
    found = compute_response(
        [RatedPhase("contract" if i % 2 else "passive", r, 20.0 * i) for i, r in enumerate(ratings)]
    )
    assert (found.word, found.alias_points, found.shift and found.shift.is_clear) == ("less", found.alias_points, False)
    return replace(found, alias_points=0.0, at_end_percent=0.0, is_open=False, n_contrasts=4)


@pytest.fixture(scope="module")
def unclear(less) -> Response:
    return replace(
        less, word="no clear difference", mean_change=-0.5, low=-1.4, high=0.4, wanted_points=2.0, n_more_cycles=3,
        n_more_reason="because", shift=None,
    )  # fmt: skip


# -- the change -------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("low", "high", "ends"),
    [
        (-3.0, -0.05, "3.0 points lower to 0.1 points lower"),
        (-3.0, -0.049, "3.0 points lower to hardly lower"),
        (-10.0, -1.0, "as far down as the scale goes to 1.0 points lower"),
        (-9.9, -1.0, "9.9 points lower to 1.0 points lower"),
    ],
)
def test_ends_of_an_interval_that_leaves_zero_out_are_never_the_same(less, low, high, ends) -> None:
    assert describe_response(replace(less, low=low, high=high))[0].endswith(f"(95 % interval: {ends}).")
    turned = ends.replace("lower", "higher").replace("down", "up").split(" to ")
    more = replace(less, word="more", mean_change=2.0, low=-high, high=-low)
    assert describe_response(more)[0].endswith(f"(95 % interval: {turned[1]} to {turned[0]}).")


@pytest.mark.parametrize(
    ("low", "high", "fits"),
    [
        (-1.4, 0.4, "1.4 points lower to 0.4 points higher"),
        (-0.04, 0.0, "the same to the same"),
        (-10.0, 10.0, "as far down as the scale goes to as far up as the scale goes"),
    ],
)
def test_ends_of_an_interval_that_holds_zero(unclear, low, high, fits) -> None:
    said = describe_response(replace(unclear, low=low, high=high))[0]
    assert said == (
        "No clear difference: over 4 contractions discomfort while contracting was 0.5 points lower, and anything from "
        f"{fits} fits these ratings."
    )


@pytest.mark.parametrize(
    ("changes", "outlook"),
    [
        ({"low": -1.9}, "Whatever there is, it is below the usual yardstick"),
        ({"low": -2.0}, "About 3 more cycles would settle it, because."),
        ({"high": 2.0}, "About 3 more cycles would settle it, because."),
        ({"low": -2.0, "n_more_cycles": 1}, "About 1 more cycle would settle it, because."),
        ({"low": -2.0, "n_more_cycles": None}, "More of the same will hardly settle it: because."),
        ({"low": -2.0, "at_end_percent": 25.0}, "More of the same will not settle it."),
        ({"low": -2.0, "at_end_percent": 24.9}, "About 3 more cycles would settle it, because."),
        ({"wanted_points": None}, "About 3 more cycles would settle it, because."),
        ({"shift": Shift(-2.0, 2.0, 1.0, 7.0)}, "The mean hides what happened, because the change did not"),
        ({"shift": Shift(-2.0, 2.0, -1.0, 7.0)}, "Whatever there is, it is below the usual yardstick"),
    ],
)  # fmt: skip
def test_what_would_settle_it(unclear, changes, outlook) -> None:
    assert describe_response(replace(unclear, **changes))[1].startswith(outlook)


@pytest.mark.parametrize(
    ("low", "high", "is_clear"), [(0.1, 3, True), (0.0, 3, False), (-3, 0.0, False), (-3, -0.1, True)]
)
def test_a_change_that_moved_is_told_where_its_whole_interval_lies_on_one_side(less, low, high, is_clear) -> None:
    said = describe_response(replace(less, shift=Shift(-3.0, -1.0, low, high)))
    sentence = (
        "The change itself moved over the contractions: from 3.0 points lower in the first to 1.0 points lower in the "
        "last."
    )
    assert (sentence in said) == is_clear


def test_the_end_of_the_scale_is_blamed_where_it_may_hide_something(less, unclear) -> None:
    larger = (
        "The true change may be larger: 30 % of the ratings stand at the end of the scale, where it cannot show more."
    )
    hidden = larger.replace("The true change may be larger", "A change may be hidden")
    at_end = {"at_end_percent": 30.0}
    assert larger in describe_response(replace(less, is_open=True, **at_end))
    assert larger not in describe_response(replace(less, **at_end))
    assert hidden in describe_response(replace(unclear, **at_end))
    assert hidden not in describe_response(replace(less, **at_end))
    few = {"at_end_percent": 24.0}
    assert not any("hidden" in text for text in describe_response(replace(unclear, **few)))
    assert any("hidden" in text for text in describe_response(replace(unclear, is_open=True, **few)))
    full = replace(
        less, is_open=True, contrasts=tuple(replace(c, during=0.0) for c in less.contrasts), **at_end
    )  # fmt: skip
    assert full.is_full
    assert describe_response(full)[1] == "It was rated 0 in every contraction: nothing was left to ease."
    assert larger not in describe_response(full), "there was nothing more to ease"
    one_left = replace(full, contrasts=(replace(full.contrasts[0], during=0.5), *full.contrasts[1:]))
    assert not one_left.is_full
    assert not replace(full, word="more").is_full
    assert describe_response(replace(unclear, at_end_percent=100.0)) == (ALL_AT_END,)
    assert describe_response(replace(unclear, at_end_percent=99.0)) != (ALL_AT_END,)
    assert describe_response(replace(less, at_end_percent=100.0)) != (ALL_AT_END,)


@pytest.mark.parametrize(("points", "is_told"), [(0.25, True), (0.24, False), (0.0, False)])
def test_what_rounding_may_imitate_is_told_from_a_quarter_of_a_point_on(less, points, is_told) -> None:
    said = describe_response(replace(less, alias_points=points))
    assert any(f"imitate up to {points:.1f} points; the interval allows" in text for text in said) == is_told


def test_what_qualifies_an_answer_stands_behind_it(less) -> None:
    borrowed = "How much single ratings scatter was also learnt from this person's earlier sessions."
    assert borrowed in describe_response(replace(less, borrowed=True))
    assert borrowed not in describe_response(less)
    other = replace(less, word="no clear difference", reason="the rest is not enough", without_marked=None)
    marked = 'Without the marked ratings the answer is "no clear difference": the rest is not enough.'
    assert marked in describe_response(replace(less, without_marked=other))
    assert not any("marked" in text for text in describe_response(replace(less, without_marked=less)))
    assert len(describe_response(less)) == 2
    assert describe_response(replace(less, reach=None))[1].startswith("That may reach the usual yardstick")
    assert describe_response(replace(less, reach="is below"))[1].startswith("That is below the usual yardstick")


def test_a_change_that_comes_late_is_told_by_its_side(less) -> None:
    late = replace(less, word="not decided, may come late")
    worse, easing = (describe_response(replace(late, mean_change=change)) for change in (1.5, -1.5))
    assert worse[0].startswith(
        "Not decided: over 4 contractions discomfort while contracting was 1.5 points higher than"
    )
    assert worse[0].endswith("but the first contraction was no worse than the relaxed phase before it.")
    assert worse[1] == "An easing that comes late and stays looks just like this, so harm is not shown."
    assert easing[0].endswith("but the first contraction was no easier than the relaxed phase before it.")
    assert easing[1] == "A worsening that comes late and stays looks just like this, so an easing is not shown."


# -- the drift --------------------------------------------------------------------------------------------------------


def drifting(response: Response, **changes) -> Response:
    facts = {"slope": -0.5, "low": -0.8, "high": -0.2, "n": 5}
    return replace(response, drift_per_min=replace(response.drift_per_min, **(facts | changes)), relaxed_over_min=4.0)


@pytest.mark.parametrize(
    ("slope", "word", "moved"),
    [(-0.5, "falling", "fell by 0.5"), (0.5, "rising", "rose by 0.5"), (-0.05, "falling", "fell by 0.1"),
     (-0.034, "falling", "fell by 0.034"), (0.0049, "rising", "rose by 0.0049")],
)  # fmt: skip
def test_a_drift_is_told_by_its_direction_with_digits_that_mean_something(less, slope, word, moved) -> None:
    sign = -1 if word == "falling" else 1
    told = drifting(less, slope=slope, low=min(0.001 * sign, sign), high=max(0.001 * sign, sign))
    assert told.drift_per_min.word == word
    assert describe_drift(told) == (
        f"The relaxed ratings {moved} a minute by themselves; this is taken out of the comparison."
    )


def test_nothing_is_said_of_a_drift_where_none_could_be_seen(less) -> None:
    assert describe_drift(drifting(less, slope=None)) == ""
    assert describe_drift(replace(drifting(less), n_contrasts=0)) == ""
    assert describe_drift(replace(drifting(less), at_end_percent=100.0)) == ""
    few = "Too few relaxed ratings to say whether they drifted by themselves."
    for changes in ({"n": 4}, {"low": None}, {"high": None}):
        assert describe_drift(drifting(less, **changes)) == few
    quiet = drifting(less, low=-0.1, high=0.2)
    assert describe_drift(replace(quiet, at_end_percent=25.0)) == ""
    assert describe_drift(replace(quiet, at_end_percent=24.9)) != ""


@pytest.mark.parametrize(
    ("low", "high", "rounding", "wanted", "most"),
    [
        (-0.1, 0.2, 0.0, 2.0, "0.8"),  # 0.2 a minute over 4 min
        (-0.2, 0.1, 0.0, 2.0, "0.8"),
        (-0.2, 0.1, 1.0, 2.0, "1.8"),
        (-0.2, 0.1, 1.2, 2.0, None),
        (-0.5, 0.1, 0.0, 2.0, None),
        (-0.4, 0.1, 0.0, 1.6, None),
        (-0.4, 0.1, 0.0, None, "1.6"),  # the usual yardstick
    ],
)
def test_no_drift_is_only_said_where_none_that_matters_fits(  # noqa: PLR0917
    less, low, high, rounding, wanted, most
) -> None:
    quiet = drifting(less, low=low, high=high)
    said = describe_drift(replace(quiet, rounding=rounding, wanted_points=wanted))
    if most:
        assert said == (
            f"The relaxed ratings did not drift by themselves as far as would matter: by {most} points at most in "
            "4 min (95 % interval, rounding included)."
        )
    else:
        assert said == (
            f"Whether the relaxed ratings drifted by themselves is open: anything from {low - rounding / 4:+.1f} to "
            f"{high + rounding / 4:+.1f} a minute fits, rounding included; a drift is taken out of the comparison."
        )


@pytest.mark.parametrize(
    ("word", "fell", "came_back", "said"),
    [
        ("less", -3.0, 1.5, "came back by 1.5 points"),
        ("less", -3.0, 1.4, "hardly came back"),
        ("less", -3.0, -2.0, "hardly came back"),
        ("less", 0.0, 0.0, "hardly came back"),
        ("less", 0.2, 0.8, "came back by 0.8 points"),
        ("more", 3.0, -1.5, "fell back by 1.5 points"),
        ("more", 3.0, -1.4, "hardly fell back"),
        ("more", 3.0, 2.0, "hardly fell back"),
        ("less", None, 1.0, ""),
        ("less", -3.0, None, ""),
        ("no clear difference", -3.0, 3.0, ""),
    ],
)
def test_whether_discomfort_came_back_is_asked_of_half_of_what_went(less, word, fell, came_back, said) -> None:
    text = describe_return(replace(less, word=word, fell=fell, came_back=came_back))
    assert (text == "") if not said else (said in text)


# -- words by rule ----------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(("relaxed", "wanted"), [(10, 2.0), (7, 2.0), (6, 1.8), (1, 0.3), (0, 0.0), (-1, 0.0)])
def test_what_would_matter_is_two_points_or_thirty_per_cent(relaxed, wanted) -> None:
    """Farrar et al., Pain 94 (2001) 149, as a yardstick."""
    assert find_wanted(relaxed) == pytest.approx(wanted)


@pytest.mark.parametrize(
    ("low", "high", "relaxed", "reach"),
    [(-2.0, -2.0, 7, "reaches"), (2.0, 2.5, None, "reaches"), (-2.0, 0.0, 0, "may reach"), (-1.9, 1.9, 0, "is below"),
     (0.0, 5.0, 7, "may reach"), (-5.0, 0.0, 7, "may reach"), (0.31, 0.4, 1, "reaches"), (-1, None, 5, None)],
)  # fmt: skip
def test_a_yardstick_is_reached_by_both_ends(low, high, relaxed, reach) -> None:
    assert judge_reach(low, high, relaxed) == reach


def test_reasons_of_a_word() -> None:
    choose = lambda *args, **more: choose_word(*args, n_min=3, yardstick=2.0, **more)  # noqa: E731
    assert choose(5, -2.5, -0.5) == ("less", "the 95 % interval, -2.5 to -0.5 points, lies wholly below zero")
    assert choose(5, 0.5, 2.5) == ("more", "the 95 % interval, +0.5 to +2.5 points, lies wholly above zero")
    includes = "the 95 % interval, -1.0 to +1.9 points, includes zero, "
    assert choose(5, -1.0, 1.9)[1] == includes + "and any difference is below 2 points"
    assert choose(5, -1.0, 2.0)[1].endswith("and larger differences than 2 points too")
    assert choose(5, -2.0, 1.0)[1].endswith("and larger differences than 2 points too")
    assert choose(5, -1.0, 1.9, at_end_percent=24.9)[1] == includes + "and any difference is below 2 points"
    assert choose(5, -1.0, 1.9, at_end_percent=25.0)[1] == (
        includes + "but 25 % of the ratings stand at the end of the scale, where it cannot show more"
    )
    assert choose(2, -3.0, -2.0)[1] == "2 complete cycles, 3 are needed"
    assert choose(1, -3.0, -2.0, noun="session")[1] == "1 session, 3 are needed"


@pytest.mark.parametrize(
    ("points", "said"), [(0.049, "the same"), (-0.05, "0.1 points lower"), (0.05, "0.1 points higher")]
)
def test_a_twentieth_of_a_point_is_the_same(points, said) -> None:
    assert describe_points(points) == said


def test_odds_and_counts() -> None:
    assert [describe_odds(p) for p in (0.03, 0.004, 0.006, 1.0)] == [
        "in 3 of 100 orders", "in fewer than 1 of 100 orders", "in 1 of 100 orders", "in 100 of 100 orders",
    ]  # fmt: skip
    assert [count(n, "cycle") for n in (0, 1, 2)] == ["0 cycles", "1 cycle", "2 cycles"]


# -- bands that were held ---------------------------------------------------------------------------------------------


def held(rated: float, chance: float = 50.0, *, n: int = 3, at: float = 25.0) -> HeldBand:
    return HeldBand(Band(at - 5, at + 5), at, n, rated, DoseLevel(at, rated, rated - 1, rated + 1, chance))


def test_sentences_about_bands_that_were_held() -> None:
    light, hard = held(-2.0), held(1.0, at=70.0)
    assert describe_enough(held(-2.0, n=1), 1.8) == (
        "held 1 time, discomfort there was 2.0 points lower on average; 1.8 points less would matter"
    )
    rated = "20–30 %: 2.0 points lower, 65–75 %: 1.0 points higher"
    assert (
        describe_neither([light, hard], 1.8, is_worse=False)
        == f"no band that was held eases it by 1.8 points ({rated})"
    )
    assert describe_neither([hard], 1.8, is_worse=True) == (
        "every band that was held made it worse (65–75 %: 1.0 points higher)"
    )
    assert describe_worse_from_little([hard]).startswith(
        "contracting made it worse on average (65–75 %: 1.0 points higher)"
    )


@pytest.mark.parametrize(
    ("bands", "facts", "said"),
    [
        ([held(1.0)], {"is_worse": True}, "what was held made it worse (20–30 %: 1.0 points higher)"),
        ([], {"is_worse": True}, "no contraction has both a known effort and relaxed ratings on both sides"),
        ([held(1.0)], {"has_room": False}, "there was too little discomfort for an easing to show"),
        ([held(-1.0, n=2)], {}, "2 contractions with relaxed ratings on both sides are too few"),
        ([held(-1.0, n=1)], {}, "1 contraction with relaxed ratings on both sides are too few"),
        ([held(-1.0, n=1), held(0.0, n=2)], {}, "the ratings leave open whether what was held eases it by 2.0 points"),
        ([held(-2.0, at=70)], {"limit_percent": 69.0},
         "what was rated as easing it lies above 69 %, the most that may be asked for (65–75 %: 2.0 points lower)"),
        ([held(-2.0, at=70)], {"limit_percent": 70.0}, "the ratings leave open"),
        ([held(-2.0, 6.0, at=70), held(-2.0, 5.0)], {"limit_percent": 69.0}, "what was rated as easing it lies above"),
        ([held(-2.0, at=70), held(-2.0)], {"limit_percent": 69.0}, "the ratings leave open"),
        ([held(-1.9, at=70)], {"limit_percent": 69.0}, "the ratings leave open"),
        ([held(-1.0, 5.0), held(0.0, 5.0)], {}, "what was held eases it by less than 2.0 points"),
        ([held(0.0, 5.0), held(1.0, 5.0)], {}, "nothing that was held eased it (20–30 %: the same,"),
        ([held(0.0, 5.0), held(1.0, 5.1)], {}, "the ratings leave open"),
    ],
)  # fmt: skip
def test_why_nothing_is_decided(bands, facts, said) -> None:
    given = {"has_room": True, "is_worse": False, "limit_percent": 100.0} | facts
    assert describe_open(bands, 2.0, **given).startswith(said)
