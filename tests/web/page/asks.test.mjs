import assert from "node:assert/strict";
import test from "node:test";

import { askBanner } from "../../../biofeedback/web/static/shared/asks.js";

const ask = (more = {}) => ({ number: 3, device: 2, what: "to delete A01.hold for good", state: "waiting", left_s: 60, ...more });

test("the computer that records asks, with two answers and the time that is left", () => {
  const banner = askBanner([ask()], 0, 12.5);
  assert.equal(banner?.what, "Device 2 asks to delete A01.hold for good.");
  assert.match(banner.cure, /within 50 s/);
  assert.deepEqual(
    banner.actions?.map(({ command }) => command),
    [
      { do: "allow", ask: 3, yes: true },
      { do: "allow", ask: 3, yes: false },
    ],
  );
});

test("the device that asked is told that it waits, and that it was refused; another device nothing", () => {
  assert.match(askBanner([ask()], 2, 0)?.what ?? "", /asks for a yes/);
  assert.equal(askBanner([ask()], 2, 0)?.actions, undefined);
  assert.match(askBanner([ask({ state: "no" })], 2, 0)?.what ?? "", /Not allowed/);
  assert.equal(askBanner([ask()], 5, 0), null);
});

test("nothing is said when the time is over or it is settled", () => {
  assert.equal(askBanner([ask()], 0, 60), null);
  assert.equal(askBanner([ask({ state: "yes" })], 0, 0), null);
  assert.equal(askBanner([ask({ state: "no" })], 0, 0), null);
  assert.equal(askBanner([ask({ state: "yes" })], 2, 0), null);
  assert.equal(askBanner([], 0, 0), null);
});
