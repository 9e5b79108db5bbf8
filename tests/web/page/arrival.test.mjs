// What stands in every page itself, for when the rest of it does not come: it is told, and tried again by itself.

import assert from "node:assert/strict";
import { readFile } from "node:fs/promises";
import { test } from "node:test";
import { runInThisContext } from "node:vm";

import { openPage, settle } from "./page-stand-in.mjs";

const SOURCE = await readFile(new URL("../../../biofeedback/web/static/shared/arrival.js", import.meta.url), "utf8");

class Script {}
class Sheet {}
const TITLED = "<html><body><main><h1 data-arriving>Connecting</h1><p>Wait.</p></main></body></html>";
const UNTITLED = "<html><body><main><p>Wait.</p></main></body></html>";

async function open({ html = TITLED, tries = null, loading = false, fetches = {} } = {}) {
  const global = { HTMLScriptElement: Script, HTMLLinkElement: Sheet };
  const page = await openPage("shared/", {
    html,
    fetches,
    more: { global },
    late: loading,
    tab: tries ? { "arrival-tries": tries } : {},
  });
  runInThisContext(SOURCE); // no module: it stands in the page itself
  page.fail = (target = new Script()) => page.fire(page.window, "error", { target });
  page.arrive = () => (page.page.documentElement.dataset.arrived = "yes");
  page.said = () => page.$("not-arrived")?.textContent ?? "";
  page.tries = () => globalThis.sessionStorage.getItem("arrival-tries");
  page.later = async (ms) => {
    page.pass(ms);
    await settle();
  };
  return page;
}

test("a page that came whole says nothing, and forgets earlier tries", async () => {
  const page = await open({ tries: "2" });
  page.arrive();
  page.fire(page.window, "load");
  await page.later(60000);
  assert.deepEqual([page.said(), page.tries(), page.led], ["", null, []]);
});

test("a script or a sheet that fails is told at once and loaded again a second later; a picture is not", async () => {
  const page = await open({ fetches: { "/coach": "ok" } });
  page.fail({});
  assert.equal(page.said(), "");
  page.fail(new Sheet());
  page.fail();
  assert.equal(page.tries(), "1"); // once, whatever else fails
  assert.equal(page.page.querySelector("h1").textContent, "Not all of this page has come");
  assert.equal(page.said(), "It is loaded again by itself.");
  assert.equal(page.$("not-arrived").getAttribute("role"), "alert");
  assert.deepEqual(
    page.page.querySelector("main").children.map((each) => each.tagName),
    ["H1", "P", "P"],
  );
  await page.later(900);
  assert.deepEqual(page.led, []);
  await page.later(200);
  assert.deepEqual(page.led, ["reload"]);
  page.arrive();
  page.fire(page.window, "load");
  assert.equal(page.tries(), "1"); // what failed is missing all the same
});

test("what is missing again and again is asked for more rarely, within fifteen seconds", async () => {
  for (const [tries, ms] of [
    ["1", 2000],
    ["3", 8000],
    ["9", 15000],
  ]) {
    const page = await open({ tries, fetches: { "/coach": "ok" } });
    page.fail();
    assert.equal(page.tries(), String(Number(tries) + 1));
    await page.later(ms - 100);
    assert.deepEqual(page.led, []);
    await page.later(200);
    assert.deepEqual(page.led, ["reload"]);
  }
});

test("what neither comes nor fails is given ten seconds, and more after each try", async () => {
  for (const [tries, ms] of [
    [null, 10000],
    ["1", 20000],
  ]) {
    const page = await open({ tries });
    await page.later(ms - 200);
    assert.equal(page.said(), "");
    await page.later(400);
    assert.notEqual(page.said(), "");
  }
  const slow = await open();
  slow.fire(slow.window, "load"); // all is there, and yet nothing has begun
  await slow.later(900);
  assert.equal(slow.said(), "");
  await slow.later(200);
  assert.notEqual(slow.said(), "");
  const whole = await open();
  whole.fire(whole.window, "load");
  whole.arrive();
  await whole.later(60000);
  assert.equal(whole.said(), "");
});

test("a program that does not answer, or does not let the page in, is told, and asked again every second", async () => {
  const page = await open();
  page.fail();
  await page.later(1100);
  assert.equal(page.page.querySelector("h1").textContent, "The program does not answer");
  assert.match(page.said(), /^Is it still running/);
  assert.equal(page.page.querySelectorAll("#not-arrived").length, 1);
  const answers = { ok: false, type: "basic" };
  let n = 0;
  globalThis.fetch = async () => (n++, answers);
  await page.later(1000);
  assert.equal(page.page.querySelector("h1").textContent, "The program does not let this page in");
  await page.later(3000);
  assert.equal(n, 2); // one at a time: the next after the answer
  answers.type = "opaqueredirect"; // led elsewhere: there it begins anew
  await page.later(1000);
  assert.deepEqual(page.led, ["reload"]);
});

test("a page without a title of its own has the words in one line, first of all", async () => {
  const page = await open({ html: UNTITLED });
  page.fail();
  assert.equal(page.said(), "Not all of this page has come. It is loaded again by itself.");
  assert.equal(page.page.querySelector("main").children[0], page.$("not-arrived"));
  const bare = await open({ html: "<html><body><p>Wait.</p></body></html>" });
  bare.fail();
  assert.equal(bare.page.body.children[0], bare.$("not-arrived"));
});

test("while the page is still being read, the words wait for its end", async () => {
  const page = await open({ loading: true });
  page.fail();
  assert.equal(page.said(), "");
  page.fire(page.page, "DOMContentLoaded");
  assert.notEqual(page.said(), "");
});
