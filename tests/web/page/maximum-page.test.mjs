// Zero and maximum on the page without a browser: what is asked, what can be pressed, what is told of an attempt.

import assert from "node:assert/strict";
import { test } from "node:test";

import { openPressed } from "./live-stand-in.mjs";
import { CHANNEL, maximum, session } from "./sessions.mjs";

const attempt = (number, value, changes = {}) => ({
  ...{ number, value, unit: "N", accepted: true, rejected: null, reason: "best 0.5 s" },
  ...changes,
});

test("while it zeroes nothing can be pressed, and what came of it is said for a second before the page goes on", async () => {
  const live = await openPressed(session({ stage: "zero" }));
  assert.equal(live.text("zero-channels"), "forceforce, Nnot zeroed yet");
  live.tell(session({ stage: "zero", zero: { state: "running", results: {} } }));
  assert.equal(live.$("zero").disabled, true);
  assert.equal(live.text("zero-status"), "Measuring: keep it still");
  const zero = { state: "done", results: { force: { level: 812.345, sd: 1.256 } } };
  live.tell(session({ stage: "maximum", zero }));
  const panel = live.page.querySelector("[data-for=zero]");
  assert.equal(panel.hidden, false);
  assert.equal(live.$("zero").disabled, false);
  assert.equal(live.text("zero-status"), "Zeroed");
  assert.equal(live.text("zero-channels"), "forceforce, Nzero at 812.35 N raw, noise 1.26 N");
  live.pass(900);
  assert.equal(panel.hidden, false);
  live.pass(300);
  assert.equal(panel.hidden, true);
  const bad = { ...CHANNEL, kind: "emg", unit: "uV", problem: { what: "no skin contact", cure: "press it on" } };
  live.tell(session({ stage: "zero", channels: [bad], exercise_notes: { Strap: "round the ankle" } }));
  assert.equal(live.text("zero-channels"), "forcemuscle activity, µVnot zeroed yetNo skin contact: press it on");
  assert.equal(live.text("exercise-notes"), "Strapround the ankle");
});

test("attempts are told with what they count, those to come by their number", async () => {
  const attempts = [attempt(1, 402.2), attempt(2, 91.26, { accepted: false, reason: "a spike" }), attempt(3, NaN)];
  attempts.push(attempt(4, 410, { rejected: "rejected by the coach" }));
  const live = await openPressed(session({ stage: "maximum", maximum: maximum({ attempts, n_needed: 5, number: 5 }) }));
  const rows = live.$("attempts").children;
  assert.deepEqual(
    rows.map((row) => [row.dataset.accepted, row.querySelector(".value").textContent]),
    [
      ["yes", "402 N"],
      ["no", "91.3 N"],
      ["yes", "no value"],
      ["no", "410 N"],
      ["todo", "Attempt 5"],
    ],
  );
  assert.deepEqual(
    rows.slice(0, 4).map((row) => row.querySelector(".why").textContent),
    ["counts: best 0.5 s", "does not count: a spike", "counts: best 0.5 s", "does not count: rejected by the coach"],
  );
  assert.deepEqual(
    rows.map((row) => row.querySelectorAll("button").length),
    [1, 0, 1, 0, 0],
  );
  live.press(rows[0].querySelector("button"));
  assert.deepEqual(live.sent(), [{ do: "reject_attempt", number: 1, reason: "rejected by the coach" }]);
  live.tell(session({ stage: "maximum", maximum: maximum({ attempts, step: "push" }) }));
  assert.equal(live.$("attempts").querySelectorAll("button").length, 0);
});

test("an attempt begins only when nothing else is under way; a maximum is used only when there is one", async () => {
  const live = await openPressed(session({ stage: "maximum" }));
  const good = [attempt(1, 400)];
  const sense = { what: "a number that no person gives", cure: "look at the scale" };
  for (const [changes, begin, use] of [
    [{}, true, false],
    [{ attempts: good }, true, true],
    [{ attempts: [attempt(1, 400, { accepted: false })] }, true, false],
    [{ attempts: [attempt(1, 400, { rejected: "by the coach" })] }, true, false],
    [{ attempts: good, step: "countdown" }, false, false],
    [{ attempts: good, step: "push" }, false, false],
    [{ attempts: good, step: "rest" }, false, true],
    [{ attempts: good, sense }, false, false],
    [{ attempts: good, care: { graded: true, closed: true, screened: false, ask_felt: null } }, false, true],
  ]) {
    live.tell(session({ stage: "maximum", maximum: maximum(changes) }));
    assert.deepEqual([!live.$("attempt").disabled, !live.$("accept-maximum").disabled], [begin, use], JSON.stringify(changes));
  }
});

test("the large button names the push that comes next, and is the second choice once there is a maximum", async () => {
  const live = await openPressed(session({ stage: "maximum" }));
  const accepted = { state: "accepted", text: "three agree" };
  const care = { graded: true, screened: false, ask_felt: null, next_practice: 50, closed: false };
  for (const [changes, text] of [
    [{}, "Start attempt 1"],
    [{ attempts: [attempt(1, 400)], number: 2 }, "Start attempt 2"],
    [{ attempts: [attempt(1, 400)], number: 2, step: "rest" }, "Attempt 2 after the rest"],
    [{ attempts: [attempt(1, 400)], number: 4, verdict: accepted }, "Start again with attempt 1"],
    [{ attempts: [], number: 1, verdict: accepted }, "Start attempt 1"],
    [{ care }, "Start practice push, felt 50 %"],
  ]) {
    live.tell(session({ stage: "maximum", maximum: maximum(changes) }));
    assert.equal(live.text("attempt"), text);
  }
  live.press("attempt");
  assert.deepEqual(live.sent(), [{ do: "practice", felt: 50 }]);
  const classes = () => ["attempt", "accept-maximum"].map((id) => live.$(id).className);
  assert.deepEqual(classes(), ["primary", "secondary"]);
  live.tell(session({ stage: "maximum", maximum: maximum({ verdict: accepted }) }));
  assert.deepEqual(classes(), ["secondary", "primary"]);
  assert.equal(live.text("verdict"), "Three agree");
});

test("how an attempt felt is asked above the attempts, with what was answered", async () => {
  const live = await openPressed(session({ stage: "maximum" }));
  const care = { graded: true, screened: false, ask_felt: 2, closed: false };
  live.tell(session({ stage: "maximum", maximum: maximum({ care, attempts: [attempt(1, 400)] }) }));
  assert.equal(live.$("attempts-panel").dataset.asking, "yes");
  assert.match(live.text("attempts"), /^How was attempt 2\?/);
  live.type("felt-discomfort", "3");
  live.press("felt-keep");
  live.type("felt-effort", "9");
  live.press("felt-sharp");
  live.press("felt-keep");
  const felt = { do: "attempt_felt", number: 2, discomfort: 3 };
  assert.deepEqual(live.sent(), [
    { ...felt, effort: null, sharp: false },
    { ...felt, effort: 9, sharp: true },
  ]);
  live.tell(session({ stage: "maximum", maximum: maximum({ care: { ...care, ask_felt: null } }) }));
  assert.equal(live.$("attempts-panel").dataset.asking, "no");
  const sense = { what: "9000 N is more than a person gives", cure: "look at the scale" };
  live.tell(session({ stage: "maximum", maximum: maximum({ care, sense }) }));
  assert.match(live.text("attempts"), /^9000 N is more than a person gives\. Look at the scale\.They are right/);
  live.press("trust-numbers");
  assert.deepEqual(live.sent(), [{ do: "trust_numbers" }]);
});

test("nobody pushes before the list is answered; who may not is offered what there is instead", async () => {
  const care = {
    graded: true,
    screened: null,
    ended: "",
    ask_felt: null,
    question: "Is any of this so?",
    list: ["a clot", "a hernia"],
  };
  const expect = { question: "What do you expect?", answers: { less: "less discomfort", same: "no change" }, said: "same" };
  const asked = { since: { utc: "", open: false, said: "", caution: "" }, expect, end: {}, refused: {}, range: { plans: [] } };
  const live = await openPressed(session({ stage: "maximum", asked, maximum: maximum({ care }) }));
  const isAsked = () => !live.page.querySelector("[data-for=asked]").hidden;
  assert.equal(isAsked(), true);
  assert.match(live.text("asked-first"), /Is any of this so\?a clota herniaNone of them/);
  live.press("care-none");
  live.press("care-yes");
  assert.deepEqual(live.sent(), [
    { do: "screening", applies: false },
    { do: "screening", applies: true },
  ]);
  const plans = [{ name: "light", title: "Light hold" }];
  live.tell(
    session({
      stage: "maximum",
      asked,
      maximum: maximum({ care: { ...care, screened: true, instead: "Hold lightly.", instead_plans: plans } }),
    }),
  );
  assert.equal(isAsked(), true);
  assert.match(live.text("asked-first"), /^No maximumHold lightly\.Start Light hold$/);
  live.press(live.$("asked-first").querySelector("button"));
  assert.deepEqual(live.sent(), [{ do: "start_plan", plan: "light" }]);
  live.tell(session({ stage: "maximum", asked, maximum: maximum({ care: { ...care, screened: false } }) }));
  assert.equal(isAsked(), false);
  live.tell(session({ stage: "ready", asked, maximum: maximum({ care }) }));
  assert.match(live.text("asked-before"), /Is any of this so\?.*What do you expect\?Less discomfortNo change$/);
  assert.deepEqual(
    ["expect-less", "expect-same"].map((id) => live.$(id).getAttribute("aria-pressed")),
    ["false", "true"],
  );
  live.press("expect-less");
  assert.deepEqual(live.sent(), [{ do: "expect", expects: "less" }]);
  live.tell(session({ stage: "ready", asked, maximum: maximum({ care: { ...care, screened: false } }) }));
  assert.doesNotMatch(live.text("asked-before"), /Is any of this so/);
});

test("how it was after the last time is asked first of all, and answered with what was ticked", async () => {
  const since = { utc: "2026-11-20T18:00:00+00:00", open: true, said: "", caution: "" };
  const expect = { question: "What do you expect?", answers: {}, said: "" };
  const asked = { since, expect, end: { said: "", caution: "" }, refused: {}, range: { wanted: false, plans: [] } };
  const live = await openPressed(session({ stage: "zero", asked }));
  assert.match(live.text("asked-early"), /^After the last time, 20 November 2026Over the next day/);
  live.press("since-well");
  live.type("since-soreness", "4");
  live.press("since-pain");
  live.press("since-keep");
  assert.deepEqual(live.sent(), [
    { do: "aftermath", when: "next", soreness: 0, new_pain: false },
    { do: "aftermath", when: "next", soreness: 4, new_pain: true },
  ]);
  live.tell(session({ stage: "maximum", asked }));
  assert.equal(live.page.querySelector("[data-for=asked]").hidden, false);
  const answered = { ...asked, since: { ...since, open: false, said: "sore 4", caution: "Go easy." } };
  live.tell(session({ stage: "zero", asked: answered }));
  assert.match(live.text("asked-early"), /^After the last time, 20 November 2026: sore 4\. Answer again/);
  assert.match(live.text("asked-early"), /Go easy\.$/);
});

test("after a plan it is asked how it is, what was expected is said, and the range is wanted again", async () => {
  const since = { utc: "", open: false, said: "", caution: "" };
  const expect = { question: "", answers: { less: "less discomfort" }, said: "less" };
  const range = { wanted: true, plans: [], places: ["the wall"], readings: [{ when: "before", at: "the wall" }] };
  const asked = { since, expect, end: { said: "", caution: "" }, refused: {}, range };
  const live = await openPressed(session({ stage: "done", asked, plan_ran: true }));
  assert.match(live.text("asked-after"), /^Expected beforehand: less discomfort\.How it is nowWalk a few steps/);
  assert.match(live.text("asked-after"), /Now read the range again, in the same way, at the wall\.$/);
  live.press("end-well");
  live.press("end-numbness");
  live.press("end-limp");
  live.press("end-keep");
  const end = { do: "aftermath", when: "end" };
  assert.deepEqual(live.sent(), [
    { ...end, numbness: false, new_pain: false, walks_normally: true },
    { ...end, numbness: true, new_pain: false, walks_normally: false },
  ]);
  live.tell(session({ stage: "done", asked, plan_ran: false }));
  assert.equal(live.text("asked-after"), "");
});
