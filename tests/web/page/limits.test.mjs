// Edges of what the page says: where one thing ends and the next begins.

import assert from "node:assert/strict";
import { test } from "node:test";

import { partOf, wordsOfCue } from "../../../biofeedback/web/static/shared/cues.js";
import { Freshness } from "../../../biofeedback/web/static/shared/freshness.js";
import { gaugeView, scaleTop } from "../../../biofeedback/web/static/shared/gauge-view.js";
import { phaseShare } from "../../../biofeedback/web/static/shared/state.js";
import { START_WITHIN_MS, lengthMs } from "../../../biofeedback/web/static/shared/voice.js";
import { namesOf } from "../../../biofeedback/web/static/live/two-gauges.js";
import { holding, maximum, session } from "./sessions.mjs";

test("the part of a phase still to go is known only while a plan runs", () => {
  assert.equal(phaseShare(holding(1), 5), 0.25);
  const { plan } = holding(1);
  for (const stage of ["maximum", "ready", "done"]) assert.ok(Number.isNaN(phaseShare(session({ stage, plan }), 5)), stage);
  assert.ok(Number.isNaN(phaseShare(session({ stage: "plan" }), 5)));
});

test("two channels go by their sides only where both say one, and another", () => {
  const force = (name) => ({ name, kind: "force" });
  assert.deepEqual(namesOf(force("force"), force("force_left")), ["force", "force_left"]);
  assert.deepEqual(namesOf(force("force_right"), force("force")), ["force_right", "force"]);
  assert.deepEqual(namesOf(force("force_left"), force("force_left_2")), ["force_left", "force_left_2"]);
  assert.deepEqual(namesOf(force("force_right"), force("force_left")), ["Right", "Left"]);
});

test("a step is said from the moment on in which it begins", () => {
  const phase = {
    kind: "contract",
    duration_s: 30,
    band: [20, 30],
    steps: [
      [40, 50],
      [60, 70],
    ],
  };
  const at = (timeS) => partOf({ stage: "plan", phase }, timeS);
  assert.deepEqual([0, 9.9, 10, 19.9, 20, 29.9, 99, -1].map(at), [
    ...[
      "step:0:20:30",
      "step:0:20:30",
      "step:1:40:50",
      "step:1:40:50",
      "step:2:60:70",
      "step:2:60:70",
      "step:2:60:70",
      "step:0:20:30",
    ],
  ]);
  assert.equal(partOf({ stage: "ready", phase }, 12), "");
  assert.equal(at(NaN), "");
});

test("the rest says before which attempt it is, or that it only runs out", () => {
  const update = { remainingS: 40, percent: [0], timeS: 1, bandState: 0, stale: false };
  const word = (changes) =>
    gaugeView(session({ stage: "maximum", maximum: maximum({ step: "rest", ...changes }) }), update, null).word;
  assert.equal(word({ number: 3 }), "Before attempt 3");
  assert.equal(word({ number: 4 }), "Still to go");
  assert.equal(word({ number: 2, verdict: { state: "accepted", text: "" } }), "Still to go");
});

test("a page that hears nothing for a second knows it, one that waits half a second does not yet", () => {
  const link = new Freshness();
  link.hear(10);
  assert.deepEqual(
    [10.5, 10.75, 10.9, 11].map((s) => link.at(s)),
    ["live", "live", "silent", "silent"],
  ); // heartbeats come every 0.25 s
  link.ask(1, 10.1);
  assert.deepEqual(
    [10.6, 10.79].map((s) => link.at(s)),
    ["live", "late"],
  );
});

test("a scale leaves a quarter of room above the highest band, in steps of five, from thirty on", () => {
  const plan = (...bands) => ({ phases: bands.map((band, index) => ({ index, kind: "contract", duration_s: 20, band })) });
  for (const [highs, top] of [
    [[80], 100],
    [[82], 105],
    [[100, 60], 125],
    [[20], 30],
    [[10], 30],
    [[30], 40],
  ])
    assert.equal(scaleTop({ plan: plan(...highs.map((high) => [5, high])), band: null }), top, String(highs));
  assert.equal(scaleTop({ plan: plan([5, 20]), band: [50, 60] }), 75);
  assert.equal(scaleTop({ plan: null, band: null }), 110);
});

test("a word is given about its time to be said, half a second to begin", () => {
  assert.ok(lengthMs("") > 300 && lengthMs("") < 500);
  const each = (lengthMs("x".repeat(100)) - lengthMs("")) / 100;
  assert.ok(each > 60 && each < 90); // 15 letters a second, as speech at a usual pace has: common practice, no source
  assert.equal(START_WITHIN_MS, 500);
});

test("what to do now cuts off a question, and a question whatever is only told; an alarm cuts off all", () => {
  const state = holding(1, { ask: { id: 1, text: "Now?", said: null }, ask_effort: { phase_index: 1 } });
  const ranks = [
    ["alarm-link", "alarm-signal", "alarm-paused", "stopped"],
    ["contract", "passive", "rest", "countdown", "push", "done", "relax"],
    ["ask", "effort", "say-pushing"],
    ["breathe", "say-below", "say-above", "count-1"],
  ];
  const urgencies = ranks.map((cues) =>
    cues.map((cue) => wordsOfCue(cue, state)?.urgency).filter((urgency) => urgency !== undefined),
  );
  urgencies.forEach((same, k) => {
    assert.ok(same.length >= 1);
    assert.equal(new Set(same).size, 1, String(ranks[k]));
    if (k) assert.ok(same[0] < urgencies[k - 1][0]);
  });
});
