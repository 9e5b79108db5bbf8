"""What a page may ask for: who may ask, and which message is refused in which words."""

from __future__ import annotations

import pytest

from biofeedback.account.commands import COMMANDS, check_command, may_ask
from biofeedback.errors import SessionError


def test_an_athlete_may_end_and_rate_and_not_lead() -> None:
    for name in ("stop", "explain_stop", "rate", "take_back", "expect"):
        assert may_ask(name, "athlete"), name
    for name in ("typed_maximum", "start_plan", "end_phase", "limit", "invite", "revoke", "allow"):
        assert not may_ask(name, "athlete"), name
    assert all(may_ask(name, "coach") for name in COMMANDS)


def test_what_is_no_command_is_no_athletes_to_ask() -> None:
    assert not may_ask("unheard of", "athlete")


@pytest.mark.parametrize(
    ("message", "said"),
    [
        ({"do": "unheard of"}, "unknown command 'unheard of'"),
        ({"do": ["rate"]}, "unknown command"),
        ({"do": "rate"}, "rate needs value"),
        ({"do": "rate", "value": 3, "mood": 1}, "rate has no field 'mood'"),
        ({"do": "rate", "value": "3"}, "rate: value '3' is not"),
        ({"do": "rate", "value": True}, "rate: value 'True' is not"),
        ({"do": "rate", "value": float("nan")}, "rate: value 'nan' is not"),
        ({"do": "rate", "value": 3, "ask": -1}, "rate: ask '-1' is not"),
        ({"do": "rate", "value": 3, "ask": 1.5}, "rate: ask '1.5' is not"),
        ({"do": "rate", "value": 3, "ask": True}, "rate: ask 'True' is not"),
    ],
)
def test_a_message_that_does_not_fit_is_refused_with_what_is_wrong(message: dict[str, object], said: str) -> None:
    with pytest.raises(SessionError) as refused:
        check_command(message)
    assert str(refused.value).startswith(said)


def test_a_message_that_fits_is_its_command() -> None:
    for message in ({"do": "rate", "value": None}, {"do": "rate", "value": 0, "ask": 0}, {"do": "rate", "value": 4.5}):
        assert check_command(message) is COMMANDS["rate"]


@pytest.mark.parametrize(
    ("fits", "does_not"),
    [
        ({"do": "limit", "value": 999_999_999}, {"do": "limit", "value": 1e9}),
        ({"do": "limit", "value": -999_999_999}, {"do": "limit", "value": float("-inf")}),
        ({"do": "take_back", "rating": 999_999}, {"do": "take_back", "rating": 1_000_000}),
        ({"do": "note", "text": "x" * 500}, {"do": "note", "text": "x" * 501}),
        ({"do": "feedback", "shown": False}, {"do": "feedback", "shown": 0}),
        ({"do": "check_plan", "draft": {}}, {"do": "check_plan", "draft": []}),
        *(
            ({"do": "phone_data", "who": "A01", **good}, {"do": "phone_data", "who": "A01", **good, **bad})
            for good in ({"gravity": [[0, 1], [0, 1, 2, 3]], "ratings": [[0, 1]] * 400},)
            for bad in (
                {"ratings": [[0, 1]] * 401},
                {"gravity": [[1]]},
                {"gravity": [[0] * 5]},
                {"gravity": [[0, "1"]]},
            )
        ),
    ],
)
def test_the_size_of_what_is_sent_has_its_ends(fits: dict[str, object], does_not: dict[str, object]) -> None:
    assert check_command(fits)
    with pytest.raises(SessionError, match=r" is not "):
        check_command(does_not)
