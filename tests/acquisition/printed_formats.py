"""What makers' sketches and scales print, invented here: each with the numbers that a person would read in it.

``expect``: the columns; ASK: two readings are possible and the person has to say; NONE: no numbers to read.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Final

import numpy as np

ASK: Final = "ask"
NONE: Final = "none"


@dataclass(frozen=True)
class Printed:
    """``line(k, a, b)`` prints reading k of two channels; ``numbers`` what it holds, in the order of the line."""

    name: str
    line: Callable[[int, float, float], str]
    numbers: Callable[[int, float, float], tuple[float, ...]] | str
    before: str = ""
    is_hex: bool = False
    end: str = "\r\n"


def comma(x: float, digits: int = 2) -> str:
    return f"{x:.{digits}f}".replace(".", ",")


def clock(k: int) -> str:
    return f"{9 + k // 3600:02d}:{k // 60 % 60:02d}:{k % 60:02d}"


def two(_k: int, a: float, b: float) -> tuple[float, ...]:
    return round(a, 2), round(b, 2)


def one(_k: int, a: float, _b: float) -> tuple[float, ...]:
    return (round(a, 2),)


def whole(_k: int, a: float, _b: float) -> tuple[float, ...]:
    return (float(round(a)),)


def wholes(_k: int, a: float, b: float) -> tuple[float, ...]:
    return float(round(a)), float(round(b))


FORMATS: tuple[Printed, ...] = (
    Printed("one number", lambda k, a, b: f"{a:.2f}", one),
    Printed("one whole number", lambda k, a, b: f"{a:.0f}", whole),
    Printed("two by a comma", lambda k, a, b: f"{a:.2f},{b:.2f}", two),
    Printed("two by comma and space", lambda k, a, b: f"{a:.0f}, {b:.0f}", wholes),
    Printed("two by a tab", lambda k, a, b: f"{a:.2f}\t{b:.2f}", two),
    Printed("two by a semicolon", lambda k, a, b: f"{a:.2f};{b:.2f}", two),
    Printed("two by spaces, right-aligned", lambda k, a, b: f"{a:10.2f} {b:10.2f}", two),
    Printed("two by a pipe", lambda k, a, b: f"{a:.2f} | {b:.2f}", two),
    Printed("a table row in pipes", lambda k, a, b: f"| {a:8.2f} | {b:8.2f} |", two),
    Printed("a label with a colon", lambda k, a, b: f"Force: {a:.2f}", one),
    Printed("labels for a plotter", lambda k, a, b: f"force:{a:.2f},emg:{b:.2f}", two),
    Printed("labels by tabs", lambda k, a, b: f"force:{a:.2f}\temg:{b:.2f}", two),
    Printed("labels with an equals sign", lambda k, a, b: f"F={a:.2f} E={b:.2f}", two),
    Printed("a label with spaces", lambda k, a, b: f"Pull force left: {a:.2f}", one),
    Printed("labels with spaces and units", lambda k, a, b: f"Pull force: {a:.2f} N  Muscle left: {b:.2f} mV", two),
    Printed("a unit glued on", lambda k, a, b: f"{a:.2f}kg", one),
    Printed("a unit beside", lambda k, a, b: f"{a:.2f} kg", one),
    Printed("two units glued on", lambda k, a, b: f"{a:.2f}N {b:.2f}mV", two),
    Printed("units in brackets", lambda k, a, b: f"Force [N]: {a:.2f}; EMG (mV): {b:.2f}", two),
    Printed("micro and degree signs", lambda k, a, b: f"EMG {a:.2f} µV, angle {b:.2f}°", two),
    Printed("a label without a colon", lambda k, a, b: f"Reading {a:.2f}", one),
    Printed("a sentence", lambda k, a, b: f"The load is {a:.2f} N and the muscle {b:.2f} uV.", two),
    Printed("a library's example", lambda k, a, b: f"Load_cell output val: {a:.2f}", one),
    Printed(
        "reading and average",
        lambda k, a, b: f"one reading:\t{a:.1f}\t| average:\t{b:.1f}",
        lambda k, a, b: (round(a, 1), round(b, 1)),
    ),
    Printed("channel numbers in names", lambda k, a, b: f"CH1={a:.0f} CH2={b:.0f}", wholes),
    Printed("pins in names", lambda k, a, b: f"A0: {a:.0f}, A1: {b:.0f}", wholes),
    Printed("channel numbers in turn", lambda k, a, b: f"1: {a:.0f}\r\n2: {b:.0f}", wholes),
    Printed("two labels in turn", lambda k, a, b: f"A:{a:.0f}\r\nB:{b:.0f}", wholes),
    Printed("two sentences in turn", lambda k, a, b: f"Force is {a:.2f} N\r\nMuscle reads {b:.2f} uV", two),
    Printed(
        "three labels in turn",
        lambda k, a, b: f"X={a:.0f}\r\nY={b:.0f}\r\nZ={k % 7:.0f}",
        lambda k, a, b: (*wholes(k, a, b), k % 7),
    ),
    Printed("blocks with an empty line", lambda k, a, b: f"Force: {a:.2f}\r\nEMG: {b:.2f}\r\n", two),
    Printed("JSON", lambda k, a, b: f'{{"force": {a:.2f}, "emg": {b:.2f}}}', two),
    Printed("JSON without spaces and a list", lambda k, a, b: f'{{"v":[{a:.2f},{b:.2f}]}}', two),
    Printed("a list", lambda k, a, b: f"[{a:.0f},{b:.0f}]", wholes),
    Printed("quoted", lambda k, a, b: f'"{a:.2f}","{b:.2f}"', two),
    Printed("quoted, decimal comma", lambda k, a, b: f'"{comma(a)}";"{comma(b)}"', two),
    Printed("decimal comma, semicolon", lambda k, a, b: f"{comma(a)};{comma(b)}", two),
    Printed("decimal comma, tab", lambda k, a, b: f"{comma(a)}\t{comma(b)}", two),
    Printed("decimal comma with a unit", lambda k, a, b: f"Kraft: {comma(a)} N", one),
    Printed("decimal comma, glued unit", lambda k, a, b: f"{comma(a)}kg", one),
    Printed("decimal comma alone", lambda k, a, b: comma(a), one),
    Printed(
        "thousands by points",
        lambda k, a, b: f"{a * 100 + 2000:,.2f}".translate(str.maketrans(",.", ".,")),
        lambda k, a, b: (round(a * 100 + 2000, 2),),
    ),
    Printed(
        "thousands by commas", lambda k, a, b: f"{a * 100 + 2000:,.2f}", lambda k, a, b: (round(a * 100 + 2000, 2),)
    ),
    Printed("thousands by commas, all large", lambda k, a, b: f"{a * 100 + 9000:,.2f}", ASK),
    Printed(
        "thousands by points, all large",
        lambda k, a, b: f"{a * 100 + 9000:,.2f}".translate(str.maketrans(",.", ".,")),
        ASK,
    ),
    Printed("two digits on either side of a comma", lambda k, a, b: f"{10 + k % 80},{11 + k * 7 % 80}", ASK),
    Printed("the same fraction again and again", lambda k, a, b: f"{a:.0f},{(k % 2) * 5 + 20}", ASK),
    Printed("hexadecimal with 0x", lambda k, a, b: f"0x{int(a) + 300:04X}", lambda k, a, b: (int(a) + 300.0,)),
    Printed(
        "hexadecimal on request",
        lambda k, a, b: f"{int(a) + 300:04X} {int(b) + 300:04X}",
        lambda k, a, b: (int(a) + 300.0, int(b) + 300.0),
        is_hex=True,
    ),
    Printed("a clock time first", lambda k, a, b: f"{clock(k)} {a:.2f}", one),
    Printed("a clock time in brackets", lambda k, a, b: f"[{clock(k)}.125] Force: {a:.2f} N", one),
    Printed("a clock time and an arrow", lambda k, a, b: f"{clock(k)}.125 -> {a:.2f},{b:.2f}", two),
    Printed("a date and time", lambda k, a, b: f"2026-01-05T{clock(k)}.5Z,{a:.2f},{b:.2f}", two),
    Printed("a day written the other way", lambda k, a, b: f"05.01.2026 {clock(k)};{comma(a)};{comma(b)}", two),
    Printed("a counter first", lambda k, a, b: f"{k},{a:.2f},{b:.2f}", lambda k, a, b: (k, round(a, 2), round(b, 2))),
    Printed(
        "milliseconds first", lambda k, a, b: f"{1000 + 12 * k}\t{a:.2f}", lambda k, a, b: (1000 + 12 * k, round(a, 2))
    ),
    Printed("a header line", lambda k, a, b: f"{a:.2f};{b:.2f}", two, before="Force [N];EMG [mV]\r\n"),
    Printed(
        "a start-up text",
        lambda k, a, b: f"{a:.2f} {b:.2f}",
        two,
        before="Load cell demo v1.2\r\nTaring...\r\nReady!\r\n",
    ),
    Printed(
        "a scale's status words",
        lambda k, a, b: f"{'ST' if k % 5 else 'US'},GS,{'+' if a >= 0 else '-'}{abs(a):8.2f}kg",
        one,
    ),
    Printed("a sign apart", lambda k, a, b: f"{'+' if a >= 0 else '-'} {abs(a):7.2f} g", one),
    Printed("exponents", lambda k, a, b: f"{a:.6e} {b:.6e}", lambda k, a, b: (float(f"{a:.6e}"), float(f"{b:.6e}"))),
    Printed("a plus sign", lambda k, a, b: f"{a:+.2f}", one),
    Printed(
        "no zero before the point",
        lambda k, a, b: f"{a % 0.9:.2f}".lstrip("0") + f" {b:.2f}",
        lambda k, a, b: (round(a % 0.9, 2), round(b, 2)),
    ),
    Printed("a trailing separator", lambda k, a, b: f"{a:.2f},{b:.2f},", two),
    Printed("dollar frame", lambda k, a, b: f"${a:.0f};{b:.0f}*", wholes),
    Printed("angle brackets", lambda k, a, b: f"<{a:.2f}|{b:.2f}>", two),
    Printed("coloured for a terminal", lambda k, a, b: f"\x1b[32mForce: {a:.2f}\x1b[0m", one),
    Printed("ends by a carriage return", lambda k, a, b: f"{a:.2f}", one, end="\r"),
    Printed("a prompt that waits", lambda k, a, b: "", NONE, before="Press any key to begin", end=""),
    Printed("words only", lambda k, a, b: "no sensor found", NONE),
)


def make_values(n: int = 60, seed: int = 7) -> tuple[np.ndarray, np.ndarray]:
    """Two channels that wander through zero: signs, leading zeros and changing widths all come."""
    rng = np.random.default_rng(seed)
    return 40 * np.sin(np.arange(n) / 5) + rng.normal(0, 2, n), 200 + 150 * rng.normal(size=n)


def print_lines(printed: Printed, n: int = 60) -> bytes:
    a, b = make_values(n)
    text = printed.before + "".join(printed.line(k, float(a[k]), float(b[k])) + printed.end for k in range(n))
    return text.encode("utf-8")


def expect(printed: Printed, n: int = 60) -> np.ndarray:
    a, b = make_values(n)
    assert callable(printed.numbers)
    return np.array([printed.numbers(k, float(a[k]), float(b[k])) for k in range(n)], dtype=np.float64)
