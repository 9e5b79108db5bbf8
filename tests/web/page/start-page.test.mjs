// The start place without a browser: sensors to choose, what is shown for each, what is written, checked and begun.

import assert from "node:assert/strict";
import { test } from "node:test";

import { EXERCISES, about, mistakes, openStart } from "./start-stand-in.mjs";

const chosen = (start) =>
  start.page
    .querySelectorAll("[name=sensor]")
    .filter((input) => input.checked)
    .map((input) => input.value);

const keys = (start) => start.page.querySelectorAll("[name=sensor]").map((input) => input.value);

test("ports are looked for and asked; the first board of ours is taken by itself", async () => {
  const start = await openStart();
  assert.deepEqual(keys(start).slice(0, 2), ["port:/dev/ttyX", "port:/dev/ttyY"]);
  assert.deepEqual(start.told("ask"), [{ port: "/dev/ttyX" }, { port: "/dev/ttyY" }]);
  assert.deepEqual(chosen(start), ["port:/dev/ttyX"]);
  assert.match(start.text("sensors"), /\/dev\/ttyX a board · board 1A\/dev\/ttyY busy/);
  assert.equal(start.shows("none-found"), false);
  assert.deepEqual([start.last("write").port, start.last("write").profile], ["/dev/ttyX", "frame-lines"]);
  assert.deepEqual([start.text("source"), start.text("command")], ["serial:X", "biofeedback live"]);
  start.choose("port:/dev/ttyY");
  start.press("look");
  await start.wait(400);
  assert.deepEqual(chosen(start), ["port:/dev/ttyY"]); // what was chosen stays
});

test("no port is told with its cure, and one that cannot be asked with its reason", async () => {
  const none = await openStart({ ports: [] });
  assert.equal(none.shows("none-found"), true);
  const deaf = await openStart({ ask: () => mistakes(["", "it is in use", ""]) });
  assert.match(deaf.text("sensors"), /a board · it is in use/);
  assert.deepEqual(chosen(deaf), []);
});

test("each sensor has its own fields, and none of another", async () => {
  const start = await openStart({ ports: [] });
  const fields = ["port", "udp", "url", "simulated", "profile", "rate", "columns"];
  const more = ["about-felt", "checks", "about-check"];
  const cases = {
    "port:": [
      ["port", "profile", "rate", "columns"],
      ["checks", "about-check"],
    ],
    udp: [
      ["udp", "profile", "rate", "columns"],
      ["checks", "about-check"],
    ],
    felt: [[], ["about-felt"]],
    simulated: [["simulated"], ["checks", "about-check"]],
    url: [["url"], ["checks", "about-check"]],
  };
  for (const [key, [own, also]] of Object.entries(cases)) {
    start.choose(key);
    assert.deepEqual(
      fields.filter((name) => start.shows(`for-${name}`)),
      own,
      key,
    );
    assert.deepEqual(
      more.filter((name) => start.shows(name)),
      also,
      key,
    );
  }
  start.choose("udp");
  start.type("profile", "frame-udp");
  assert.equal(start.shows("for-columns"), false);
  assert.equal(start.$("rate").placeholder, "as its profile says");
  assert.equal(start.text("profile-hint"), "Profile frame-udp: force, N");
  start.choose("port:");
  assert.equal(start.$("rate").placeholder, "measured");
  assert.deepEqual(
    start.$("profile").options.map((option) => [option.value, option.textContent]),
    [
      ["", "Lines of numbers, described below"],
      ["frame-lines", "Lines of our board"],
    ],
  );
});

test("Bluetooth sensors are looked for when asked, and what was found can be chosen", async () => {
  const start = await openStart({ ports: [], radios: [{ radio: "Board 7", dbm: -60, profiles: ["frame-radio"] }] });
  start.press("look-radios");
  assert.equal(start.$("look-radios").disabled, true);
  assert.match(start.text("looked"), /^Looking for Bluetooth/);
  await start.wait(0);
  assert.equal(start.$("look-radios").disabled, false);
  assert.equal(start.text("looked"), "");
  start.choose("radio:Board 7");
  await start.wait(400);
  const { sensor, radio, profile } = start.last("write");
  assert.deepEqual([sensor, radio, profile], ["radio", "Board 7", "frame-radio"]);
  assert.equal(start.shows("for-profile"), true);
  assert.equal(start.shows("for-columns"), false);
  start.answers.radios = [];
  start.press("look-radios");
  await start.wait(0);
  assert.notEqual(start.text("looked"), "");
  start.answers.radios = () => mistakes(["", "Bluetooth is off", "switch it on"]);
  start.press("look-radios");
  await start.wait(0);
  assert.equal(start.text("looked"), "Bluetooth is off: switch it on.");
});

test("what is typed is written a moment after the last change, all of it", async () => {
  const start = await openStart({ ports: [] });
  const n = start.told("write").length;
  start.choose("port:");
  start.type("port", " /dev/mine ");
  start.type("rate", "80");
  start.type("athlete", "A01");
  start.type("exercise", "hamstring");
  start.type("side", "left");
  start.type("position", "heel on box");
  start.type("limit", "7");
  start.type("before-other", "tea, a walk");
  start.press(start.page.querySelectorAll("[name=before]")[1]);
  start.press("alone");
  start.pass(250);
  assert.equal(start.told("write").length, n);
  await start.wait(100);
  assert.equal(start.told("write").length, n + 1);
  const { columns, ...form } = start.last("write");
  assert.equal(columns.length, 1);
  assert.deepEqual(form, {
    ...{
      port: "/dev/mine",
      udp: "4210",
      url: "",
      seed: "1",
      baud: "",
      rate: "80",
      key: "",
      athlete: "A01",
      position: "heel on box",
    },
    ...{ limit: "7", unsaid_force: "", unsaid_cautions: "", sensor: "port", radio: "", profile: "", simulated: "force,emg" },
    ...{
      lines: null,
      decimal: "",
      exercise: "hamstring",
      side: "left",
      before: ["heat", "tea", "a walk"],
      alone: true,
      carry: false,
    },
    way: null,
  });
  start.choose("udp");
  assert.equal(start.$("rate").value, ""); // of the one before
});

test("the form of last time stands there again, own words and other things done before in their own fields", async () => {
  const form = {
    ...{ sensor: "simulated", simulated: "emg", seed: "4", athlete: "A07", exercise: "a stretch of mine", side: "right" },
    ...{ position: "far", limit: "6", before: ["massage", "tea"], alone: true, columns: [{ kind: "force", unit: "N" }] },
  };
  const start = await openStart({ about: about({ form }) });
  const value = (id) => start.$(id).value;
  assert.deepEqual(["seed", "athlete", "own", "side", "position", "limit", "before-other", "simulated"].map(value), [
    ...["4", "A07", "a stretch of mine", "right", "far", "6", "tea", "emg"],
  ]);
  assert.equal(start.shows("for-own"), true);
  assert.equal(start.$("alone").checked, true);
  assert.deepEqual(
    start.page.querySelectorAll("[name=before]").map((box) => box.checked),
    [false, false, true],
  );
  assert.deepEqual(chosen(start), ["simulated"]); // and no board takes its place
  const { exercise, before, alone } = start.last("write");
  assert.deepEqual([exercise, before, alone], ["a stretch of mine", ["massage", "tea"], true]);
  const known = await openStart({ about: about({ form: { sensor: "felt", exercise: "hamstring" } }) });
  assert.deepEqual([known.$("exercise").value, known.$("own").value], ["hamstring", ""]);
  assert.equal(known.shows("for-own"), false);
});

test("a stretch brings its notes, its rig and its position; what it does not say is asked once", async () => {
  const start = await openStart({ ports: [] });
  start.choose("port:");
  assert.equal(start.shows("unsaid"), false);
  start.type("exercise", "hamstring");
  assert.equal(start.text("about-exercise"), "Strapround the ankle");
  assert.deepEqual([start.shows("rig"), start.$("rig-picture").alt], [true, "The rig"]);
  assert.equal(start.$("position").placeholder, "heel on a box");
  assert.equal(start.shows("unsaid"), false);
  start.type("exercise", "own-1");
  assert.deepEqual(["unsaid", "for-unsaid_force", "for-unsaid_cautions", "rig"].map(start.shows), [true, true, true, false]);
  assert.equal(start.text("unsaid_force-hint"), "Where?");
  start.choose("felt");
  assert.deepEqual(["unsaid", "for-unsaid_force", "for-unsaid_cautions"].map(start.shows), [true, false, true]);
  start.choose("simulated");
  assert.equal(start.shows("unsaid"), false);
  start.choose("port:");
  start.type("exercise", start.$("exercise").options.at(-1).value);
  assert.equal(start.shows("unsaid"), false); // no words yet
  start.type("own", "something else");
  assert.equal(start.text("unsaid_force-hint"), "Where does it push?");
  start.type("own", " standing  Hamstring stretch ");
  assert.equal(start.shows("unsaid"), false); // it is one that is known
  assert.equal(EXERCISES.length, start.$("exercise").options.length - 2);
});
