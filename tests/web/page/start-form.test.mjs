import assert from "node:assert/strict";
import { test } from "node:test";

import * as start from "../../../biofeedback/web/static/start/form.js";

const PORTS = [
  { port: "/dev/ttyX", name: "a board" },
  { port: "/dev/ttyY", name: "n/a" },
];
const RADIOS = [{ radio: "Board 7", dbm: -60, profiles: ["frame-radio"] }];

test("a new kind brings its usual unit unless another one was typed", () => {
  const force = start.newColumn();
  assert.equal(start.changeKind(force, "emg").unit, "uV");
  assert.equal(start.changeKind({ ...force, unit: "kg" }, "emg").unit, "kg");
  assert.equal(start.changeKind({ ...start.newColumn("emg"), envelope: true }, "force").envelope, false);
});

test("all that can be chosen is listed, what was found first, the simulated athlete marked", () => {
  const asked = { "/dev/ttyX": { board: "board 1A", profile: "frame-lines" }, "/dev/ttyY": { board: null, reason: "busy" } };
  const list = start.listSensors(PORTS, RADIOS, asked, { sensor: "" });
  assert.deepEqual(
    list.map(({ key }) => key),
    ["port:/dev/ttyX", "port:/dev/ttyY", "radio:Board 7", "port:", "udp", "felt", "simulated", "url"],
  );
  assert.deepEqual(list[0].form, { sensor: "port", port: "/dev/ttyX", profile: "frame-lines" });
  assert.equal(list[1].note, "busy");
  assert.match(list[6].note, /no person is measured/);
  assert.equal(start.listSensors(PORTS, [], {}, {})[0].note, "a board · asking …");
});

test("a radio of last time can be chosen without looking for it", () => {
  const list = start.listSensors([], [], {}, { sensor: "radio", radio: "Board 9", profile: "frame-radio" });
  assert.equal(list[0].key, "radio:Board 9");
  assert.equal(list[0].note, "Bluetooth, as last time");
});

test("a port that is gone stands where it can be typed", () => {
  assert.equal(start.chosenKey({ sensor: "port", port: "/dev/ttyX" }, PORTS), "port:/dev/ttyX");
  assert.equal(start.chosenKey({ sensor: "port", port: "/dev/gone" }, PORTS), "port:");
  assert.equal(start.chosenKey({ sensor: "simulated" }, PORTS), "simulated");
  assert.equal(start.chosenKey({}, PORTS), "");
});

test("only profiles that fit the sensor are offered", () => {
  const profiles = [
    { name: "frame-lines", transport: "serial" },
    { name: "frame-radio", transport: "ble" },
    { name: "weight-scale", transport: "ble" },
  ];
  const names = (form) => start.fittingProfiles(profiles, form, RADIOS).map(({ name }) => name);
  assert.deepEqual(names({ sensor: "port" }), ["frame-lines"]);
  assert.deepEqual(names({ sensor: "radio", radio: "Board 7" }), ["frame-radio"]);
  assert.deepEqual(names({ sensor: "radio", radio: "unseen" }), ["frame-radio", "weight-scale"]);
});

test("the verdict is the worst that was found, and that comes first", () => {
  const found = ["good", "look", "bad", "good"].map((state) => ({ state }));
  assert.match(start.verdictText(found), /^Not fit/);
  assert.match(start.verdictText(found.slice(0, 2)), /can be used/);
  assert.match(start.verdictText(found.slice(0, 1)), /^Fit/);
  assert.deepEqual(
    start.orderFindings(found).map(({ state }) => state),
    ["bad", "look", "good", "good"],
  );
});

test("covariates are what is ticked and what is typed", () => {
  assert.deepEqual(start.beforeOf(["heat"], " long walk, , tea "), ["heat", "long walk", "tea"]);
});

test("a mistake is a sentence with its cure", () => {
  assert.equal(start.mistakeText({ what: "no port is named", cure: "type it" }), "No port is named: type it.");
});

test("a channel's column is found by the name that the program gives it", () => {
  const rows = [
    { kind: "seq", side: "" },
    { kind: "emg", side: "left" },
    { kind: "emg", side: "left" },
    { kind: "force", side: "" },
  ];
  assert.equal(start.columnOfChannel(rows, "emg_left"), rows[1]);
  assert.equal(start.columnOfChannel(rows, "emg_left_2"), rows[2]);
  assert.equal(start.columnOfChannel(rows, "force"), rows[3]);
  assert.equal(start.columnOfChannel(rows, "position"), null);
});
