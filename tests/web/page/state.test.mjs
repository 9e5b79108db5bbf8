import assert from "node:assert/strict";
import { test } from "node:test";

import * as fresh from "../../../biofeedback/web/static/shared/freshness.js";
import { wordsOfCue } from "../../../biofeedback/web/static/shared/cues.js";
import * as gauge from "../../../biofeedback/web/static/shared/gauge-view.js";
import * as push from "../../../biofeedback/web/static/shared/push.js";
import { Seat } from "../../../biofeedback/web/static/shared/seat.js";
import * as state from "../../../biofeedback/web/static/shared/state.js";
import * as text from "../../../biofeedback/web/static/shared/text.js";

const CHANNEL = { name: "force", kind: "force", unit: "N", calibrated: true, problem: null, guide: true };
const PHASES = [
  { index: 0, kind: "passive", title: "Let go", duration_s: 20, band: null, cycle: 1 },
  { index: 1, kind: "contract", title: "Contract", duration_s: 20, band: [60, 80], cycle: 1 },
];

function session(changes = {}) {
  return {
    stage: "plan",
    channels: [CHANNEL],
    maximum: { step: "accepted", number: 1, n_needed: 3, attempts: [] },
    plan: { title: "Response check", index: 1, phases: PHASES },
    phase: PHASES[1],
    next: null,
    band: [60, 80],
    ratings: [],
    ...changes,
  };
}

function update(changes = {}) {
  return {
    bandState: 2,
    stale: false,
    timeS: 30,
    level: 2999,
    remainingS: 10,
    inBandS: 6,
    countedS: 8,
    percent: [71.4],
    ...changes,
  };
}

test("percent is rounded to whole numbers, never clipped, never minus zero", () => {
  assert.equal(text.percentText(71.49999), "71");
  assert.equal(text.percentText(71.5), "72");
  assert.equal(text.percentText(245.2), "245");
  assert.equal(text.percentText(-0.4), "0");
  assert.equal(text.percentText(-3.2), "−3");
  assert.equal(text.percentText(NaN), "–");
});

test("time left reads 0 only at the end", () => {
  assert.equal(text.timeText(10), "10");
  assert.equal(text.timeText(9.01), "10");
  assert.equal(text.timeText(0.2), "1");
  assert.equal(text.timeText(0), "0");
  assert.equal(text.timeText(60.2), "1:01");
  assert.equal(text.timeText(600), "10:00");
  assert.equal(text.timeText(NaN), "");
});

test("a good hold shows its number, its state in words and the share in the band", () => {
  const view = gauge.gaugeView(session(), update(), null);
  assert.deepEqual([view.mode, view.number, view.unit, view.bandState, view.word], ["target", "71", "%", "in", "Hold it here"]);
  assert.equal(view.inBandShare, 0.75);
  assert.equal(gauge.gaugeView(session(), update({ bandState: 1 }), null).word, "Push a little more");
  assert.equal(gauge.gaugeView(session(), update({ bandState: 3 }), null).word, "Ease off a little");
});

test("no number is shown when it is not the present one", () => {
  const cases = [
    [session(), update(), "silent"],
    [session(), update(), "late"],
    [session(), update(), "connecting"],
    [session(), null, "live"],
    [session(), update({ stale: true }), "live"],
    [session(), update({ percent: [NaN] }), "live"],
    [session({ channels: [{ ...CHANNEL, problem: { what: "signal clips", cure: "lower the gain" } }] }), update(), "live"],
    [session({ channels: [{ ...CHANNEL, calibrated: false }] }), update(), "live"],
  ];
  for (const [now, news, link] of cases) {
    const view = gauge.gaugeView(now, news, state.trouble(now, news, link));
    assert.equal(view.number, "–", JSON.stringify([news, link]));
    assert.ok(["lost", "uncalibrated"].includes(view.mode));
    assert.ok(view.word.length > 0);
  }
});

test("trouble on another channel is told, and does not take the number away", () => {
  const other = { ...CHANNEL, name: "emg", guide: false, problem: { what: "mains hum", cure: "use the battery" } };
  const now = session({ channels: [CHANNEL, other] });
  const problem = state.trouble(now, update({ percent: [71, 50] }), "live");
  assert.deepEqual(problem, { kind: "other", channel: "emg", what: "mains hum", cure: "use the battery" });
  assert.equal(gauge.gaugeView(now, update({ percent: [71, 50] }), problem).number, "71");
});

test("every trouble says what and, when the user can do something, what to do", () => {
  for (const link of ["silent", "late"]) {
    const problem = state.trouble(session(), update(), link);
    assert.ok(problem.what && problem.cure);
  }
  assert.equal(state.trouble(session(), update(), "live"), null);
});

test("the scale is the same for a whole plan and leaves room above the band", () => {
  assert.equal(gauge.scaleTop(session()), 100);
  assert.equal(gauge.scaleTop(session({ band: null, phase: PHASES[0] })), 100);
  assert.equal(gauge.scaleTop(session({ plan: { phases: [{ band: [20, 30] }] }, band: [20, 30] })), 40);
  assert.equal(gauge.scaleTop(session({ plan: null, band: null })), 110);
});

test("a contraction is announced five seconds ahead", () => {
  const now = session({
    phase: PHASES[0],
    band: null,
    next: PHASES[1],
    plan: { title: "Response check", index: 0, phases: PHASES },
  });
  assert.equal(gauge.gaugeView(now, update({ bandState: 0, percent: [3], remainingS: 12 }), null).word, "Relaxed");
  assert.equal(gauge.gaugeView(now, update({ bandState: 0, percent: [40], remainingS: 12 }), null).word, "Let the effort fall");
  assert.equal(gauge.gaugeView(now, update({ bandState: 0, remainingS: 4.2 }), null).word, "Contract in 5");
  assert.deepEqual(gauge.gaugeView(now, update({ bandState: 0 }), null).ghost, [60, 80]);
  assert.equal(state.nextText(now), "Then: contract 60–80 %, 20 s");
  assert.equal(state.nextText(session()), "Then: finished");
});

test("what to do now, in every step of finding the maximum", () => {
  for (const [step, now] of [
    ["idle", "Attempt 2 of 3"],
    ["countdown", "Get ready"],
    ["push", "Push: build up to all you can"],
    ["rest", "Come out and rest"],
  ]) {
    const told = state.instruction(session({ stage: "maximum", maximum: { step, number: 2, n_needed: 3, attempts: [] } }));
    assert.equal(told.now, now);
  }
});

test("practice is announced as practice, and a graded push ends with coming out", () => {
  const care = { graded: true, next_practice: 50, practising: null };
  const maximum = { step: "idle", number: 1, n_needed: 3, attempts: [], care };
  assert.equal(state.instruction(session({ stage: "maximum", maximum })).now, "Practice push: half");
  const announced = (settled) =>
    session({ stage: "maximum", maximum: { ...maximum, care: { ...care, next_practice: null }, verdict: { state: settled } } });
  assert.match(state.instruction(announced("unsettled")).more, /^Stay out of the stretch/);
  assert.equal(state.instruction(announced("accepted")).now, "Maximum found");
  assert.match(state.instruction(announced("more")).more, /^Go into the stretch/);
  const ended = (graded) => {
    const seat = { ran: "maximum", isRunning: false };
    return Seat.prototype.endOf.call(seat, session({ stage: "maximum", maximum: { step: "rest", care: { graded } } }));
  };
  assert.equal(ended(true), "rest");
  assert.equal(ended(false), "relax");
});

test("a contraction by feeling says how much, and shows no percentage", () => {
  const felt = { ...PHASES[1], band: null, felt: 2 };
  const plan = { title: "By feeling", index: 1, phases: [PHASES[0], felt] };
  const channels = [{ name: "force", kind: "force", unit: "N", calibrated: false, guide: true, problem: null }];
  const now = session({ phase: felt, band: null, plan, channels });
  assert.equal(state.instruction(now).now, "Contract felt 2 of 10");
  assert.match(state.instruction(now).more, /^Count aloud\. Part 2 of 2/);
  const view = gauge.gaugeView(now, update({ percent: [NaN], bandState: 0, remainingS: 7.2 }), null);
  assert.deepEqual([view.mode, view.number, view.unit, view.word], ["timer", "8", "s", "Felt 2 of 10"]);
  assert.equal(wordsOfCue("contract", now).text, "Contract, felt 2 of 10");
  const before = session({ phase: PHASES[0], next: felt, band: null, plan: { ...plan, index: 0 }, channels });
  assert.match(state.nextText(before), /^Then: contract felt 2 of 10/);
});

test("stop matters exactly while there is effort", () => {
  assert.equal(state.isRunning(session()), true);
  for (const step of ["countdown", "push"]) assert.equal(state.isRunning(session({ stage: "maximum", maximum: { step } })), true);
  for (const step of ["idle", "rest", "accepted"])
    assert.equal(state.isRunning(session({ stage: "maximum", maximum: { step } })), false);
  assert.equal(state.isRunning(session({ stage: "done" })), false);
  assert.equal(state.isRunning(null), false);
});

test("other calibrated channels are told beside the one that guides", () => {
  const emg = { ...CHANNEL, name: "emg", kind: "emg", guide: false };
  const now = session({
    channels: [CHANNEL, emg, { ...emg, name: "knee", kind: "position" }, { ...emg, name: "emg2", calibrated: false }],
  });
  const news = update({ percent: [71, 63.6, 5, NaN] });
  assert.deepEqual(gauge.otherEfforts(now, news, gauge.gaugeView(now, news, null)), ["emg 64 %"]);
  const lost = state.trouble(now, news, "silent");
  assert.deepEqual(gauge.otherEfforts(now, news, gauge.gaugeView(now, news, lost)), []);
});

test("phase spans come from the time left", () => {
  assert.deepEqual(state.phaseSpan(session(), update()), { index: 1, fromS: 20, toS: 40, band: [60, 80] });
  assert.equal(state.phaseSpan(session(), update({ remainingS: NaN })), null);
});

test("silence and lateness are noticed", () => {
  const link = new fresh.Freshness();
  assert.equal(link.at(0), "silent");
  link.hear(100);
  assert.equal(link.at(100 + fresh.SILENT_S - 0.05), "live");
  assert.equal(link.at(100 + fresh.SILENT_S + 0.05), "silent");
  link.ask(7, 100);
  for (let t = 100; t < 102; t += 0.02) {
    link.hear(t); // it keeps coming, but our question is not answered: what comes is old
    assert.equal(link.at(t), t - 100 > fresh.LATE_S ? "late" : "live");
  }
  assert.equal(link.answer(6), false);
  assert.equal(link.at(102), "late");
  assert.equal(link.answer(7), true);
  assert.equal(link.at(102), "live");
});

test("an attempt shows the force above rest, on a scale set by the best so far", () => {
  const ring = { end: 200, at: (level) => (level < 200 ? 10 : NaN) };
  const pushing = session({
    stage: "maximum",
    maximum: { step: "push", number: 2, unit: "N", attempts: [{ value: 400, accepted: true, rejected: null }] },
    feedback: true,
  });
  let followed = push.followPush(null, pushing, ring, 100);
  assert.deepEqual(followed, { number: 2, rest: 10, now: 0, best: 0 });
  followed = push.followPush(followed, pushing, { end: 201, at: () => 310 }, 100);
  assert.deepEqual(followed, { number: 2, rest: 10, now: 300, best: 300 });
  followed = push.followPush(followed, pushing, { end: 202, at: () => 210 }, 100);
  assert.deepEqual([followed.now, followed.best], [200, 300]);
  const view = gauge.gaugeView(pushing, update({ remainingS: 2.2 }), null, followed);
  assert.deepEqual([view.number, view.unit, view.word, view.ghost], ["200", "N", "Push: 3", [400]]);
  assert.ok(Math.abs(view.top - 460) < 1e-9);
  assert.equal(gauge.gaugeView({ ...pushing, feedback: false }, update({ remainingS: 2.2 }), null, followed).number, "3");
  assert.equal(push.followPush(followed, session(), ring, 100), null);
});

test("reconnecting is tried soon, and at least every second", () => {
  const waits = [0, 1, 2, 3, 4, 10, 100].map(fresh.reconnectDelayMs);
  assert.ok(waits[0] <= 200);
  assert.ok(Math.max(...waits) <= 1000);
  assert.deepEqual(
    waits,
    [...waits].sort((a, b) => a - b),
  );
});

test("on a broken link no old instruction stands in large letters above the one that counts", () => {
  const running = session();
  const silent = state.trouble(running, update(), "silent");
  assert.equal(state.instruction(running, state.trouble(running, update(), "live")).now, "Contract 60–80 %");
  assert.equal(state.instruction(running, silent).now, "Let go now");
  assert.equal(state.instruction(running, state.trouble(running, update(), "late")).now, "Go by feel");
  const idle = session({ stage: "maximum", phase: null, maximum: { step: "idle", number: 2, n_needed: 3, attempts: [] } });
  assert.equal(state.instruction(idle, silent).now, "Attempt 2 of 3"); // nobody pulls: nothing to let go of
});
