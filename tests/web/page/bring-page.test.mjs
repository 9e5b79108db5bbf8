// Bringing a file without a browser: what was understood of it, and what is put right.

import assert from "node:assert/strict";
import { test } from "node:test";

import { TOLD, openBring, openTable } from "./bring-stand-in.mjs";

test("a file is sent with what lies beside it, and what was understood of it stands there", async () => {
  const bring = await openBring();
  assert.deepEqual(bring.shows("understood", "look", "about", "made"), [false, false, false, false]);
  await bring.choose("table", "run.json", "run.csv");
  const files = bring.asked.filter(({ address }) => address.includes("/bring/file")).map(({ address }) => address.split("?")[1]);
  assert.deepEqual(files, ["name=run.csv&as=table", "name=run.json&as=beside&id=F1"]);
  assert.equal(bring.text("file-name"), "run.csv");
  assert.deepEqual(bring.shows("understood", "look", "about", "made", "problem", "head", "remarks-box"), [
    true,
    true,
    true,
    false,
    false,
    true,
    false,
  ]);
  assert.equal(bring.text("summary"), "A table of 2 channels");
  assert.equal(bring.text("status"), "");
  assert.equal(bring.$("rows").textContent, "time\tKraft\n0\t1");
  assert.equal(bring.text("maximum-of"), "(Kraft, in kg)");
  const rows = bring.$("columns").children;
  assert.deepEqual(
    rows.map((row) => [row.querySelector("strong").textContent, row.querySelector("select").value, row.dataset.out]),
    [
      ["Kraft", "force", undefined],
      ["EMG", "emg@envelope", undefined],
      ["note", "", "true"],
    ],
  );
  assert.deepEqual(
    rows.map((row) => row.querySelector(".small").textContent),
    ["80 Hz, 12,345 readings, -0.5 to 41.23; first 1, 2.5", "1000 Hz, 5 readings, 0 to 9; first 0", "not taken"],
  );
  assert.deepEqual(
    rows.map((row) => row.querySelectorAll("input").map((input) => input.value)),
    [["kg", "2"], ["uV", "1"], []],
  );
  assert.deepEqual(
    bring.$("time").options.map((option) => [option.value, option.selected]),
    [
      ["", false],
      ["time", true],
      ["Kraft", false],
      ["EMG", false],
      ["note", false],
    ],
  );
  assert.equal(bring.text("where"), "0:00.0 to 1:00.5 of 1:00. Every peak is drawn.");
  assert.deepEqual(bring.last("draw"), { id: "F1", from: 0, to: 60.456, columns: 400 });
});

test("what was not understood is told with its cure, and put right by one press", async () => {
  const fixes = [{ label: "Times are milliseconds", change: { time_unit: "ms" } }];
  const problem = { what: "Times go backwards", cure: "say their unit", fixes };
  const bring = await openTable({ look: { ...TOLD, problem, time: null, head: null, remarks: ["a hole at 3 s"] } });
  assert.deepEqual(bring.shows("problem", "look", "about", "head", "remarks-box"), [true, false, false, false, true]);
  assert.deepEqual(
    [bring.text("status"), bring.text("problem-what"), bring.text("problem-cure")],
    [...["This is not clear yet.", "Times go backwards.", "Say their unit."]],
  );
  assert.equal(bring.text("remarks"), "a hole at 3 s");
  assert.equal(bring.$("time").options[0].textContent, "none");
  bring.answers.look = TOLD;
  bring.press(bring.$("fixes").querySelector("button"));
  assert.equal(bring.$("understood").getAttribute("aria-busy"), "true");
  await bring.later();
  assert.equal(bring.$("understood").getAttribute("aria-busy"), "false");
  assert.deepEqual(bring.last("look"), { id: "F1", time_unit: "ms" });
  assert.deepEqual(bring.shows("problem", "look"), [false, true]);
  assert.equal(bring.$("time-unit").value, "ms");
});

test("everything that can be said about the file is sent, each with what was said before", async () => {
  const bring = await openTable();
  const row = bring.$("columns").children[0];
  bring.type(row.querySelectorAll("input")[0], " N ");
  await bring.later();
  assert.deepEqual(bring.last("look").channels, { Kraft: "force:N*2" });
  const fresh = () => bring.$("columns").children[0];
  for (const [value, factor, unit, said] of [
    ["emg@envelope", "0,5", "uV", "emg:uV*0.5@envelope"],
    ["emg", "1", "", "emg:count"],
    ["force", "0", "kg", "force:kg"],
    ["position", "x", "cm", "position:cm"],
    ["", "1", "kg", "none"],
  ]) {
    fresh().querySelectorAll("input")[0].value = unit;
    fresh().querySelectorAll("input")[1].value = factor;
    bring.type(fresh().querySelector("select"), value);
    await bring.later();
    assert.equal(bring.last("look").channels.Kraft, said);
  }
  for (const [id, value, field, said] of [
    ["time-unit", "us", "time_unit", "us"],
    ["rate", " 80,5 ", "rate_hz", 80.5],
    ["rate", "", "rate_hz", null],
    ["decimal", "comma", "decimal", "comma"],
    ["time", "Kraft", "time", "Kraft"],
  ]) {
    bring.type(id, value);
    await bring.later();
    assert.equal(bring.last("look")[field], said, id);
  }
  assert.equal(bring.last("look").decimal, "comma");
});

test("of two answers only the one to what was said last is shown", async () => {
  const bring = await openTable();
  const waiting = [];
  bring.answers.look = () => new Promise((done) => waiting.push(done));
  bring.type("decimal", "comma");
  bring.type("decimal", "point");
  waiting[1]({ ...TOLD, summary: "the second" });
  await bring.later();
  waiting[0]({ ...TOLD, summary: "the first" });
  await bring.later();
  assert.equal(bring.text("summary"), "the second");
});

test("formats that say their rates themselves ask nothing about times", async () => {
  for (const [name, asks] of [
    ["run.EDF", false],
    ["run.bdf", false],
    ["run.xdf", false],
    ["run.c3d", false],
    ["run.csv", true],
    ["edf.txt", true],
  ]) {
    const bring = await openBring();
    await bring.choose("table", name);
    assert.deepEqual(bring.shows("times"), [asks], name);
  }
});

test("a file that cannot be read is told; a table of phases needs the file first", async () => {
  const bring = await openBring();
  await bring.choose("events", "phases.csv");
  assert.equal(bring.text("status"), "Choose the file itself first.");
  bring.answers.file = new Error("It is empty.");
  await bring.choose("table", "run.csv");
  assert.equal(bring.text("status"), "It is empty.");
  assert.deepEqual(bring.shows("understood", "look", "about"), [false, false, false]);
  bring.answers.file = { id: "F2" };
  await bring.choose("table", "run.csv");
  await bring.choose("events", "phases.csv");
  assert.match(
    bring.asked.findLast(({ address }) => address.includes("/bring/file")).address,
    /name=phases\.csv&as=events&id=F2/,
  );
  assert.equal(bring.orders("look").length, 2);
  bring.answers.file = new Error("No phases in it.");
  await bring.choose("events", "phases.csv");
  assert.equal(bring.text("status"), "No phases in it.");
  await bring.choose("table");
  assert.equal(bring.text("status"), "No phases in it."); // nothing was chosen
  bring.answers.look = new Error("It is damaged.");
  bring.type("decimal", "comma");
  await bring.later();
  assert.equal(bring.text("status"), "It is damaged.");
});

test("what the file brings is said below its trace", async () => {
  const phases = [{ kind: "contract", from_s: 10, to_s: 20 }];
  const bring = await openTable({ look: { ...TOLD, phases, n_ratings: 2, has_zero: true, maxima: ["402 N"] } });
  assert.match(bring.text("where"), /The file brings 1 phase, 2 ratings, a zero, a maximum: 402 N\.$/);
});
