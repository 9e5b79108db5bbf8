"""Lines by templates, piece by piece: turns, fragments, words, lines that are too long, and what is counted."""

from __future__ import annotations

import numpy as np
import pytest

from biofeedback.acquisition.decoder import MAX_LINE_BYTES, MAX_TEXT_CHARACTERS, BadLines, Frames, Text
from biofeedback.acquisition.layout import Layout
from biofeedback.acquisition.layout_decoder import LayoutDecoder

TURNS = Layout(("A {a}", "B {b}"), ".")
MISSING = "a part of a reading is missing"


def feed(decoder: LayoutDecoder, text: str) -> list[object]:
    """Frames as lists of rows, all else as it is."""
    decoded = decoder.feed(text.encode())
    return [piece.counts.tolist() if isinstance(piece, Frames) else piece for piece in decoded]


def test_a_reading_is_whole_when_all_its_lines_have_come_in_turn() -> None:
    decoder = LayoutDecoder(TURNS, ["b", "a"])
    assert feed(decoder, "B 9\nA 1\nB 2\nA 3\n") == [[[2.0, 1.0]]]  # whoever comes in the middle has missed nothing
    assert (decoder.n_lines, decoder.n_bad_lines) == (4, 0)
    assert feed(decoder, "B 4\n") == [[[4.0, 3.0]]]
    assert feed(decoder, "B 5\nA 6\nB 7\n") == [BadLines(1, MISSING), [[7.0, 6.0]]]
    assert (decoder.n_lines, decoder.n_bad_lines) == (8, 1)
    assert feed(decoder, "A 1\nA 2\nB 3\n") == [BadLines(1, MISSING), [[3.0, 2.0]]]
    assert feed(decoder, "A 1\nA 2\nA 3\nB 4\n") == [BadLines(2, MISSING), [[4.0, 3.0]]]
    decoder.resync()
    assert feed(decoder, "6\nB 5\nA 6\nB 7\n") == [[[7.0, 6.0]]]


def test_one_template_has_begun_at_once_and_an_interruption_forgets_the_rest_of_a_line() -> None:
    decoder = LayoutDecoder(Layout(("{a}, {seq}, {t_ms}",), "."), ["a"], starts_mid_line=True)
    assert feed(decoder, "7, 8") == []
    assert feed(decoder, ", 9\r\n1.5, 7, 20\r\n2.5, 8") == [[[1.5]]]
    (frames,) = decoder.feed(b", 30\n")
    assert isinstance(frames, Frames)
    assert frames.sequence is not None
    assert frames.device_us is not None
    assert (frames.sequence.tolist(), frames.device_us.tolist()) == ([8], [30_000.0])
    assert (decoder.n_lines, decoder.n_bad_lines) == (2, 0)
    decoder.feed(b"3.5, 9")
    decoder.resync()
    assert feed(decoder, ", 40\n4.5, 9, 40\n") == [[[4.5]]]
    assert decoder.last_line == "4.5, 9, 40"


def test_microseconds_stay_and_numbers_too_large_are_held_at_the_last_whole_one() -> None:
    decoder = LayoutDecoder(Layout(("{seq} {t_us} {a}",), "."), ["a"])
    (frames,) = decoder.feed(b"1e30 250 5\n")
    assert isinstance(frames, Frames)
    assert frames.sequence is not None
    assert frames.device_us is not None
    assert (frames.sequence.tolist(), frames.device_us.tolist()) == ([2**53], [250.0])


def test_words_are_text_and_digits_in_another_layout_are_bad_until_the_layout_is_back() -> None:
    decoder = LayoutDecoder(Layout(("F {a}",), "."), ["a"])
    assert feed(decoder, "F 1\nhello\nF 2\n# note 5\nG 3\nG 4\nF 5\nH 6\n") == [
        [[1.0]],
        Text("hello"),
        [[2.0]],
        Text("# note 5"),
        BadLines(2, "another layout, for example 'G 3'"),
        [[5.0]],
        BadLines(1, "another layout, for example 'H 6'"),
    ]
    assert (decoder.n_lines, decoder.n_bad_lines) == (8, 3)
    assert feed(decoder, "\n  \n\n") == []
    assert feed(decoder, "\x1b[2KF 7 ;\n") == [[[7.0]]]


def test_a_line_without_an_end_is_left_out_up_to_its_end() -> None:
    decoder = LayoutDecoder(Layout(("F {a}",), "."), ["a"])
    reason = f"line longer than {MAX_LINE_BYTES} bytes"
    assert feed(decoder, "F 1\n" + "x" * MAX_LINE_BYTES) == [[[1.0]]]
    assert feed(decoder, "x") == [BadLines(1, reason)]
    assert feed(decoder, "y" * 50) == []
    assert feed(decoder, "z\nF 2\n") == [[[2.0]]]
    assert feed(decoder, "F 3\n" + "x" * (MAX_LINE_BYTES + 1) + "\nF 4\n") == [[[3.0]], BadLines(1, reason), [[4.0]]]
    (said,) = feed(decoder, "x" * MAX_LINE_BYTES + "\n")
    assert said == Text("x" * MAX_TEXT_CHARACTERS)


@pytest.mark.parametrize(
    ("templates", "channels", "told"),
    [
        (("F {a}",), ["a", "b"], "a in the templates, a, b as channels"),
        (("F {-}",), [], "nothing in the templates"),
        (("F {a} {a}",), ["a"], "a, a in the templates"),
        (("F {a",), ["a"], "nothing in the templates"),
        (("F {a} {b",), ["a"], "a brace that belongs to no name"),
    ],
)
def test_templates_and_channels_fit_each_other(templates: tuple[str, ...], channels: list[str], told: str) -> None:
    with pytest.raises(ValueError, match=told):
        LayoutDecoder(Layout(templates, "."), channels)


@pytest.mark.parametrize(
    ("template", "decimal", "line", "value"),
    [
        ("F {a}", ".", "F   -1.5", -1.5),
        ("F {a}", ".", "F - 1.5", -1.5),
        ("F: {a} kg", ".", "F:1.5kg", 1.5),
        ("F: {a}", ".", "F:1.5", 1.5),
        ("F {a}", ".", "F1.5", 1.5),
        ("{a} {-}", ".", "1.5 2.5", 1.5),
        ("{a} {-}", ".", "12", None),  # two numbers need something between them
        ("F\t{a}", ".", "F \t 1.5", 1.5),
        ("F\t{a}", ".", "F 1.5", None),
        ("F {a}", ",", "F 1,5", 1.5),
        ("F {a}", ",.", "F 1,234.5", 1234.5),
        ("F {a:hex}", ".", "F 1f", 31.0),
        ("{{{a}}}", ".", "{1.5}", 1.5),
        ("F {*} {a}", ".", "F stable 1.5", 1.5),
    ],
)
def test_white_space_may_be_wider_and_is_missing_only_beside_words_and_marks(
    template: str, decimal: str, line: str, value: float | None
) -> None:
    decoded = LayoutDecoder(Layout((template,), decimal), ["a"]).feed(f"{line}\n".encode())
    found = [piece.counts for piece in decoded if isinstance(piece, Frames)]
    assert (np.concatenate(found).tolist() if found else None) == (None if value is None else [[value]])
