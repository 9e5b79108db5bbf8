import assert from "node:assert/strict";
import { test } from "node:test";

import { arch, crownPx, frame } from "../../../biofeedback/web/static/shared/gauge-frame.js";
import { Ring, columns, findRuns } from "../../../biofeedback/web/static/shared/strip.js";

const rows = (...values) => Float32Array.from(values);

test("levels are found by their number, one channel of several", () => {
  const ring = new Ring(100);
  ring.push(0, 2, 2, rows(1, 10, 2, 20), 1);
  ring.push(2, 1, 2, rows(3, 30), 1);
  assert.deepEqual(
    [0, 1, 2].map((k) => ring.at(k)),
    [10, 20, 30],
  );
  assert.ok(Number.isNaN(ring.at(3)));
});

test("levels that never came are gaps, old ones are forgotten", () => {
  const ring = new Ring(10);
  ring.push(0, 3, 1, rows(1, 2, 3), 0);
  ring.push(5, 1, 1, rows(6), 0);
  assert.ok(Number.isNaN(ring.at(3)) && Number.isNaN(ring.at(4)));
  assert.equal(ring.at(5), 6);
  ring.push(6, 8, 1, rows(7, 8, 9, 10, 11, 12, 13, 14), 0);
  assert.ok(Number.isNaN(ring.at(2)));
  assert.equal(ring.at(4 + 0), ring.at(4)); // NaN or not, no throw
  assert.equal(ring.at(13), 14);
});

test("a full ring holds the last levels, the oldest of them too", () => {
  const ring = new Ring(10);
  for (const [first, n] of [
    [0, 7],
    [7, 3],
    [10, 4],
    [14, 25],
  ]) {
    ring.push(
      first,
      n,
      1,
      Float32Array.from({ length: n }, (_, k) => first + k),
      0,
    );
    for (let level = Math.max(0, ring.end - 10); level < ring.end; level++) assert.equal(ring.at(level), level);
    assert.ok(Number.isNaN(ring.at(ring.end)) && Number.isNaN(ring.at(ring.end - 11)) && Number.isNaN(ring.at(-1)));
  }
});

test("a jump far ahead leaves nothing old behind", () => {
  const ring = new Ring(10);
  ring.push(0, 10, 1, new Float32Array(10).fill(5), 0);
  ring.push(1000, 1, 1, rows(7), 0);
  for (let k = 991; k < 1000; k++) assert.ok(Number.isNaN(ring.at(k)), String(k));
  assert.equal(ring.at(1000), 7);
});

test("every peak survives the drawing: columns hold the smallest and largest of their levels", () => {
  const ring = new Ring(4000);
  const values = Float32Array.from({ length: 3000 }, (_, k) => Math.sin(k / 50) * 10);
  values[1234] = 99;
  values[2345] = -99;
  ring.push(0, 3000, 1, values, 0);
  const { low, high } = columns(ring, 0, 3000, 300);
  assert.equal(high[123], 99);
  assert.equal(low[234], -99);
  const early = columns(ring, -500, 1000, 3); // the ring goes on after what is shown, and begins within it
  assert.deepEqual(
    [...early.high].slice(1),
    [values, values].map((all, k) => Math.max(...all.slice(500 * k, 500 * k + 500))),
  );
  assert.ok(Number.isNaN(early.high[0]) && Number.isNaN(early.low[0]));
  const late = columns(ring, 2500, 4500, 4);
  assert.equal(late.high[0], Math.max(...values.slice(2500)));
  assert.ok([1, 2, 3].every((c) => Number.isNaN(late.high[c])));
  for (let c = 0; c < 300; c++) {
    const part = values.slice(c * 10, c * 10 + 10);
    assert.equal(low[c], Math.min(...part));
    assert.equal(high[c], Math.max(...part));
  }
});

test("a gap stays a gap", () => {
  const ring = new Ring(100);
  ring.push(
    0,
    100,
    1,
    Float32Array.from({ length: 100 }, (_, k) => (k >= 40 && k < 60 ? NaN : 1)),
    0,
  );
  const { low } = columns(ring, 0, 100, 10);
  assert.deepEqual(Array.from(low, Number.isNaN), [false, false, false, false, true, true, false, false, false, false]);
});

test("the form: fixed feet, a crown at its middle, height in proportion to effort and never outside", () => {
  assert.equal(arch(-1), 0);
  assert.equal(arch(1), 0);
  assert.equal(arch(0), 1);
  assert.equal(crownPx(50, 100, 400), 200);
  assert.equal(crownPx(250, 100, 400), 400);
  assert.equal(crownPx(-5, 100, 400), 0);
  assert.equal(crownPx(NaN, 100, 400), 0);
  const box = frame(800, 500);
  assert.ok(box.ground - box.height > 0 && box.ground < 500 && box.left > 0 && box.right < 800);
});

test("a run holds nothing from before its window, nor after the newest level; a hole ends it", () => {
  const ring = new Ring(100);
  ring.push(
    0,
    30,
    1,
    Float32Array.from({ length: 30 }, (_, k) => (k === 15 ? NaN : k)),
    0,
  );
  const runs = findRuns(ring, 10, 40, 100);
  assert.deepEqual(
    runs.map((run) => run.map(([, low, high]) => [low, high])),
    [10, 16].map((from, k) => Array.from({ length: k ? 14 : 5 }, (_, n) => [from + n, from + n])),
  );
  assert.deepEqual([runs[0][0][0], runs[1].at(-1)[0]], [0, 19 / 30]);
  const early = findRuns(ring, -20, 10, 100); // the first seconds of a session
  assert.deepEqual([early.length, early[0].length, early[0][0]], [1, 10, [20 / 30, 0, 0]]);
  assert.deepEqual(findRuns(new Ring(10), 0, 10, 100), []);
});
