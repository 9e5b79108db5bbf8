// One athlete's session as a page has it, without a page: what it keeps, where phases lay, what is due to be heard.

import assert from "node:assert/strict";
import { test } from "node:test";

import { Seat } from "../../../biofeedback/web/static/shared/seat.js";
import { PHASES, holding, maximum, session } from "./sessions.mjs";

globalThis.location = { search: "", pathname: "/", host: "here", protocol: "http:" };
globalThis.WebSocket = { OPEN: 1 };
let nowMs = 0;
performance.now = () => nowMs;

/** A seat that is connected, in this state; update(level, changes) is news of it. */
function newSeat(state = session()) {
  const told = [];
  const nothing = () => {};
  const seat = new Seat(1, { you: nothing, state: nothing, change: nothing, complain: (...words) => told.push(words) });
  Object.assign(seat.link, { everOpen: true, socket: { readyState: 1, send: nothing, close: nothing } });
  let revision = 0;
  const tell = (now) => seat.hearState(now, ++revision);
  const update = (level, changes = {}) => {
    nowMs = 10 * level;
    seat.link.freshness.hear(nowMs / 1000);
    const values = Float32Array.from([50]);
    seat.hearUpdate({
      ...{
        level,
        firstLevel: level,
        rows: 1,
        channels: 1,
        timeS: (level + 1) / 100,
        percent: [50],
        strip: values,
        levels: values,
      },
      ...{ bandState: 0, stale: false, remainingS: NaN, inBandS: 0, countedS: 0, revision, ...changes },
    });
    seat.listen(seat.look());
    return seat.takeCue();
  };
  tell(state);
  return { seat, told, tell, update };
}

test("phases lie where they were, each once; a new one ends the one before; another session has none of them", () => {
  const { seat, tell, update } = newSeat(holding(0));
  const spans = () => seat.spans.map(({ index, fromS, toS }) => [index, Math.round(fromS), Math.round(toS)]);
  update(500, { remainingS: 15 });
  update(600, { remainingS: 14 });
  assert.deepEqual(spans(), [[0, 0, 20]]);
  update(700, { remainingS: 99, revision: 99 }); // of a state that this page does not have
  assert.deepEqual(spans(), [[0, 0, 20]]);
  tell(holding(1, { phase: { ...PHASES[1], since_s: 12 } })); // ended by hand before its time
  update(1300, { remainingS: 19 });
  assert.deepEqual(spans(), [
    [0, 0, 12],
    [1, 12, 32],
  ]);
  tell(holding(1, { phase: { ...PHASES[1], since_s: 20 } })); // begun again
  update(2100, { remainingS: 19 });
  assert.deepEqual(spans(), [
    [0, 0, 12],
    [1, 12, 20],
    [1, 20, 40],
  ]);
  update(5, { remainingS: 19 });
  assert.equal(seat.spans.length, 1);
  assert.equal(seat.levelRings[0].end, 6);
});

test("what came is kept for the strip, channel by channel", () => {
  const { seat } = newSeat();
  const strip = Float32Array.from([1, 2, 3, 4]);
  const levels = Float32Array.from([10, 20, 30, 40]);
  seat.hearUpdate({
    level: 9,
    firstLevel: 8,
    rows: 2,
    channels: 2,
    timeS: 0.1,
    percent: [3, 4],
    strip,
    levels,
    revision: 0,
    remainingS: NaN,
  });
  const kept = (rings) => rings.map((ring) => [ring.at(8), ring.at(9)]);
  assert.deepEqual(
    [kept(seat.effortRings), kept(seat.levelRings)],
    [
      [
        [1, 3],
        [2, 4],
      ],
      [
        [10, 30],
        [20, 40],
      ],
    ],
  );
  assert.equal(seat.code, "A01");
  assert.equal(seat.levelRateHz, 100);
});

test("a question is heard once, whatever else is due, but for an alarm", () => {
  const { seat, tell, update } = newSeat(holding(0));
  update(100);
  const ask = (id) => ({ id, text: "Now?", said: null });
  tell(holding(0, { ask: ask(1) }));
  assert.equal(update(110), "ask");
  assert.equal(update(120), null);
  tell(holding(0, { ask: ask(2) }));
  assert.equal(update(130), "ask");
  tell(holding(1));
  assert.equal(update(140), "contract");
  tell(holding(1, { ask: ask(3) }));
  const cue = update(150, { stale: true });
  assert.match(cue, /^alarm-signal/);
  assert.equal(seat.takeCue(), null);
});

test("the end of a hold, of a push and of a stop are heard as what they are", () => {
  const push = maximum({ step: "push" });
  const graded = { graded: true, screened: false, ask_felt: null };
  for (const [before, after, cue] of [
    [holding(2), session({ stage: "done" }), "done"],
    [holding(1), session({ stage: "done", stopped: { reason: "by hand", why: "" } }), "stopped"],
    [session({ stage: "maximum", maximum: push }), session({ stage: "maximum", maximum: maximum({ step: "rest" }) }), "relax"],
    [
      session({ stage: "maximum", maximum: { ...push, care: graded } }),
      session({ stage: "maximum", maximum: maximum({ step: "rest", care: graded }) }),
      "rest",
    ],
  ]) {
    const { tell, update } = newSeat(before);
    update(100);
    tell(after);
    assert.equal(update(110), cue);
    assert.notEqual(update(120), cue);
  }
  const { update } = newSeat(session({ stage: "done" }));
  assert.equal(update(100), null); // nothing ran
});

test("who pressed Stop is asked why, until the next effort begins", () => {
  const { seat, tell, update } = newSeat(session({ stage: "ready" }));
  seat.stop("by hand");
  assert.equal(seat.pressedStop, false); // nothing runs
  tell(holding(1));
  update(100);
  seat.stop("by hand");
  assert.equal(seat.pressedStop, true);
  update(110);
  assert.equal(seat.pressedStop, true);
  tell(session({ stage: "done" }));
  update(120);
  assert.equal(seat.pressedStop, true);
  tell(holding(0));
  update(130);
  assert.equal(seat.pressedStop, false);
});

test("an answered alarm is silent, and a new one sounds again", () => {
  const { seat, update } = newSeat(holding(1));
  update(100);
  seat.act(); // nothing sounds: nothing is answered
  const alarms = (from, changes) => {
    const heard = [];
    for (let level = from; level < from + 900; level += 10) heard.push(update(level, changes));
    return heard.filter((cue) => cue?.startsWith("alarm")).length;
  };
  assert.ok(alarms(110, { stale: true }) > 2);
  seat.act();
  assert.equal(alarms(1010, { stale: true }), 0);
  alarms(1910, {});
  assert.ok(alarms(2810, { stale: true }) > 2);
});

test("breathing is told again and again where even the lower edge is hard, else once", () => {
  for (const [band, least, most] of [
    [[20, 90], 1, 1],
    [[80, 100], 3, 9],
  ]) {
    const phase = { ...PHASES[1], since_s: 0, duration_s: 60, band };
    const { update } = newSeat(holding(1, { phase, band }));
    const heard = [];
    for (let level = 0; level < 4000; level += 5) heard.push(update(level, { bandState: 2, percent: [85], remainingS: 50 }));
    const n = heard.filter((cue) => cue === "breathe").length;
    assert.ok(n >= least && n <= most, `${band}: ${n}`);
  }
});

test("what cannot be sent is complained of, and what is refused", () => {
  const { seat, told } = newSeat();
  assert.equal(seat.send({ do: "zero" }), true);
  assert.deepEqual(told, []);
  seat.hearReply({ ok: false, what: "not now", cure: "wait" });
  seat.link.socket = null;
  assert.equal(seat.send({ do: "zero" }), false);
  assert.deepEqual(
    told.map(([what]) => what),
    ["not now", "not sent: this page is disconnected"],
  );
});

test("the number is live although another channel is in trouble, and not without its own", () => {
  const { seat, tell, update } = newSeat(holding(1));
  update(100, { remainingS: 9 });
  assert.equal(seat.look().live, true);
  const [force] = session().channels;
  tell(holding(1, { channels: [force, { ...force, name: "emg", guide: false, problem: { what: "hum", cure: "" } }] }));
  assert.equal(seat.look().live, true);
  tell(holding(1, { channels: [{ ...force, problem: { what: "lost", cure: "" } }] }));
  assert.equal(seat.look().live, false);
});
