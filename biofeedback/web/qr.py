"""A QR code for one short address: byte mode, error correction M, versions 3 to 5 (ISO/IEC 18004). Pure.

Only what an invitation needs: up to 84 bytes. Names follow the standard: codewords, blocks, modules, masks.
"""

from __future__ import annotations

import itertools
from collections.abc import Callable, Iterator

# version -> (blocks, data codewords in each, error-correction codewords in each), level M: ISO/IEC 18004 table 9
BLOCKS = {3: (1, 44, 26), 4: (2, 32, 18), 5: (2, 43, 24)}
LEVEL_M = 0b00
MASKS: tuple[Callable[[int, int], bool], ...] = (
    lambda row, column: (row + column) % 2 == 0,
    lambda row, column: row % 2 == 0,
    lambda row, column: column % 3 == 0,
    lambda row, column: (row + column) % 3 == 0,
    lambda row, column: (row // 2 + column // 3) % 2 == 0,
    lambda row, column: row * column % 2 + row * column % 3 == 0,
    lambda row, column: (row * column % 2 + row * column % 3) % 2 == 0,
    lambda row, column: ((row + column) % 2 + row * column % 3) % 2 == 0,
)
Modules = list[list[bool | None]]  # None: not decided yet


def encode_qr(text: str) -> list[list[bool]]:
    """Rows of modules, True is dark, without the quiet margin of 4.

    Raises
    ------
    ValueError
        If the text is longer than 84 bytes.
    """
    data = text.encode()
    version = next((v for v, (n, size, _) in BLOCKS.items() if len(data) + 2 <= n * size), None)
    if version is None:
        raise ValueError(f"{len(data)} bytes do not fit; 84 do")
    bits = [bool(byte >> shift & 1) for byte in _codewords(data, version) for shift in range(7, -1, -1)]
    drawn = []
    for mask in range(len(MASKS)):
        modules = _function_patterns(version)
        for (row, column), bit in zip(_free_places(modules), _padded(bits), strict=False):
            modules[row][column] = bit ^ MASKS[mask](row, column)
        _draw_format(modules, mask)
        drawn.append([[bool(module) for module in line] for line in modules])
    return min(drawn, key=_penalty)


def draw_qr(modules: list[list[bool]]) -> str:
    """For a terminal: two rows of modules to a line of half blocks, light on dark turned round, with its margin."""
    size = len(modules) + 8
    wide = [[False] * size for _ in range(size + 1)]
    for row, line in enumerate(modules):
        wide[row + 4][4:-4] = line
    shapes = {(False, False): "█", (False, True): "▀", (True, False): "▄", (True, True): " "}
    return "\n".join(
        "".join(shapes[upper, lower] for upper, lower in zip(wide[row], wide[row + 1], strict=True))
        for row in range(0, size, 2)
    )


def _codewords(data: bytes, version: int) -> list[int]:
    """Mode, length, data and filling, in blocks with their error correction, interleaved."""
    n_blocks, size, n_check = BLOCKS[version]
    number = (0b0100 << 8 | len(data)) << 8 * len(data) | int.from_bytes(data, "big")
    content = list((number << 4).to_bytes(len(data) + 2, "big"))  # 4 zero bits end the data
    content += [(0xEC, 0x11)[k % 2] for k in range(n_blocks * size - len(content))]
    blocks = [content[k * size : (k + 1) * size] for k in range(n_blocks)]
    checks = [remainder(block, n_check) for block in blocks]
    return [word for group in (blocks, checks) for column in zip(*group, strict=True) for word in column]


def _multiply(a: int, b: int) -> int:
    """In the field of 256 elements over x^8 + x^4 + x^3 + x^2 + 1."""
    result = 0
    while b:
        if b & 1:
            result ^= a
        a = a << 1 ^ (0x11D if a & 0x80 else 0)
        b >>= 1
    return result


def find_generator(degree: int) -> list[int]:
    """Reed-Solomon generator polynomial, highest power first."""
    polynomial, root = [1], 1
    for _ in range(degree):
        shifted = [*polynomial, 0]
        polynomial = [s ^ _multiply(p, root) for s, p in zip(shifted, [0, *polynomial], strict=True)]
        root = _multiply(root, 2)
    return polynomial


def remainder(block: list[int], n_check: int) -> list[int]:
    """Error-correction codewords of a block."""
    generator = find_generator(n_check)
    rest = [*block, *[0] * n_check]
    for k in range(len(block)):
        for j, factor in enumerate(generator):
            rest[k + j] ^= _multiply(factor, rest[k]) if j else 0
        rest[k] = 0
    return rest[-n_check:]


def _function_patterns(version: int) -> Modules:
    """Finders, timing, alignment; the places of the format are taken with False."""
    size = 17 + 4 * version
    modules: Modules = [[None] * size for _ in range(size)]
    for row in range(9):
        for column in range(9):  # finder, separator and format places in three corners
            for y, x in ((row, column), (row, size - 8 + column), (size - 8 + row, column)):
                if y < size and x < size and modules[y][x] is None:
                    modules[y][x] = False
    for top, left in ((0, 0), (0, size - 7), (size - 7, 0)):
        _draw_rings(modules, top + 3, left + 3, 3)
    _draw_rings(modules, size - 7, size - 7, 2)
    for k in range(8, size - 8):
        modules[6][k] = modules[k][6] = k % 2 == 0
    modules[size - 8][8] = True
    return modules


def _draw_rings(modules: Modules, row: int, column: int, radius: int) -> None:
    for y in range(-radius, radius + 1):
        for x in range(-radius, radius + 1):
            modules[row + y][column + x] = max(abs(y), abs(x)) != radius - 1


def _free_places(modules: Modules) -> Iterator[tuple[int, int]]:
    """Pairs of columns from the right, up and down in turn, leaving out the timing column."""
    size = len(modules)
    rights = [*list(range(size - 1, 6, -2)), 5, 3, 1]
    taken = [[module is not None for module in line] for line in modules]
    for turn, right in enumerate(rights):
        for row in range(size - 1, -1, -1) if turn % 2 == 0 else range(size):
            for column in (right, right - 1):
                if not taken[row][column]:
                    yield row, column


def _padded(bits: list[bool]) -> Iterator[bool]:
    yield from bits
    while True:
        yield False


def find_format(mask: int) -> int:
    """The 15 format bits: level M and mask, BCH(15, 5) over 10100110111, masked with 101010000010010."""
    word = LEVEL_M << 3 | mask
    rest = word << 10
    for shift in range(4, -1, -1):
        if rest >> (shift + 10) & 1:
            rest ^= 0b10100110111 << shift
    return (word << 10 | rest) ^ 0b101010000010010


def _draw_format(modules: Modules, mask: int) -> None:
    size, bits = len(modules), find_format(mask)
    around = [(8, k) for k in (0, 1, 2, 3, 4, 5, 7, 8)] + [(k, 8) for k in (7, 5, 4, 3, 2, 1, 0)]
    apart = [(size - 1 - k, 8) for k in range(7)] + [(8, size - 8 + k) for k in range(8)]
    for places in (around, apart):
        for k, (row, column) in enumerate(places):
            modules[row][column] = bool(bits >> (14 - k) & 1)


def _penalty(modules: list[list[bool]]) -> int:
    """How hard a mask would be to read: runs, blocks of four, finder look-alikes, imbalance (ISO/IEC 18004, 7.8.3)."""
    size, points = len(modules), 0
    lines = ["".join("01"[module] for module in line) for line in modules]
    for line in lines + ["".join(column) for column in zip(*lines, strict=True)]:
        run = 0
        for k, module in enumerate(line):
            run = run + 1 if k and module == line[k - 1] else 1
            points += 3 if run == 5 else 1 if run > 5 else 0
        points += 40 * sum(line.startswith(("10111010000", "00001011101"), k) for k in range(size - 10))
    for upper, lower in itertools.pairwise(lines):
        points += 3 * sum(upper[k] == upper[k + 1] == lower[k] == lower[k + 1] for k in range(size - 1))
    dark_percent = 100 * sum(line.count("1") for line in lines) / size**2
    return points + 10 * int(abs(dark_percent - 50) // 5)
