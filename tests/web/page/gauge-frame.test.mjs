// Where a gauge's field, ground and labels lie, for whatever room it has; how a number is made to fit.

import assert from "node:assert/strict";
import { test } from "node:test";

import { digitsOf, fitOf, frame, labelsOf } from "../../../biofeedback/web/static/shared/gauge-frame.js";

const SIZES = [
  [110, 80],
  [90, 160],
  [300, 190],
  [390, 320],
  [800, 500],
  [1900, 760],
];

for (const [w, h] of SIZES)
  test(`${w} x ${h}: the room holds ground, crown and a column for the labels, and the ground lies low`, () => {
    for (const nDigits of [0, 2, 3, 4]) {
      const { left, right, ground, height, column, size } = frame(w, h, nDigits);
      assert.ok(left >= 6 && left <= 24 && right > left + 0.4 * w - 2 * 24, `${nDigits} digits: ${left} to ${right}`);
      assert.ok(ground > 0.85 * h && ground < h && height > 0.7 * h && ground - height > 0);
      assert.ok(ground - height >= 0.6 * size - 1e-9, "a label at the crown is not cut");
      // 0.74 em: a bold digit of the widest usual system font (DejaVu Sans Bold: 1425 of 2048 units, 0.70 em)
      if (nDigits) assert.ok(column > right && column + nDigits * 0.74 * size <= w + 1e-9, "the labels end inside");
      else assert.ok(Math.abs(left - (w - right)) < 1e-9, "as far from both sides");
    }
  });

test("labels of a narrow band, or at the ends of the scale, make room for each other and stay inside", () => {
  for (const [w, h] of SIZES) {
    const box = frame(w, h, 2);
    for (let low = 0; low <= 95; low += 5)
      for (const high of [low + 1, low + 5, 100]) {
        const [one, two] = labelsOf(box, [low, high], 110);
        assert.ok(one.y - two.y >= 1.1 * box.size, `${w} x ${h}: ${low} to ${high}: ${one.y} and ${two.y}`);
        for (const { y } of [one, two])
          assert.ok(y >= 0.5 * box.size - 1e-9 && y <= box.ground - 0.5 * box.size + 1e-9, `${low} to ${high}: ${y}`);
      }
  }
});

test("labels stand at the height that they mean, or as near to it as both and the box leave room for", () => {
  for (const [w, h] of SIZES) {
    const box = frame(w, h, 2);
    const [least, most, gap] = [0.5 * box.size, box.ground - 0.5 * box.size, 1.12 * box.size];
    for (let low = 0; low <= 105; low += 3)
      for (let high = low + 1; high <= 110; high += 4) {
        const crowns = [low, high].map((edge) => box.ground - (edge / 110) * box.height);
        const [one, two] = labelsOf(box, [low, high], 110);
        assert.deepEqual([one.crownY, two.crownY].map(Math.round), crowns.map(Math.round));
        assert.deepEqual([one.text, two.text, one.x], [String(low), String(high), box.column]);
        const held = crowns.map((y) => Math.min(most, Math.max(least, y)));
        const isFree = held[0] - held[1] >= gap;
        const middle = Math.min(most - gap / 2, Math.max(least + gap / 2, (held[0] + held[1]) / 2));
        const wanted = isFree ? held : [middle + gap / 2, middle - gap / 2];
        for (const k of [0, 1]) assert.ok(Math.abs([one.y, two.y][k] - wanted[k]) < 1e-6, `${w} x ${h}: ${low} to ${high}`);
      }
    const [only] = labelsOf(box, [60], 110);
    assert.ok(Math.abs(only.y - (box.ground - (60 / 110) * box.height)) < 1e-6);
  }
});

test("a longer number or unit is set smaller, so that three digits and a percent sign always fit", () => {
  assert.equal(fitOf("7", "%"), 1);
  assert.equal(fitOf("145", "%"), 1);
  assert.equal(fitOf("45", ""), 1); // and never larger: a number keeps its size
  for (const [number, unit] of [
    ["1234", "N"],
    ["12345", "counts"],
    ["402", "N·m"],
    ["1:30", ""],
  ]) {
    const width = (text, size) => text.length * 0.7 * size; // every letter as wide as a bold digit of DejaVu Sans
    const fit = fitOf(number, unit);
    assert.ok(fit <= 1 && fit > 0.4);
    const gap = unit ? 0.08 * fit : 0;
    const whole = width(number, fit) + gap + width(unit, 0.3 * fit);
    assert.ok(whole <= 2.53 && whole > 2.4, `${number} ${unit}: ${fit}`); // and no smaller than it must be
  }
});

test("the field does not move while the scale stays: labels of two digits and of three have one column each", () => {
  assert.deepEqual([30, 100, 110, 120].map(digitsOf), [2, 2, 2, 2]);
  assert.deepEqual([125, 150].map(digitsOf), [3, 3]);
  assert.equal(digitsOf(1600), 4);
});
