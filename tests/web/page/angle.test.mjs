// The phone as angle sensor, with a window and a clock of the test: what goes out, and what is told when nothing comes.

import assert from "node:assert/strict";
import { beforeEach, test } from "node:test";

import { AngleSensor, BATCH_MS } from "../../../biofeedback/web/static/phone/angle.js";

const READING = { x: 0, y: 0, z: 9.8 };
const EMPTY = { x: null, y: null, z: null }; // what chromium gives once the permission was taken back

let nowMs = 0;
let listeners = new Set(); // with the moment at which each began to listen
let givenMs = 0; // listeners from before the permission was given hear nothing but empty events
let sent = [];
let told = [];
let sensor;

performance.now = () => nowMs;
globalThis.document = Object.assign(new EventTarget(), { hidden: false });
globalThis.window = {
  isSecureContext: true,
  DeviceMotionEvent: class {},
  addEventListener: (kind, hear) => kind === "devicemotion" && listeners.add({ hear, sinceMs: nowMs }),
  removeEventListener: (kind, hear) => {
    listeners = new Set([...listeners].filter((one) => one.hear !== hear));
  },
  setInterval: () => 1,
};
globalThis.clearInterval = () => {};

/** Time passes, with a motion event for each batch or none. */
function pass(seconds, motion) {
  for (let k = 0; k < (seconds * 1000) / BATCH_MS; k++) {
    nowMs += BATCH_MS;
    for (const { hear, sinceMs } of motion ? [...listeners] : [])
      hear({ timeStamp: nowMs, accelerationIncludingGravity: sinceMs >= givenMs ? motion : EMPTY });
    sensor.flush();
  }
}

const readings = () => sent.filter(({ do: name }) => name === "phone_data").flatMap(({ gravity }) => gravity);
const claims = () => sent.filter(({ do: name }) => name === "phone_angle");

beforeEach(() => {
  [sent, told, listeners, givenMs] = [[], [], new Set(), 0];
  document.hidden = false;
  sensor = new AngleSensor(
    (message) => sent.push(message) > 0,
    (what, cure) => told.push(what && `${what}: ${cure}`),
  );
});

test("a reading with a hole in it is none, and no reading of gravity is none either", async () => {
  await sensor.start();
  for (const hole of [{ x: null }, { y: null }, { z: null }]) pass(0.3, { ...READING, ...hole });
  for (const { hear } of listeners) hear({ timeStamp: nowMs, accelerationIncludingGravity: null });
  sensor.flush();
  assert.deepEqual(readings(), []);
});

test("readings go out in batches, with a heartbeat when there are none", async () => {
  await sensor.start();
  pass(1, READING);
  assert.equal(readings().length, Math.ceil(1000 / BATCH_MS));
  const before = sent.length;
  pass(1, null);
  assert.ok(sent.length - before >= 3 && sent.length - before <= 5);
});

test("a permission taken back is told within a second, and readings return when it is given again", async () => {
  await sensor.start();
  pass(3, READING);
  const n = readings().length;
  givenMs = Infinity; // denied
  pass(1, READING);
  assert.match(told.at(-1), /no motion comes from this phone: allow motion for this page/);
  pass(5, READING);
  assert.equal(readings().length, n);
  assert.equal(listeners.size, 1); // however often it listened anew
  givenMs = nowMs; // granted: whoever listens from now on hears
  pass(1, READING);
  assert.ok(readings().length > n);
  assert.equal(told.at(-1), "");
});

test("a motion sensor that falls silent is told after two seconds, and listened for anew each half second", async () => {
  await sensor.start();
  pass(1, READING);
  told = [];
  pass(1.9, null);
  assert.deepEqual(told, []);
  pass(0.4, null);
  assert.match(told.at(-1), /no motion comes/);
  const began = new Set();
  for (let k = 0; k < 60; k++) {
    pass(BATCH_MS / 1000, null);
    began.add(Math.max(...[...listeners].map(({ sinceMs }) => sinceMs)));
  }
  const gaps = [...began].slice(1).map((ms, k) => ms - [...began][k]);
  assert.ok(gaps.length >= 3 && gaps.every((ms) => ms > 500 && ms <= 500 + BATCH_MS), String(gaps));
});

test("one reading a second is not told as none", async () => {
  await sensor.start();
  told = [];
  for (let k = 0; k < 10; k++) {
    pass(0.05, READING);
    pass(0.95, null);
  }
  assert.deepEqual(told, []);
});

test("in the background nothing is heard, and coming back is no trouble", async () => {
  await sensor.start();
  told = [];
  pass(1, READING);
  document.hidden = true;
  sensor.hide();
  pass(10, null);
  document.hidden = false;
  sensor.hide();
  pass(1, READING);
  assert.deepEqual(told, []);
});

test("the slider goes on without the angle, and the last of both ends it", async () => {
  await sensor.start();
  sensor.slide(true);
  sensor.stopAngle();
  assert.equal(claims().at(-1).on, true);
  assert.equal(claims().at(-1).angle, false);
  assert.equal(listeners.size, 0);
  sensor.slide(false);
  assert.equal(claims().at(-1).on, false);
  assert.ok(!sensor.on);
});

test("where another phone measures, this one gives way and says what to do", async () => {
  await sensor.start();
  sensor.yieldTo("other"); // the session has not answered the claim yet
  assert.ok(sensor.on);
  pass(1, READING);
  sensor.yieldTo(sensor.who);
  assert.ok(sensor.on);
  sensor.yieldTo("other");
  assert.ok(!sensor.on && !sensor.hasAngle && listeners.size === 0);
  assert.match(told.at(-1), /another phone is the sensor of this seat: switch its angle and slider off there/);
});

test("nothing is told of an unencrypted page but what is in the way", async () => {
  window.isSecureContext = false;
  await sensor.start();
  window.isSecureContext = true;
  assert.match(told.at(-1), /only to an encrypted page/);
  assert.deepEqual(sent, []);
});
