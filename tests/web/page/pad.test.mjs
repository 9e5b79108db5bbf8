import assert from "node:assert/strict";
import { test } from "node:test";

import { HIGHEST, Pad, WAIT_MS } from "../../../biofeedback/web/static/shared/pad.js";

test("one press counts after a moment, once", () => {
  const pad = new Pad();
  pad.press(6, 0);
  assert.equal(pad.take(WAIT_MS - 1), null);
  assert.equal(pad.take(WAIT_MS), 6);
  assert.equal(pad.take(WAIT_MS * 9), null);
});

test("zero is a rating", () => {
  const pad = new Pad();
  pad.press(0, 0);
  assert.equal(pad.take(WAIT_MS), 0);
});

test("a half is added or taken back, and gives more time", () => {
  const pad = new Pad();
  pad.addHalf(0);
  assert.equal(pad.value, null); // nothing to add it to
  pad.press(6, 0);
  pad.addHalf(900);
  assert.equal(pad.take(WAIT_MS), null);
  assert.equal(pad.take(900 + WAIT_MS), 6.5);
  pad.press(6, 0);
  pad.addHalf(1);
  pad.addHalf(2);
  assert.equal(pad.take(2 + WAIT_MS), 6);
});

test("there is nothing above ten", () => {
  const pad = new Pad();
  pad.press(10, 0);
  pad.addHalf(1);
  assert.equal(pad.take(WAIT_MS), 10);
});

test("another number replaces the pending one; the same again sends it at once", () => {
  const pad = new Pad();
  pad.press(6, 0);
  pad.addHalf(10);
  pad.press(7, 20);
  assert.equal(pad.value, 7);
  pad.press(7, 30);
  assert.equal(pad.take(30), 7);
});

test("typed: 1 then 0 is ten, 0 alone is none, Enter does not wait, Backspace takes back", () => {
  const pad = new Pad();
  pad.type(1, 0);
  pad.type(0, 200);
  assert.equal(pad.take(200 + WAIT_MS), 10);
  pad.type(0, 0);
  assert.equal(pad.take(WAIT_MS), 0);
  pad.type(4, 0);
  pad.addHalf(5);
  pad.enter(6);
  assert.equal(pad.take(6), 4.5);
  pad.type(4, 0);
  pad.clear();
  assert.equal(pad.take(WAIT_MS), null);
  pad.enter(7);
  assert.equal(pad.take(WAIT_MS), null);
});

test("up and down change what is pending, from the last rating, and wait to be confirmed", () => {
  const pad = new Pad();
  pad.step(1, 6);
  assert.equal(pad.value, 7);
  pad.step(1, 6);
  pad.step(-1, 6);
  assert.equal(pad.take(1e9), null); // not before it is confirmed
  pad.enter(5);
  assert.equal(pad.take(5), 7);
  for (let k = 0; k < 20; k++) pad.step(1, 6);
  assert.equal(pad.value, HIGHEST);
  for (let k = 0; k < 20; k++) pad.step(-1, 6);
  assert.equal(pad.value, 0);
});

test("one pedal reaches every rating: it raises, and after the highest begins at 0 again", () => {
  const pad = new Pad();
  const seen = new Set();
  for (let k = 0; k < 11; k++) {
    pad.raise(4);
    seen.add(pad.value);
  }
  assert.deepEqual(
    [...seen].sort((a, b) => a - b),
    [0, 1, 2, 3, 4, 5, 6, 7, 8, 9, 10],
  );
});
