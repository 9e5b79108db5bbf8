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
    """``line(k, a, b)`` prints reading k of two channels; ``numbers`` what it holds, in the order of the line.

    NaN in ``numbers`` is a line without a reading. ``told``: words of what is said instead of reading such lines.
    """

    name: str
    line: Callable[[int, float, float], str]
    numbers: Callable[[int, float, float], tuple[float, ...]] | str
    before: str = ""
    is_hex: bool = False
    end: str = "\r\n"
    told: str = ""


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


def gap(k: int, x: float, instead: str) -> str:
    return instead if k % 9 == 4 else f"{x:.2f}"


def two_or_none(k: int, a: float, b: float) -> tuple[float, ...]:
    return two(k, a, b) if k % 9 != 4 else (np.nan, np.nan)


def one_or_none(k: int, a: float, b: float) -> tuple[float, ...]:
    return one(k, a, b) if k % 9 != 4 else (np.nan,)


def wrapping(k: int, a: float, _b: float) -> tuple[float, ...]:
    return float((4294600000 + 12500 * k) % 2**32), round(a, 2)


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
    Printed("labels in dots", lambda k, a, b: f"Force........ {a:.2f} N", one),
    Printed("a query", lambda k, a, b: f"f={a:.2f}&m={b:.2f}", two),
    Printed("tags", lambda k, a, b: f"<w>{a:.2f}</w><m>{b:.2f}</m>", two),
    Printed("JSON texts, decimal comma", lambda k, a, b: f'{{"f":"{comma(a)}","u":"N"}}', one),
    Printed(
        "JSON with null", lambda k, a, b: f'{{"f":{a:.2f},"m":{"null" if k % 9 == 4 else f"{b:.2f}"}}}', two_or_none
    ),
    Printed("not a number now and then", lambda k, a, b: f"F={gap(k, a, 'nan')}", one_or_none),
    Printed("overload in words", lambda k, a, b: f"CH1: {gap(k, a, 'OL')} N", one_or_none),
    Printed("overload in dashes", lambda k, a, b: f"{gap(k, a, '---.--')} kg", one_or_none),
    Printed("an error with a number", lambda k, a, b: gap(k, a, "ERR 17"), one_or_none),
    Printed("a dash that prints as a minus", lambda k, a, b: f"F {a:.2f} N".replace("-", "\u2212"), one),
    Printed("hard spaces", lambda k, a, b: f"{comma(a)}\u00a0N", one),
    Printed("decimal comma and comma with a space", lambda k, a, b: f"{comma(a)}, {comma(b)}", two),
    Printed("decimal comma and comma", lambda k, a, b: f"{comma(a)},{comma(b)}", two),
    Printed("between start and end of text", lambda k, a, b: f"\x02{a:8.2f}\x03", one),
    Printed("a form feed", lambda k, a, b: f"{a:.2f} N\f", one),
    Printed("a compact date and time", lambda k, a, b: f"20260304T0906{k % 60:02d} {a:.2f}", one),
    Printed("microseconds that begin again", lambda k, a, b: f"{(4294600000 + 12500 * k) % 2**32},{a:.2f}", wrapping),
    Printed("sensor numbers in turn", lambda k, a, b: f"1,{a:.2f}\r\n2,{b:.2f}", two),
    Printed("JSON sensor numbers in turn", lambda k, a, b: f'{{"id":0,"v":{a:.2f}}}\r\n{{"id":1,"v":{b:.2f}}}', two),
    Printed("JSON names in turn", lambda k, a, b: f'{{"id":"L","v":{a:.2f}}}\r\n{{"id":"R","v":{b:.2f}}}', two),
    Printed("names and commas in turn", lambda k, a, b: f"S1,{a:.2f}\r\nS2,{b:.2f}", two),
    Printed(
        "a menu before",
        lambda k, a, b: f"{a:.2f}",
        one,
        before="1) tare\r\n2) stream\r\n3) factor 420.0\r\n> 2\r\n",
    ),
    Printed("comments between", lambda k, a, b: f"# {k} so far" if k % 9 == 4 else f"{a:.2f}", one_or_none),
    Printed(
        "one name more often than the other",
        lambda k, a, b: f"F {a:.2f}\r\nF {a + 1:.2f}\r\nE {b:.2f}",
        NONE,
        told="no layout in common",
    ),
    Printed(
        "JSON whose names change places",
        lambda k, a, b: f'{{"f":{a:.2f},"m":{b:.2f}}}' if k % 2 else f'{{"m":{b:.2f},"f":{a:.2f}}}',
        NONE,
        told="change their order",
    ),
    Printed(
        "minus as brackets",
        lambda k, a, b: f"({-a:.2f})" if a < 0 else f"{a:.2f}",
        one,
        told="round brackets",
    ),
    Printed("minus behind", lambda k, a, b: f"{abs(a):.2f}{'-' * (a < 0)}kg", one, told="a minus behind"),
    Printed("the sign as a word", lambda k, a, b: f"{'NEG' if a < 0 else 'POS'} {abs(a):.2f}", one, told="the sign"),
    Printed(
        "push and pull as words", lambda k, a, b: f"{abs(a):.2f} N {'push' if a < 0 else 'pull'}", one, told="the sign"
    ),
    Printed("numbers that touch", lambda k, a, b: f"{a:+07.2f}{b:+08.2f}", NONE, told="a sign or a dash"),
    Printed("letters that touch", lambda k, a, b: f"L{a:.0f}R{b:.0f}", NONE, told="a sign or a dash"),
    Printed("zeros and ones", lambda k, a, b: f"{int(a) + 300:016b}", NONE, told="only zeros and ones"),
    Printed("hexadecimal with an h", lambda k, a, b: f"{int(a * 30) + 3000:04X}h", NONE, told="no layout in common"),
    Printed("an exponent with D", lambda k, a, b: f"{a:.4e}".replace("e", "D"), NONE, told="an exponent with D"),
    Printed("a raised point", lambda k, a, b: f"{a:.2f}".replace(".", "·"), NONE, told="neither point"),
    Printed("thousands by a low line", lambda k, a, b: f"{int(a * 900) + 200000:_}", NONE, told="neither point"),
    Printed(
        "two units in turn",
        lambda k, a, b: f"{a * 30:.0f} g" if abs(a) < 30 else f"{a * 0.03:.2f} kg",
        lambda k, a, b: (float(round(a * 30)) if abs(a) < 30 else np.nan,),
        told="no layout in common",
    ),
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
    if not callable(printed.numbers):
        return np.empty((0, 1))
    rows = np.array([printed.numbers(k, float(a[k]), float(b[k])) for k in range(n)], dtype=np.float64)
    return rows[~np.isnan(rows).any(axis=1)]
