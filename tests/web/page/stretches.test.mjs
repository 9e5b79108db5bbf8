import assert from "node:assert/strict";
import { test } from "node:test";

import {
  add,
  fitLabel,
  phaseLabels,
  readNumber,
  signOf,
  span,
  stretchLabels,
} from "../../../biofeedback/web/static/bring/stretches.js";

const rest = { kind: "rest", from_s: 1, to_s: 3 };
const relax = { kind: "passive", from_s: 10, to_s: 20 };

test("numbers are read with a point or a comma, and nothing is not 0", () => {
  assert.equal(readNumber("1,5"), 1.5);
  assert.equal(readNumber(" 2.25 "), 2.25);
  for (const text of ["", " ", "x", "1:30"]) assert.equal(readNumber(text), null);
});

test("stretches stand in the order of time, and a second zero takes the place of the first", () => {
  const both = add([relax], rest, 60);
  assert.deepEqual(both, [rest, relax]);
  const moved = { kind: "rest", from_s: 4, to_s: 6 };
  assert.deepEqual(add(/** @type {any[]} */ (both), moved, 60), [moved, relax]);
});

test("what cannot be says why", () => {
  const said = (kind, from_s, to_s) => add([relax], { kind, from_s, to_s }, 60);
  assert.match(String(said("contract", 19, 25)), /overlaps a phase/);
  assert.match(String(said("contract", 5, 5)), /end after it begins/);
  assert.match(String(said("contract", -1, 5)), /end after it begins/);
  assert.match(String(said("contract", null, 5)), /both times/);
  assert.match(String(said("contract", 55, 61)), /ends at 60.0 s/);
  assert.equal(said("contract", 20, 30).length, 2); // one begins where the other ends
  assert.equal(said("maximum", 12, 16).length, 2); // a push may lie in a phase
});

test("dragging marks from the earlier to the later moment, inside what is on screen; a touch marks nothing", () => {
  const view = { fromS: 10, toS: 20 };
  assert.deepEqual(span(100, 50, 100, view), { fromS: 15, toS: 20 });
  assert.deepEqual(span(-30, 250, 100, view), { fromS: 10, toS: 20 });
  assert.equal(span(50, 52, 100, view), null);
});

test("every kind has its sign", () => {
  assert.deepEqual(["rest", "maximum", "passive", "contract", "else"].map(signOf), ["0", "max", "R", "C", "–"]);
});

test("a stretch is called by its word where that fits; a rest of the file is no zero", () => {
  const measure = (text) => 7 * text.length;
  assert.equal(fitLabel(stretchLabels("contract"), 60, measure), "Contract");
  assert.equal(fitLabel(stretchLabels("contract"), 50, measure), "C");
  assert.equal(fitLabel(phaseLabels("rest"), 500, measure), "Come out and rest");
  assert.equal(fitLabel(phaseLabels("rest"), 50, measure), "–");
});
