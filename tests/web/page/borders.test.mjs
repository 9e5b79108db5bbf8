// Every bound of what is heard, said and believed, one step before it and on it.

import assert from "node:assert/strict";
import { test } from "node:test";

import { SILENCE, chooseCue, wordsOfCue } from "../../../biofeedback/web/static/shared/cues.js";
import { Complaint } from "../../../biofeedback/web/static/shared/complaint.js";
import { Freshness, reconnectDelayMs } from "../../../biofeedback/web/static/shared/freshness.js";
import { PushWatch } from "../../../biofeedback/web/static/shared/push-watch.js";
import {
  aimText,
  bandText,
  clockText,
  durationText,
  levelText,
  percentText,
  sentence,
  timeText,
  unitText,
} from "../../../biofeedback/web/static/shared/text.js";

const NOW = {
  ...{ running: true, alarm: null, acted: false, phase: 1, kind: "contract", bandState: "in", lowPercent: 60 },
  ...{ remainingS: NaN, nowS: 100 },
};
const HEARD = { ...SILENCE, phase: 1, breathS: Infinity };

/** The cue of one moment, after what was heard before. */
const cueOf = (now, heard = {}) => chooseCue({ ...HEARD, ...heard }, { ...NOW, ...now })[0];
/** What is remembered of it. */
const memoryOf = (now, heard = {}) => chooseCue({ ...HEARD, ...heard }, { ...NOW, ...now })[1];

test("below and above sound again after nine tenths of a second, another of the two after three tenths", () => {
  for (const cue of ["below", "above"]) {
    const since = { cue, sinceS: 99 };
    assert.equal(cueOf({ bandState: cue }, { ...since, atS: 99.11 }), null);
    assert.equal(cueOf({ bandState: cue }, { ...since, atS: 99.1 }), cue);
    const other = cue === "below" ? "above" : "below";
    assert.equal(cueOf({ bandState: other }, { ...since, atS: 99.71 }), null);
    assert.equal(cueOf({ bandState: other }, { ...since, atS: 99.69 }), other);
  }
});

test("out of the band is said in words after two and a half seconds, and again after five", () => {
  const out = { cue: "below", atS: 0 };
  assert.equal(cueOf({ bandState: "below" }, { ...out, sinceS: 97.51 }), "below");
  assert.equal(cueOf({ bandState: "below" }, { ...out, sinceS: 97.5 }), "say-below");
  assert.equal(cueOf({ bandState: "below" }, { ...out, sinceS: 90, saidS: 95.01 }), "below");
  assert.equal(cueOf({ bandState: "below" }, { ...out, sinceS: 90, saidS: 95 }), "say-below");
  assert.equal(cueOf({ bandState: "above" }, { ...out, sinceS: 90 }), "above", "since it is above, not since it was below");
  assert.equal(memoryOf({ bandState: "above" }, { ...out, sinceS: 90 }).sinceS, 100);
  assert.equal(memoryOf({ bandState: "below" }, { ...out, sinceS: 90 }).sinceS, 90);
  assert.ok(Number.isNaN(memoryOf({ bandState: "in" }, { ...out, sinceS: 90 }).sinceS));
  assert.deepEqual(
    ["atS", "saidS"].map((name) => memoryOf({ bandState: "below" }, { ...out, sinceS: 90 })[name]),
    [100, 100],
  );
});

test("pushing is said at once, and again after five seconds", () => {
  const relaxing = { kind: "passive", bandState: "pushing", lowPercent: NaN };
  assert.equal(cueOf(relaxing), "say-pushing");
  assert.equal(cueOf(relaxing, { cue: "pushing", atS: 0, sinceS: 90, saidS: 95.01 }), "pushing");
  assert.equal(cueOf(relaxing, { cue: "pushing", atS: 0, sinceS: 90, saidS: 95 }), "say-pushing");
});

test("to count aloud is said after five seconds, again only in a hard hold or where it is always told", () => {
  for (const kind of ["contract", "remote"]) {
    assert.equal(cueOf({ kind }, { breathS: 95.01 }), null);
    assert.equal(cueOf({ kind }, { breathS: 95 }), "breathe");
  }
  assert.equal(cueOf({ kind: "passive" }, { breathS: 0 }), null);
  assert.equal(memoryOf({}, { breathS: 0 }).breathS, Infinity);
  assert.equal(memoryOf({ lowPercent: 79.9 }, { breathS: 0 }).breathS, Infinity);
  assert.equal(memoryOf({ lowPercent: 80 }, { breathS: 0 }).breathS, 100);
  assert.equal(memoryOf({ breathes: true }, { breathS: 0 }).breathS, 100);
  const out = { breathes: true, bandState: "below" };
  assert.equal(cueOf(out, { cue: "below", atS: 99.9, sinceS: 99, breathS: 90.01 }), null);
  assert.equal(cueOf(out, { cue: "below", atS: 99.9, sinceS: 99, breathS: 90 }), "breathe");
  assert.equal(memoryOf(out, { cue: "below", atS: 99.9, sinceS: 99, breathS: 90 }).breathS, 100);
  assert.equal(cueOf({ ...out, breathes: false }, { cue: "below", atS: 99.9, sinceS: 99, breathS: 0 }), null);
});

test("an alarm sounds every two seconds; a broken link every ten after twenty; one that is answered is quiet", () => {
  for (const alarm of ["link", "signal", "paused"]) {
    const cue = `alarm-${alarm}`;
    assert.equal(cueOf({ alarm }, { atS: 99.9 }), cue, "at once, whatever sounded before");
    assert.equal(memoryOf({ alarm }).sinceS, 100);
    assert.equal(cueOf({ alarm }, { cue, sinceS: 90, atS: 98.01 }), null);
    assert.equal(cueOf({ alarm }, { cue, sinceS: 90, atS: 98 }), cue);
    assert.equal(memoryOf({ alarm }, { cue, sinceS: 90, atS: 98 }).sinceS, 90);
    assert.equal(cueOf({ alarm, acted: true }, { cue, sinceS: 90, atS: 0 }), null);
    assert.equal(
      cueOf({ alarm, acted: true }, { cue: "alarm-other", sinceS: 90, atS: 0 }),
      cue,
      "another alarm than was answered",
    );
    assert.equal(cueOf({ alarm }, { cue, sinceS: 80, atS: 98 }), cue);
    assert.equal(cueOf({ alarm }, { cue, sinceS: 79.9, atS: 98 }), alarm === "link" ? null : cue);
    assert.equal(cueOf({ alarm }, { cue, sinceS: 10, atS: 90.01 }), alarm === "link" ? null : cue);
    assert.equal(cueOf({ alarm }, { cue, sinceS: 10, atS: 90 }), cue);
    assert.equal(cueOf({ alarm, running: false }), null);
    const over = memoryOf({ bandState: "below" }, { cue, sinceS: 90, atS: 90 });
    assert.deepEqual([over.cue, over.atS], [null, 100], "what guides begins anew after an alarm");
  }
});

test("how hard it felt is asked three seconds after the instruction, once for each contraction", () => {
  const asked = { kind: "passive", effort: 4 };
  assert.equal(cueOf(asked, { atS: 97.01 }), null);
  assert.equal(cueOf(asked, { atS: 97 }), "effort");
  assert.equal(cueOf(asked, { atS: 0, effort: 4 }), null);
  assert.equal(memoryOf(asked, { atS: 97 }).effort, 4);
  assert.equal(memoryOf(asked, { atS: 97 }).atS, 100);
  assert.equal(cueOf({ ...asked, effort: null }, { atS: 0 }), null);
  assert.equal(memoryOf({ ...asked, phase: 2 }, { effort: 4 }).effort, 4, "it is not forgotten with the phase");
});

test("the last three seconds are counted when they begin, a push upwards instead", () => {
  const tick = (remainingS, second, more = {}) => cueOf({ remainingS, ...more }, { second });
  assert.deepEqual(
    [tick(3.1, 5), tick(3, 4), tick(2.01, 4), tick(2, 3), tick(0.01, 2), tick(0, 1)],
    [null, "tick-3", "tick-3", "tick-2", "tick-1", null],
  );
  assert.equal(tick(2, 2), null, "once each");
  assert.equal(tick(2, null), null, "not when it is only now known");
  assert.equal(tick(NaN, 3), null);
  assert.equal(tick(5, 6, { pushS: 6 }), "count-1");
  assert.equal(tick(1, 2, { pushS: 6 }), "count-5");
  assert.equal(tick(6, 7, { pushS: 6 }), null);
  assert.equal(memoryOf({ remainingS: 2.4 }).second, 3);
  assert.equal(memoryOf({ remainingS: NaN }, { second: 3 }).second, null);
});

test("a new phase is told by its kind and a new part by its own; what was heard before begins anew", () => {
  const [cue, begun] = chooseCue({ ...HEARD, cue: "below", saidS: 99, second: 3 }, { ...NOW, phase: 2, part: "blind" });
  assert.equal(cue, "contract");
  assert.deepEqual(begun, { ...SILENCE, phase: 2, part: "blind", effort: undefined, atS: 100, breathS: 100 });
  const part = (was, is) => cueOf({ part: is }, { part: was });
  assert.equal(part("", "blind"), "blind");
  assert.equal(part("step:0:20:30", "blind"), "blind");
  assert.equal(part("step:0:20:30", "step:1:40:50"), "step:1:40:50");
  assert.equal(part("blind", "step:1:40:50"), "seen");
  assert.equal(part("blind", ""), "seen");
  assert.equal(part("step:0:20:30", ""), null);
  const next = memoryOf({ part: "blind" }, { part: "", cue: "below", atS: 0 });
  assert.deepEqual([next.part, next.cue, next.atS], ["blind", null, 100]);
  assert.deepEqual(memoryOf({ running: false, phase: 7 }, { cue: "below" }), { ...SILENCE, phase: 7 });
});

test("what is said for a cue", () => {
  const said = (cue, state = null) => wordsOfCue(cue, state)?.text ?? null;
  assert.equal(said("step:2:40:50"), "Now 40 to 50 percent");
  assert.equal(wordsOfCue("step:2:40:50", null).urgency, 1);
  assert.equal(said("count-1"), "one");
  assert.equal(said("count-5"), "five");
  assert.equal(said("count-6"), null);
  assert.equal(said("effort"), null, "no question, nothing said");
  assert.equal(said("ask", { ask: { id: 1 }, words: { scale: { aloud: "" } } }), "Rate now");
  assert.equal(said("contract", { phase: { band: [60, 80] } }), "Contract, 60 to 80 percent");
  assert.equal(said("passive", { phase: { band: [60, 80] } }), "Relax, stay in the position");
  assert.equal(said("contract", { phase: {} }), "Contract");
  assert.equal(wordsOfCue("tick-1", null).urgency, 0);
});

test("a question unanswered for six tenths of a second is late, nothing for eight tenths is silence", () => {
  const link = new Freshness();
  assert.equal(link.at(-1e9), "silent");
  link.hear(0);
  assert.equal(link.at(0.8), "live");
  assert.equal(link.at(0.81), "silent");
  link.ask(0, 0);
  assert.equal(link.at(0.6), "live");
  assert.equal(link.at(0.61), "late");
  assert.equal(link.answer(1), false);
  assert.equal(link.answer(0), true);
  assert.equal(link.at(0.61), "live");
  link.ask(5, 0);
  link.reset();
  assert.deepEqual([link.at(0), link.question], ["silent", null]);
});

test("the first tries to reconnect come soon, each after twice as long, then every second", () => {
  assert.deepEqual([0, 1, 2, 3, 20].map(reconnectDelayMs), [150, 300, 600, 1000, 1000]);
});

test("a refusal is said for eight seconds", () => {
  let nowMs = 1000;
  const { performance } = globalThis;
  Object.defineProperty(globalThis, "performance", { value: { now: () => nowMs }, configurable: true });
  try {
    const complaint = new Complaint();
    assert.equal(complaint.current, null);
    complaint.say("too fast", "wait");
    nowMs += 8000;
    assert.deepEqual(complaint.current, { what: "too fast", cure: "wait" });
    nowMs += 1;
    assert.equal(complaint.current, null);
    complaint.say("too fast", "wait");
    complaint.clear();
    assert.equal(complaint.current, null);
  } finally {
    Object.defineProperty(globalThis, "performance", { value: performance, configurable: true });
  }
});

test("pushing is more than ten for a second, after two to let go, until less than eight", () => {
  const state = { stage: "plan", phase: { index: 3, kind: "passive" }, channels: [{ guide: false }, { guide: true }] };
  const watch = new PushWatch();
  const take = (timeS, percent, now = state) => {
    watch.take(now, { timeS, percent: [99, percent] });
    return watch.isPushing;
  };
  take(100, 50);
  take(101.9, 50); // still letting go
  assert.equal(take(102, 50), false);
  assert.equal(take(102.9, 50), false);
  assert.equal(take(103, 50), true);
  assert.equal(take(103.5, 8.1), true);
  assert.equal(take(103.6, 8), false);
  assert.equal(take(103.7, 10), false);
  assert.equal(take(110, 10), false, "ten is not more than ten");
  assert.equal(take(111, 10.1), false);
  assert.equal(take(112, 10.1), true);
  assert.equal(take(113, NaN), false, "what is not known is no push");
  take(114, 50);
  assert.equal(take(115, 50), true);
  assert.equal(take(115.1, 50, { ...state, phase: { index: 4, kind: "passive" } }), false, "another phase begins anew");
  for (const other of [{ ...state, stage: "ready" }, { ...state, phase: { index: 3, kind: "contract" } }, null]) {
    for (const timeS of [120, 123, 125]) assert.equal(take(timeS, 50, other), false);
  }
});

test("numbers and times as people read them, at their borders", () => {
  assert.deepEqual([59, 59.002, 0.0005, -3, 59.0005].map(timeText), ["59", "1:00", "0", "0", "59"]);
  assert.deepEqual([0, 0.2, 59.2, 60, 61, 605].map(clockText), ["0:00", "0:01", "1:00", "1:00", "1:01", "10:05"]);
  assert.deepEqual([0.4, 59.4, 59.6, 60, 61, 220].map(durationText), [
    "0 s",
    "59 s",
    "1 min",
    "1 min",
    "1 min 1 s",
    "3 min 40 s",
  ]);
  assert.deepEqual([100, 99.94, 10, 9.994, -0.5, -250.4].map(levelText), ["100", "99.9", "10.0", "9.99", "−0.50", "−250"]);
  assert.deepEqual([levelText(NaN), levelText(Infinity)], ["–", "–"]);
  assert.deepEqual([-0.5, -0.51, 0.5].map(percentText), ["0", "−1", "1"]);
  assert.deepEqual(["uV", "N", "mV"].map(unitText), ["µV", "N", "mV"]);
  assert.deepEqual([null, undefined, "", "so", "so.", "why?", "go!"].map(sentence), ["", "", "", "So.", "So.", "Why?", "Go!"]);
  assert.deepEqual([bandText(null), bandText([22.5, 30])], ["", "22.5–30 %"]);
  assert.deepEqual(
    [aimText(null), aimText({ felt: 0 }), aimText({ felt: null, band: [20, 30] }), aimText({ band: [20, 30] })],
    ["", "felt 0 of 10", "20–30 %", "20–30 %"],
  );
});
