import itertools
import re
import tracemalloc

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from biofeedback.acquisition.decoder import BadLines, Frames, LineDecoder, Text

GOOD = {  # as hobby sketches print two numbers
    "spaces": b"12 -3.5",
    "comma": b"12,-3.5",
    "comma and space": b"12, -3.5",
    "tab": b"12\t-3.5",
    "semicolon": b"12;-3.5",
    "label colon": b"force:12 emg:-3.5",
    "label equals": b"force=12,emg=-3.5",
    "label, spaces": b"force: 12, emg2: -3.5",
    "plus sign": b"+12 -3.5",
    "exponent": b"1.2e1 -35e-1",
    "no leading digit": b"12. -3.5",
    "separator at the end": b"12,-3.5,",
    "blanks around": b"  12 -3.5  ",
}
BAD = {
    "one number": (b"12", "1 number where 2 are expected"),
    "three numbers": (b"12,3,4", "3 numbers where 2 are expected"),
    "underscore": (b"1_000 2", "not a number"),
    "nan": (b"nan 2", "not a number"),
    "inf": (b"12,inf", "not a number"),
    "overflow mark": (b"ovf,2", "not a number"),
    "label without number": (b"force:12 emg:", "not a number"),
    "two points": (b"1.2.3 4", "not a number"),
    "two signs": (b"--1 4", "not a number"),
    "minus inside": (b"1-2 4", "not a number"),
    "missing between commas": (b"1,,2", "not a number"),
    "hexadecimal": (b"0x1F 2", "not a number"),
    "not ascii": (b"12,3\xb5", "not plain text"),
    "null byte": (b"12,\x003", "not plain text"),
    "other digits": ("१२ ३".encode(), "not plain text"),
}


def fold(decoded):
    """What came, whatever the chunks it came in."""
    rows, kinds = [], []
    for piece in decoded:
        if isinstance(piece, Frames):
            rows += [tuple(row) for row in piece.counts.tolist()]
            kinds += ["frame"] * len(piece.counts)
        elif isinstance(piece, BadLines):
            kinds += [piece.reason] * piece.n_lines
        else:
            kinds.append(piece)
    return rows, kinds


def feed_by_byte(decoder, data):
    return [piece for i in range(len(data)) for piece in decoder.feed(data[i : i + 1])]


@pytest.mark.parametrize("line", GOOD.values(), ids=GOOD)
@pytest.mark.parametrize("end", [b"\n", b"\r\n", b"\r"], ids=["lf", "crlf", "cr"])
def test_reads_every_way_of_writing_two_numbers(line, end):
    data = (line + end) * 3
    whole = fold(LineDecoder(2).feed(data))
    assert whole == ([(12.0, -3.5)] * 3, ["frame"] * 3)
    assert fold(feed_by_byte(LineDecoder(2), data)) == whole
    trailing = LineDecoder(2)
    assert fold(trailing.feed(data + b"7,")) == whole
    assert fold(trailing.feed(b"8" + end)) == ([(7.0, 8.0)], ["frame"])


@pytest.mark.parametrize(("line", "reason"), BAD.values(), ids=BAD)
def test_counts_an_unreadable_line_and_reads_on(line, reason):
    data = b"1 2\n" + line + b"\n3 4\n"
    expected = ([(1.0, 2.0), (3.0, 4.0)], ["frame", reason, "frame"])
    decoder = LineDecoder(2)
    assert fold(decoder.feed(data)) == expected
    assert (decoder.n_lines, decoder.n_bad_lines) == (3, 1)
    assert fold(feed_by_byte(LineDecoder(2), data)) == expected


@pytest.mark.parametrize("line", [b"# boot fw=1.2", b"Initializing the scale...", b"time,force,emg", b"Ready."])
def test_keeps_headers_and_boot_messages_as_text(line):
    decoder = LineDecoder(2)
    assert fold(decoder.feed(line + b"\r\n1 2\r\n")) == ([(1.0, 2.0)], [Text(line.decode()), "frame"])
    assert decoder.n_bad_lines == 0


def test_takes_columns_apart():
    decoder = LineDecoder(2, "seq,t_us,force,-,emg")
    [frames] = decoder.feed(b"7,1000,1.5,99,2\n8,2000,1.6,99,3\n")
    assert frames.counts.tolist() == [[1.5, 2.0], [1.6, 3.0]]
    assert frames.sequence.tolist() == [7, 8]
    assert frames.device_us.tolist() == [1000.0, 2000.0]


def test_milliseconds_become_microseconds():
    [frames] = LineDecoder(1, "t_ms,force").feed(b"12 5\n")
    assert frames.device_us.tolist() == [12000.0]


def test_fragment_after_opening_is_neither_used_nor_counted():
    decoder = LineDecoder(1, starts_mid_line=True)
    assert fold(decoder.feed(b"34\n1234\n"))[0] == [(1234.0,)]
    assert decoder.n_bad_lines == 0


def test_unfinished_line_is_forgotten_when_the_wire_was_interrupted():
    decoder = LineDecoder(1)
    decoder.feed(b"12")
    decoder.resync()
    assert fold(decoder.feed(b"34\n56\n"))[0] == [(56.0,)]
    assert decoder.n_bad_lines == 0


@pytest.mark.parametrize("columns", ["", "seq", "force,force", "force,,emg", "t_us,t_ms,force", "check,force"])
def test_refuses_columns_that_make_no_sense(columns):
    with pytest.raises(ValueError, match=r"columns|n_channels"):
        LineDecoder(1 if columns else 0, columns)


def test_without_line_ends_memory_stays_bounded_and_one_bad_line_is_counted():
    decoder = LineDecoder(2)
    tracemalloc.start()
    decoded = [piece for _ in range(500) for piece in decoder.feed(b"7" * 1000)]
    _, peak = tracemalloc.get_traced_memory()
    tracemalloc.stop()
    assert peak < 100_000
    assert fold(decoded)[1] == ["line longer than 4096 bytes"]
    assert fold(decoder.feed(b"\n1 2\n"))[0] == [(1.0, 2.0)]


@given(st.binary(max_size=300), st.lists(st.integers(0, 300), max_size=6))
def test_arbitrary_bytes_never_raise_and_chunks_do_not_matter(data, cuts):
    edges = sorted({0, len(data), *(min(cut, len(data)) for cut in cuts)})
    parts = LineDecoder(2)
    pieces = [piece for a, b in itertools.pairwise(edges) for piece in parts.feed(data[a:b])]
    whole = LineDecoder(2)
    assert fold(whole.feed(data)) == fold(pieces)
    assert (whole.n_lines, whole.n_bad_lines) == (parts.n_lines, parts.n_bad_lines)


lineish = st.lists(
    st.sampled_from(
        [b"1", b"-2.5", b"3e2", b",", b" ", b"\t", b";", b":", b"=", b"a", b"force", b"\n", b"\r", b"+", b"."]
    ),
    max_size=60,
).map(b"".join)


@given(lineish)
def test_a_frame_is_exactly_what_python_reads_from_its_line(data):
    """Against an independent reading: labels cut off, split at separators, ``float`` for every token."""
    expected = []
    for line in re.split(rb"[\r\n]", data)[:-1]:
        text = re.sub(r"[A-Za-z_]\w{0,31}[ \t]?[:=][ \t]?", "", line.decode())
        tokens = [token for token in re.split(r"[,; \t]+", text) if token]
        try:
            row = tuple(float(token) for token in tokens)
        except ValueError:
            continue
        expected.append(row)
    rows, _ = fold(LineDecoder(2).feed(data))
    remaining = iter(expected)
    assert all(any(row == other for other in remaining) for row in rows)  # in order, nothing invented


numbers = st.floats(min_value=-1e90, max_value=1e90).filter(lambda value: value == 0 or abs(value) > 1e-90)


@given(st.lists(st.tuples(numbers, numbers, numbers), min_size=1))
def test_numbers_come_back_exactly_as_sent(rows):
    data = b"".join(b" ".join(b"%.17g" % value for value in row) + b"\n" for row in rows)
    [frames] = LineDecoder(3).feed(data)
    assert np.array_equal(frames.counts, np.array(rows))


CHECKED = (  # the three examples of the line protocol in firmware-notes/protocol.md
    b"#boot proto=1 fw=1 id=1A2B3C4D reset=power,10113\n"
    b"7,7000,512,498,-1234,19996\n"
    b"65535,4294967000,1023,0,8388607,44158\n"
)
COLUMNS = "seq,t_us,emg_1,emg_2,force,check"


def test_lines_with_a_check():
    text, frames = LineDecoder(3, COLUMNS).feed(CHECKED)
    assert text == Text("#boot proto=1 fw=1 id=1A2B3C4D reset=power")
    assert frames.counts.tolist() == [[512, 498, -1234], [1023, 0, 8388607]]
    assert frames.sequence.tolist() == [7, 65535]
    assert frames.device_us.tolist() == [7000, 4294967000]


@given(st.integers(0, len(CHECKED) - 1), st.integers(1, 255))
def test_no_single_changed_byte_passes_the_check(at, change):
    """Whole frames that are still there are the ones that were sent."""
    data = bytearray(CHECKED)
    data[at] ^= change
    decoder = LineDecoder(3, COLUMNS)
    sent = [(512.0, 498.0, -1234.0), (1023.0, 0.0, 8388607.0)]
    rows, _ = fold(decoder.feed(bytes(data) + b"\n"))
    assert all(row in sent for row in rows)
    changed_line = CHECKED[:at].count(b"\n")
    assert [row for row in sent if row in rows] == rows
    assert len(rows) >= 2 - (changed_line > 0) - (CHECKED[at : at + 1] == b"\n")
