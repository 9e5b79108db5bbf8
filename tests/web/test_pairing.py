from __future__ import annotations

import pytest

from biofeedback.errors import SessionError
from biofeedback.web.access import find_place, may_visit, name_cookie, read_token
from biofeedback.web.pairing import (
    ALPHABET,
    COACH,
    EVENING_S,
    MAX_TRIES,
    TRIES_WINDOW_S,
    VALID_S,
    Pairing,
    Right,
    show_code,
)

OURS = name_cookie(8765)
FIRST, SECOND = Right("athlete", 1), Right("athlete", 2)


def test_a_code_works_once_and_gives_its_right() -> None:
    pairing = Pairing()
    code = pairing.invite(SECOND, 0.0).code
    token, right = pairing.join(code, 1.0)
    assert right == SECOND
    device = pairing.find_device(token)
    assert device
    assert (device.number, device.right) == (1, SECOND)
    with pytest.raises(SessionError, match="wrong, used or older"):
        pairing.join(code, 2.0)


def test_codes_are_read_as_people_type_them() -> None:
    pairing = Pairing()
    code = pairing.invite(COACH, 0.0).code
    _, right = pairing.join(f" {show_code(code).lower()} ", 1.0)
    assert right == COACH


def test_codes_expire_and_a_new_one_voids_the_old_of_that_seat_alone() -> None:
    pairing = Pairing()
    first, other = pairing.invite(FIRST, 0.0).code, pairing.invite(SECOND, 0.0).code
    renewed = pairing.invite(FIRST, 1.0).code
    assert [each.code for each in pairing.open_codes(1.0)] == [other, renewed]
    with pytest.raises(SessionError):
        pairing.join(first, 2.0)
    assert pairing.join(other, 3.0)[1] == SECOND
    with pytest.raises(SessionError):
        pairing.join(renewed, 1.0 + VALID_S + 0.1)
    assert pairing.open_codes(1.0 + VALID_S + 0.1) == []


def test_codes_and_tokens_are_random_and_unlike_each_other() -> None:
    codes = [Pairing().invite(FIRST, 0.0).code for _ in range(200)]
    assert len(set(codes)) == 200
    assert set("".join(codes)) == set(ALPHABET)  # every letter comes up: 1600 draws from 31
    tokens = set()
    for _ in range(50):
        pairing = Pairing()
        tokens.add(pairing.join(pairing.invite(FIRST, 0.0).code, 0.0)[0])
    assert len(tokens) == 50
    assert all(len(token) >= 40 for token in tokens)


def test_guessing_is_slowed_down_for_everybody_even_with_the_right_code() -> None:
    pairing = Pairing()
    code = pairing.invite(FIRST, 0.0).code
    for k in range(MAX_TRIES):
        with pytest.raises(SessionError, match="wrong"):
            pairing.join("AAAAAAAA", k * 0.1)
    with pytest.raises(SessionError, match="too many codes"):
        pairing.join(code, 2.0)
    assert pairing.join(code, TRIES_WINDOW_S + 1.0)[1] == FIRST


def test_one_device_is_sent_away_and_the_others_stay() -> None:
    pairing = Pairing()
    tokens = [pairing.join(pairing.invite(right, 0.0).code, 0.0)[0] for right in (FIRST, SECOND, SECOND)]
    pairing.revoke(2)
    assert [pairing.find_device(token) is not None for token in tokens] == [True, False, True]
    assert [device.number for device in pairing.devices()] == [1, 3]
    for number in (2, 4, 0):
        with pytest.raises(SessionError, match="not joined any more"):
            pairing.revoke(number)
    pairing.join(pairing.invite(SECOND, 0.0).code, 0.0)
    assert [device.number for device in pairing.devices()] == [1, 3, 4]  # a number means one device for good


def test_an_open_page_is_welcome_until_its_device_is_sent_away_swaps_its_right_or_the_evening_is_over() -> None:
    pairing = Pairing()
    tokens = [pairing.join(pairing.invite(right, 0.0).code, 0.0)[0] for right in (FIRST, SECOND, COACH)]
    devices = [device for device in map(pairing.find_device, tokens) if device]
    assert [pairing.is_joined(device, 1.0) for device in devices] == [True, True, True]
    pairing.revoke(1)
    pairing.join(pairing.invite(FIRST, 0.0).code, 0.0, earlier=tokens[1])
    assert [pairing.is_joined(device, 1.0) for device in devices] == [False, False, True]
    assert not pairing.is_joined(devices[2], EVENING_S + 1.0)


def test_a_device_that_joins_again_swaps_its_right() -> None:
    pairing = Pairing()
    old, _ = pairing.join(pairing.invite(FIRST, 0.0).code, 0.0)
    with pytest.raises(SessionError):
        pairing.join("AAAAAAAA", 0.0, earlier=old)
    assert pairing.find_device(old)  # a slip of the finger takes nothing away
    new, _ = pairing.join(pairing.invite(SECOND, 0.0).code, 0.0, earlier=old)
    assert pairing.find_device(old) is None
    assert [device.right for device in pairing.devices()] == [SECOND]
    assert pairing.find_device(new)


def test_rights_end_when_they_are_taken_back() -> None:
    pairing = Pairing()
    token, _ = pairing.join(pairing.invite(FIRST, 0.0).code, 0.0)
    code = pairing.invite(COACH, 0.0).code
    pairing.revoke_all()
    assert pairing.find_device(token) is None
    assert pairing.devices() == []
    with pytest.raises(SessionError):
        pairing.join(code, 0.0)


@pytest.mark.parametrize("token", [None, "", "x", "A" * 43])
def test_strangers_have_no_right(token: str | None) -> None:
    assert Pairing().find_device(token) is None


@pytest.mark.parametrize("other", ['seen={"a":1}; ', "a[b]=c; ", "word; ", "name=two words; ", "x=ä;", ";;"])
def test_cookies_of_other_programs_at_this_address_do_not_hide_ours(other: str) -> None:
    """Cookies know no ports (RFC 6265, section 8.5): whatever else runs on this machine sends its own along."""
    for sent, token in ((f"{other}{OURS}=t1", "t1"), (f"{OURS}=t1; {other}", "t1"), (other, None)):
        assert read_token({"server": ("192.0.2.7", 8765), "headers": [(b"cookie", sent.encode("latin-1"))]}) == token


@pytest.mark.parametrize(
    ("right", "n_seats", "place"),
    [
        (None, 4, "/pair"),
        (FIRST, 1, "/athlete"),
        (FIRST, 2, "/athlete?seat=1"),
        (SECOND, 4, "/athlete?seat=2"),
        (COACH, 1, "/coach"),
        (COACH, 3, "/group"),
    ],
)
def test_every_device_has_a_place_that_it_may_visit(right: Right | None, n_seats: int, place: str) -> None:
    assert find_place(right, n_seats) == place
    assert may_visit(place.split("?", maxsplit=1)[0], right)
