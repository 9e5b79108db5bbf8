import assert from "node:assert/strict";
import { test } from "node:test";

import * as cues from "../../../biofeedback/web/static/shared/cues.js";
import { notesOf } from "../../../biofeedback/web/static/shared/sound.js";

const CALM = {
  running: true,
  alarm: null,
  acted: false,
  phase: 1,
  kind: "contract",
  bandState: "none",
  lowPercent: 60,
  remainingS: NaN,
};

/** Plays a script of [seconds, changes] at 60 per second and returns the cues heard with their times. */
function listen(script, endS, first = {}, breathS = Infinity) {
  let memory = { ...cues.SILENCE, phase: 1, breathS };
  let now = { ...CALM, ...first };
  const heard = [];
  for (let k = 0; k < endS * 60; k++) {
    const nowS = k / 60;
    for (const [at, changes] of script) if (Math.abs(at - nowS) < 1 / 120) now = { ...now, ...changes };
    const [cue, next] = cues.chooseCue(memory, { ...now, nowS });
    memory = next;
    if (cue) heard.push([cue, Math.round(nowS * 100) / 100]);
  }
  return heard;
}

const names = (heard) => heard.map(([cue]) => cue);

test("silent in the band, but for counting aloud once", () => {
  assert.deepEqual(names(listen([[0, { bandState: "in" }]], 30, {}, 0)), ["breathe"]);
  assert.deepEqual(listen([[0, { bandState: "in" }]], 10, { kind: "passive" }, 0), []);
  const begun = listen([[1, { phase: 2, bandState: "in" }]], 30, { kind: "passive" }).slice(1);
  assert.deepEqual(begun, []);
  const contracting = listen([[1, { phase: 2, kind: "contract", bandState: "in" }]], 30, { kind: "passive" });
  assert.deepEqual(contracting, [
    ["contract", 1],
    ["breathe", 6],
  ]);
});

test("below and above repeat, each with its own cue, and stop when the band is reached", () => {
  const script = [
    [0, { bandState: "below" }],
    [2, { bandState: "in" }],
    [4, { bandState: "above" }],
    [5, { bandState: "in" }],
  ];
  assert.deepEqual(names(listen(script, 8)), ["below", "below", "below", "above", "above"]);
});

test("how hard a contraction felt is asked aloud once, after the instruction for what follows", () => {
  const over = { phase: 2, kind: "passive", effort: 1 };
  const heard = listen(
    [
      [1, over],
      [15, { phase: 3, kind: "rest" }], // still unanswered
      [25, { phase: 4, kind: "contract", effort: null }],
      [35, { phase: 5, kind: "passive", effort: 4 }],
    ],
    45,
    { effort: null },
  );
  assert.deepEqual(
    heard.filter(([cue]) => cue !== "breathe"),
    [
      ["passive", 1],
      ["effort", 1 + cues.EFFORT_AFTER_S],
      ["rest", 15],
      ["contract", 25],
      ["passive", 35],
      ["effort", 35 + cues.EFFORT_AFTER_S],
    ],
  );
  const state = { words: { effort: { question: "How hard did you contract, 0 to 10?" } } };
  assert.equal(cues.wordsOfCue("effort", state).text, "How hard did you contract, 0 to 10?");
  assert.ok(notesOf("effort").length);
});

test("the last seconds are counted before the question is asked", () => {
  const heard = listen(
    [
      [1, { phase: 2, kind: "passive", effort: 1, remainingS: 3.5 }],
      [2, { remainingS: 2.5 }],
    ],
    6,
    { effort: null },
  );
  assert.equal(heard.at(-1)[0], "effort");
});

test("out of the band is said in words only after it has lasted, and then rarely", () => {
  const heard = listen([[0, { bandState: "above" }]], 12).filter(([cue]) => cue === "say-above");
  assert.ok(heard[0][1] >= cues.LASTED_S);
  assert.ok(heard[1][1] - heard[0][1] >= cues.SAY_AGAIN_S);
  assert.equal(heard.length, 2);
});

test("the last three seconds are counted once each", () => {
  const script = Array.from({ length: 300 }, (_, k) => [k / 60, { remainingS: 5 - k / 60, bandState: "in" }]);
  assert.deepEqual(names(listen(script, 5)), ["tick-3", "tick-2", "tick-1"]);
});

test("a push is counted upwards aloud, a second each, and ends without a countdown", () => {
  const script = Array.from({ length: 360 }, (_, k) => [k / 60, { remainingS: 6 - k / 60, pushS: 6 }]);
  const heard = listen(script, 6, { kind: "push" });
  assert.deepEqual(names(heard), ["count-1", "count-2", "count-3", "count-4", "count-5"]);
  assert.ok(heard.every(([, at], k) => Math.abs(at - k - 1) < 0.05));
  const words = heard.map(([cue]) => cues.wordsOfCue(cue, null).text);
  assert.deepEqual(words, ["one", "two", "three, hold", "four", "five"]);
  assert.ok(notesOf("count-1").length); // without a voice there is a tick
  const own = { words: { count: ["eins", "zwei"] } };
  assert.equal(cues.wordsOfCue("count-2", own).text, "zwei");
  assert.equal(cues.wordsOfCue("count-9", own), null);
});

test("a hand squeeze is said by the table of phases", () => {
  const state = { words: { phase: { remote: { say: "Squeeze the hand, leave the stretch relaxed", short: "squeeze" } } } };
  assert.equal(cues.wordsOfCue("remote", state).text, "Squeeze the hand, leave the stretch relaxed");
  const ramp = { say: "Build up slowly", short: "build up", contracts: true };
  const own = { words: { phase: { ramp } }, phase: { kind: "ramp", band: [20, 30] } };
  assert.equal(cues.wordsOfCue("ramp", own).text, "Build up slowly, 20 to 30 percent"); // a kind that this page does not know
});

test("what is to be done is said at once when it changes, by its own kind", () => {
  const script = [
    [1, { phase: 2, kind: "passive", lowPercent: NaN }],
    [2, { phase: 3, kind: "rest" }],
    [3, { phase: 4, kind: "contract" }],
  ];
  assert.deepEqual(listen(script, 4), [
    ["passive", 1],
    ["rest", 2],
    ["contract", 3],
  ]);
});

test("a lost signal is told at once and repeats until somebody acts, for hours", () => {
  const heard = listen([[1, { alarm: "signal" }]], 100);
  assert.equal(heard[0][1], 1);
  assert.ok(heard.every(([cue], k) => cue === "alarm-signal" && (k === 0 || heard[k][1] - heard[k - 1][1] < cues.ALARM_S + 0.1)));
  assert.ok(heard.at(-1)[1] > 97);
  const acted = listen(
    [
      [1, { alarm: "signal" }],
      [4, { acted: true }],
    ],
    100,
  );
  assert.ok(acted.at(-1)[1] < 4.1);
});

test("a page that hears nothing more sounds on, more rarely after a while; lost again it is told again", () => {
  const heard = listen([[0, { alarm: "link" }]], 60).map(([, at]) => at);
  const gaps = heard.slice(1).map((at, k) => at - heard[k]);
  assert.ok(Math.max(...gaps.slice(0, 8)) < 2.1);
  assert.ok(Math.min(...gaps.slice(-2)) > 9.9 && heard.at(-1) > 48);
  const again = listen(
    [
      [0, { alarm: "link" }],
      [30, { alarm: null }],
      [31, { alarm: "link" }],
    ],
    34,
  );
  assert.deepEqual(
    again.filter(([, at]) => at >= 30).map(([, at]) => at),
    [31, 33],
  );
});

test("nothing sounds while nothing runs", () => {
  assert.deepEqual(listen([[0, { running: false, bandState: "above", alarm: "link" }]], 5), []);
});

test("to count aloud is said every five seconds in a hard hold, once in any other", () => {
  const hard = listen([[0, { bandState: "in", lowPercent: 80 }]], 16, { lowPercent: 80 }, 0);
  assert.deepEqual(names(hard).slice(0, 3), ["breathe", "breathe", "breathe"]);
  assert.ok(hard[1][1] - hard[0][1] >= cues.BREATHE_S - 0.01);
  assert.deepEqual(names(listen([[0, { bandState: "in", lowPercent: 60 }]], 16, {}, 0)), ["breathe"]);
});

test("pushing while relaxing is said in words at once", () => {
  const heard = listen([[1, { bandState: "pushing" }]], 4, { kind: "passive", lowPercent: NaN });
  assert.deepEqual(heard[0], ["say-pushing", 1]);
});

test("one table says every cue in words, stay or come out each time, an alarm above all", () => {
  const state = { phase: { kind: "contract", band: [60, 80] } };
  assert.equal(cues.wordsOfCue("contract", state).text, "Contract, 60 to 80 percent");
  assert.equal(cues.wordsOfCue("passive", state).text, "Relax, stay in the position");
  assert.equal(cues.wordsOfCue("rest", state).text, "Come out and rest");
  assert.equal(cues.wordsOfCue("below", state), null);
  const urgent = ["alarm-link", "alarm-signal", "stopped"].map((cue) => cues.wordsOfCue(cue, state).urgency);
  for (const cue of ["contract", "passive", "rest", "ask", "breathe", "tick-1"])
    assert.ok(Math.min(...urgent) > cues.wordsOfCue(cue, state).urgency, cue);
});

test("without a voice the tones of contract, relax and stay, come out, and the alarm differ", () => {
  const melodies = ["contract", "passive", "rest", "alarm-signal", "below", "above", "say-pushing", "ask"].map((cue) =>
    JSON.stringify(notesOf(cue).map(([hz]) => hz)),
  );
  assert.equal(new Set(melodies).size, melodies.length);
  assert.ok(!melodies.includes("[]"));
});

test("the first question of a plan says what is rated and what the ends mean, the others are short", () => {
  const scale = { aloud: "the stretch: 0 none, 10 the worst" };
  const asking = (id) => cues.wordsOfCue("ask", { ask: { id }, words: { scale } }).text;
  assert.equal(asking(1), "Rate now. The stretch: 0 none, 10 the worst");
  assert.equal(asking(2), "Rate now");
});
