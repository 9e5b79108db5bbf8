import assert from "node:assert/strict";
import { test } from "node:test";

const locks = [];
globalThis.document = Object.assign(new EventTarget(), { hidden: false });
Object.defineProperty(globalThis, "navigator", { configurable: true, value: { wakeLock: { request: grant } } });

/** As a browser: granted a moment later, and let go of at release() or when the page is hidden. */
async function grant() {
  await new Promise((resolve) => setTimeout(resolve, 5));
  const lock = new EventTarget();
  lock.released = false;
  lock.release = async () => {
    lock.released = true;
    lock.dispatchEvent(new Event("release"));
  };
  locks.push(lock);
  return lock;
}

const held = () => locks.filter((lock) => !lock.released).length;
const moment = () => new Promise((resolve) => setTimeout(resolve, 20));

async function hide(hidden) {
  document.hidden = hidden;
  if (hidden) for (const lock of locks) await lock.release();
  document.dispatchEvent(new Event("visibilitychange"));
  await moment();
}

test("one lock during effort, none after it, however fast that follows", async () => {
  const { keepAwake } = await import("../../../biofeedback/web/static/shared/awake.js");
  keepAwake(true);
  keepAwake(true);
  await moment();
  assert.equal(held(), 1);
  keepAwake(false);
  assert.equal(held(), 0);
  keepAwake(true);
  keepAwake(false); // before it was granted
  await moment();
  assert.equal(held(), 0);
});

test("a phone that was locked during effort stays lit again once it is looked at", async () => {
  const { keepAwake } = await import("../../../biofeedback/web/static/shared/awake.js");
  keepAwake(true);
  await moment();
  await hide(true);
  assert.equal(held(), 0);
  await hide(false);
  assert.equal(held(), 1);
  keepAwake(false);
  await hide(false);
  assert.equal(held(), 0);
});

test("the first press tries for real, keeps nothing, and tells a refusal", async () => {
  const { awakeOutcome, tryAwake } = await import("../../../biofeedback/web/static/shared/awake.js");
  await tryAwake();
  assert.equal(awakeOutcome(), "given");
  assert.equal(held(), 0);
  const { request } = navigator.wakeLock;
  navigator.wakeLock.request = async () => {
    throw new Error("battery saver");
  };
  await tryAwake();
  assert.equal(awakeOutcome(), "refused");
  navigator.wakeLock.request = request;
});
