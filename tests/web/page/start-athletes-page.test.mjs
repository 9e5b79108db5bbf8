// The coach's athletes on the start place without a browser: cards, programme, trial, and a group for tonight.

import assert from "node:assert/strict";
import { test } from "node:test";

import { about, card, mistakes, openStart } from "./start-stand-in.mjs";

const codes = (start) => start.$("athlete-cards").children.map((each) => each.dataset.code);

const press = (start, label) =>
  start.press(
    start.page.querySelectorAll("button").find((each) => [each.textContent, each.getAttribute("aria-label")].includes(label)),
  );

test("cards of the athletes: the newest six, all when asked for, those of a code when searched", async () => {
  const athletes = Array.from({ length: 8 }, (_, k) => card(`A0${k}`));
  const start = await openStart({ athletes });
  assert.equal(start.shows("athletes"), true);
  assert.equal(start.text("listing"), "");
  assert.deepEqual(codes(start), ["A00", "A01", "A02", "A03", "A04", "A05"]);
  assert.deepEqual([start.shows("find"), start.text("all-athletes")], [true, "Show all 8"]);
  start.type("find-athlete", "a07");
  assert.deepEqual(codes(start), ["A07"]);
  assert.equal(start.shows("all-athletes"), false);
  start.type("find-athlete", "x");
  assert.equal(start.text("none-of-that-code"), "No athlete with that code: type it below to begin with them.");
  start.type("find-athlete", "");
  assert.equal(start.text("none-of-that-code"), "");
  start.press("all-athletes");
  assert.equal(codes(start).length, 8);
  assert.equal(start.shows("all-athletes"), false);
  assert.equal(start.page.activeElement.textContent, "Start A00");
  assert.equal(start.fire(start.$("find-athlete"), "keydown", { key: "Enter" }), false); // searching begins no session
  assert.equal(start.fire(start.$("find-athlete"), "keydown", { key: "a" }), true);
  assert.deepEqual(
    start.$("codes").children.map((option) => option.value),
    athletes.map(({ code }) => code),
  );
  const few = await openStart({ athletes: athletes.slice(0, 6) });
  assert.deepEqual([few.shows("find"), few.shows("all-athletes")], [false, false]);
  const none = await openStart();
  assert.equal(none.shows("athletes"), false);
  assert.equal(none.text("none-of-that-code"), "");
});

test("a card says how it stands; one press begins with everything as it was", async () => {
  const form = {
    athlete: "A01",
    sensor: "simulated",
    simulated: "emg",
    exercise: "hamstring",
    side: "left",
    limit: "7",
    carry: true,
    way: "light",
  };
  const one = card("A01", {
    ...{
      simulated: true,
      answer: "eased",
      maximum: "402 N",
      doubts: ["old", "unsure"],
      range: "71°",
      due: ["ask for soreness"],
      form,
    },
  });
  const start = await openStart({ athletes: [one], begin: mistakes(["", "the sensor is in use", "close the other"]) });
  const [item] = start.$("athlete-cards").children;
  assert.match(
    item.seen,
    /^A01Start A01Ask for sorenessLast evening3 days ago · simulatedStretchStanding hamstring stretch · left/,
  );
  assert.match(item.seen, /Answereased.*Maximum402 N.*Doubtsold; unsure.*Range71°/);
  press(start, "Start A01");
  assert.equal(start.text("listing"), "Opening the sensor and the recording …");
  assert.ok(item.querySelectorAll("button").every((button) => button.disabled));
  await start.wait(0);
  const begun = start.last("begin");
  const told = ["athlete", "sensor", "simulated", "exercise", "side", "limit", "carry", "way"].map((name) => begun[name]);
  assert.deepEqual(told, ["A01", "simulated", "emg", "hamstring", "left", "7", true, "light"]);
  assert.equal(start.text("card-wrong"), "The sensor is in use: close the other.");
  assert.equal(start.text("form-wrong"), "");
  assert.ok(
    start
      .$("athlete-cards")
      .querySelectorAll("button")
      .every((button) => !button.disabled),
  );
  assert.equal(start.text("carry-words"), "402 N; old; unsure");
  press(start, "Change something first for A01");
  assert.equal(start.page.activeElement, start.$("side"));
  await start.wait(400);
  assert.equal(start.last("write").athlete, "A01");
});

test("a code that was here before brings its own stretch; another code brings nobody's", async () => {
  const form = { athlete: "A01", sensor: "felt", exercise: "hamstring", side: "left", position: "far", limit: "6", carry: true };
  const start = await openStart({ athletes: [card("A01", { form, maximum: "402 N" })] });
  start.choose("simulated");
  assert.equal(start.shows("for-carry"), false);
  start.type("athlete", "a01");
  assert.deepEqual([start.$("exercise").value, start.$("side").value, start.$("limit").value], ["hamstring", "left", "6"]);
  assert.equal(start.shows("for-carry"), true);
  assert.equal(start.$("carry").checked, true);
  await start.wait(400);
  assert.equal(start.last("write").sensor, "simulated"); // the sensor on the table stays
  assert.equal(start.last("write").carry, true);
  start.press("carry");
  await start.wait(400);
  assert.equal(start.last("write").carry, false);
  start.type("athlete", "A99");
  assert.deepEqual([start.$("exercise").value, start.$("side").value, start.$("limit").value], ["", "", "8"]);
  assert.equal(start.$("athlete").value, "A99");
  start.type("position", "here");
  start.type("athlete", "A98");
  assert.equal(start.$("position").value, "here"); // nobody known, nothing to take away
});

test("the code that the form came with is followed as soon as the cards are there", async () => {
  const form = { athlete: "A01", sensor: "felt", exercise: "hamstring", side: "left" };
  const start = await openStart({
    about: about({ form: { athlete: "A01", sensor: "felt", limit: "8" } }),
    athletes: [card("A01", { form })],
  });
  assert.equal(start.$("exercise").value, "hamstring");
});

test("cards that are still worked out, or whose place is gone, come later", async () => {
  const start = await openStart({ athletes: [card("A01", { seeking: true })] });
  start.answers.athletes = [card("A01"), card("A02")];
  await start.wait(3100);
  assert.deepEqual(codes(start), ["A01", "A02"]);
  const n = start.told("athletes").length;
  await start.wait(9100);
  assert.equal(start.told("athletes").length, n);
  const gone = await openStart({ athletes: mistakes(["", "the folder is gone", "plug the stick in"]) });
  assert.equal(gone.text("card-wrong"), "The folder is gone: plug the stick in.");
  gone.answers.athletes = [card("A03")];
  await gone.wait(3100);
  assert.deepEqual([gone.text("card-wrong"), codes(gone)], ["", ["A03"]]);
});

test("a group is set up seat by seat, changed, and begun together; four are the most", async () => {
  const seat = ({ form }) => ({ athlete: form.athlete, stretch: "hamstring", source: "simulated:" });
  const start = await openStart({ ports: [], athletes: [card("A01"), card("A02")], seat, "begin-group": { place: "/coach" } });
  assert.equal(start.shows("group-set"), false);
  assert.equal(start.text("add-seat"), "Set up a group: add as seat 1");
  press(start, "Add A01 to a group");
  await start.wait(0);
  assert.deepEqual(start.last("seat"), { form: { athlete: "A01", sensor: "simulated" }, seated: [] });
  assert.match(start.text("group-seats"), /^1\. A01 hamstringsimulated:ChangeTake out$/);
  assert.deepEqual([start.text("add-seat"), start.text("begin-group")], ["Add to the group (seat 2)", "Start the group"]);
  start.choose("felt");
  for (const code of ["B02", "B03", "B04"]) {
    start.type("athlete", code);
    start.press("add-seat");
    await start.wait(0);
  }
  assert.deepEqual(
    start.last("seat").seated.map(({ athlete }) => athlete),
    ["A01", "B02", "B03"],
  );
  assert.equal(start.text("begin-group"), "Start the group of 4");
  assert.equal(start.$("add-seat").disabled, true);
  press(start, "Change the seat of B03");
  assert.deepEqual(
    [start.text("add-seat"), start.$("athlete").value, start.$("add-seat").disabled],
    ["Keep as seat 3", "B03", false],
  );
  assert.equal(start.page.activeElement, start.$("athlete"));
  assert.deepEqual(
    start.$("group-seats").children.map((row) => row.dataset.changing),
    ["no", "no", "yes", "no"],
  );
  start.type("athlete", "C03");
  start.press("add-seat");
  await start.wait(0);
  assert.deepEqual(
    start.last("seat").seated.map(({ athlete }) => athlete),
    ["A01", "B02", "B04"],
  );
  const seated = () => start.$("group-seats").children.map((row) => row.dataset.athlete);
  assert.deepEqual(seated(), ["A01", "B02", "C03", "B04"]);
  press(start, "Take out B02");
  assert.deepEqual(seated(), ["A01", "C03", "B04"]);
  assert.equal(start.page.activeElement, start.$("begin-group"));
  start.press("begin-group");
  assert.equal(start.text("beginning-group"), "Opening the sensor and the recording …");
  assert.ok(["begin-group", "add-seat"].every((id) => start.$(id).disabled));
  await start.wait(0);
  assert.deepEqual(
    start.last("begin-group").forms.map(({ athlete }) => athlete),
    ["A01", "C03", "B04"],
  );
  assert.deepEqual(start.led, ["/coach"]);
});

test("a seat that does not fit is told at the form, and the last one taken out leads back to it", async () => {
  const seat = () => mistakes(["group", "the code is seated", "take another"], ["athlete", "twice", ""]);
  const start = await openStart({ athletes: [card("A01"), card("A02")], seat, "begin-group": mistakes(["", "no sensor", ""]) });
  press(start, "Add A01 to a group");
  await start.wait(0);
  assert.equal(start.shows("group-set"), false);
  assert.equal(start.$("athlete").value, "A01");
  assert.deepEqual([start.text("form-wrong"), start.text("athlete-wrong")], ["The code is seated: take another.", "Twice."]);
  start.answers.seat = ({ form }) => ({ athlete: form.athlete, stretch: "", source: "" });
  press(start, "Add A02 to a group");
  await start.wait(0);
  start.press("begin-group");
  await start.wait(0);
  assert.equal(start.text("group-wrong"), "No sensor.");
  press(start, "Take out A02");
  assert.equal(start.page.activeElement, start.$("add-seat"));
  assert.equal(start.shows("group-set"), false);
});
