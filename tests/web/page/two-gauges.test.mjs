import assert from "node:assert/strict";
import { test } from "node:test";

import * as gauges from "../../../biofeedback/web/static/live/two-gauges.js";

const channel = (name, kind, more = {}) => ({
  name,
  kind,
  unit: "N",
  calibrated: true,
  problem: null,
  guide: false,
  beside: false,
  ...more,
});
const LEFT = channel("force_left", "force", { guide: true });
const RIGHT = channel("force_right", "force", { beside: true });
const state = (channels, changes = {}) => ({ stage: "plan", channels, band: [60, 80], next: null, plan: null, ...changes });
const update = (changes = {}) => ({ bandState: 2, besideState: 1, stale: false, percent: [71.4, 48.2], ...changes });

test("a side is read from a channel's name", () => {
  assert.deepEqual(["force_left", "emg-Right", "force_l", "emg-r", "force", "forcer"].map(gauges.sideOf), [
    "Left",
    "Right",
    "Left",
    "Right",
    "",
    "",
  ]);
});

test("two channels are told apart by side, else by kind, else by name", () => {
  assert.deepEqual(gauges.namesOf(LEFT, RIGHT), ["Left", "Right"]);
  assert.deepEqual(gauges.namesOf(channel("force", "force"), channel("emg", "emg")), ["Force", "Muscle"]);
  assert.deepEqual(gauges.namesOf(channel("force_left", "force"), channel("emg_right", "emg")), ["Force left", "Muscle right"]);
  assert.deepEqual(gauges.namesOf(channel("force1", "force"), channel("force2", "force")), ["force1", "force2"]);
});

test("left stands left, whichever of the two is judged", () => {
  assert.equal(gauges.gaugesOf(state([LEFT, RIGHT])).guideFirst, true);
  const swapped = state([
    { ...LEFT, guide: false, beside: true },
    { ...RIGHT, guide: true, beside: false },
  ]);
  assert.deepEqual(gauges.gaugesOf(swapped), { guide: 1, beside: 0, names: ["Right", "Left"], guideFirst: false });
  assert.equal(gauges.gaugesOf(state([LEFT, { ...RIGHT, beside: false }])), null);
  assert.equal(gauges.gaugesOf(null), null);
});

test("the channel beside tells where it is, and never what to do", () => {
  const both = state([LEFT, RIGHT]);
  const view = (changes, problem = null) => gauges.besideView(both, update(changes), problem, gauges.gaugesOf(both));
  assert.deepEqual([view({}).number, view({}).bandState, view({}).word], ["48", "below", "Below"]);
  assert.deepEqual([view({ besideState: 2 }).bandState, view({ besideState: 2 }).word], ["in", "In the band"]);
  assert.deepEqual([view({ besideState: 3 }).bandState, view({ besideState: 3 }).word], ["above", "Above"]);
  assert.deepEqual([view({ besideState: 0 }).bandState, view({ besideState: 0 }).word], ["none", ""]);
});

test("no number is shown beside when it is not the present one, and one lost channel leaves the other", () => {
  const both = state([LEFT, RIGHT]);
  const who = gauges.gaugesOf(both);
  for (const view of [
    gauges.besideView(both, update(), { kind: "link" }, who),
    gauges.besideView(both, null, null, who),
    gauges.besideView(both, update({ stale: true }), null, who),
    gauges.besideView(both, update({ percent: [71, NaN] }), null, who),
    gauges.besideView(state([LEFT, { ...RIGHT, problem: { what: "signal lost", cure: "" } }]), update(), { kind: "other" }, who),
  ])
    assert.deepEqual([view.mode, view.number, view.bandState], ["lost", "–", "none"]);
  const guideLost = gauges.besideView(
    state([{ ...LEFT, problem: { what: "signal clips", cure: "" } }, RIGHT]),
    update(),
    { kind: "signal" },
    who,
  );
  assert.equal(guideLost.number, "48");
});

test("the difference is left minus right, of one kind only", () => {
  const means = { 0: 71.2, 1: 48.1 };
  const both = state([LEFT, RIGHT]);
  assert.equal(
    gauges.differenceText(both, gauges.gaugesOf(both), (k) => means[k]),
    "Left minus right: +23 points, mean of 2 s",
  );
  const swapped = state([
    { ...LEFT, guide: false, beside: true },
    { ...RIGHT, guide: true, beside: false },
  ]);
  assert.equal(
    gauges.differenceText(swapped, gauges.gaugesOf(swapped), (k) => -means[k]),
    "Left minus right: −23 points, mean of 2 s",
  );
  assert.equal(
    gauges.differenceText(both, gauges.gaugesOf(both), () => NaN),
    "Left minus right: not known, mean of 2 s",
  );
  const kinds = state([channel("force", "force", { guide: true }), channel("emg", "emg", { beside: true })]);
  assert.equal(
    gauges.differenceText(kinds, gauges.gaugesOf(kinds), (k) => means[k]),
    "",
  );
  assert.equal(
    gauges.differenceText(both, null, (k) => means[k]),
    "",
  );
});
