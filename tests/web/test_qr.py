from __future__ import annotations

import importlib.util
import json
import re
from pathlib import Path

import numpy as np
import pytest

from biofeedback.web import qr
from biofeedback.web.qr import draw_qr, encode_qr, find_format, find_generator, remainder

from ..requirements import need

PUBLISHED = json.loads((Path(__file__).parents[1] / "published" / "qr_symbols.json").read_text())


def test_symbols_equal_those_of_a_reference_encoder() -> None:
    assert len(PUBLISHED["symbols"]) == 3
    for symbol in PUBLISHED["symbols"]:
        rows = ["".join("01"[module] for module in line) for line in encode_qr(symbol["text"])]
        assert rows == symbol["rows"], symbol["text"]


def count_penalty(dark: np.ndarray) -> int:
    """The four features of ISO/IEC 18004, 7.8.3.1 (from memory).

    Runs of five or more: 3, and 1 for each module more; blocks of two by two: 3; finder look-alikes: 40; and 10 for
    each full 5 % that the share of dark lies off one half.
    """
    lines = ["".join("01"[int(module)] for module in line) for line in (*dark, *dark.T)]
    points = sum(len(run) - 2 for line in lines for run in re.findall("0{5,}|1{5,}", line))
    points += 40 * sum(len(re.findall("(?=10111010000|00001011101)", line)) for line in lines)
    same = dark[1:] == dark[:-1]
    blocks = same[:, 1:] & same[:, :-1] & (dark[1:, 1:] == dark[1:, :-1])
    return points + 3 * int(blocks.sum()) + 10 * int(abs(100 * int(dark.sum()) / dark.size - 50) // 5)


@pytest.mark.parametrize("seed", range(30))
def test_a_mask_is_chosen_by_the_penalties_of_the_standard(seed: int) -> None:
    rng = np.random.default_rng(seed)
    dark = rng.random((29, 29)) < rng.choice([0.1, 0.5, 0.8])
    finder = np.array([bool(int(digit)) for digit in "10111010000"])
    for _ in range(6):  # look-alikes, also at the ends of lines
        line, at = int(rng.integers(29)), int(rng.choice([0, 7, 18]))
        part = finder if rng.random() < 0.5 else finder[::-1]
        if rng.random() < 0.5:
            dark[line, at : at + 11] = part
        else:
            dark[at : at + 11, line] = part
    assert qr._penalty([[bool(module) for module in line] for line in dark]) == count_penalty(dark)


def test_format_bits_of_the_standards_example() -> None:
    """ISO/IEC 18004, level M with mask 101: 100000011001110 (from memory)."""
    assert f"{find_format(0b101):015b}" == "100000011001110"


def test_generator_polynomial_of_degree_seven() -> None:
    """ISO/IEC 18004 annex A: exponents of alpha 0, 87, 229, 146, 149, 238, 102, 21 (from memory)."""
    powers = [1]
    for _ in range(254):
        doubled = powers[-1] << 1
        powers.append(doubled ^ 0x11D if doubled & 0x100 else doubled)
    assert find_generator(7) == [powers[k] for k in (0, 87, 229, 146, 149, 238, 102, 21)]


def test_a_block_with_its_check_leaves_no_remainder() -> None:
    block = list(range(32))
    assert remainder([*block, *remainder(block, 18)], 18) == [0] * 18


@pytest.mark.parametrize("n_bytes", [1, 42, 43, 62, 63, 84])
def test_an_independent_reader_reads_every_size(n_bytes: int) -> None:
    need(importlib.util.find_spec("zxingcpp"), "zxing-cpp is not installed")
    import zxingcpp  # type: ignore[import-not-found]

    text = ("http://192.168.1.20:8765/pair#" + "ABCDEFGH" * 9)[:n_bytes]
    dark = np.pad(np.array(encode_qr(text)), 4)
    image = np.where(np.kron(dark, np.ones((6, 6), bool)), 0, 255).astype(np.uint8)
    assert [found.text for found in zxingcpp.read_barcodes(image)] == [text]


@pytest.mark.parametrize("mask", range(8))
def test_an_independent_reader_reads_every_mask(mask: int, monkeypatch: pytest.MonkeyPatch) -> None:
    need(importlib.util.find_spec("zxingcpp"), "zxing-cpp is not installed")
    import zxingcpp

    def read_format(modules: list[list[bool]]) -> int:
        line = [modules[8][k] for k in (0, 1, 2, 3, 4, 5, 7, 8)] + [modules[k][8] for k in (7, 5, 4, 3, 2, 1, 0)]
        return int("".join("01"[module] for module in line), 2)

    monkeypatch.setattr(qr, "_penalty", lambda modules: read_format(modules) != find_format(mask))
    modules = encode_qr("http://192.168.1.20:8765/pair#ABCDEFGH")
    assert read_format(modules) == find_format(mask)
    image = np.where(np.kron(np.pad(np.array(modules), 4), np.ones((6, 6), bool)), 0, 255).astype(np.uint8)
    assert [found.text for found in zxingcpp.read_barcodes(image)] == ["http://192.168.1.20:8765/pair#ABCDEFGH"]


def test_what_does_not_fit_is_refused() -> None:
    with pytest.raises(ValueError, match="85 bytes do not fit"):
        encode_qr("x" * 85)


def test_the_terminal_shows_every_module_and_the_margin() -> None:
    modules = encode_qr("http://192.168.1.20:8765/pair#ABCD-EFGH")
    lines = draw_qr(modules).split("\n")
    upper = {"█": False, "▀": False, "▄": True, " ": True}
    lower = {"█": False, "▀": True, "▄": False, " ": True}
    rows = [[shape[mark] for mark in line] for line in lines for shape in (upper, lower)]
    assert [row[4:-4] for row in rows[4 : 4 + len(modules)]] == modules
    assert not any(any(row) for row in rows[:4])
