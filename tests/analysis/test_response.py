from dataclasses import replace
from itertools import product

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from biofeedback.analysis.randomisation import draw_order
from biofeedback.analysis.ratings import Ratings, Scatter, correlate, list_drift, pool_scatters
from biofeedback.analysis.response import RatedPhase, compute_response
from biofeedback.analysis.response_words import describe_response, describe_return


def alternate(ratings, step_s=20.0, marks=()):
    """Passive first, then in turn; ``marks`` are indices of phases to mark."""
    return [
        RatedPhase("contract" if i % 2 else "passive", r, 18 + step_s * i, ("out of band",) if i in marks else ())
        for i, r in enumerate(ratings)
    ]


def test_contrasts_by_hand():
    response = compute_response(alternate([8, 6, 7, 5, 7, 4, 6]))
    assert [c.change for c in response.contrasts] == [6 - 7.5, 5 - 7, 4 - 6.5]
    assert response.mean_change == pytest.approx(-2, abs=0.01)  # every rating counts, not only the contrasts
    assert response.mean_passive == pytest.approx(5 - response.mean_change)
    assert response.change_percent == pytest.approx(100 * response.mean_change / response.mean_passive)
    assert response.fell == pytest.approx((-2 - 2 - 3) / 3)
    assert response.came_back == pytest.approx((1 + 2 + 2) / 3)
    assert response.drift_per_min.slope == pytest.approx(-0.875)  # -1.5, -1.5, -1, -0.75, -0.75, 0
    assert response.nap == pytest.approx(11.5 / 12)  # 12 pairs, all lower but one tie (6 and 6)


def test_no_discomfort_at_all_is_a_rating_too():
    response = compute_response(alternate([0, 2, 1, 0, 0, 3, 0]))
    assert [c.change for c in response.contrasts] == [2 - 0.5, 0 - 0.5, 3 - 0]
    assert [c.before for c in response.contrasts] == [0, 1, 0]


@given(st.lists(st.floats(3, 7), min_size=7, max_size=7), st.floats(-0.2, 0.2).filter(lambda s: abs(s) > 1e-6))
def test_a_straight_drift_cancels_exactly(ratings, slope):
    flat = compute_response(alternate(ratings))
    tilted = compute_response(alternate([r + slope * i for i, r in enumerate(ratings)]))
    assert [c.change for c in tilted.contrasts] == pytest.approx([c.change for c in flat.contrasts], abs=1e-9)


def test_less_and_more_are_mirror_images():
    ratings = [6, 4, 6, 5, 7, 4, 6, 4, 6, 4, 6]
    down = compute_response(alternate(ratings))
    up = compute_response(alternate([10 - r for r in ratings]))
    assert (down.word, up.word) == ("less", "more")
    assert (up.mean_change, up.low, up.high) == pytest.approx((-down.mean_change, -down.high, -down.low))
    assert up.nap == pytest.approx(1 - down.nap)
    assert "more" in describe_response(up)[0]
    assert "higher" in describe_response(up)[0]


def test_passive_relaxation_alone_is_no_clear_difference():
    """33 % of passive torque in 90 s (Magnusson et al. 1996), rated to whole numbers: before-after would say 2 less."""
    time_s = 18 + 20.0 * np.arange(11)
    falling = np.round(7 * (1 - 0.3308 * (1 - np.exp(-time_s / 15))))
    response = compute_response(alternate(falling))
    assert response.word == "no clear difference"
    assert abs(response.mean_change) < 0.3


def test_equal_contrasts_are_not_certainty():
    """A fall of half a step a phase, rounded, gives the same ratings without any effect."""
    response = compute_response(alternate([6, 5, 6, 5, 6, 5, 6]))
    assert response.mean_change == -1
    assert response.word == "no clear difference"
    assert response.alias_points == pytest.approx(2 / np.pi)
    assert "rounding to the scale's steps could by itself imitate up to 0.6 points" in " ".join(
        describe_response(response)
    )


def test_an_even_fall_of_half_a_step_a_phase_is_no_effect():
    exact = 7.75 - 0.5 * np.arange(11)
    response = compute_response(alternate(np.floor(exact + 0.5)))
    assert response.mean_change == pytest.approx(-0.5, abs=0.1)
    assert response.word == "no clear difference"


def test_every_rating_counts_when_neighbours_are_missing():
    """All contractions 5, all relaxed 7, two relaxed ratings missing."""
    response = compute_response(alternate([7, 5, None, 5, 7, 5, None, 5, 7]))
    assert response.n_contrasts == 4
    assert response.word == "less"
    assert response.mean_change == -2


def test_an_order_that_cannot_tell_drift_from_effect_gets_no_answer():
    session = [RatedPhase("contract" if i > 3 else "passive", 7 - (i > 3) * 3.0, 20.0 * i) for i in range(8)]
    assert compute_response(session).word == "too few ratings to say"


def test_a_change_that_moves_over_the_cycles_is_told():
    response = compute_response(alternate([7, 3, 7, 4, 7, 5, 7, 6.5, 7, 7.5, 7, 9, 7]))
    assert response.shift.is_clear
    told = " ".join(describe_response(response))
    assert "from 4.1 points lower in the first to 1.8 points higher in the last" in told
    assert "will hardly settle it" not in told
    steady = compute_response(alternate([7, 5, 7, 4, 7, 5, 7, 6, 7, 5, 7]))
    assert not steady.shift.is_clear


def test_an_easing_that_comes_late_is_not_told_as_harm():
    late = compute_response(alternate([8, 8, 6, 8, 6, 8, 6]))
    assert late.word == "not decided, may come late"
    assert "harm is not shown" in " ".join(describe_response(late))
    worse = compute_response(alternate([6, 8, 6, 8, 6, 8, 6]))
    assert worse.word == "more"


def test_a_worsening_that_comes_late_is_not_told_as_easing():
    late = compute_response(alternate([4, 4, 6, 4, 6, 4, 6]))
    assert late.word == "not decided, may come late"
    assert "an easing is not shown" in " ".join(describe_response(late))
    rising = compute_response(alternate([3, 3, 4, 4, 5, 5, 6, 6, 7, 7, 8]))  # goes on rising: a drift, no step
    assert rising.word != "not decided, may come late"


def test_a_floor_hides_how_far_it_went():
    """Half the contractions at 0: the true change may be larger than was rated, and the interval says so."""
    floor = compute_response(alternate([4, 1, 4, 0, 3.5, 0.5, 4, 0, 3.5, 0, 3.5]))
    assert floor.is_open
    assert floor.word == "less"
    free = compute_response(alternate([8, 5, 8, 4, 7.5, 4.5, 8, 4, 7.5, 4, 7.5]))
    assert floor.high == pytest.approx(free.high)
    assert floor.low < free.low - 0.1
    full = compute_response(alternate([3, 0, 2.5, 0, 3, 0, 3]))
    assert full.is_full
    assert full.low == -10
    assert "nothing was left to ease" in describe_response(full)[1]


def test_scatter_of_earlier_sessions_is_borrowed_unless_this_one_scatters_clearly_more():
    ratings = [7, 5, 6, 6, 7, 5, 6.5]
    alone = compute_response(alternate(ratings))
    assert alone.word == "no clear difference"
    joined = compute_response(alternate(ratings), earlier=Scatter(0.5, 24))
    assert joined.borrowed
    assert joined.word == "less"
    assert "earlier sessions" in describe_response(joined)[-1]
    assert not compute_response(alternate(ratings), earlier=Scatter(0.02, 24)).borrowed
    lucky = [6, 5.9, 6, 5.9, 6, 5.9, 6]  # ratings that agree by chance do not make this person certain
    assert compute_response(alternate(lucky), earlier=Scatter(0.5, 24)).word == "no clear difference"
    assert pool_scatters([Scatter(0.5, 8), Scatter(0.7, 8)]).variance == pytest.approx(0.6)
    assert pool_scatters([Scatter(0.05, 8), Scatter(5.0, 8)]) is None  # Bartlett: they are not one scatter


def test_whether_discomfort_came_back():
    back = compute_response(alternate([7, 4, 7, 4, 7, 4, 7, 4, 7]))
    assert describe_return(back) == "After the contractions discomfort came back by 3.0 points on average."
    stayed = compute_response(alternate([9, 5, 6, 4.5, 5, 3, 3.5, 1, 1.5]))
    assert stayed.word == "less"
    assert "cannot tell" in describe_return(stayed)
    more = compute_response(alternate([4, 7, 4, 7, 4, 7, 4]))
    assert describe_return(more) == "After the contractions discomfort fell back by 3.0 points on average."
    assert describe_return(compute_response(alternate([4, 4, 5, 4, 4, 5, 4]))) == ""


def test_missing_ratings_are_said_not_filled():
    response = compute_response(alternate([7, 5, 6, None, 6, 5, 7, 4, 6, 5]))
    assert [c.reason for c in response.contrasts] == [
        "",
        "no rating during",
        "",
        "",
        "no closing passive phase after it",
    ]
    assert response.n_contrasts == 4  # the last one counts too: a line runs through all relaxed ratings
    assert response.contrasts[1].change is None
    assert any("contraction 2 has no neighbours to be seen against: no rating during" in n for n in response.notes)
    assert "1 of 10 phases has no usable rating" in response.notes


def test_ends_of_the_scale_are_named_and_no_small_difference_is_claimed():
    eased = compute_response(alternate([10, 8, 10, 8, 10, 7, 10]))
    assert any("stand at 10" in note for note in eased.notes)
    assert eased.at_end_percent == pytest.approx(100 * 4 / 7)
    assert "57 % of the ratings stand at the end" in describe_response(eased)[2]
    stuck = compute_response(alternate([10, 10, 10, 10, 10, 10, 10]))
    assert stuck.word == "no clear difference"
    assert "below 2 points" not in stuck.reason
    assert "end of the scale" in stuck.reason


@pytest.mark.parametrize(("ratings", "n"), [([], 0), ([7], 0), ([7, 6], 0), ([7, 6, 7], 1), ([7, 6, 7, 5, 6], 2)])
def test_too_few(ratings, n):
    response = compute_response(alternate(ratings))
    assert response.word == "too few ratings to say"
    assert response.n_contrasts == n
    assert (response.mean_change is None) == (n == 0)
    assert response.n_more_cycles == 3 - n or n == 2
    assert len(describe_response(response)) == 1


def test_marked_ratings_are_kept_and_also_left_out():
    response = compute_response(alternate([6, 4, 6, 4, 6, 4, 6, 4, 6], marks=(1, 5)))
    assert response.n_contrasts == 4
    assert response.word == "less"
    assert response.contrasts[0].marks == ("out of band",)
    assert response.without_marked.n_contrasts == 2
    assert response.without_marked.word == "too few ratings to say"
    assert "Without the marked ratings" in describe_response(response)[-1]
    assert compute_response(alternate([6, 4, 6])).without_marked is None


def test_further_cycles_get_a_clear_answer_if_the_change_stays():
    ratings = [6, 5, 7, 5, 6, 6, 6]
    response = compute_response(alternate(ratings))
    assert response.word == "no clear difference"
    n = response.n_more_cycles
    assert n is not None
    assert n > 0
    # the promised number of cycles with the same change and scatter: scale this session's contrasts up
    more = compute_response(alternate(ratings[:-1] * 4 + [6]))
    assert more.n_contrasts == 12 >= response.n_contrasts + n
    assert more.word == "less"


def test_no_p_without_a_draw():
    response = compute_response(alternate([6, 4, 6, 4, 6]))
    assert response.test is None
    assert "not drawn by lot" in response.test_reason


def test_p_over_the_orders_that_could_have_been_drawn():
    drawn = draw_order(5, seed=3)
    phases = [RatedPhase(kind, 4 if kind == "contract" else 6, 18 + 20 * i) for i, kind in enumerate(drawn.order)]
    response = compute_response(phases, drawn=drawn)
    assert response.test.p_less == response.test.smallest_p == 1 / 32
    held_otherwise = [*phases[:-2], replace(phases[-2], kind="passive"), phases[-1]]
    assert compute_response(held_otherwise, drawn=drawn).test is None


def test_words_do_not_depend_on_marks_of_unrated_phases_or_time_unit():
    ratings = [6, 4, 6, 4, 6, 4, 6]
    slow, fast = compute_response(alternate(ratings, 60)), compute_response(alternate(ratings, 2))
    assert slow.word == fast.word
    assert slow.mean_change == fast.mean_change


phases = st.builds(
    RatedPhase,
    st.sampled_from(["passive", "contract"]),
    st.none() | st.integers(0, 20).map(lambda n: n / 2),
    st.integers(0, 360_000).map(lambda n: n / 100),
    st.sampled_from([(), ("out of band",)]),
)


@given(st.lists(phases, max_size=14))
@settings(max_examples=200)
def test_any_session_gets_an_answer_without_nan(session):
    response = compute_response(session)
    for part in (response, response.without_marked):
        if part is None:
            continue
        numbers = [part.mean_change, part.low, part.high, part.nap, part.tau, part.change_percent, part.rating_sd]
        assert all(number is None or np.isfinite(number) for number in numbers)
        assert part.reason
        assert 1 <= len(describe_response(part)) <= 7
        assert part.n_contrasts >= sum(c.change is not None for c in part.contrasts)
        if part.low is not None:
            assert part.low <= part.mean_change <= part.high


@pytest.mark.parametrize("bad", [("contracting", 5, 0.0), ("passive", 11, 0.0), ("passive", 5, float("nan"))])
def test_misuse_is_refused(bad):
    with pytest.raises(ValueError, match=r"kind|scale|time"):
        RatedPhase(*bad)


def test_one_rating_at_the_end_of_the_scale_is_told_in_the_singular():
    notes = compute_response(alternate([10, 7, 9, 7, 9, 7, 9])).notes
    assert any(note.startswith("1 rating stands at 10,") for note in notes)


def count_by_hand(ratings, kinds, time_s):
    """One-sided p of the estimated change over all 2^n orders of pairs; None is an unanswered question.

    The model is the product's (drift and correlation), the estimate another: least squares on whitened ratings.
    """
    known = np.array([rating is not None for rating in ratings])
    rated = np.array([rating for rating in ratings if rating is not None])
    n = len(rated)
    straight, bend = list_drift(Ratings(rated, np.zeros(n, bool), np.array(time_s)[known], np.zeros(n, int)))
    whiten = np.linalg.inv(np.linalg.cholesky(correlate(bend)))

    def change(order):
        column = np.array([kind == "c" for kind in order], float)[known]
        design = whiten @ np.column_stack([straight, column])
        return np.linalg.lstsq(design, whiten @ rated, rcond=None)[0][-1]

    n_pairs = (len(kinds) - 2) // 2
    orders = ["p" + "".join(pairs) + "p" for pairs in product(("pc", "cp"), repeat=n_pairs)]
    held = change(kinds)
    return sum(change(order) <= held + 1e-9 for order in orders) / len(orders)


@pytest.mark.parametrize("silent", [(), (2,), (3,), (0, 7), (4, 5, 6)])
def test_an_unanswered_question_in_a_drawn_order_is_left_out_of_every_order(silent):
    drawn = draw_order(5, seed=11)
    rng = np.random.default_rng(2)
    ratings = [None if i in silent else float(rng.integers(2, 8)) for i in range(len(drawn.order))]
    phases = [RatedPhase(kind, ratings[i], 18.0 + 20 * i) for i, kind in enumerate(drawn.order)]
    found = compute_response(phases, drawn=drawn)
    assert found.test is not None
    kinds = "".join(kind[0] for kind in drawn.order)
    assert found.test.p_less == pytest.approx(count_by_hand(ratings, kinds, [phase.time_s for phase in phases]))
    assert found.n_contrasts == sum(phase.kind == "contract" and phase.rating is not None for phase in phases)
