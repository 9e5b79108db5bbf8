// Small print of a hold without a browser: when a number is set smaller, what is read aloud, which keys are left alone.

import assert from "node:assert/strict";
import { test } from "node:test";

import { openPressed } from "./live-stand-in.mjs";
import { settle } from "./page-stand-in.mjs";
import { CHANNEL, PHASES, holding, maximum, session } from "./sessions.mjs";

test("seconds have their unit until there is a minute, and a longer time is set smaller", async () => {
  const live = await openPressed(holding());
  for (const [remainingS, time, unit, long] of [
    [9.5, "10", "s", "false"],
    [59.5, "1:00", "s", "true"],
    [60, "1:00", "", "true"],
    [5, "5", "s", "false"],
    [NaN, "–", "", "false"],
  ]) {
    live.update({ percent: [70], level: 3000, bandState: 2, remainingS });
    assert.deepEqual([live.text("time"), live.text("time-unit"), live.$("time").dataset.long], [time, unit, long]);
  }
});

test("words of more than twenty letters are set smaller", async () => {
  const live = await openPressed(holding());
  for (const [what, long] of [
    ["x".repeat(20), "false"],
    ["x".repeat(21), "true"],
  ]) {
    live.tell(holding(1, { channels: [{ ...CHANNEL, problem: { what, cure: "" } }] }));
    live.update({ percent: [70], level: 3000, remainingS: 9 });
    assert.equal(live.$("word").textContent.length, what.length);
    assert.equal(live.$("word").parentElement.dataset.long, long);
  }
});

test("the reading is told to a screen reader twice a second", async () => {
  const live = await openPressed(holding());
  const changes = [];
  let last = "";
  for (let k = 0; k < 150; k++) {
    live.update({ percent: [30 + (k % 60)], level: 3000 + k, bandState: 2, remainingS: 9 });
    live.wait(1);
    const spoken = live.$("number-line").getAttribute("aria-label");
    if (spoken !== last) changes.push(live.clock.ms);
    last = spoken;
  }
  assert.match(last, /^Effort \d+ percent of maximum\. Hold it here$/);
  const gaps = changes.slice(2).map((ms, k) => ms - changes[k + 1]);
  assert.ok(gaps.length >= 4 && gaps.every((ms) => ms > 450 && ms < 600), String(gaps));
});

test("keys that rate leave fields alone, count once while held, and take a half with a point or a comma", async () => {
  const live = await openPressed(holding(1, { ask: { id: 7, text: "Now?", said: null } }));
  live.key("5", { repeat: true });
  assert.equal(live.text("given"), "");
  for (const half of [".", ","]) {
    live.key("5");
    live.key(half);
    assert.equal(live.text("given"), "5.5 … +½ adds a half");
    live.key("Backspace");
    assert.equal(live.text("given"), "");
  }
  live.key("0");
  assert.equal(live.text("given"), "0 … +½ adds a half");
  live.key("Backspace");
  live.key("9");
  assert.equal(live.text("given"), "9 … +½ adds a half");
  live.key("Backspace");
  assert.equal(live.fire(live.page.body, "keydown", { key: "Enter" }), true); // nothing to confirm: a button's own
  assert.equal(live.fire(live.page.body, "keydown", { key: "ArrowUp" }), false);
  assert.equal(live.fire(live.page.body, "keydown", { key: "Enter" }), false);
  live.wait(100);
  assert.deepEqual(live.sent(), [{ do: "rate", value: 6, ask: 7 }]);
  live.fire(live.$("keys"), "keydown", { key: "ArrowUp" });
  live.fire(live.$("note"), "keydown", { key: "5" });
  live.fire(live.$("pedals"), "keydown", { key: "5" });
  assert.equal(live.text("given"), "");
});

test("the screen is kept lit while somebody holds, pushes or rests between two pushes, and let go after", async () => {
  const asked = [];
  const lock = { addEventListener() {}, release: async () => asked.push("release") };
  const navigator = { wakeLock: { request: async () => (asked.push("request"), lock) } };
  for (const [state, lit] of [
    [session({ stage: "ready" }), false],
    [session({ stage: "maximum" }), false],
    [session({ stage: "done", maximum: maximum({ step: "rest" }) }), false],
    [holding(), true],
    [session({ stage: "maximum", maximum: maximum({ step: "push" }) }), true],
    [session({ stage: "maximum", maximum: maximum({ step: "rest" }) }), true],
  ]) {
    const live = await openPressed(session(), { more: { navigator } });
    await settle();
    asked.length = 0;
    live.tell(state);
    await settle();
    assert.deepEqual(asked, lit ? ["request"] : []);
    live.tell(session({ stage: "done" }));
    await settle();
    assert.deepEqual(asked, lit ? ["request", "release"] : []);
  }
});

test("the athlete's small line says how a set to fatigue goes; the coach's has the share in the band", async () => {
  const phase = { ...PHASES[1], since_s: 0, until: "band lost" };
  const training = { expected_s: 14.2, lost_s: [], hard_s: 0, said: "" };
  const now = { percent: [70], level: 1005, bandState: 2, remainingS: 9, inBandS: 6, countedS: 8 };
  const athlete = await openPressed(holding(1, { phase, training }), { path: "/athlete" });
  athlete.update(now);
  assert.equal(athlete.text("share"), "10 of about 14 s. Count aloud.");
  athlete.tell(holding(1));
  athlete.update(now);
  assert.equal(athlete.text("share"), "in the band 75 % of the time");
  const coach = await openPressed(holding(1, { phase, training }));
  coach.update(now);
  assert.equal(coach.text("share"), "in the band 75 % of the time");
});

test("in a blind stretch the strip ends where it began", async () => {
  const phase = { ...PHASES[1], since_s: 0, blind: [[5, 15]] };
  const live = await openPressed(holding(1, { phase }));
  const rows = Array(1000).fill([70]);
  live.update({ percent: [70], strip: rows, levels: rows, level: 999, bandState: 2, remainingS: 10 });
  await settle();
  const marks = live.$("strip").context.marks;
  const frame = marks.slice(marks.findLastIndex(({ kind }) => kind === "clear"));
  const xs = frame
    .filter(({ kind, color }) => kind === "stroke" && color === "ink")
    .flatMap(({ paths }) => paths.flatMap(({ points }) => points.map(([x]) => x)));
  assert.ok(Math.abs(Math.max(...xs) - 400 * (1 - 5 / 30)) < 3, String(Math.max(...xs))); // 10 s of 30, 5 of them seen
  assert.equal(live.text("number"), "");
});
