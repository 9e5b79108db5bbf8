// One update as bytes, field by field: offsets and types are those of the table in layout.py, which has a test of its own.

import assert from "node:assert/strict";
import { test } from "node:test";

import { STRIP_AT, VERSION, decodeUpdate } from "../../../biofeedback/web/static/shared/layout.js";
import { updateBytes } from "./page-stand-in.mjs";

const NOW = {
  ...{ bandState: 3, stale: true, revision: 70000, timeS: 1234.5, level: 123449, remainingS: 9.25, inBandS: 6.5, countedS: 8.75 },
  ...{ besideState: 2, percent: [71.25, -3.5] },
  strip: [
    [1, 2],
    [3, 4],
    [5, 6],
  ],
  levels: [
    [10, 20],
    [30, 40],
    [50, 60],
  ],
};

test("every field of an update stands where the table says", () => {
  const { strip, levels, ...found } = decodeUpdate(updateBytes(NOW));
  const wanted = { ...NOW, firstLevel: 123447, channels: 2, rows: 3 };
  for (const name of ["strip", "levels"]) delete wanted[name];
  assert.deepEqual(found, wanted);
  assert.deepEqual([[...strip], [...levels]], [NOW.strip.flat(), NOW.levels.flat()]);
  assert.equal(VERSION, 2);
  assert.equal(STRIP_AT, 40);
});

test("an update without a reading, and one that is not stale", () => {
  const found = decodeUpdate(updateBytes({ percent: [5], strip: [] }));
  assert.deepEqual([found.stale, found.rows, found.channels, found.strip.length, found.level], [false, 0, 1, 0, 0]);
  const view = new DataView(updateBytes({}));
  view.setUint8(2, 2); // another bit means something else
  assert.equal(decodeUpdate(view.buffer).stale, false);
  view.setUint8(2, 3);
  assert.equal(decodeUpdate(view.buffer).stale, true);
});

test("what is not exactly one update of this version is none", () => {
  const whole = updateBytes(NOW);
  assert.notEqual(decodeUpdate(whole), null);
  for (const n of [0, 8, 39, 40, whole.byteLength - 1, whole.byteLength - 8])
    assert.equal(decodeUpdate(whole.slice(0, n)), null, String(n));
  const longer = new Uint8Array(whole.byteLength + 8);
  longer.set(new Uint8Array(whole));
  assert.equal(decodeUpdate(longer.buffer), null);
  for (const version of [0, 1, 3]) {
    const other = whole.slice(0);
    new DataView(other).setUint8(0, version);
    assert.equal(decodeUpdate(other), null);
  }
  const header = new ArrayBuffer(40);
  new DataView(header).setUint8(0, 2);
  assert.deepEqual(decodeUpdate(header)?.percent, []); // no channel is a whole update, too
});
