// Joining by a code, without a browser.

import assert from "node:assert/strict";
import { test } from "node:test";

import { openPage, settle } from "./page-stand-in.mjs";

const open = (pair, more = {}) => openPage("pair", { path: "/pair", fetches: { "/pair": pair }, ...more });
const refusal = { what: "the code is used up", cure: "ask for another one" };

test("a code that is typed is sent once, and leads where it belongs", async () => {
  const page = await open({ place: "/athlete" });
  page.press(page.$("pairing").querySelector("button"));
  page.type("code", "  ");
  page.press(page.$("pairing").querySelector("button"));
  assert.deepEqual(page.asked, []);
  page.type("code", "ABCD");
  page.press(page.$("pairing").querySelector("button"));
  await settle();
  assert.deepEqual(
    page.asked.map(({ address, method, body }) => [address, method, body]),
    [["/pair", "POST", "ABCD"]],
  );
  assert.deepEqual(page.led, ["/athlete"]);
});

test("a code in the address is used at once and does not stay in the history", async () => {
  const page = await open({ place: "/athlete" }, { hash: "#WXYZ" });
  await settle();
  assert.equal(page.asked[0].body, "WXYZ");
  assert.deepEqual(page.led, ["/pair", "/athlete"]);
});

test("a code that does not fit, and a session that is not there, are told", async () => {
  const page = await open(Object.assign(new Error("no"), refusal));
  page.type("code", "ABCD");
  page.press(page.$("pairing").querySelector("button"));
  await settle();
  assert.equal(page.$("told").textContent, "The code is used up; ask for another one.");
  assert.deepEqual(page.led, []);
  const gone = await openPage("pair", { path: "/pair" });
  gone.type("code", "ABCD");
  gone.press(gone.$("pairing").querySelector("button"));
  await settle();
  assert.match(gone.$("told").textContent, /does not answer/);
});
