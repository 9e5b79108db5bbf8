// A band that moves, jumps or is hidden: where it is, what is drawn and what is heard. Places are computed here.

import assert from "node:assert/strict";
import { test } from "node:test";

import { earlyText } from "../../../biofeedback/web/static/shared/asked.js";
import { SILENCE, chooseCue, partOf, wordsOfCue } from "../../../biofeedback/web/static/shared/cues.js";
import { gaugeView, scaleTop } from "../../../biofeedback/web/static/shared/gauge-view.js";
import { notesOf } from "../../../biofeedback/web/static/shared/sound.js";
import { instruction, smallText } from "../../../biofeedback/web/static/shared/state.js";
import { Ring, drawStrip, stripFrame } from "../../../biofeedback/web/static/shared/strip.js";
import { bandAt, blindAt, elapsedS } from "../../../biofeedback/web/static/shared/target.js";
import { COLORS, RecordingContext } from "./recording-context.mjs";

const RAMP = {
  kind: "contract",
  band: [10, 20],
  ramp: [
    [40, 50],
    [40, 50],
    [10, 20],
  ],
  duration_s: 30,
};
const STEPS = { kind: "contract", band: [10, 20], steps: [[40, 50]], duration_s: 20 };
const BLIND = { kind: "contract", band: [20, 30], blind: [[5, 9]], duration_s: 20 };

test("a ramp moves in a line through its bands, steps jump, and after the end the last band stays", () => {
  assert.deepEqual(
    [0, 5, 10, 15, 25, 30, 99].map((t) => bandAt(RAMP, t)),
    [
      [10, 20],
      [25, 35],
      [40, 50],
      [40, 50],
      [25, 35],
      [10, 20],
      [10, 20],
    ],
  );
  assert.deepEqual(
    [0, 9.99, 10, 30].map((t) => bandAt(STEPS, t)),
    [
      [10, 20],
      [10, 20],
      [40, 50],
      [40, 50],
    ],
  );
  assert.deepEqual(bandAt(BLIND, 7), [20, 30]);
  assert.equal(bandAt(null, 7), null);
  assert.deepEqual(bandAt(RAMP, NaN), [10, 20], "before the first number");
});

test("a blind stretch begins with its second and ends before the last", () => {
  assert.deepEqual(
    [4.99, 5, 8.99, 9].map((t) => Boolean(blindAt(BLIND, t))),
    [false, true, true, false],
  );
});

const stateOf = (phase, more = {}) => ({
  stage: "plan",
  level_rate_hz: 100,
  channels: [{ name: "force", kind: "force", guide: true, calibrated: true, problem: null }],
  plan: { title: "Moving", index: 0, phases: [{ index: 0, title: "", ...phase }] },
  phase: { index: 0, title: "", since_s: 100, ...phase },
  band: phase.band,
  ratings: [],
  next: null,
  ...more,
});
const updateAt = (timeS, percent = 25) => ({ timeS, remainingS: 10, bandState: 0, percent: [percent], countedS: 0 });

test("time counts from the phase's own start to the middle of the newest level", () => {
  assert.equal(elapsedS(stateOf(RAMP), updateAt(105.005)).toFixed(6), "5.000000");
  assert.ok(Number.isNaN(elapsedS(stateOf({ ...RAMP, since_s: undefined }), null)));
});

test("the scale holds all that the band comes to", () => {
  assert.equal(scaleTop(stateOf(RAMP)), 65);
  assert.equal(scaleTop(stateOf(BLIND)), 40);
});

test("in a blind stretch there is a band and no number", () => {
  const view = gaugeView(stateOf(BLIND, { blind: true }), updateAt(107), null);
  assert.equal(view.number, "");
  assert.ok(Number.isNaN(view.percent));
  assert.deepEqual(view.band, [20, 30]);
  assert.equal(view.word, "Keep it by feel");
});

test("the strip draws a ramp's edges where they are, and no effort since the blind stretch began", () => {
  const ring = new Ring(3100);
  ring.push(0, 3000, 1, new Float32Array(3000).fill(25), 0);
  const base = { ring, levelRateHz: 100, endS: 30, top: 100, ratings: [] };
  const { crest, foot } = stripFrame(108);
  const y = (percent) => foot - (percent / 100) * (foot - crest);
  for (const beganS of [0, 8]) {
    const ctx = new RecordingContext();
    const spans = [{ fromS: beganS, toS: beganS + 30, band: [10, 20], phase: RAMP }];
    drawStrip(ctx, 600, 108, { ...base, endS: beganS + 30, spans }, COLORS);
    const points = ctx.marks.flatMap((mark) => mark.paths ?? []).flatMap((path) => path.points);
    for (const [timeS, percent] of [
      [0, 20],
      [10, 50],
      [20, 50],
      [30, 20],
      [10, 40],
    ])
      assert.ok(
        points.some(([x, at]) => Math.abs(x - timeS * 20) < 0.01 && Math.abs(at - y(percent)) < 0.01),
        `${percent} % at ${timeS} s of a ramp that began at ${beganS} s`,
      );
  }
  const hidden = new RecordingContext();
  drawStrip(hidden, 600, 108, { ...base, spans: [], blindS: 20 }, COLORS);
  const trace = hidden.marks.flatMap((mark) => mark.paths ?? []).flatMap((path) => path.points);
  const xs = trace.filter(([, at]) => Math.abs(at - y(25)) < 0.01).map(([x]) => x);
  assert.ok(xs.length > 100 && Math.max(...xs) <= 400.5);
});

test("a step and a blind stretch are said, once; a ramp is not", () => {
  const now = {
    running: true,
    alarm: null,
    acted: false,
    phase: 0,
    kind: "contract",
    bandState: "in",
    lowPercent: 10,
    remainingS: 9,
  };
  const heard = [];
  let memory = SILENCE;
  for (let t = 0; t < 20; t += 0.5) {
    const part = partOf(stateOf(STEPS), t);
    const [cue, next] = chooseCue(memory, { ...now, part, nowS: t });
    memory = next;
    if (cue) heard.push(cue);
  }
  assert.deepEqual(
    heard.filter((cue) => cue !== "breathe"),
    ["contract", "step:1:40:50"],
  );
  assert.equal(wordsOfCue("step:1:40:50", null)?.text, "Now 40 to 50 percent");
  assert.ok(notesOf("step:1:40:50").length);
  assert.equal(partOf(stateOf(BLIND), 6), "blind");
  assert.equal(partOf(stateOf(RAMP), 6), "");
  const blind = { ...memory, phase: 0, part: "" };
  assert.equal(chooseCue(blind, { ...now, part: "blind", nowS: 30 })[0], "blind");
  assert.equal(chooseCue({ ...blind, part: "blind" }, { ...now, part: "", nowS: 34 })[0], "seen");
});

test("a set to fatigue says how long it lasts against what is expected, and breathing is told whatever the band", () => {
  const training = { expected_s: 15.4, source: "", lost_s: [12.2], hard_s: 14, said: "40 s of rest" };
  const phase = { kind: "contract", band: [80, 100], until: "band lost", duration_s: 30 };
  const told = instruction(stateOf(phase, { training }), null, updateAt(108));
  assert.equal(told.more, "Set 2: 7 s, about 15 s expected. Count aloud.");
  const rest = instruction(stateOf({ kind: "rest", band: null, duration_s: 60 }, { training }), null, updateAt(108));
  assert.equal(rest.more, "Sets: 12 s. Hard today: 14 s. 40 s of rest.");
  const now = {
    running: true,
    alarm: null,
    acted: false,
    phase: 0,
    kind: "contract",
    bandState: "below",
    lowPercent: 60,
    remainingS: 20,
    breathes: true,
  };
  let memory = SILENCE;
  const breaths = [];
  for (let t = 0; t < 30; t += 0.1) {
    const [cue, next] = chooseCue(memory, { ...now, nowS: t });
    memory = next;
    if (cue === "breathe") breaths.push(t);
  }
  assert.ok(breaths.length >= 2, "told while the band is being lost, too");
});

test("between the repeats of a lesson the last one is told, and during one it is not", () => {
  const course = {
    next: "light",
    check_again: false,
    last: { lesson: "light", said: "with the number 2.1 % off, 1.5 too low on average" },
    lessons: [{ name: "light", title: "Hold it lightly", n: 3, passed: false, said: "2 of 3 kept; a falling error passes" }],
  };
  const passive = stateOf({ kind: "passive", band: null, duration_s: 8 }, { course });
  passive.plan.lesson = "light";
  assert.equal(
    instruction(passive, null, updateAt(101)).more,
    "Repeat 3: with the number 2.1 % off, 1.5 too low on average. 2 of 3 kept; a falling error passes.",
  );
  const contract = stateOf(BLIND, { course });
  contract.plan.lesson = "light";
  assert.ok(!instruction(contract, null, updateAt(101)).more.startsWith("Repeat"));
});

test("a blind stretch whose signal is lost is an alarm and no blind stretch", () => {
  const lost = stateOf(BLIND, { blind: true });
  lost.channels[0].problem = { what: "signal lost", cure: "check the cable" };
  const problem = { kind: "signal", what: "signal lost", cure: "check the cable" };
  assert.equal(gaugeView(lost, updateAt(107), problem).mode, "lost");
  assert.equal(instruction(lost, problem, updateAt(107)).now, "Let go: no signal");
});

test("a set that would be wasted says why and for how long, and after pain nobody may insist", () => {
  const early = { what: "a set now would last about 6 s of 15 s", over_s: 90, why_not: "" };
  assert.deepEqual(earlyText(early, 50), {
    text: "Not yet. A set now would last about 6 s of 15 s. Rest for 40 s more.",
    mayInsist: true,
  });
  assert.equal(earlyText(early, 90), null);
  assert.equal(earlyText(early, NaN), null);
  assert.equal(earlyText(null, 5), null);
  const hurt = earlyText({ ...early, why_not: "discomfort 7.5 was near the agreed limit of 8" }, 50);
  assert.equal(hurt.mayInsist, false);
  assert.match(hurt.text, /hurt: discomfort 7.5 was near the agreed limit of 8\. Nobody begins the next one earlier\.$/);
});

test("the athlete's small line tells a set's time and breathing, and between repeats how the last one was", () => {
  const set = { stage: "plan", plan: { index: 1, phases: [{}, { duration_s: 40 }] }, level_rate_hz: 100 };
  const training = { expected_s: 14.2, source: "", lost_s: [], hard_s: 0, said: "" };
  const phase = { kind: "contract", band: [80, 100], until: "band lost", since_s: 20, duration_s: 40 };
  const update = { level: 3200, timeS: 32.01, remainingS: 28 };
  assert.equal(smallText({ ...set, training, phase }, update), "12 of about 14 s. Count aloud.");
  assert.equal(smallText({ ...set, training: { ...training, expected_s: null }, phase }, update), "12 s. Count aloud.");
  const course = { last: { lesson: "light", said: "", short: "2.1 % off" } };
  const lesson = { ...set, course, plan: { ...set.plan, lesson: "light" } };
  assert.equal(smallText({ ...lesson, phase: { kind: "passive" } }, update), "Last: 2.1 % off");
  assert.equal(smallText({ ...lesson, phase: { kind: "contract" } }, update), "");
  assert.equal(smallText({ ...set, course, phase: { kind: "passive" } }, update), "");
});
