// Checking a sensor and beginning a session on the start place without a browser.

import assert from "node:assert/strict";
import { test } from "node:test";

import { PORTS, about, mistakes, openStart } from "./start-stand-in.mjs";

test("the check counts down, then tells what it found, the worst first, with cures at one press", async () => {
  const fix = { field: "rate", value: "80", words: "Say 80 readings a second" };
  const findings = [
    { state: "good", about: "noise", text: "small", cure: "" },
    { state: "bad", about: "rate", text: "unknown", cure: "say it", fix },
    {
      state: "look",
      about: "hum",
      text: "some",
      cure: "move it",
      fix: { field: "unit", channel: "force", value: "N", words: "It is N" },
    },
  ];
  let answer;
  const start = await openStart({ ports: [], check: () => new Promise((done) => (answer = done)) });
  start.choose("port:");
  start.type("column-0", "force");
  start.fire(start.$("column-0"), "input");
  start.press("check");
  for (const name of ["check", "begin", "look", "look-radios", "hear"]) assert.equal(start.$(name).disabled, true, name);
  assert.equal(start.text("checking"), "Watching: sit still, about 10 s …");
  start.pass(4100);
  assert.equal(start.text("checking"), "Watching: sit still, about 6 s …");
  start.pass(6500);
  assert.equal(start.text("checking"), "Judging and drawing …");
  start.press("check");
  assert.equal(start.told("check").length, 1);
  answer({ title: "a board", simulated: false, findings, picture: "data:image/png;base64,AA" });
  await start.wait(0);
  assert.equal(start.text("checking"), "A board. Not fit for use yet. What to do:");
  assert.deepEqual(
    start.$("findings").children.map((row) => row.textContent),
    ["bad. Rate: unknownSay itSay 80 readings a second", "look at it. Hum: someMove itIt is N", "good. Noise: small"],
  );
  assert.equal(start.shows("picture"), true);
  for (const name of ["check", "begin", "look"]) assert.equal(start.$(name).disabled, false, name);
  start.pass(2000);
  assert.match(start.text("checking"), /^A board/); // it does not count on
  const [first, second] = start.$("findings").querySelectorAll("button");
  start.press(first);
  assert.equal(start.$("rate").value, "80");
  assert.equal(start.shows("picture"), false);
  assert.equal(start.told("check").length, 2);
  answer({ title: "x", simulated: true, findings: [], picture: "" });
  await start.wait(0);
  assert.equal(start.text("checking"), "Simulated. Fit for use: nothing stands out.");
  assert.equal(start.shows("picture"), false);
  start.press(second);
  assert.equal(start.last("check").columns[0].unit, "N");
  start.choose("url"); // where the fields are not, no cure fills them in
  answer({ title: "x", simulated: false, findings, picture: "" });
  await start.wait(0);
  assert.equal(start.$("findings").querySelectorAll("button").length, 0);
});

test("a sensor that cannot be opened is a finding; a field that is wrong is marked", async () => {
  const start = await openStart({ check: mistakes(["", "no reading came", "switch it on"], ["rate", "no number", "type one"]) });
  start.press("check");
  await start.wait(0);
  assert.equal(start.text("checking"), "It cannot be used yet. What to do:");
  assert.equal(start.text("findings"), "bad. Sensor: no reading cameSwitch it on");
  assert.equal(start.text("rate-wrong"), "No number: type one.");
  assert.equal(start.$("rate").getAttribute("aria-invalid"), "true");
  assert.equal(start.page.activeElement, start.$("rate"));
  start.answers.check = mistakes(["rate", "no number", ""]);
  start.press("check");
  await start.wait(0);
  assert.equal(start.text("checking") + start.text("findings"), "");
});

test("a session is begun once, with the form, and the page follows it; what is wrong stands at its field", async () => {
  const start = await openStart({
    begin: mistakes(["athlete", "no code", "type one"], ["sensor", "none", "choose one"], ["x", "else", ""]),
  });
  start.type("athlete", "A09");
  start.press("begin");
  assert.equal(start.text("beginning"), "Opening the sensor and the recording …");
  start.press("begin");
  await start.wait(0);
  assert.equal(start.told("begin").length, 1);
  assert.equal(start.text("beginning"), "");
  assert.deepEqual(
    ["athlete-wrong", "sensor-wrong", "form-wrong"].map((id) => start.text(id)),
    ["No code: type one.", "None: choose one.", "Else."],
  );
  assert.deepEqual(
    start.page.querySelectorAll("[aria-invalid]").map((each) => each.id),
    ["athlete"],
  );
  assert.equal(start.page.activeElement, start.$("athlete"));
  start.answers.begin = { place: "/coach" };
  start.press("begin");
  assert.equal(start.text("athlete-wrong"), "");
  await start.wait(0);
  assert.equal(start.last("begin").athlete, "A09");
  assert.equal(start.text("beginning"), "The session is open.");
  assert.deepEqual(start.led, ["/coach"]);
  assert.equal(start.$("begin").disabled, true);
});

test("a wrong stretch is marked where it was said, a wrong column where columns are added", async () => {
  const start = await openStart({ begin: mistakes(["exercise", "unknown", ""]) });
  start.press("begin");
  await start.wait(0);
  assert.equal(start.page.activeElement, start.$("exercise"));
  start.type("exercise", start.$("exercise").options.at(-1).value);
  start.press("begin");
  await start.wait(0);
  assert.equal(start.page.activeElement, start.$("own"));
  start.answers.begin = mistakes(["columns", "none measures", "say one"]);
  start.press("begin");
  await start.wait(0);
  assert.equal(start.page.activeElement, start.$("add-column"));
  assert.equal(start.$("add-column").getAttribute("aria-invalid"), null);
});

test("a program that is gone is told, and the page goes along when another page has begun", async () => {
  const start = await openStart();
  assert.equal(start.$("banner").hidden, true);
  const answer = globalThis.fetch;
  globalThis.fetch = async () => {
    throw new Error("nobody");
  };
  await start.wait(2100);
  assert.equal(start.$("banner").hidden, false);
  assert.match(start.text("banner-text"), /does not answer/);
  globalThis.fetch = answer;
  await start.wait(2100);
  assert.equal(start.$("banner").hidden, true);
  globalThis.fetch = async () => ({ redirected: true, url: "/coach" });
  await start.wait(2100);
  assert.deepEqual(start.led, ["/coach"]);
});

test("the page waits for a program that is not there yet", async () => {
  let n = 0;
  const start = await openStart({ about: () => (n++ ? about() : mistakes(["", "not yet", ""])) });
  assert.equal(start.$("sensors").children.length, 0);
  await start.wait(2100);
  await start.wait(400);
  assert.equal(start.$("sensors").children.length, PORTS.length + 5);
  assert.equal(start.text("own-address"), "10.0.0.5");
  assert.equal(start.text("check-s"), "10");
  assert.equal(start.text("cautions"), "Stop on sharp pain.");
});
