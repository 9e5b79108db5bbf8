"""Any text a maker prints: read as a person reads it, asked where it cannot be known, never silently wrong."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from biofeedback.acquisition import text_tokens
from biofeedback.acquisition.decoder import BadLines, Frames, Text
from biofeedback.acquisition.first_lines import adopt_layout, check_meaning, judge_first_lines
from biofeedback.acquisition.layout import Layout
from biofeedback.acquisition.layout_decoder import LayoutDecoder, find_names
from biofeedback.acquisition.pattern import write_profile
from biofeedback.acquisition.profile import Profile
from biofeedback.acquisition.profiles import parse_profile
from biofeedback.acquisition.source import read_channels
from biofeedback.acquisition.understand import understand
from biofeedback.errors import PlanError, SourceError

from .printed_formats import ASK, FORMATS, NONE, Printed, expect, print_lines


def decode(decoder: LayoutDecoder, data: bytes) -> np.ndarray:
    rows = [piece.counts for piece in decoder.feed(data) if isinstance(piece, Frames)]
    return np.concatenate(rows) if rows else np.empty((0, 0))


def of(name: str) -> Printed:
    return next(printed for printed in FORMATS if printed.name == name)


def learnt(data: bytes, **said) -> LayoutDecoder:
    layout = understand(data, **said).layout
    assert layout is not None
    return LayoutDecoder(layout, find_names(layout))


@pytest.mark.parametrize("printed", FORMATS, ids=lambda printed: printed.name)
def test_every_format_is_read_or_asked(printed: Printed) -> None:
    data = print_lines(printed)
    found = understand(data, is_hex=printed.is_hex)
    if printed.numbers == ASK:
        assert len(found.readings) == 2
        assert found.readings[0].values != found.readings[1].values
        return
    if printed.told or printed.numbers == NONE:
        assert found.layout is None
        assert found.problem
        assert printed.told in found.problem
        return
    assert found.layout is not None, found.problem
    np.testing.assert_allclose(decode(learnt(data, is_hex=printed.is_hex), data), expect(printed), atol=1e-9)
    for column in found.columns:  # what the page colours is really the number
        shown = found.examples[column.line][column.start : column.end]
        assert any(char.isdigit() for char in shown)


def test_there_are_many_formats_and_few_that_have_to_be_asked() -> None:
    assert len(FORMATS) >= 105
    assert sum(printed.numbers == ASK for printed in FORMATS) <= 4
    assert sum(bool(printed.told) for printed in FORMATS) <= 14  # no person could read these surely either


@pytest.mark.parametrize("n", [2, 3, 5, 8, 15, 30])
@pytest.mark.parametrize("printed", FORMATS, ids=lambda printed: printed.name)
def test_a_few_lines_are_never_read_wrongly(printed: Printed, n: int) -> None:
    """Too few lines may leave it open, or leave some lines out and say so."""
    data = print_lines(printed, n)
    found = understand(data, is_hex=printed.is_hex)
    if found.layout is None:
        assert found.problem
        return
    decoder = learnt(data, is_hex=printed.is_hex)
    rows, expected = decode(decoder, data), expect(printed, n)
    assert len(rows) == len(expected) or decoder.n_bad_lines
    for row in rows:
        assert np.isclose(expected, row, atol=1e-9).all(axis=1).any()


@pytest.mark.parametrize("printed", FORMATS, ids=lambda printed: printed.name)
def test_how_bytes_are_cut_leaves_no_trace(printed: Printed) -> None:
    data = print_lines(printed, 20)
    if understand(data, is_hex=printed.is_hex).layout is None:
        return
    whole, single = learnt(data, is_hex=printed.is_hex), learnt(data, is_hex=printed.is_hex)
    pieces = [piece for byte in data for piece in single.feed(bytes([byte]))]
    rows = np.concatenate([piece.counts for piece in pieces if isinstance(piece, Frames)])
    np.testing.assert_array_equal(decode(whole, data), rows)
    assert (whole.n_lines, whole.n_bad_lines) == (single.n_lines, single.n_bad_lines)


def test_labels_units_and_kinds_are_those_of_the_board() -> None:
    found = understand(print_lines(of("labels with spaces and units")))
    told = [(column.label, column.unit, column.kind) for column in found.columns]
    assert told == [("Pull force", "N", "force"), ("Muscle left", "mV", "emg")]
    found = understand(print_lines(of("a header line")))
    assert [(column.label, column.unit) for column in found.columns] == [("Force", "N"), ("EMG", "mV")]
    assert understand(print_lines(of("a counter first"))).columns[0].role == "counter"
    assert understand(print_lines(of("milliseconds first"))).columns[0].role == "time"


def test_a_prompt_without_a_line_end_is_shown() -> None:
    assert understand(print_lines(of("a prompt that waits"))).prompt == "Press any key to begin"


def test_another_baud_rate_is_only_blamed_for_what_is_no_text() -> None:
    noise = np.random.default_rng(1).integers(0, 256, 4000).astype(np.uint8).tobytes()
    assert "baud rate" in understand(noise).problem
    for printed in FORMATS:
        assert "baud rate" not in understand(print_lines(printed)).problem


def test_the_unit_that_changes_is_told_and_not_read_on() -> None:
    """A kitchen scale that goes from g to kg by itself."""
    data = b"".join(b"%d g\r\n" % k for k in range(900, 990)) + b"".join(b"1.%02d kg\r\n" % k for k in range(10))
    decoder = learnt(data)
    rows = decode(decoder, data)
    assert rows.max() == 989
    assert decoder.n_bad_lines == 10


def test_a_board_that_changes_its_format_is_told_and_nothing_is_lost() -> None:
    first, then = print_lines(of("a label with a colon"), 50), print_lines(of("a unit beside"), 30)
    decoder = learnt(first)
    pieces = decoder.feed(first + then)
    assert sum(len(piece.counts) for piece in pieces if isinstance(piece, Frames)) == 50
    bad = [piece for piece in pieces if isinstance(piece, BadLines)]
    assert sum(piece.n_lines for piece in bad) == 30
    assert bad[0].reason.startswith("another layout, for example '0.00 kg'")
    assert decoder.n_lines == 80


def test_a_million_columns_are_told_and_cost_nothing() -> None:
    decoder = LayoutDecoder(Layout(("Force: {force}",)), ["force"])
    pieces = decoder.feed(b"Force: 1\n" + b"1," * 1_000_000 + b"\nForce: 2\n")
    assert [piece.counts[0, 0] for piece in pieces if isinstance(piece, Frames)] == [1.0, 2.0]
    assert [piece.reason for piece in pieces if isinstance(piece, BadLines)] == ["line longer than 4096 bytes"]
    assert understand(b"1," * 1_000_000 + b"\n").problem == "1 lines longer than 4096 characters"


def test_a_label_that_is_missing_in_its_turn_costs_that_reading_only() -> None:
    decoder = LayoutDecoder(Layout(("A:{a}", "B:{b}")), ["a", "b"], starts_mid_line=True)
    pieces = decoder.feed(b"7\nB:9\nA:1\nB:2\nA:3\nA:4\nB:5\n")
    assert np.concatenate([p.counts for p in pieces if isinstance(p, Frames)]).tolist() == [[1, 2], [4, 5]]
    assert [p.reason for p in pieces if isinstance(p, BadLines)] == ["a part of a reading is missing"]


def test_words_between_the_numbers_are_kept_as_text() -> None:
    decoder = LayoutDecoder(Layout(("Force: {force}",)), ["force"])
    pieces = decoder.feed(b"Force: 1\nbattery low\n# 5 V\nForce: 2\n")
    assert [piece.text for piece in pieces if isinstance(piece, Text)] == ["battery low", "# 5 V"]
    assert decoder.n_bad_lines == 0


def test_after_an_interruption_the_rest_of_a_line_and_of_a_reading_is_left_out() -> None:
    decoder = LayoutDecoder(Layout(("F {force}", "E {emg}")), ["force", "emg"])
    decoder.feed(b"F 1\nE 1\nF 2\nE")
    decoder.resync()
    assert decoder.feed(b" 99") == []
    pieces = decoder.feed(b"9\nE 3\nF 4\nE 4\n")
    assert np.vstack([piece.counts for piece in pieces if isinstance(piece, Frames)]).tolist() == [[4.0, 4.0]]


@pytest.mark.parametrize("templates", [("F {force}", "E {emg:hex}"), ("F {force:hex}", "E {emg}")])
def test_one_number_may_be_hexadecimal_and_the_other_not(templates: tuple[str, ...]) -> None:
    decoder = LayoutDecoder(Layout(templates), ["force", "emg"])
    (frames,) = decoder.feed(b"F 10\nE 10\nF 20\nE 20\n")
    hexadecimal = int("hex" in templates[1])
    assert frames.counts[:, hexadecimal].tolist() == [16.0, 32.0]
    assert frames.counts[:, 1 - hexadecimal].tolist() == [10.0, 20.0]


def test_the_last_line_is_there_for_a_person_to_see() -> None:
    decoder = LayoutDecoder(Layout(("Force: {force}",)), ["force"])
    decoder.feed(b"Force: 1\n??? 12\nFor")
    assert decoder.last_line == "??? 12"


@given(st.binary(max_size=400))
def test_whatever_comes_nothing_is_raised(data: bytes) -> None:
    understand(data)
    LayoutDecoder(Layout(("{{{a}:{b:hex}}} {*} {clock}",), ","), ["a", "b"]).feed(data)


LEARNT = (
    *("JSON", "decimal comma, semicolon", "two labels in turn", "a scale's status words"),
    *("sensor numbers in turn", "between start and end of text", "hard spaces", "a form feed"),
)


@pytest.mark.parametrize("name", LEARNT)
def test_what_was_learnt_is_kept_as_a_profile(name: str) -> None:
    data = print_lines(of(name))
    layout = understand(data).layout
    assert layout is not None
    names = find_names(layout)
    kept = ["force", *(f"emg_{k}" for k in range(1, len(names)))]
    channels = read_channels(",".join(kept))
    text = write_profile('a board that says "hello"', layout.rename(kept), channels, rate_hz=80, baud=9600)
    profile = parse_profile(text, "mine.toml")
    assert (profile.title, profile.rate_hz, profile.baud) == ('a board that says "hello"', 80, 9600)
    assert profile.channels == channels
    decoder = profile.make_decoder()
    assert isinstance(decoder, LayoutDecoder)
    np.testing.assert_allclose(decode(decoder, b"\n" + data), expect(of(name)), atol=1e-9)


@pytest.mark.parametrize(
    ("lines", "words"),
    [
        ('pattern = "Weight: {weight} kg"', "weight in the templates, force as channels"),
        ('pattern = "Weight: {force} {kg"', "a brace"),
        ("pattern = 5", "pattern = 5"),
        ('pattern = "{force}"\ndecimal = ":"', "decimal = ':'"),
        ('columns = "force"\ndecimal = ","', "decimal without pattern"),
        ('columns = "force"\npattern = "{force}"', "columns and pattern at once"),
    ],
)
def test_mistakes_in_a_profile_are_told_with_their_line(lines: str, words: str) -> None:
    text = f'transport = "serial"\n[lines]\n{lines}\n[[channel]]\nname = "force"\nkind = "force"\n'
    with pytest.raises(PlanError, match=r"mine\.toml") as raised:
        parse_profile(text, "mine.toml")
    assert words in str(raised.value)


def profile_of(channels: str, **more) -> Profile:
    return Profile(name="", title="", transport="serial", channels=read_channels(channels), **more)


def test_channels_find_their_numbers_by_name_kind_or_order() -> None:
    def templates(name: str, channels: str) -> tuple[str, ...]:
        adopted = adopt_layout(profile_of(channels), print_lines(of(name)), target="COM3")
        assert adopted is not None
        assert adopted.layout is not None
        return adopted.layout.templates

    assert templates("JSON", "emg,force") == ('{{"force": {force}, "emg": {emg}}}',)
    assert templates("labels with spaces and units", "force_left:N") == (
        "Pull force: {force_left} N Muscle left: {-} mV",
    )
    assert templates("two labels in turn", "force,emg") == ("A:{force}", "B:{emg}")
    assert templates("a clock time first", "force") == ("{clock} {force}",)


def test_plain_numbers_need_no_layout_and_a_fraction_is_not_a_column() -> None:
    assert adopt_layout(profile_of("force,emg"), print_lines(of("two by a comma")), target="COM3") is None
    fractions = print_lines(of("decimal comma alone"))
    adopted = adopt_layout(profile_of("force"), fractions, target="COM3")
    assert adopted is not None
    np.testing.assert_allclose(decode(adopted.make_decoder(), b"\n" + fractions), expect(of("decimal comma alone")))  # type: ignore[arg-type]
    with pytest.raises(SourceError, match="fraction") as raised:
        check_meaning(profile_of("force,emg"), fractions, target="COM3")
    assert "decimal=point" in raised.value.cure
    check_meaning(profile_of("force,emg", decimal="."), fractions, target="COM3")


def test_a_comma_that_can_be_either_is_settled_by_the_number_of_channels_or_asked() -> None:
    data = print_lines(of("two digits on either side of a comma"))
    assert adopt_layout(profile_of("force,emg"), data, target="COM3") is None
    one = adopt_layout(profile_of("force"), data, target="COM3")
    assert one is not None
    assert one.layout == Layout(("{force}",), ",")
    with pytest.raises(SourceError, match="begins a fraction") as raised:
        adopt_layout(profile_of("force,emg,emg_2"), data, target="COM3")
    assert "decimal=comma or decimal=point" in raised.value.cure


def test_lines_that_look_plain_and_mean_something_else_are_refused_with_the_cure() -> None:
    """They have as many numbers as channels were named, so that nothing else would notice."""
    with pytest.raises(SourceError, match="in turn") as raised:
        check_meaning(profile_of("force,emg"), print_lines(of("sensor numbers in turn")), target="COM3")
    assert "Read its lines" in raised.value.cure
    with pytest.raises(SourceError, match="only zeros and ones"):
        check_meaning(profile_of("force"), print_lines(of("zeros and ones")), target="COM3")
    check_meaning(profile_of("force,emg"), print_lines(of("two by a comma")), target="COM3")


def test_what_cannot_be_read_is_quoted_instead_of_blaming_the_baud_rate() -> None:
    data = "".join(f"{'abcdefgh'[k % 8] * (k % 5)} {k * 'x'}{k}\n" for k in range(40)).encode()
    profile = profile_of("force")
    decoder = profile.make_decoder()
    with pytest.raises(SourceError, match="COM3 prints") as raised:
        judge_first_lines(decoder, decoder.feed(data), data, target="COM3", profile=profile)
    assert "baud" not in str(raised.value)


@pytest.mark.parametrize("mark", [" ", "'", "\u202f", "\u00a0"])
def test_thousands_parted_by_a_space_are_never_read_as_two_columns(mark: str) -> None:
    """18 621 N: the space of ISO 80000-1 (from memory), the apostrophe of Swiss displays."""
    values = [round(18_500 + 3_000 * math.sin(k / 7)) for k in range(60)]
    lines = "".join(f"{value // 1000}{mark}{value % 1000:03d} N\n" for value in values)
    found = understand(lines.encode())
    assert found.layout is None
    assert "print plain digits" in found.problem


def test_two_columns_of_three_digits_stay_two() -> None:
    rows = [(100 + k % 7, 500 + round(400 * math.sin(k))) for k in range(60)]
    assert len(understand("".join(f"{a} {b}\n" for a, b in rows).encode()).columns) == 2
    counted = "".join(f"{k} {300 + k % 200}\n" for k in range(1, 60))
    assert len(understand(counted.encode()).columns) == 2


def test_a_temperature_in_the_line_makes_no_angle_of_a_weight() -> None:
    found = understand("".join(f"Temp 21.5°C Load {k % 9}.62kg\n" for k in range(30)).encode())
    assert [column.kind for column in found.columns][-1] == "force"


def test_a_line_of_brackets_alone_is_no_json_and_no_fault() -> None:
    assert not text_tokens._is_json("[" * 20_000)


@pytest.mark.parametrize(
    ("after", "meaning"),
    [("0537", "unknown"), (("00", "05", "37"), "decimal"), (("0", "05", "37"), "unknown"), ((), "column")],
)
def test_a_leading_zero_tells_a_fraction_only_where_digits_follow_it(after, meaning):
    assert text_tokens._judge_fractions([("1", each) for each in after]) == meaning
