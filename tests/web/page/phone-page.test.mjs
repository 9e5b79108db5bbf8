// The phone as angle sensor on a session's page, without a browser; the range that is read from it.

import assert from "node:assert/strict";
import { test } from "node:test";

import { COACH, openPressed } from "./live-stand-in.mjs";
import { settle } from "./page-stand-in.mjs";
import { ANGLE, LIMITS, PHONE, ready, openPhone } from "./phone-stand-in.mjs";
import { CHANNEL, holding, session } from "./sessions.mjs";

test("a phone measures the angle of a limb when asked to, sends what it feels, and stops when asked to", async () => {
  const live = await openPhone(ready({ ...PHONE, state: "off" }));
  assert.equal(live.shows("angle-panel"), true);
  assert.equal(live.text("angle-use"), "Use this phone's angle");
  assert.equal(live.shows("angle-zero"), false);
  live.press("angle-use");
  await settle();
  assert.equal(live.text("angle-use"), "Stop using this phone's angle");
  const [claim] = live.claims();
  assert.deepEqual([claim.on, claim.angle], [true, true]);
  assert.ok(claim.who.length > 8);
  live.move(0, 0, 9.81);
  live.wait(100);
  const [data] = live.sent().filter((each) => each.do === "phone_data" && each.gravity.length);
  assert.equal(data.who, claim.who);
  assert.deepEqual(data.gravity[0].slice(1), [0, 0, 9.81]);
  live.press("angle-use");
  await settle();
  assert.deepEqual(
    live.claims().map(({ on }) => on),
    [false],
  );
  assert.equal(live.text("angle-use"), "Use this phone's angle");
});

test("a session that forgot its phone is told again that it is there; one that has it is not", async () => {
  const live = await openPhone(ready(PHONE));
  live.press("angle-use");
  await settle();
  live.claims();
  live.tell(ready(PHONE, { limit: 7 }));
  assert.deepEqual(live.claims(), []);
  live.tell(ready({ ...PHONE, state: "off" }));
  assert.equal(live.claims().length, 1);
  const idle = await openPhone(ready({ ...PHONE, state: "off" }));
  idle.tell(ready({ ...PHONE, state: "off" }, { limit: 7 }));
  assert.deepEqual(idle.claims(), []); // it measures nothing
});

test("another phone takes the place of this one, which then says so and sends nothing more", async () => {
  const live = await openPhone(ready(PHONE));
  live.press("angle-use");
  await settle();
  live.wait(2000);
  live.claims();
  live.tell(ready({ ...PHONE, who: "another" }));
  live.wait(300);
  assert.deepEqual(
    live.claims().map(({ on }) => on),
    [false],
  );
  assert.match(live.text("angle-wrong"), /^another phone is the sensor of this seat/);
  assert.equal(live.text("angle-use"), "Use this phone's angle");
});

test("what is measured while there is no connection is a gap and no complaint; a phone that cannot be made one is", async () => {
  const live = await openPhone(ready(PHONE));
  live.press("angle-use");
  await settle();
  for (const { id } of live.socket.sent) live.hear({ reply: { id, ok: true, data: null } });
  const back = () => {
    live.pass(400);
    live.hear({ you: COACH });
    live.tell(ready(PHONE));
    live.wait(200);
    return live.shows("banner") ? live.text("banner-what") : "";
  };
  live.socket.onclose({ code: 1006 });
  live.pass(300);
  assert.equal(back(), "");
  live.socket.onclose({ code: 1006 });
  live.press("angle-use");
  live.press("angle-use");
  await settle();
  assert.equal(back(), "Not sent: this page is disconnected.");
});

test("a session without a sensor still watches the position", async () => {
  const live = await openPhone(ready(PHONE, { channels: [ANGLE], by_feel: true }));
  live.update({ percent: [0], strip: Array(50).fill([0]), levels: Array(50).fill([12]), level: 3000 });
  assert.equal(live.page.querySelector(".angle-now").textContent, "phone: 12.0° since it was switched on");
});

test("what keeps a device from measuring is said at once", async () => {
  const plain = await openPhone(ready(PHONE), { more: { window: { isSecureContext: false } } });
  plain.press("angle-use");
  await settle();
  assert.match(plain.text("angle-wrong"), /encrypted page/);
  assert.equal(plain.text("angle-use"), "Use this phone's angle");
});

test("zero is taken where the phone is; where it goes and what drift is stand beside it", async () => {
  const channels = [CHANNEL, { ...ANGLE, limits: LIMITS }];
  const live = await openPhone(ready(PHONE, { channels, exercise_notes: { Phone: "flat on the shin" } }));
  assert.equal(live.shows("angle-zero"), true);
  live.press("angle-zero");
  assert.deepEqual(live.sent(), [{ do: "zero_position" }]);
  assert.equal(live.text("angle-where"), "Where it goes: flat on the shin.");
  assert.equal(live.text("angle-limits"), "Drift is told from the start of the plan: drifted over 5°, lost over 10°.");
  live.tell(ready(PHONE));
  assert.match(live.text("angle-where"), /^Strap it flat/);
  assert.equal(live.text("angle-limits"), "");
});

test("only where a limb is can its angle be measured, and not during a hold or when all is over", async () => {
  const live = await openPhone(ready(PHONE));
  for (const [state, shown] of [
    [ready(PHONE), true],
    [ready(null), false],
    [holding(0, { phone: PHONE }), false],
    [session({ stage: "done", phone: PHONE }), false],
  ]) {
    live.tell(state);
    assert.equal(live.shows("angle-panel"), shown);
  }
  const coach = await openPressed(ready(PHONE));
  assert.equal(coach.shows("angle-panel"), false);
});

test("the angle is the mean of the last moments, above its zero where there is one, and drift is marked in a hold", async () => {
  const zero = { state: "done", results: { position_phone: { level: 0, sd: 0 } } };
  const channels = [CHANNEL, { ...ANGLE, limits: LIMITS }];
  const live = await openPhone(ready(PHONE, { channels }));
  const now = (degrees, raw = 40) =>
    live.update({ percent: [0, 0], strip: Array(50).fill([0, degrees]), levels: Array(50).fill([0, raw]), level: 3000 });
  const lines = () =>
    live.page.querySelectorAll(".angle-now").map((line) => (line.hidden ? null : [line.textContent, line.dataset.bad]));
  now(3.04);
  assert.deepEqual(lines()[0], ["phone: 40.0° since it was switched on", "false"]);
  live.tell(ready(PHONE, { channels, zero }));
  now(3.04);
  assert.deepEqual(new Set(lines().map(String)), new Set(["phone: 3.0°,false"]));
  const moved = Array(50).fill([0, 3]).fill([0, 8], 30);
  live.update({ percent: [0, 0], strip: moved, levels: moved, level: 3000 });
  assert.equal(lines()[0][0], "phone: 8.0°"); // the last 0.2 s alone
  for (const [index, degrees, words, bad] of [
    [0, 4, "phone: 4.0°", "false"],
    [0, 5, "phone: 5.0°, drifted: go back", "true"],
    [0, 10, "phone: 10.0°, lost: go back", "true"],
  ]) {
    live.tell(holding(index, { phone: PHONE, channels, zero }));
    now(degrees);
    assert.deepEqual(lines()[0], [words, bad]);
  }
  const rest = { index: 2, kind: "rest", title: "Rest", band: null };
  live.tell(holding(2, { phase: rest, phone: PHONE, channels, zero }));
  now(20);
  assert.deepEqual(lines()[0], ["phone: 20.0°", "false"]);
  live.tell(ready({ state: "silent", what: "nothing comes from the phone", cure: "look at it" }, { channels, zero }));
  now(3);
  assert.deepEqual(lines()[0], ["nothing comes from the phone: look at it", "true"]);
  live.tell(ready(PHONE, { channels, zero }));
  now(NaN);
  assert.equal(lines()[0][0], "phone: being moved, no angle");
  for (const state of ["off", "slider"]) {
    live.tell(ready({ ...PHONE, state }, { channels, zero }));
    now(3);
    assert.equal(lines()[0], null);
  }
});

test("the range is read from the phone's last half second, or typed, with how it was read", async () => {
  const zero = { state: "done", results: { position_phone: { level: 0, sd: 0 } } };
  const live = await openPhone(ready(PHONE, { zero }));
  assert.deepEqual([live.shows("range-panel"), live.shows("range-phone")], [true, true]);
  assert.equal(live.text("range-title"), "Range before the plan");
  const half = Array(100).fill([0, 90]).fill([0, 71.26], 50);
  live.update({ percent: [0, 0], strip: half, levels: half, level: 3000 });
  live.press("range-phone");
  live.type("range-at", "furthest tolerated");
  live.press("range-contracting");
  const keep = () => live.press(live.$("range-form").querySelector("[type=submit]"));
  live.type("range-value", " 35,57 ");
  live.type("range-method", "tape");
  keep();
  assert.equal(live.$("range-value").value, "");
  assert.match(live.text("range-said"), /^Kept\./);
  const range = { do: "range", when: "before", at: "first discomfort", contracting: false };
  assert.deepEqual(live.sent(), [
    { ...range, value: 71.3, unit: "deg", method: "phone" },
    { ...range, at: "furthest tolerated", contracting: true, value: 35.6, unit: "cm", method: "tape" },
  ]);
  for (const typed of ["", "far"]) {
    live.type("range-value", typed);
    keep();
    assert.equal(live.text("range-said"), "Type a number first.");
  }
  assert.deepEqual(live.sent(), []);
  live.type("range-method", "goniometer");
  live.type("range-value", "0");
  keep();
  assert.deepEqual(live.sent()[0], {
    ...range,
    at: "furthest tolerated",
    contracting: true,
    value: 0,
    unit: "deg",
    method: "goniometer",
  });
  live.tell(ready(PHONE));
  live.update({ percent: [0, 0], level: 3001 });
  live.press("range-phone");
  assert.match(live.text("range-said"), /^No angle yet/);
  live.tell(session({ stage: "done", phone: { ...PHONE, state: "off" }, ranges_when: "after" }));
  assert.equal(live.text("range-title"), "Range after the plan");
  assert.equal(live.shows("range-phone"), false);
  assert.equal(live.$("range-panel").closest("[data-for]").dataset.for, "done");
  live.tell(session({ stage: "zero" }));
  assert.equal(live.shows("range-panel"), false);
});
