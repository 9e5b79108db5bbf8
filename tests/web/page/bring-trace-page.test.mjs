// What is marked on a brought file without a browser, and the recording made of it.

import assert from "node:assert/strict";
import { test } from "node:test";

import { TOLD, marksOf, openTable } from "./bring-stand-in.mjs";
import { settle } from "./page-stand-in.mjs";

test("the trace is moved and zoomed, and drawn anew each time", async () => {
  const bring = await openTable({ look: { ...TOLD, duration_s: 100 } });
  const view = async (id) => {
    bring.press(id);
    await bring.later();
    return [bring.last("draw").from, bring.last("draw").to];
  };
  assert.deepEqual(await view("closer"), [25, 75]);
  assert.deepEqual(await view("later"), [50, 100]);
  assert.deepEqual(await view("earlier"), [25, 75]);
  assert.deepEqual(await view("wider"), [0, 100]);
  assert.deepEqual(await view("closer"), [25, 75]);
  assert.deepEqual(await view("whole"), [0, 100]);
  const n = bring.orders("draw").length;
  bring.fire(bring.window, "resize");
  await bring.later();
  assert.equal(bring.orders("draw").length, n + 1);
  bring.answers.draw = new Error("no columns");
  await view("closer");
  assert.match(bring.text("where"), /^0:25\.0 to 1:15\.0 of 1:40\. Every peak is drawn\.$/); // what is there stays drawn
});

test("a stretch is marked by a drag or typed, said what it is, and taken away again", async () => {
  const bring = await openTable();
  const drag = (from, to, id = 5) => {
    bring.fire(bring.$("trace"), "pointerdown", { offsetX: from, pointerId: id });
    bring.fire(bring.$("trace"), "pointermove", { offsetX: to, pointerId: id });
    bring.fire(bring.$("trace"), "pointerup", { pointerId: id });
  };
  const typed = () => ["from", "to"].map((id) => bring.$(id).value);
  drag(100, 102);
  assert.deepEqual(typed(), ["", ""]); // a mere touch
  drag(100, 200);
  assert.deepEqual(typed(), ["15.11", "30.23"]);
  drag(300, 999);
  assert.deepEqual(typed(), ["45.34", "60.45"]); // not beyond the end, in hundredths
  drag(-50, 40);
  assert.deepEqual(typed(), ["0", "6.05"]);
  bring.fire(bring.$("trace"), "pointermove", { offsetX: 300, pointerId: 5 });
  assert.deepEqual(typed(), ["0", "6.05"]); // let go
  await settle();
  const marked = () => marksOf(bring).marks.filter((mark) => mark.color === "above").length;
  assert.ok(marked() > 0);
  const kinds = bring.$("kinds").children;
  assert.deepEqual(
    kinds.map((each) => each.textContent),
    ["Nothing is done: zero", "Maximal push", "Relax, stay in the position", "Contract"],
  );
  bring.press(kinds[0]);
  assert.deepEqual(typed(), ["", ""]);
  bring.press(kinds[3]);
  assert.equal(bring.text("where"), "Give both times, in seconds.");
  bring.type("from", "20");
  bring.type("to", "10");
  bring.press(kinds[3]);
  assert.equal(bring.text("where"), "Let it end after it begins.");
  bring.type("to", "40,5");
  bring.press(kinds[3]);
  bring.type("from", "41");
  bring.type("to", "50");
  bring.press(kinds[2]);
  const rows = () => bring.$("stretches").children;
  assert.deepEqual(
    rows().map((row) => [row.querySelector("strong").textContent, row.querySelector(".times-of").textContent]),
    [
      ["Nothing is done: zero", "0 to 6.05 s"],
      ["Contract", "20 to 40.5 s"],
      ["Relax, stay in the position", "41 to 50 s"],
    ],
  );
  const fields = rows().map((row) => row.querySelectorAll("label").map((label) => label.textContent));
  assert.deepEqual(fields, [[], ["Band, %", "to", "Discomfort, 0 to 10"], ["Discomfort, 0 to 10"]]);
  const [low, high, discomfort] = rows()[1].querySelectorAll("input");
  bring.type(low, " 60 ");
  bring.type(high, "80,5");
  bring.type(discomfort, "3,5");
  bring.press(rows()[0].querySelector("button"));
  assert.equal(rows().length, 2);
  bring.type("athlete", " A01 ");
  bring.type("maximum", "402,5");
  bring.type("side", "left");
  bring.answers.take = new Error("no code");
  bring.press("take");
  assert.equal(bring.$("take").disabled, true);
  await bring.later();
  assert.deepEqual([bring.text("said"), bring.$("take").disabled], ["no code", false]);
  bring.answers.take = { name: "A01 run.hold", remarks: ["one hole"] };
  bring.press("take");
  assert.equal(bring.text("said"), "");
  await bring.later();
  const { stretches, ...about } = bring.last("take");
  assert.deepEqual(about, { id: "F1", athlete: "A01", exercise: "", side: "left", position: "", maximum: "402.5" });
  assert.deepEqual(stretches, [
    { kind: "contract", from_s: 20, to_s: 40.5, low: "60", high: "80.5", discomfort: "3.5" },
    { kind: "passive", from_s: 41, to_s: 50, low: "", high: "", discomfort: "" },
  ]);
  assert.deepEqual(bring.shows("understood", "look", "about", "made"), [false, false, false, true]);
  assert.equal(bring.text("made"), "It is a recording now: A01 run.holdone holeOpen the recording");
  assert.equal(bring.$("open-made").getAttribute("href"), "/review?open=A01+run.hold");
  assert.equal(bring.page.activeElement, bring.$("made"));
  bring.$("rate").value = "80";
  await bring.choose("table", "next.csv"); // another file begins anew
  assert.deepEqual(bring.shows("made", "look"), [false, true]);
  assert.equal(bring.$("rate").value + bring.$("maximum").value, "");
  assert.deepEqual(bring.last("look"), { id: "F1" });
});

test("times that are typed are marked only where they are a stretch", async () => {
  const bring = await openTable();
  await settle();
  const isMarked = async () => {
    marksOf(bring).marks.length = 0;
    bring.pass(20);
    await settle();
    return marksOf(bring).of("stroke", "above").length > 0;
  };
  bring.type("from", "10");
  assert.equal(await isMarked(), false);
  bring.type("to", "20");
  await settle();
  assert.ok(marksOf(bring).of("stroke", "above").length > 0);
  bring.type("to", "10");
  await settle();
  const [frame] = [marksOf(bring).marks.findLastIndex((mark) => mark.kind === "clear")];
  assert.equal(
    marksOf(bring)
      .marks.slice(frame)
      .some((mark) => mark.color === "above"),
    false,
  );
});
