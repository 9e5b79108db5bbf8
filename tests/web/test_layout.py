from __future__ import annotations

import math
import struct

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from biofeedback.web.layout import HEADER, VERSION, encode_update

from .fake_live import FakeSnapshot
from .node import run_module

DECODE = """
import { decodeUpdate } from "$STATIC/shared/layout.js";
const odd = new Map([[NaN, "nan"], [Infinity, "inf"], [-Infinity, "-inf"]]);
const word = (v) => (Object.is(v, -0) ? "-0" : (odd.get(v) ?? v));
const out = input.map((hex) => {
  const bytes = Uint8Array.from(hex.match(/../g) ?? [], (pair) => parseInt(pair, 16));
  const update = decodeUpdate(bytes.buffer);
  if (!update) return null;
  const plain = (v) => (typeof v === "object" ? Array.from(v, word) : word(v));
  return Object.fromEntries(Object.entries(update).map(([k, v]) => [k, plain(v)]));
});
console.log(JSON.stringify(out));
"""


def word(value: float) -> float | str:
    if math.isnan(value):
        return "nan"
    if math.isinf(value):
        return "inf" if value > 0 else "-inf"
    return "-0" if value == 0 and math.copysign(1, value) < 0 else value


def f32(value: float) -> float | str:
    return word(float(np.float32(value)))


SNAPSHOT = FakeSnapshot(
    time_s=12.345678901234,
    level=1233,
    percent=(71.49999999999999, math.nan, 245.25),
    band_state=3,
    remaining_s=7.25,
    stale=True,
    in_band_s=1.5,
    counted_s=2.75,
    beside_state=1,
)
STRIP = np.arange(6, dtype=np.float32).reshape(2, 3)


def test_every_field_lies_where_the_table_says() -> None:
    data = encode_update(SNAPSHOT, revision=70000, first_level=1232, strip=np.stack([STRIP, STRIP * 10]))
    assert HEADER.size == 40
    assert data[0] == VERSION
    assert data[1] == 3
    assert data[2] == 1
    assert data[3] == 3
    assert struct.unpack_from("<I", data, 4) == (70000,)
    assert struct.unpack_from("<d", data, 8) == (12.345678901234,)
    assert struct.unpack_from("<i", data, 16) == (1233,)
    assert struct.unpack_from("<fff", data, 20) == (7.25, 1.5, 2.75)
    assert struct.unpack_from("<I", data, 32) == (1232,)
    assert struct.unpack_from("<HBB", data, 36) == (2, 1, 0)
    percent = struct.unpack_from("<3d", data, 40)
    assert percent[0] == 71.49999999999999
    assert math.isnan(percent[1])
    assert percent[2] == 245.25
    assert struct.unpack_from("<6f", data, 64) == (0, 1, 2, 3, 4, 5)
    assert struct.unpack_from("<6f", data, 88) == (0, 10, 20, 30, 40, 50)
    assert len(data) == 112


def test_a_strip_of_another_width_is_a_mistake() -> None:
    for wrong in [(2, 4, 2), (1, 4, 3), (4, 3)]:
        with pytest.raises(ValueError, match=r"must be \(2, n, 3\)"):
            encode_update(SNAPSHOT, revision=1, first_level=0, strip=np.zeros(wrong, np.float32))
    with pytest.raises(ValueError, match="at most 65535"):
        encode_update(SNAPSHOT, revision=1, first_level=0, strip=np.zeros((2, 65536, 3), np.float32))


floats = st.floats(width=64)
snapshots = st.integers(1, 8).flatmap(
    lambda n: st.builds(
        FakeSnapshot,
        time_s=st.floats(0, 1e7),
        level=st.integers(-1, 2**31 - 1),
        percent=st.tuples(*[floats] * n),
        band_state=st.integers(0, 3),
        remaining_s=st.floats(width=32),
        stale=st.booleans(),
        in_band_s=st.floats(0, 1e6, width=32),
        counted_s=st.floats(0, 1e6, width=32),
        beside_state=st.integers(0, 3),
    )
)


def test_the_page_reads_what_python_wrote() -> None:
    cases: list[tuple[bytes, dict[str, object]]] = []

    @settings(max_examples=60, deadline=None)
    @given(snapshot=snapshots, revision=st.integers(0, 2**32 - 1), first=st.integers(0, 2**31), data=st.data())
    def collect(snapshot: FakeSnapshot, revision: int, first: int, data: st.DataObject) -> None:
        n = len(snapshot.percent)
        rows = data.draw(st.integers(0, 4))
        values = data.draw(st.lists(st.floats(width=32), min_size=2 * n * rows, max_size=2 * n * rows))
        strip = np.array(values, np.float32).reshape(2, rows, n)
        expected: dict[str, object] = {
            "bandState": snapshot.band_state,
            "stale": snapshot.stale,
            "revision": revision,
            "timeS": word(snapshot.time_s),
            "level": snapshot.level,
            "remainingS": f32(snapshot.remaining_s),
            "inBandS": f32(snapshot.in_band_s),
            "besideState": snapshot.beside_state,
            "countedS": f32(snapshot.counted_s),
            "firstLevel": first,
            "channels": n,
            "rows": rows,
            "percent": [word(value) for value in snapshot.percent],
            "strip": [f32(value) for value in strip[0].ravel()],
            "levels": [f32(value) for value in strip[1].ravel()],
        }
        message = encode_update(snapshot, revision=revision, first_level=first, strip=strip)
        cases.append((message, expected))

    collect()
    read = run_module(DECODE, [data.hex() for data, _ in cases])
    for got, (_, expected) in zip(read, cases, strict=True):
        assert got == expected


def test_the_page_refuses_what_is_not_one_update() -> None:
    good = encode_update(SNAPSHOT, revision=1, first_level=0, strip=np.stack([STRIP, STRIP]))
    other_version = bytes([VERSION + 1]) + good[1:]
    read = run_module(DECODE, [d.hex() for d in (b"", good[:39], good[:-1], good + b"\0", other_version, good)])
    assert read[:5] == [None] * 5
    assert read[5]["level"] == 1233
