"""Each rule about effort at its border, on a curve that is given instead of learnt; what is learnt next by hand."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from scipy.stats import norm

from biofeedback.analysis import dose as module
from biofeedback.analysis.curve import EFFORTS, KINDS, Posterior, find_place, weigh_curves
from biofeedback.analysis.dose import (
    DosePoint,
    agree_with,
    choose_effort,
    compute_dose,
    gather,
    is_enough,
    make_band,
)
from biofeedback.analysis.held import DoseLevel, HeldBand, describe_enough
from biofeedback.analysis.informing import GRID, choose_next, list_efforts
from biofeedback.model import Band


class Told:
    """A posterior that says what the test wants: change, chance in % of being enough, and half the interval."""

    def __init__(self, change=-1.0, chance=50.0, half=1.0, **at):
        self.change, self.chance, self.half = change, chance, half
        self.at = {float(effort.strip("e_")): told for effort, told in at.items()}

    def _find(self, effort):
        nearest = float(EFFORTS[find_place(effort)])
        return {"change": self.change, "chance": self.chance, "half": self.half} | self.at.get(nearest, {})

    def expect(self, effort):
        return self._find(effort)["change"]

    def below(self, effort, value):
        assert value < 0
        return self._find(effort)["chance"] / 100

    def quantile(self, effort, probability):
        told = self._find(effort)
        return told["change"] + (told["half"] if probability > 0.5 else -told["half"])


@pytest.fixture
def tell(monkeypatch):
    def set_curve(change=-1.0, chance=50.0, half=1.0, **at):
        monkeypatch.setattr(module, "weigh_curves", lambda contrasts: Told(change, chance, half, **at))
        monkeypatch.setattr(module, "choose_next", lambda posterior, efforts, **limits: (None, f"asked {limits}"))

    return set_curve


def points(**rated):
    """Contrasts by effort: ``e25=(-2, -1)``."""
    return [
        DosePoint(float(effort[1:]), change, 0, 2 * k)
        for effort, changes in rated.items()
        for k, change in enumerate(changes)
    ]


# -- which held band is enough ----------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("chance", "rated", "wanted", "enough"),
    [(90, -2, 2, True), (89.9, -2, 2, False), (90, -1.99, 2, False), (99, -3, 2, True), (80, -3, 2, False)],
)
def test_enough_is_sure_on_the_curve_and_rated_as_much(chance, rated, wanted, enough) -> None:
    held = HeldBand(Band(20, 30), 25.0, 3, rated, DoseLevel(25.0, rated, rated - 1, rated + 1, chance))
    assert is_enough(held, wanted) == enough
    assert is_enough(replace(held, rated=-5.0), wanted, 80.0)


def test_the_lowest_of_the_bands_that_are_enough_is_offered_with_what_was_rated_there(tell) -> None:
    tell(chance=95.0, e25={"chance": 50.0})
    dose = compute_dose(points(e70=(-3, -3), e50=(-2, -3), e25=(-3,)))
    assert (dose.advice, dose.band, dose.least_percent, dose.least_chance_percent) == ("enough", Band(45, 55), 50, 95)
    assert dose.reason == describe_enough(dose.held[1], 2.0)
    assert dose.reason.startswith("held 2 times, discomfort there was 2.5 points lower on average; 2.0 points less")
    assert dose.saturation is not None, "three bands are drawn as a curve that levels off"
    assert (dose.n_points, dose.wanted_points, dose.limit_percent) == (5, 2.0, 100.0)
    assert compute_dose(points(e70=(-3, -3, -3), e50=(-2, -3))).saturation is None
    assert dose.at(48.0).effort_percent == 50.0


@pytest.mark.parametrize(("n", "room", "advice"), [(3, None, "enough"), (2, None, "not decided"),
                                                   (3, 1.5, "enough"), (3, 1.4, "not decided")])  # fmt: skip
def test_nothing_is_enough_of_too_few_contractions_or_where_there_is_no_room(tell, n, room, advice) -> None:
    tell(chance=95.0)
    dose = compute_dose(points(e25=(-3.0,) * n), relaxed_points=room)
    assert dose.advice == advice
    assert dose.relaxed_too_low == (room == 1.4)
    assert (dose.next_percent is None) or room != 1.4


@pytest.mark.parametrize(("limit", "band"), [(70.0, Band(65, 75)), (69.9, None)])
def test_what_lies_above_the_limit_is_never_enough(tell, limit, band) -> None:
    tell(chance=95.0)
    dose = compute_dose(points(e70=(-3, -3, -3)), limit_percent=limit)
    assert dose.band == band
    if band is None:
        assert "lies above 69.9 %, the most that may be asked for" in dose.reason


@pytest.mark.parametrize(
    "facts",
    [{"wanted_points": 0.0}, {"wanted_points": -1.0}, {"chance_percent": 49.9}, {"chance_percent": 100.0},
     {"limit_percent": 0.0}, {"limit_percent": 100.1}],
)  # fmt: skip
def test_limits_that_mean_nothing_are_refused(facts) -> None:
    with pytest.raises(ValueError, match="wanted points above 0"):
        compute_dose([], **facts)


def test_limits_at_their_ends_are_taken(tell) -> None:
    tell()
    assert compute_dose([], chance_percent=50.0, limit_percent=100.0, wanted_points=0.1).held == ()
    assert compute_dose([]).curve == ()


# -- when contraction is left out -------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("low", "high", "limit", "left_out"),
    [
        (40, 60, 100.0, True),
        (41, 60, 100.0, False),  # no light effort was held
        (40, 59, 100.0, False),  # no hard one
        (25, 50, 60.0, True),  # nothing harder may be asked for
        (25, 49, 60.0, False),
    ],
)
def test_contraction_is_left_out_only_after_light_and_hard_were_held(tell, low, high, limit, left_out) -> None:
    tell(change=0.0, chance=3.0)
    dose = compute_dose(points(**{f"e{low}": (0, 0), f"e{high}": (0, 1)}), limit_percent=limit)
    assert (dose.advice == "neither") == left_out
    assert (dose.next_percent is None) or not left_out


@pytest.mark.parametrize(
    ("chances", "rated", "left_out"),
    [
        ({}, (0, 0), True),
        ({"e25": 5.0}, (0, 0), True),
        ({"e25": 5.1}, (0, 0), False),
        ({"e70": 5.1}, (0, 0), False),
        ({"e45": 10.0}, (0, 0), True),
        ({"e45": 10.1}, (0, 0), False),  # an effort between that was not held may be enough
        ({"e20": 10.1}, (0, 0), False),
        ({"e15": 50.0}, (0, 0), True),  # below what was held by more than five
        ({}, (-2, -2), False),  # rated as enough, whatever the curve says
        ({}, (-1.9, -1.9), True),
    ],
)
def test_contraction_is_left_out_where_no_effort_held_or_between_is_likely_enough(
    tell, chances, rated, left_out
) -> None:
    tell(change=0.0, chance=3.0, **{effort: {"chance": chance} for effort, chance in chances.items()})
    dose = compute_dose(points(e25=(0, 0), e70=rated))
    assert (dose.advice == "neither") == left_out


@pytest.mark.parametrize(
    ("low", "change", "half", "left_out", "is_worse"),
    [
        (40, 2.0, 1.9, True, True),
        (41, 2.0, 1.9, False, True),
        (40, 2.0, 2.0, False, False),
        (25, 1.0, 1.5, False, False),
    ],
)
def test_what_is_worse_at_a_light_effort_is_left_out_at_once(tell, low, change, half, left_out, is_worse) -> None:  # noqa: PLR0917
    tell(change=change, chance=20.0, half=half)
    dose = compute_dose(points(**{f"e{low}": (2, 2, 2)}))
    assert (dose.advice == "neither", dose.is_worse) == (left_out, is_worse)
    two = compute_dose(points(**{f"e{low}": (2, 2)}))
    assert (two.advice, two.is_worse) == ("not decided", False), "two contractions are an anecdote"
    both = compute_dose([*points(**{f"e{low}": (2, 2, 2)}), *points(e70=(2,))])
    assert both.is_worse == is_worse


# -- what to try next -------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("held", "chances", "expected", "why"),
    [
        ((41,), {}, 25.0, "none was tried"),
        ((40,), {}, 25.0, "less effort may do as well"),  # 10 to 40: the middle
        ((30,), {}, 20.0, "less effort may do as well"),
        ((29,), {}, None, ""),
        ((25, 70), {"e25": 50.0}, 50.0, "less effort may do as well"),  # 47.5 to the even of the steps of five
        ((55, 70), {"e55": 50.0}, None, ""),
        ((25, 45), {"e25": 50.0}, 35.0, "less effort may do as well"),
        ((26, 45), {"e25": 50.0}, None, ""),
    ],
)
def test_below_what_is_enough_less_is_tried_where_the_gap_is_wide(tell, held, chances, expected, why) -> None:
    tell(chance=95.0, **{effort: {"chance": chance} for effort, chance in chances.items()})
    dose = compute_dose([DosePoint(float(e), -3.0, 0, 2 * k) for k, e in enumerate([*held] * 3)])
    assert dose.least_percent == held[-1]
    assert dose.next_percent == expected
    assert why in dose.next_reason


def test_what_promised_most_is_repeated_then_light_is_tried_then_what_teaches_most(tell) -> None:
    tell(chance=50.0)
    promising = compute_dose(points(e70=(-2, -2), e50=(-3, -1), e25=(-1, -1)))
    assert (promising.next_percent, promising.next_reason) == (
        50.0,
        "what was rated there would be enough, if it repeats",
    )
    assert compute_dose(points(e70=(-2, -2), e50=(-3, -1), e25=(-1, -1)), limit_percent=60.0).next_percent == 50.0
    assert compute_dose(points(e70=(-3, -3), e25=(-1, -1)), limit_percent=60.0).next_percent is None
    for effort, light in ((41, True), (40, False)):
        dose = compute_dose(points(**{f"e{effort}": (-1, -1, -1)}))
        assert (dose.next_reason == "light effort was not tried") == light
        assert (dose.next_percent == 25.0) == light
    assert compute_dose(points(e41=(-1, -1, -1)), limit_percent=24.9).next_percent is None
    assert compute_dose(points(e41=(-1, -1, -1)), limit_percent=25.0).next_percent == 25.0
    for limit, most in ((100.0, 45.0), (30.0, 30.0)):
        dose = compute_dose(points(e25=(-1, -1)), limit_percent=limit)
        assert dose.next_reason == f"asked {{'wanted_points': 2.0, 'low_percent': 10.0, 'high_percent': {most}}}"
    tell(chance=5.0)
    assert compute_dose(points(e70=(-2, -2, -2))).next_reason == "light effort was not tried", "not at all likely"


# -- beside the session's own answer ----------------------------------------------------------------------------------


def test_the_dose_never_says_more_than_the_session(tell) -> None:
    tell(chance=95.0)
    one = compute_dose(points(e25=(-3, -3, -3)))
    assert agree_with(one, "less") is one
    for word in ("no clear difference", "more", "too few ratings to say"):
        agreed = agree_with(one, word)
        assert (agreed.advice, agreed.band, agreed.least_percent, agreed.least_chance_percent) == (
            "not decided", None, None, None,
        )  # fmt: skip
        assert (agreed.next_percent, agreed.next_reason) == (25.0, "more ratings there would decide it")
        assert agreed.is_worse == (word == "more")
    several = compute_dose(points(e25=(-3, -3, -3), e70=(-3,)))
    for word in ("less", "more", "no clear difference"):
        assert agree_with(several, word) is several
    late = agree_with(several, "not decided, may come late")
    assert (late.advice, late.band, late.next_percent, late.next_reason, late.is_worse) == (
        "not decided", None, None, "", False,
    )  # fmt: skip
    assert (late.least_percent, late.least_chance_percent, late.saturation) == (None, None, None)
    assert late.reason == "what contraction does may come only after it"


def test_worse_is_told_only_with_the_session(tell) -> None:
    tell(change=2.0, half=1.0, chance=1.0)
    several = compute_dose(points(e25=(2, 2, 2), e70=(2,)))
    assert (several.advice, several.is_worse) == ("neither", True)
    for word, is_worse in (("more", True), ("no clear difference", False), ("less", False)):
        agreed = agree_with(several, word)
        assert (agreed.advice, agreed.is_worse) == ("neither", is_worse)
        assert agreed.reason.startswith("every band that was held made it worse") == is_worse
    one = compute_dose(points(e25=(2, 2, 2)))
    assert one.advice == "neither"
    assert agree_with(one, "more").advice == "neither"
    assert agree_with(one, "more").is_worse
    unclear = agree_with(one, "no clear difference")
    assert (unclear.advice, unclear.is_worse, unclear.next_percent) == ("not decided", False, 25.0)


def test_little_discomfort_and_a_change_for_the_worse_are_both_told(tell) -> None:
    tell(change=1.0, half=2.0, chance=50.0)
    little = compute_dose(points(e25=(1, 1, 1), e70=(2,)), relaxed_points=1.0)
    assert little.relaxed_too_low
    assert agree_with(little, "more").reason == (
        "contracting made it worse on average (15–25 %: 1.0 points higher, 65–75 %: 2.0 points higher), and little "
        "discomfort was there to ease"
    )
    assert not agree_with(little, "more").is_worse
    assert agree_with(little, "no clear difference").reason == little.reason
    open_ = agree_with(compute_dose(points(e25=(1, 1, 1), e70=(2,))), "more")
    assert open_.reason.startswith("the ratings leave open")
    assert not open_.is_worse
    two = compute_dose(points(e25=(1, 1)))
    assert agree_with(two, "no clear difference") == two
    assert agree_with(two, "more").is_worse
    nothing = compute_dose([])
    assert agree_with(nothing, "more") == nothing


# -- how contrasts become bands ---------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("effort", "band"),
    [(52.4, Band(45, 55)), (52.6, Band(50, 60)), (0.0, Band(5, 15)), (12.4, Band(5, 15)), (100.0, Band(95, 105))],
)
def test_a_band_around_an_effort_is_ten_wide_and_begins_at_five(effort, band) -> None:
    assert make_band(effort) == band


@pytest.mark.parametrize(
    ("effort", "name"), [(55.0, "60–80 %"), (54.9, "45–55 %"), (85.0, "60–80 %"), (85.1, "85–95 %"), (70.0, "60–80 %")]
)
def test_a_contraction_belongs_to_the_band_that_it_met_within_five(tell, effort, name) -> None:
    tell()
    dose = compute_dose([DosePoint(effort, -1.0, 0, 2 * k, Band(60, 80)) for k in range(3)])
    assert [held.name for held in dose.held] == [name]
    free = compute_dose([DosePoint(44.0, -1.0), DosePoint(36.0, -2.0, cycle=2), DosePoint(-3.0, 0.0, cycle=4)])
    assert [(held.name, held.effort_percent, held.n, held.rated) for held in free.held] == [
        ("5–15 %", 0.0, 1, 0.0),
        ("35–45 %", 40.0, 2, -1.5),
    ]


def test_a_band_that_the_curve_does_not_describe_is_named(tell) -> None:
    """Off by more than 2.5 standard errors, by Student's t of the pooled scatter: here 4 df and SD 1."""
    from scipy.stats import t

    limit = t.ppf(norm.cdf(2.5), 4) * 1.0 / np.sqrt(3)
    for off, is_named in ((limit - 0.01, False), (limit + 0.01, True), (-limit - 0.01, True)):
        tell(change=0.0)
        dose = compute_dose(points(e25=(off - 1, off, off + 1), e70=(-1, 0, 1), e50=(9.0,)))
        assert [held.misfits for held in dose.held] == [is_named, False, False], "one contraction says nothing"
        named = f"15–25 % ({off:+.1f} points rated, +0.0 on the curve); go by what was rated there"
        assert dose.misfit == (f"the curve does not describe {named}" if is_named else "")
    alike = compute_dose(points(e25=(1.5, 1.5, 1.5)))
    least = t.ppf(norm.cdf(2.5), 2) * 0.35 / np.sqrt(3)  # ratings that agree exactly scatter by their rounding
    assert alike.held[0].misfits == (least < 1.5)
    assert not compute_dose(points(e25=(least - 0.01,) * 3)).held[0].misfits
    assert compute_dose(points(e25=(5.0,))).misfit == ""


# -- the effort of the next contraction -------------------------------------------------------------------------------


def test_once_nothing_is_to_be_learnt_the_least_that_is_enough_is_held(tell) -> None:
    cases = ((40, 10, 80, 40), (40, 45, 80, 45), (40, 40, 80, 40), (40, 10, 40, 40), (40, 10, 35, 10), (95, 20, 80, 20))
    for least, low, high, expected in cases:
        tell(chance=89.5, **{f"e{e}": {"chance": 90.0} for e in range(least, 101, 5)})
        effort, reason = choose_effort([], low_percent=float(low), high_percent=float(high), top_percent=100.0)
        assert effort == expected, (least, low, high)
        assert reason == f"asked {{'wanted_points': 2.0, 'low_percent': {float(low)}, 'high_percent': {float(high)}}}"
    tell(chance=89.9)
    assert choose_effort([], low_percent=15.0, high_percent=60.0, top_percent=75.0)[0] == 15.0


@pytest.mark.parametrize(("top", "last"), [(100, 100), (120, 100), (62, 60), (60, 60), (3, 5), (0, 5)])
def test_efforts_are_steps_of_five_up_to_the_top(top, last) -> None:
    assert list_efforts(top).tolist() == [5.0 * k for k in range(1, last // 5 + 1)]


def posterior_of(means, scatter=1.0, sd=0.0):
    """One curve that is known but for ``sd`` at each effort, independent between efforts."""
    mean = np.broadcast_to(np.asarray(means, dtype=float), (1, EFFORTS.size))
    return Posterior(
        np.ones(1), np.full(1, scatter), np.zeros(1, dtype=int), mean, np.full((1, EFFORTS.size), sd),
        sd**2 * np.eye(EFFORTS.size)[None],
    )  # fmt: skip


def compute_information(changes, scatter, least):
    """Mutual information in bits of a rating and a class, by the definition, class by class over the rating's grid."""

    def density(rows):
        each = norm.pdf(GRID, np.array(rows)[:, None], scatter)
        return (each / each.sum(axis=1, keepdims=True)).mean(axis=0)

    def entropy(p):
        return -sum(float(one) * np.log2(one) for one in p if one > 0)

    classes = sorted(set(least))
    inside = sum(
        np.mean([one == cls for one in least])
        * entropy(density([c for c, one in zip(changes, least, strict=True) if one == cls]))
        for cls in classes
    )
    return entropy(density(changes)) - inside


def test_what_a_contraction_teaches_is_mutual_information_by_its_definition() -> None:
    """Unknown by one point at two efforts, known elsewhere: those two alone can teach, and the lower one is taken."""
    means = np.where(np.isin(EFFORTS, [30.0, 60.0]), -2.0, 0.0)
    posterior = posterior_of(means, sd=1e-6)
    posterior.covariance[0][find_place(30), find_place(30)] = 1.0
    posterior.covariance[0][find_place(60), find_place(60)] = 1.0
    limits = {"wanted_points": 2.0, "low_percent": 10.0, "high_percent": 80.0}
    chosen, reason = choose_next(posterior, list_efforts(100), **limits)
    assert (chosen, reason) == (30.0, "a contraction at 30 % is expected to say most about how much is enough")
    curves, scatter = posterior.draw(600, np.random.default_rng(1))
    reached = curves <= -2.0
    least = [int(row.argmax()) if row.any() else EFFORTS.size for row in reached]
    bits = {e: compute_information(curves[:, find_place(e)], scatter[0], least) for e in (30.0, 60.0, 50.0)}
    assert bits[30.0] > bits[60.0] > 0.05
    assert abs(bits[50.0]) < 0.01
    from biofeedback.analysis.informing import _expect_information

    for effort, expected in bits.items():
        ours = _expect_information(curves[:, find_place(effort)], scatter, np.array(least))
        assert ours == pytest.approx(expected, abs=1e-6)
    above = choose_next(posterior, list_efforts(100), **(limits | {"low_percent": 35.0}))
    assert above[0] == 60.0
    assert choose_next(posterior, list_efforts(100), **(limits | {"low_percent": 65.0}))[0] is None


@pytest.mark.parametrize(("change", "chosen"), [(0.99, True), (1.0, False)])
def test_what_is_expected_to_make_it_worse_is_not_offered(change, chosen) -> None:
    posterior = posterior_of(change, sd=2.0)
    found, reason = choose_next(posterior, list_efforts(100), wanted_points=0.5, low_percent=10.0, high_percent=50.0)
    assert (found is not None) == chosen
    assert ("make it worse" in reason) != chosen


@pytest.mark.parametrize(("low", "high", "only"), [(20.0, 20.0, 20.0), (20.1, 25.0, 25.0), (19.9, 20.0, 20.0)])
def test_only_efforts_within_the_limits_are_offered(low, high, only) -> None:
    posterior = posterior_of(-1.0, sd=2.0)
    found, _ = choose_next(posterior, list_efforts(100), wanted_points=2.0, low_percent=low, high_percent=high)
    assert found == only


def test_where_nothing_is_to_be_learnt_nothing_is_asked_for() -> None:
    found, reason = choose_next(
        posterior_of(-5.0, sd=1e-3), list_efforts(100), wanted_points=2.0, low_percent=10.0, high_percent=80.0
    )
    assert found is None
    assert "not expected to change the answer" in reason


# -- the curve --------------------------------------------------------------------------------------------------------


def test_quantile_and_chance_of_a_mixture_are_inverse_and_those_of_its_normals() -> None:
    posterior = weigh_curves(gather([DosePoint(25.0, -2.0), DosePoint(70.0, 1.0, 0, 3), DosePoint(70.0, 0.0, 1, 1)]))
    for effort in (5.0, 27.4, 70.0, 100.0, 130.0):
        place = int(np.abs(EFFORTS - effort).argmin())
        parts = norm(posterior.mean[:, place], np.maximum(posterior.sd[:, place], 1e-9))
        for value in (-3.0, -2.0, 0.5):
            assert posterior.below(effort, value) == pytest.approx(float(posterior.weight @ parts.cdf(value)))
        for probability in (0.025, 0.5, 0.975):
            value = posterior.quantile(effort, probability)
            assert posterior.below(effort, value - 2e-3) <= probability + 1e-9
            assert posterior.below(effort, value + 2e-3) >= probability - 1e-9
        assert posterior.expect(effort) == pytest.approx(float(posterior.weight @ posterior.mean[:, place]))
    assert posterior.weight.sum() == pytest.approx(1.0)
    assert posterior.weight.size == posterior.scatter.size == posterior.kind.size == 2 * 8 * len(KINDS)


def test_curves_are_drawn_with_the_mean_and_covariance_of_their_part() -> None:
    """Of one part alone: standard errors of 6,000 draws."""
    posterior = weigh_curves(gather([DosePoint(30.0, -2.0), DosePoint(80.0, 1.0, 0, 3)]))
    one = int(np.flatnonzero((posterior.kind == 3) & np.isclose(posterior.scatter, posterior.scatter[2]))[0])
    alone = replace(posterior, weight=np.eye(posterior.weight.size)[one])
    curves, scatter = alone.draw(6_000, np.random.default_rng(0))
    assert set(scatter) == {posterior.scatter[one]}
    sd = posterior.sd[one]
    assert np.all(np.abs(curves.mean(axis=0) - posterior.mean[one]) < 5 * sd / np.sqrt(6_000) + 1e-3)
    covariance = np.cov(curves.T)
    largest = np.outer(sd, sd)
    assert np.all(np.abs(covariance - posterior.covariance[one]) < 0.1 * largest.max() + 1e-5)
    assert np.diagonal(covariance) == pytest.approx(sd**2, rel=0.1)


def test_the_kinds_of_curve_share_one_belief_and_none_prefers_easing() -> None:
    assert sum(kind.share for kind in KINDS) == pytest.approx(1.0)
    posterior = weigh_curves(gather([]))
    for effort in EFFORTS.tolist():
        assert posterior.expect(effort) == 0.0
        assert posterior.below(effort, -2.0) == pytest.approx(1 - posterior.below(effort, 2.0))
