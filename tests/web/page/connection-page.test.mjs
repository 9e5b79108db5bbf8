// A page whose connection fails, without a browser: when it is told, how often it tries, when it is led elsewhere.

import assert from "node:assert/strict";
import { test } from "node:test";

import { COACH, openLive } from "./live-stand-in.mjs";
import { openPage, settle } from "./page-stand-in.mjs";
import { holding, session } from "./sessions.mjs";

const fail = (live, ms) => {
  live.socket.onclose({ code: 1006 });
  live.pass(ms);
};

test("a program that does not answer is told after four tries, asked whether one is welcome, and tried every second", async () => {
  const live = await openPage("live", { path: "/coach", search: "?seat=2", fetches: { "/coach": "here" } });
  assert.equal(live.socket.address, "ws://here/ws?seat=2");
  const said = () => live.$("banner-what").seen;
  for (const [tries, waitMs] of [
    [1, 150],
    [2, 300],
    [3, 600],
  ]) {
    const n = live.sockets.length;
    fail(live, waitMs - 20);
    assert.equal(live.sockets.length, n, String(tries));
    live.pass(40);
    assert.equal(live.sockets.length, n + 1, String(tries));
    assert.equal(said(), "Connecting to the session.");
  }
  assert.deepEqual(live.asked, []);
  fail(live, 1020);
  assert.equal(said(), "The program does not answer.");
  await settle();
  assert.deepEqual(
    live.asked.map(({ address, redirect }) => [address, redirect]),
    [["/coach?seat=2", "manual"]],
  );
  assert.deepEqual(live.led, []);
  for (let k = 0; k < 4; k++) fail(live, 1020);
  await settle();
  assert.equal(live.asked.length, 2);
  live.hear({ you: COACH });
  live.hear({ state: session(), revision: 1 });
  fail(live, 130);
  const n = live.sockets.length;
  live.pass(40);
  assert.equal(live.sockets.length, n + 1); // after an answer it begins to count anew
});

test("who does not belong here any more is led elsewhere, by the server's word or by its door", async () => {
  const live = await openLive();
  live.socket.onclose({ code: 1008 }); // policy violation, RFC 6455 section 7.4.1
  assert.deepEqual(live.led, ["reload"]);
  const other = await openPage("live", { path: "/coach" });
  globalThis.fetch = async () => ({ type: "opaqueredirect" });
  for (const ms of [200, 350, 700, 1100]) fail(other, ms);
  await settle();
  assert.deepEqual(other.led, ["reload"]);
});

test("a connection that brings nothing for a second and a half is replaced, and an old one is not listened to", async () => {
  const live = await openPage("live", { path: "/coach" });
  live.pass(1400);
  assert.equal(live.sockets.length, 1);
  live.pass(200);
  assert.equal(live.sockets.length, 2);
  const [old] = live.sockets;
  old.onmessage({ data: JSON.stringify({ state: session({ athlete: "B07" }), revision: 1 }) });
  old.onclose({ code: 1006 });
  old.onopen();
  live.pass(20);
  assert.notEqual(live.$("athlete").seen, "B07");
  assert.equal(live.sockets.length, 2);
});

test("a silent connection is replaced by itself, a slow one told; a page that was hidden looks at once", async () => {
  const live = await openLive(holding());
  live.update({ percent: [70], level: 3000, bandState: 2, remainingS: 9 });
  live.pass(700);
  assert.equal(live.sockets.length, 1);
  live.pass(400);
  assert.equal(live.sockets.length, 2);
  assert.match(live.text("banner-what"), /disconnected/);
  const late = await openLive(holding());
  for (let k = 0; k < 12; k++) {
    late.update({ percent: [70], level: 3000 + k, bandState: 2, remainingS: 9 });
    late.pass(80); // numbers come, answers do not
  }
  assert.equal(late.text("banner-what"), "The number arrives late.");
  assert.equal(late.text("now"), "Go by feel");
  const hidden = await openLive(holding());
  hidden.update({ percent: [70], level: 3000 });
  hidden.page.hidden = true;
  const at = hidden.clock.ms;
  hidden.clock.due = []; // a hidden page sleeps
  hidden.pass(5000);
  hidden.page.hidden = false;
  hidden.fire(hidden.page, "visibilitychange");
  assert.equal(hidden.sockets.length, 2);
  assert.equal(hidden.clock.ms, at + 5000);
});
