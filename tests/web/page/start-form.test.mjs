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
  assert.equal(force.unit, ""); // a force's unit is asked, never assumed
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

test("another port begins with the one that was typed, unless that is in the list already", () => {
  const typed = (form, ports = PORTS) => start.listSensors(ports, [], {}, form).find(({ key }) => key === "port:").form;
  for (const [form, ports, port] of [
    [{ port: "/dev/gone" }, PORTS, "/dev/gone"],
    [{ port: "/dev/ttyX" }, PORTS, ""],
    [{ port: "/dev/ttyY" }, PORTS, ""],
    [{ port: "/dev/ttyX" }, PORTS.slice(1), "/dev/ttyX"],
    [{ port: "/dev/ttyX" }, [], "/dev/ttyX"],
    [{ port: "" }, PORTS, ""],
    [{}, PORTS, ""],
    [{}, [], ""],
  ])
    assert.deepEqual(typed(form, ports), { sensor: "port", port });
});

test("a port that says no name of its own is told by what was heard there", () => {
  const [first, second] = start.listSensors(PORTS, [], { "/dev/ttyY": { board: null, reason: "busy" } }, {});
  assert.deepEqual(first, {
    key: "port:/dev/ttyX",
    title: "/dev/ttyX",
    note: "a board · asking …",
    form: { sensor: "port", port: "/dev/ttyX" },
  });
  assert.deepEqual(second, {
    key: "port:/dev/ttyY",
    title: "/dev/ttyY",
    note: "busy",
    form: { sensor: "port", port: "/dev/ttyY" },
  });
});

test("a radio is listed once, with what it says of itself", () => {
  const near = (radios, form) =>
    start
      .listSensors([], radios, {}, form)
      .filter(({ key }) => key.startsWith("radio:"))
      .map(({ key, title, note, form: chosen }) => [key, title, note, chosen.profile]);
  const seen = ["radio:Board 7", "Board 7", "Bluetooth, −60 dBm", "frame-radio"];
  const kept = (name) => [`radio:${name}`, name, "Bluetooth, as last time", "weight-scale"];
  const last = (radio, sensor = "radio") => ({ sensor, radio, profile: "weight-scale" });
  assert.deepEqual(near(RADIOS, {}), [seen]);
  assert.deepEqual(near(RADIOS, last("Board 7")), [seen]);
  assert.deepEqual(near(RADIOS, last("Board 9")), [seen, kept("Board 9")]);
  assert.deepEqual(near([], last("Board 7")), [kept("Board 7")]);
  assert.deepEqual(near(RADIOS, last("Board 9", "port")), [seen]);
  assert.deepEqual(near(RADIOS, last("")), [seen]);
  assert.deepEqual(near([{ ...RADIOS[0], title: "seven", dbm: 4 }], {}), [
    ["radio:Board 7", "seven", "Bluetooth, 4 dBm", "frame-radio"],
  ]);
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

const HEARD = [
  { kind: "seq", label: "No", unit: "", value: "29", role: "counter" },
  { kind: "force", label: "Kraft", unit: "kg", value: "29.25", role: "value" },
  { kind: "", label: "", unit: "", value: "7", role: "same" },
];

test("what was heard fills the table, and what was typed before stays", () => {
  const rows = start.rowsOf(HEARD, [start.newColumn()]);
  assert.deepEqual(
    rows.map(({ kind, unit }) => [kind, unit]),
    [
      ["seq", ""],
      ["force", "kg"],
      ["", ""],
    ],
  );
  const typed = [rows[0], { ...rows[1], factor: "2" }, { ...rows[2], kind: "-" }];
  assert.deepEqual(start.rowsOf(HEARD, typed), typed);
});

test("a single number without a name is taken for a force, and its unit asked with the reading in it", () => {
  const heard = [{ kind: "", label: "", unit: "", value: "32.1", role: "value" }];
  const rows = start.rowsOf(heard, [start.newColumn()]);
  assert.equal(rows[0].kind, "force");
  const [{ number, offers }] = start.askedUnits(rows, heard);
  assert.equal(number, 1);
  assert.deepEqual(
    offers.map(({ words }) => words),
    ["32.1 newtons", "32.1 kilograms", "32.1 grams", "32.1 pounds", "Its own numbers, to be scaled"],
  );
  assert.deepEqual(start.askedUnits([{ ...rows[0], unit: "kg" }], heard), []);
});

test("beside a counter a single number without a name is a force in the unit that the lines say", () => {
  const heard = [HEARD[0], { kind: "", label: "", unit: "kg", value: "29.25", role: "value" }];
  assert.deepEqual(
    start.rowsOf(heard, [start.newColumn()]).map(({ kind, unit }) => [kind, unit]),
    [
      ["seq", ""],
      ["force", "kg"],
    ],
  );
});

test("columns and lines are told in words", () => {
  assert.equal(start.columnWords(1, HEARD), "column 1 · “No” · 29 · counts up");
  assert.equal(start.columnWords(2, HEARD), "column 2 · “Kraft” · 29.25 kg");
  const heard = { layout: null, problem: "", prompt: "", texts: [], waits: false, readings: [], n_lines: 9, n_odd: 0 };
  assert.match(start.hearText({ ...heard, waits: true, prompt: "Press c" }), /“Press c” and waits/);
  assert.match(start.hearText({ ...heard, readings: [1, 2] }), /two ways/);
  assert.match(start.hearText({ ...heard, problem: "too few lines so far" }), /^Too few lines so far/);
  assert.match(start.hearText({ ...heard, layout: {}, n_odd: 2 }), /2 of 9 lines do not fit/);
});

test("sensors that look alike are those of one kind and profile", () => {
  const radios = ["1A2B", "3C4D"].map((radio) => ({ radio, dbm: -60, profiles: ["frame-radio"] }));
  const list = start.listSensors(PORTS, radios, {}, { sensor: "" });
  assert.deepEqual(
    start.alike(list, "radio:1A2B").map(({ key }) => key),
    ["radio:1A2B", "radio:3C4D"],
  );
  assert.deepEqual(start.alike(list, "port:/dev/ttyX"), []); // nobody said what they send
  assert.deepEqual(start.alike(start.listSensors(PORTS, RADIOS, {}, {}), "radio:Board 7"), []);
});
