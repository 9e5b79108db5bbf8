"""Which kinds of line a board prints: one, some in turn, or none in common."""

from __future__ import annotations

import pytest

from biofeedback.acquisition import understand

A, B = ((("word", "a"), ("number", "")), (("word", "b"), ("number", "")))
ODD = [(("word", f"odd{k}"), ("number", "")) for k in range(20)]
MANY = [(("word", f"sensor{k}"), ("number", "")) for k in range(20)]


@pytest.mark.parametrize(
    ("shapes", "kinds"),
    [
        ([A], [A]),
        ([A] * 8 + ODD[:2], [A]),
        ([A] * 7 + ODD[:2], []),  # seven of nine are less than eight of ten
        ([A, B] * 10, [A, B]),
        ([B, A] * 10, [B, A]),  # as they begin
        ([A, B] * 10 + ODD[:5], [A, B]),
        ([A, B] * 10 + ODD[:6], []),
        ([A] * 10 + [B] * 10, []),  # one after the other is no turn
        ([A, B] * 2 + [A], []),  # seen too seldom
        (MANY[:16] * 4, MANY[:16]),
        (MANY[:17] * 4, []),
    ],
)
def test_the_kinds_of_line(shapes: list[object], kinds: list[object]) -> None:
    assert understand._find_kinds(shapes) == kinds  # type: ignore[arg-type]


@pytest.mark.parametrize(
    ("names", "is_in_turn"),
    [
        ("ab" * 3, True),
        ("ab" * 2 + "a", False),  # three times round at least
        ("aaa", False),
        ("", False),
        ("abc" * 10, True),
        ("aabb" * 10, False),
        ("ab" * 20 + "b" + "ab" * 5, True),  # one was lost
        ("ab" * 3 + "b" + "ab" * 3, False),  # of so few one is too many
    ],
)
def test_what_takes_turns(names: str, is_in_turn: bool) -> None:
    assert understand._takes_turns(list(names)) is is_in_turn


@pytest.mark.parametrize(
    ("words", "is_rare"), [(["a"] * 10, True), (["a"] * 10 + ["b"], True), (["a"] * 9 + ["b"], False)]
)
def test_a_word_that_hardly_ever_changes(words: list[str], is_rare: bool) -> None:
    assert understand._is_rare(words) is is_rare


def test_the_same_words_elsewhere_are_another_order() -> None:
    other = (("number", ""), ("word", "a"))
    assert understand._change_order([A, other])
    assert not understand._change_order([A, B])
    assert not understand._change_order([(("number", ""),), (("number", ""), ("number", ""))])


@pytest.mark.parametrize(
    ("received", "is_unprintable"),
    [
        (b"", False),
        (b"weight 5 kg\r\n", False),
        (b"5\xb0 6\xb0\n" * 5, False),  # a degree in one byte
        (b"5\xb5V 6\xb2\n" * 5, False),
        ("5° 6 µV\n".encode() * 5, False),
        (b"\x80\x81\xfe\x90\xff\n" * 5, True),
        (b"abcdefgh\x90\n", False),  # one of ten
        (b"abcdefg\x90\n", True),  # one of nine
        (b"\x02+001.5kg\x03\r\n" * 5, False),  # start and end of text frame a line
    ],
)
def test_what_is_no_text_at_all(received: bytes, is_unprintable: bool) -> None:
    assert understand.looks_unprintable(received) is is_unprintable
