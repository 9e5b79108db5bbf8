// What a board prints, on the start place without a browser: its columns, its lines, its profile; sensors that look alike.

import assert from "node:assert/strict";
import { test } from "node:test";

import { PROFILES, mistakes, openStart } from "./start-stand-in.mjs";

async function openLines(program = {}) {
  const start = await openStart({ ports: [], ...program });
  start.choose("port:");
  start.rows = () => start.$("columns").children;
  start.columns = async () => {
    await start.wait(400);
    return start.last("write").columns;
  };
  return start;
}

const field = (start, k, name) =>
  start.page.querySelectorAll("input, select").find((each) => each.getAttribute("aria-label") === `Column ${k + 1}: ${name}`);
const shown = (start, k) => {
  const row = start.rows()[k];
  return row.querySelectorAll("label").map((label) => !label.hidden);
};

test("columns are added and taken away, each with the fields of its kind", async () => {
  const start = await openLines();
  const gone = () => start.rows().map((row) => row.querySelector("button").disabled);
  assert.deepEqual(gone(), [true]); // the last one stays
  assert.deepEqual(shown(start, 0), [true, true, true, true, false]);
  start.press("add-column");
  assert.equal(start.page.activeElement, start.$("column-1"));
  assert.deepEqual(gone(), [false, false]);
  start.type("column-1", "emg");
  assert.deepEqual(shown(start, 1), [true, true, true, true, true]);
  assert.equal(field(start, 1, "unit").value, "uV");
  assert.equal(field(start, 0, "unit").placeholder, "N?");
  assert.equal(field(start, 1, "unit").placeholder, "");
  start.type(field(start, 1, "side"), "left");
  start.type(field(start, 1, "value of one count"), " 0.5 ");
  start.type(field(start, 1, "its numbers run from, to"), " 0 1023 ");
  start.press(field(start, 1, "already an envelope"));
  start.type(field(start, 0, "unit"), " kg ");
  const [first, second] = await start.columns();
  assert.deepEqual([first.kind, first.unit], ["force", "kg"]);
  assert.deepEqual(second, { ...second, kind: "emg", side: "left", factor: "0.5", rails: "0 1023", envelope: true, unit: "uV" });
  start.type("column-0", "seq");
  assert.deepEqual(shown(start, 0), [false, false, false, false, false]);
  start.press("add-column");
  start.press(start.rows()[1].querySelector("button"));
  assert.equal(start.rows().length, 2);
  assert.equal(start.page.activeElement, start.$("column-1"));
  start.press(start.rows()[1].querySelector("button"));
  assert.equal(start.page.activeElement, start.$("column-0"));
  assert.deepEqual(
    (await start.columns()).map(({ kind }) => kind),
    ["seq"],
  );
  assert.ok(start.$("rails").children.length > 1);
});

const HEARD = {
  ...{ layout: { separator: "," }, problem: "", prompt: "", texts: [], waits: false, readings: [], n_lines: 9, n_odd: 0 },
  columns: [
    { kind: "seq", label: "", unit: "", value: "29", role: "counter" },
    { kind: "force", label: "", unit: "", value: "3.5", role: "value" },
  ],
  lines: [
    [
      { text: "29", column: 1 },
      { text: ",", column: null },
      { text: "3.5", column: 2 },
    ],
  ],
  raw: ["29,3.5"],
};

test("the lines of a board are read, their columns named, and a unit that it does not say is asked", async () => {
  const start = await openLines({ hear: HEARD });
  assert.equal(start.shows("heard"), false);
  start.press("hear");
  assert.match(start.text("heard-words"), /^Listening/);
  assert.equal(start.$("hear").disabled, true);
  await start.wait(0);
  assert.equal(start.$("hear").disabled, false);
  assert.equal(start.shows("heard"), true);
  assert.equal(start.text("heard-lines"), "29column 1 · 29 · counts up,3.5column 2 · 3.5");
  assert.equal(start.text("heard-raw"), "29,3.5");
  assert.deepEqual(["for-key", "for-keep"].map(start.shows), [false, true]);
  assert.equal(start.$("heard-details").open, false);
  assert.match(start.text("heard-asks"), /^Column 2 reads 3\.5 now\. Pull a little and choose:3\.5 newtons3\.5 kilograms/);
  start.press(start.$("heard-asks").querySelectorAll("button")[1]);
  assert.deepEqual(
    (await start.columns()).map(({ kind, unit }) => [kind, unit]),
    [
      ["seq", ""],
      ["force", "kg"],
    ],
  );
  assert.equal(start.text("heard-asks"), "");
  assert.deepEqual(start.last("write").lines, { separator: "," });
  start.choose("udp"); // nothing of one board is true of the next
  assert.equal(start.shows("heard"), false);
  assert.equal(start.text("heard-words"), "");
  assert.equal((await start.columns()) && start.last("write").lines, null);
});

test("a board that waits gets its key, a comma that can be two things is asked, trouble shows the lines", async () => {
  const waiting = { ...HEARD, layout: null, waits: true, prompt: "Press c", columns: [], lines: [], raw: ["Press c"] };
  const start = await openLines({ hear: waiting });
  start.press("hear");
  await start.wait(0);
  assert.equal(start.text("heard-words"), "It says “Press c” and waits.");
  assert.deepEqual(["for-key", "for-keep"].map(start.shows), [true, false]);
  assert.equal(start.$("heard-details").open, true);
  start.type("key", "c");
  start.press("send-key");
  await start.wait(0);
  assert.equal(start.last("hear").key, "c");
  start.press("send-enter");
  start.answers.hear = {
    ...HEARD,
    layout: null,
    readings: [{ decimal: ",", words: "a comma", values: ["3.5", "4.5"] }],
    columns: [],
    lines: [],
  };
  await start.wait(0);
  assert.equal(start.last("hear").key, "enter");
  start.press("hear");
  await start.wait(0);
  assert.equal(start.shows("for-key"), true); // what was typed stays in sight
  assert.equal(start.text("heard-asks"), "3.5 and 4.5: a comma");
  start.press(start.$("heard-asks").querySelector("button"));
  await start.wait(0);
  assert.equal(start.last("hear").decimal, ",");
  start.answers.hear = { ...HEARD, layout: null, problem: "too few lines", lines: [] };
  start.$("heard-details").open = false;
  start.press("hear");
  await start.wait(0);
  assert.equal(start.$("heard-details").open, true);
  start.answers.hear = mistakes(["", "the port is in use", "close the other program"]);
  start.press("hear");
  await start.wait(0);
  assert.equal(start.text("heard-wrong"), "The port is in use: close the other program.");
  assert.equal(start.shows("heard"), false);
});

test("what was heard is kept as a profile and chosen", async () => {
  const mine = { name: "my-board", transport: "serial", title: "my board", channels: "force" };
  const keep = { profile: "my-board", profiles: [...PROFILES, mine], file: "my-board.toml" };
  const start = await openLines({ hear: HEARD, keep: mistakes(["keep", "no name", "type one"]) });
  start.press("hear");
  await start.wait(0);
  start.press("keep-it");
  await start.wait(0);
  assert.equal(start.text("keep-wrong"), "No name: type one.");
  start.answers.keep = keep;
  start.type("keep", "my-board");
  start.press("keep-it");
  await start.wait(0);
  assert.equal(start.last("keep").keep, "my-board");
  assert.match(start.$("kept").textContent, /^Kept as my-board: my-board\.toml\./);
  assert.equal(start.$("profile").value, "my-board");
});

test("of sensors that look alike the one that is shaken is chosen; it counts down, and says when none stands out", async () => {
  const radios = ["1A", "2B"].map((radio) => ({ radio, dbm: -60, profiles: ["frame-radio"] }));
  let answer;
  const start = await openStart({ ports: [], radios, which: () => new Promise((done) => (answer = done)) });
  assert.equal(start.shows("which"), false);
  start.press("look-radios");
  await start.wait(0);
  start.choose("radio:1A");
  assert.equal(start.shows("which"), true);
  start.press("which");
  assert.equal(start.text("apart"), "Leave all still: about 10 s …");
  start.pass(1100);
  assert.equal(start.text("apart"), "Leave all still: about 9 s …");
  start.pass(1000);
  assert.equal(start.text("apart"), "Now pull or shake the one that is meant: about 8 s …");
  start.pass(8000);
  assert.equal(start.text("apart"), "Looking …");
  assert.equal(start.$("which").disabled, true);
  answer({ which: 1, failed: ["3C did not answer."] });
  await start.wait(0);
  assert.equal(start.text("apart"), "It is 2B. 3C did not answer.");
  assert.equal(start.$("which").disabled, false);
  start.pass(900);
  assert.equal(start.text("apart"), "It is 2B. 3C did not answer.");
  await start.wait(400);
  assert.equal(start.last("write").radio, "2B");
  assert.deepEqual(
    start.last("which").forms.map(({ radio }) => radio),
    ["1A", "2B"],
  );
  start.press("which");
  answer({ which: null, failed: [] });
  await start.wait(0);
  assert.equal(start.text("apart"), "None of them stands out. Try again, and move only one.");
  start.press("which");
  answer(mistakes(["", "Bluetooth is off", ""], ["", "x", ""]));
  await start.wait(0);
  assert.equal(start.text("apart"), "Bluetooth is off.");
});
