// The cards of the coach's athletes, without a DOM.

import assert from "node:assert/strict";
import test from "node:test";

import { cardRows, pickCards, wayOptions } from "../../../biofeedback/web/static/start/athletes.js";

const card = (code, more = {}) => ({
  code,
  last: "3 days ago, 2026-11-25",
  stretch: "Standing hamstring stretch · left",
  simulated: false,
  answer: "",
  maximum: "",
  doubts: [],
  range: "",
  due: [],
  form: {},
  ...more,
});

test("few cards at first, all when asked for, those of a code when searched", () => {
  const cards = Array.from({ length: 200 }, (_, n) => card(`A${n}`));
  assert.equal(pickCards(cards, "", false).length, 6);
  assert.equal(pickCards(cards, "", true).length, 200);
  assert.deepEqual(
    pickCards(cards, " a19", false).map(({ code }) => code),
    ["A19", "A190", "A191", "A192", "A193", "A194", "A195", "A196", "A197", "A198", "A199"],
  );
});

test("a card says only what is known, and a doubt beside its maximum", () => {
  assert.deepEqual(
    cardRows(card("A01")).map(([name]) => name),
    ["Last evening", "Stretch"],
  );
  const rows = Object.fromEntries(cardRows(card("A01", { maximum: "412 N, 3 days old", doubts: ["old", "limited"] })));
  assert.equal(rows.Maximum, "412 N, 3 days old");
  assert.equal(rows.Doubts, "old; limited");
});

test("tonight's way is done as drawn, as another one, not at all, or is no evening of the trial", () => {
  assert.deepEqual(wayOptions(null), []);
  const options = wayOptions({ drawn: "warmth", ways: ["nothing", "warmth"] });
  assert.deepEqual(
    options.map(([value]) => value),
    ["warmth", "nothing", "", "-"],
  );
});
