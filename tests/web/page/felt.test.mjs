// A session without a sensor: never a reading, only what is asked for as a feeling.

import assert from "node:assert/strict";
import { test } from "node:test";

import { asksEffort, feltView } from "../../../biofeedback/web/static/phone/felt.js";
import { instruction, nextText } from "../../../biofeedback/web/static/shared/state.js";

const CONTRACT = { index: 1, kind: "contract", title: "Contract", duration_s: 20, band: null, felt: 2 };
const RELAX = { index: 0, kind: "passive", title: "Relax", duration_s: 20, band: null };
const UPDATE = { bandState: 0, percent: [NaN], remainingS: 12, level: 5, timeS: 3, countedS: 0, inBandS: 0 };
const state = (phase, next) => ({
  by_feel: true,
  stage: "plan",
  channels: [{ name: "rating", kind: "rating", guide: true, calibrated: false, problem: null }],
  maximum: { step: "idle", attempts: [] },
  plan: { title: "By feel", index: 0, phases: [RELAX, CONTRACT] },
  phase,
  next,
  band: null,
  words: {},
});

test("the effort asked for is said as a feeling", () => {
  assert.equal(instruction(state(CONTRACT, RELAX)).now, "Contract felt 2 of 10");
  assert.equal(nextText(state(RELAX, CONTRACT)), "Then: contract felt 2 of 10, 20 s");
});

test("the gauge shows no reading and no percentage, whatever a channel says", () => {
  for (const phase of [CONTRACT, RELAX]) {
    const view = feltView(state(phase, CONTRACT), { ...UPDATE, percent: [63] }, null);
    assert.equal(view.mode, "timer");
    assert.notEqual(view.unit, "%");
    assert.ok(!view.number.includes("63"));
  }
  assert.equal(feltView(state(CONTRACT, RELAX), UPDATE, null).number, "2");
});

test("while relaxing the clock alone has the seconds, and no word stands twice", () => {
  for (const kind of ["passive", "rest"]) {
    const now = state({ ...RELAX, kind }, CONTRACT);
    const view = feltView(now, UPDATE, null);
    assert.deepEqual([view.number, view.unit], ["0", "of 10"]);
    assert.ok(!instruction(now).now.toLowerCase().includes(view.word.toLowerCase()));
    assert.equal(feltView(now, { ...UPDATE, remainingS: 3 }, null).word, "Contract in 3");
  }
});

test("how hard it felt is asked after the contraction, not beside a rating, not in the next contraction", () => {
  const asked = { ...state(RELAX, CONTRACT), ask_effort: { phase_index: 1 }, ask: null };
  assert.equal(asksEffort(asked), 1);
  assert.equal(asksEffort({ ...asked, ask: { id: 2, text: "" } }), null);
  assert.equal(asksEffort({ ...asked, paused: { reason: "", phase_index: 2 } }), null);
  assert.equal(asksEffort({ ...asked, phase: CONTRACT }), null);
  assert.equal(asksEffort({ ...asked, ask_effort: null }), null);
});

test("a lost connection is told all the same", () => {
  assert.equal(feltView(state(CONTRACT, RELAX), UPDATE, { kind: "link", what: "", cure: "" }).word, "Not live");
});
