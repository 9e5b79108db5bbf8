// What a plan that wants the range read asks for, before it and after it.

import assert from "node:assert/strict";
import { test } from "node:test";

import { rangeAfterText, rangeNote } from "../../../biofeedback/web/static/shared/asked.js";

const PLACES = ["the wall", "the box"];
const range = (...readings) => ({ wanted: true, plans: ["range"], places: PLACES, readings });
const read = (when, at) => ({ when, at });
const note = (given, name = "range") => rangeNote(/** @type {any} */ ({ asked: { range: given } }), name);

test("the places that were not read yet are named, those of before and of after apart", () => {
  const before = read("before", "the wall");
  assert.equal(note(range()), "Read the range first, at the wall and at the box.");
  assert.equal(note(range(before)), "Read the range first, at the box.");
  assert.equal(note(range(before, read("before", "the box"))), "The range before is read.");
  assert.match(rangeAfterText(range(before)), /again, in the same way, at the wall and at the box\.$/);
  assert.match(rangeAfterText(range(before, read("after", "the box"))), /at the wall\.$/);
  assert.equal(rangeAfterText(range(...PLACES.map((at) => read("after", at)))), "The range after is read.");
  assert.equal(note(range(...PLACES.map((at) => read("after", at)))), "Read the range first, at the wall and at the box.");
});

test("a plan that does not want it, and a session that asks nothing, say nothing", () => {
  assert.equal(note(range(), "short"), "");
  assert.equal(rangeNote(/** @type {any} */ ({ asked: null }), "range"), "");
});
