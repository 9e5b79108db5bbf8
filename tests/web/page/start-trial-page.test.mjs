// An athlete's programme and trial on the start place without a browser.

import assert from "node:assert/strict";
import { test } from "node:test";

import { card, mistakes, openStart } from "./start-stand-in.mjs";

const press = (start, label) =>
  start.press(
    start.page.querySelectorAll("button").find((each) => [each.textContent, each.getAttribute("aria-label")].includes(label)),
  );

const TRIAL = {
  ...{ name: "trial-1", drawn_utc: "2026-11-01", seed: 7, stretch: "", n_held: 2, n_evenings: 8, n_blocks: 4, is_over: false },
  ...{ ways: [["light", "20 to 30 %"]], answers: [["So far", ["light eases", "hard does not"]]], said: ["two are few"] },
};

test("tonight's way of a trial is done as drawn, another instead, or not at all", async () => {
  const tonight = { ways: ["hard", "light"], drawn: "light", evening: 3, n_evenings: 8, how: "20 to 30 %" };
  const start = await openStart({ athletes: [card("A01", { tonight, form: { athlete: "A01", sensor: "felt" } })] });
  assert.equal(start.shows("for-way"), false);
  start.type("athlete", "A01");
  assert.equal(start.shows("for-way"), true);
  assert.equal(start.text("way-hint"), "Evening 3 of 8: light, 20 to 30 %.");
  const { options } = start.$("way");
  const ways = [];
  for (const option of options) {
    start.type("way", option.value);
    await start.wait(400);
    ways.push([option.textContent.split(/[,:]/)[0], start.last("write").way]);
  }
  assert.deepEqual(ways, [
    ["light", "light"],
    ["hard instead", "hard"],
    ["nothing of it", ""],
    ["this is no evening of the trial", null],
  ]);
});

test("a programme is read when its fold is opened, kept in its own words, and its mistake told", async () => {
  const programme = { text: "", is_new: true };
  const start = await openStart({
    athletes: [card("A01")],
    programme: { ...programme, text: "on Mondays" },
    "keep-programme": { n_evenings: 8 },
  });
  start.opened("programme-A01-fold");
  await start.wait(0);
  assert.equal(start.$("programme-A01").value, "on Mondays");
  assert.equal(start.text("programme-A01-told"), "There is none yet: this is one to begin with.");
  start.type("programme-A01", "on Tuesdays");
  const n = start.told("write").length;
  await start.wait(400);
  assert.equal(start.told("write").length, n); // of no field of the form
  start.opened("programme-A01-fold");
  await start.wait(0);
  assert.equal(start.$("programme-A01").value, "on Tuesdays"); // what is typed is not lost
  const listed = start.told("athletes").length;
  press(start, "Keep the programme");
  await start.wait(0);
  assert.deepEqual(start.last("keep-programme"), { athlete: "A01", text: "on Tuesdays" });
  assert.equal(start.text("programme-A01-told"), "Kept: 8 evenings.");
  assert.equal(start.told("athletes").length, listed + 1);
  start.answers["keep-programme"] = mistakes(["line 1", "line 1 is no evening", "name a plan"], ["line 2", "another", ""]);
  press(start, "Keep the programme");
  await start.wait(0);
  assert.equal(start.text("programme-A01-told"), "Line 1 is no evening: name a plan.");
  assert.equal(start.page.activeElement, start.$("programme-A01"));
  const known = await openStart({ athletes: [card("A01")], programme: { text: "so", is_new: false } });
  known.opened("programme-A01-fold");
  await known.wait(0);
  assert.equal(known.text("programme-A01-told"), "");
  known.$("programme-A01").value = "";
  known.answers.programme = mistakes(["", "it cannot be read", ""], ["", "x", ""]);
  known.opened("programme-A01-fold");
  await known.wait(0);
  assert.equal(known.text("programme-A01-told"), "It cannot be read.");
});

test("a trial is drawn from two ways or more, and what it says so far stands there; its order does not", async () => {
  const ways = [
    ["light", "20 to 30 %"],
    ["hard", "80 to 100 %"],
    ["still", "no contraction"],
  ];
  const start = await openStart({ athletes: [card("A01")], trial: { trial: null, ways, n_blocks: 4 } });
  start.opened("trial-A01-fold");
  await start.wait(0);
  const fold = start.$("trial-A01-fold");
  const boxes = fold.querySelectorAll("input").filter((input) => input.type === "checkbox");
  assert.deepEqual([boxes.length, start.$("trial-A01-blocks").value], [3, "4"]);
  start.press(boxes[0]);
  assert.doesNotMatch(fold.seen, /evenings:/);
  start.press(boxes[2]);
  assert.match(fold.seen, /8 evenings: 2 ways, each once in each of 4 blocks\./);
  start.type("trial-A01-blocks", "2.5");
  assert.doesNotMatch(fold.seen, /evenings:/);
  start.type("trial-A01-blocks", "0");
  assert.doesNotMatch(fold.seen, /evenings:/);
  start.answers["draw-trial"] = mistakes(["blocks", "too few", "at least 2"], ["ways", "too many", ""], ["x", "else", ""]);
  press(start, "Draw the order");
  await start.wait(0);
  assert.match(fold.seen, /Too many\..*Too few: at least 2\..*Else\.$/);
  start.type("trial-A01-blocks", "3");
  start.answers["draw-trial"] = { trial: TRIAL, ways, n_blocks: 4 };
  const listed = start.told("athletes").length;
  press(start, "Draw the order");
  await start.wait(0);
  assert.deepEqual(start.last("draw-trial"), { athlete: "A01", ways: ["light", "still"], blocks: "3" });
  assert.equal(start.told("athletes").length, listed + 1);
  assert.equal(fold.querySelector(".trial-form").hidden, true);
  assert.equal(
    fold.querySelector("dl").textContent,
    "Drawntrial-1, 2026-11-01, seed 7Stretchnot saidEvenings2 of 8 held, 4 blocksLight20 to 30 %" +
      "So farLight eases. Hard does notSaidTwo are few",
  );
  assert.doesNotMatch(fold.seen, /Too many|Too few|Else/);
  const over = await openStart({
    athletes: [card("A01")],
    trial: { trial: { ...TRIAL, is_over: true, said: [] }, ways, n_blocks: 4 },
  });
  over.opened("trial-A01-fold");
  await over.wait(0);
  assert.equal(over.$("trial-A01-fold").querySelector(".trial-form").hidden, false);
  assert.doesNotMatch(over.text("trial-A01-fold"), /Said/);
});
