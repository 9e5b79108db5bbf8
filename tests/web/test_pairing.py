from __future__ import annotations

import pytest

from biofeedback.errors import SessionError
from biofeedback.web.pairing import ALPHABET, MAX_TRIES, TRIES_WINDOW_S, VALID_S, Pairing, show_code


def test_a_code_works_once_and_gives_its_role() -> None:
    pairing = Pairing()
    code = pairing.invite("athlete", 0.0)
    token, role = pairing.join(code, 1.0)
    assert role == "athlete"
    assert pairing.role_of(token) == "athlete"
    with pytest.raises(SessionError, match="wrong, used or older"):
        pairing.join(code, 2.0)


def test_codes_are_read_as_people_type_them() -> None:
    pairing = Pairing()
    code = pairing.invite("coach", 0.0)
    _, role = pairing.join(f" {show_code(code).lower()} ", 1.0)
    assert role == "coach"


def test_codes_expire_and_a_new_one_voids_the_old() -> None:
    pairing = Pairing()
    first = pairing.invite("athlete", 0.0)
    second = pairing.invite("athlete", 1.0)
    with pytest.raises(SessionError):
        pairing.join(first, 2.0)
    with pytest.raises(SessionError):
        pairing.join(second, 1.0 + VALID_S + 0.1)


def test_codes_and_tokens_are_random_and_unlike_each_other() -> None:
    codes = [Pairing().invite("athlete", 0.0) for _ in range(200)]
    assert len(set(codes)) == 200
    assert set("".join(codes)) == set(ALPHABET)  # every letter comes up: 1600 draws from 31
    tokens = set()
    for _ in range(50):
        pairing = Pairing()
        tokens.add(pairing.join(pairing.invite("athlete", 0.0), 0.0)[0])
    assert len(tokens) == 50
    assert all(len(token) >= 40 for token in tokens)


def test_guessing_is_slowed_down_for_everybody_even_with_the_right_code() -> None:
    pairing = Pairing()
    code = pairing.invite("athlete", 0.0)
    for k in range(MAX_TRIES):
        with pytest.raises(SessionError, match="wrong"):
            pairing.join("AAAAAAAA", k * 0.1)
    with pytest.raises(SessionError, match="too many codes"):
        pairing.join(code, 2.0)
    assert pairing.join(code, TRIES_WINDOW_S + 1.0)[1] == "athlete"


def test_rights_end_when_they_are_taken_back() -> None:
    pairing = Pairing()
    token, _ = pairing.join(pairing.invite("athlete", 0.0), 0.0)
    code = pairing.invite("coach", 0.0)
    pairing.revoke_all()
    assert pairing.role_of(token) is None
    with pytest.raises(SessionError):
        pairing.join(code, 0.0)


@pytest.mark.parametrize("token", [None, "", "x", "A" * 43])
def test_strangers_have_no_role(token: str | None) -> None:
    assert Pairing().role_of(token) is None
