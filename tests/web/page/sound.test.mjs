import assert from "node:assert/strict";
import { test } from "node:test";

import { LOST_S, REPEAT_S, chooseCue } from "../../../biofeedback/web/static/shared/sound.js";

const START = { cue: null, atS: -Infinity, second: null, phase: 1 };

/** Plays a script of [seconds, changes] at 60 per second and returns the cues heard with their times. */
function listen(script, endS) {
  let memory = START;
  let now = { bandState: "none", live: true, running: true, phase: 1, remainingS: NaN };
  const heard = [];
  for (let k = 0; k < endS * 60; k++) {
    const nowS = k / 60;
    for (const [at, changes] of script) if (Math.abs(at - nowS) < 1 / 120) now = { ...now, ...changes };
    const [cue, next] = chooseCue(memory, { ...now, nowS });
    memory = next;
    if (cue) heard.push([cue, Math.round(nowS * 100) / 100]);
  }
  return heard;
}

test("silent in the band", () => {
  assert.deepEqual(listen([[0, { bandState: "in" }]], 10), []);
});

test("below and above repeat, each with its own cue, and stop when the band is reached", () => {
  const heard = listen(
    [
      [0, { bandState: "below" }],
      [2, { bandState: "in" }],
      [4, { bandState: "above" }],
      [5, { bandState: "in" }],
    ],
    8,
  );
  assert.deepEqual(
    heard.map(([cue]) => cue),
    ["below", "below", "below", "above", "above"],
  );
  assert.ok(Math.abs(heard[1][1] - heard[0][1] - REPEAT_S) < 0.04);
});

test("a flickering state does not stutter", () => {
  const script = [];
  for (let k = 0; k < 60; k++) script.push([k / 30, { bandState: k % 2 ? "in" : "below" }]);
  const heard = listen(script, 2);
  for (let k = 1; k < heard.length; k++) assert.ok(heard[k][1] - heard[k - 1][1] > 0.29);
});

test("a new phase is announced once; its last three seconds are counted", () => {
  assert.deepEqual(listen([[1, { phase: 2 }]], 3), [["change", 1]]);
  const script = [];
  for (let k = 0; k <= 300; k++) script.push([k / 60, { remainingS: 5 - k / 60 }]);
  assert.deepEqual(
    listen(script, 6).map(([cue]) => cue),
    ["tick", "tick", "tick"],
  );
});

test("a signal that stays lost is told for a while, and again when it is lost anew", () => {
  const heard = listen(
    [
      [1, { live: false }],
      [60, { live: true }],
      [61, { live: false }],
    ],
    63,
  ).filter(([cue]) => cue === "lost");
  const times = heard.map(([, at]) => at);
  assert.equal(times[0], 1);
  assert.ok(times.filter((at) => at < 60).at(-1) <= 1 + LOST_S);
  assert.ok(times.some((at) => at >= 61));
});

test("a lost signal has its own cue, and nothing sounds when nothing runs", () => {
  assert.deepEqual(
    listen([[1, { live: false }]], 4).map(([cue]) => cue),
    ["lost", "lost"],
  );
  assert.deepEqual(listen([[0, { running: false, live: false, bandState: "above" }]], 4), []);
});
