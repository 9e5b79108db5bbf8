"""What kinds of phase, bands and answers mean, in the words that pages, voice and report share."""

from __future__ import annotations

import pytest

from biofeedback.account.kinds import Aftermath
from biofeedback.account.words import (
    BANDS,
    PHASES,
    SCALE,
    STOP_REASONS,
    describe_aftermath,
    get_meaning,
    is_sore,
    list_hurts,
    name_easing,
)
from biofeedback.session.plan import load_plan


def test_what_the_muscle_and_the_body_do_in_each_kind_of_phase() -> None:
    """Works or is let go, in the position or out of it, and what its rating stands for."""
    meant = {
        kind: (words.contracts, words.relaxes, words.in_position, words.compares_as) for kind, words in PHASES.items()
    }
    assert meant == {
        "passive": (False, True, True, "passive"),
        "contract": (True, False, True, "contract"),
        "remote": (False, True, True, None),
        "rest": (False, False, False, None),
    }
    unknown = get_meaning("from another version")
    assert (unknown.say, unknown.contracts, unknown.relaxes, unknown.compares_as) == (
        *("from another version", False, False, None),
    )


@pytest.mark.parametrize(("name", "plan"), [("light", "light-hold"), ("hard", "hard-hold")])
def test_a_band_by_name_is_that_of_the_plan_of_this_name(name: str, plan: str) -> None:
    (band,) = {phase.band for phase in load_plan(plan).phases if phase.meaning.contracts}
    assert BANDS[name] == band


def test_the_scale_holds_its_ends_and_nothing_beyond() -> None:
    assert [SCALE.holds(value) for value in (-0.5, 0.0, 7.5, 10.0, 10.5)] == [False, True, True, True, False]


def test_what_a_professional_should_look_at_ends_the_session() -> None:
    assert {name for name, reason in STOP_REASONS.items() if not reason.may_go_on} == {"sharp"}


@pytest.mark.parametrize(
    ("said", "names"),
    [
        (None, ()),
        ("Heat pack", ("warmth",)),
        (["warm-up", "Massage of the calf", "music"], ("massage", "warm-up")),
        ({"massage": True, "sauna": False}, ("massage",)),
        (["a jog was left out"], ()),
    ],
)
def test_what_eases_by_itself_is_found_by_the_words_that_begin_it(said: object, names: tuple[str, ...]) -> None:
    assert name_easing(said) == names


def test_what_hurts_afterwards_lets_nothing_more_be_done() -> None:
    assert list_hurts(Aftermath(when="end")) == []
    assert list_hurts(Aftermath(when="end", new_pain=False, numbness=False, walks_normally=True, soreness=9.0)) == []
    assert list_hurts(Aftermath(when="end", new_pain=True, numbness=True, walks_normally=False)) == [
        *("numbness or tingling", "new pain", "a limp"),
    ]


def test_soreness_over_three_offers_nothing_harder() -> None:
    assert [is_sore(Aftermath(when="end", soreness=value)) for value in (None, 3.0, 3.5)] == [False, False, True]
    assert is_sore(Aftermath(when="end", new_pain=True))


def test_what_was_not_answered_is_left_out() -> None:
    assert describe_aftermath(Aftermath(when="end")) == ""
    assert (
        describe_aftermath(Aftermath(when="end", new_pain=False, walks_normally=False))
        == "no new pain, does not walk normally"
    )
    assert (
        describe_aftermath(Aftermath(when="end", numbness=True, soreness=0.0))
        == "numbness or tingling, soreness 0 of 10"
    )
