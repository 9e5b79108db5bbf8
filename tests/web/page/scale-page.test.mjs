// Scaling a force sensor on the coach's page without a browser.

import assert from "node:assert/strict";
import { test } from "node:test";

import { openPressed } from "./live-stand-in.mjs";
import { CHANNEL, maximum, session } from "./sessions.mjs";

const LOADS = [0, 10, 20].map((load, k) => ({ load, unit: "kg", reading: 1000 + 500.123456789 * k }));

const scale = (changes = {}) => ({
  channel: "force",
  running: false,
  loads: [],
  refused: null,
  certificate: null,
  check: null,
  ...changes,
});

test("a scale is made load by load: what is sent, what can be pressed, what comes next", async () => {
  const live = await openPressed(session({ stage: "zero" }));
  const read = () => live.press("scale-read");
  read();
  live.type("scale-load", "-1");
  read();
  assert.equal(live.text("scale-status"), "Type the load first: a number, 0 for the empty sensor.");
  assert.equal(live.page.activeElement, live.$("scale-load"));
  assert.deepEqual(live.sent(), []);
  live.type("scale-load", "0");
  read();
  live.type("scale-load", " 2,5 ");
  live.type("scale-unit", "lb");
  live.press("scale-check");
  const about = { channel: "force" };
  assert.deepEqual(live.sent(), [
    { do: "scale_load", ...about, load: 0, unit: "kg" },
    { do: "scale_check", ...about, load: 2.5, unit: "lb" },
  ]);
  assert.equal(live.shows("scale-which"), false);
  const can = () => ["read", "check", "undo", "creep", "finish"].map((name) => !live.$(`scale-${name}`).disabled);
  const cases = [
    [{}, {}, [true, true, false, false, false]],
    [{ loads: LOADS.slice(0, 1) }, {}, [true, true, true, false, false]],
    [{ loads: LOADS.slice(0, 2) }, {}, [true, true, true, true, false]],
    [{ loads: LOADS }, {}, [true, true, true, true, true]],
    [{ loads: LOADS, running: true }, {}, [false, false, false, false, false]],
    [{ loads: LOADS }, { maximum: maximum({ step: "rest" }) }, [false, false, false, false, false]],
    [{ loads: LOADS }, { zero: { state: "running", results: {} } }, [false, false, false, false, false]],
  ];
  for (const [changes, more, expected] of cases) {
    live.tell(session({ stage: "zero", scale: scale(changes), ...more }));
    assert.deepEqual(can(), expected, JSON.stringify([changes, more]));
    const idle = expected[0] ? "" : changes.running ? "Reading: let it hang still" : "Waits until nothing else is under way";
    assert.equal(live.text("scale-status"), idle);
  }
  live.tell(session({ stage: "zero", scale: scale({ loads: LOADS }) }));
  assert.deepEqual(
    live.$("scale-loads").children.map((row) => row.children.map((each) => each.textContent)),
    [
      ["0 kg", "1000 counts"],
      ["10 kg", "1500.123 counts"],
      ["20 kg", "2000.247 counts"],
    ],
  );
  live.press("scale-undo");
  live.press("scale-creep");
  live.type("scale-sensor", " S1 ");
  live.press("scale-finish");
  live.type("scale-arm", "0,4");
  live.press("scale-finish");
  const finish = { do: "scale_finish", sensor: "S1" };
  assert.deepEqual(live.sent(), [
    { do: "scale_undo", n_loads: 3 },
    { do: "scale_creep" },
    finish,
    { ...finish, lever_arm_m: 0.4 },
  ]);
  for (const wrong of ["0", "long"]) {
    live.type("scale-arm", wrong);
    live.press("scale-finish");
    assert.match(live.text("scale-status"), /^The lever arm is a number of metres/);
  }
  assert.deepEqual(live.sent(), []);
});

test("the next step of a scale follows from the loads so far", async () => {
  const { nextStep } = await import("../../../biofeedback/web/static/live/scale.js");
  const step = (...loads) => nextStep({ loads: loads.map((load) => ({ load })), certificate: null });
  assert.equal(step(), "1. Take everything off the sensor, then read 0.");
  assert.equal(step(0), "2. Hang the next heavier load and read it; five or more are best.");
  assert.equal(step(0, 5, 5, 10), "2. Hang the next heavier load and read it; five or more are best.");
  assert.equal(step(0, 5, 10, 15, 20), "2. Hang the next heavier load and read it, or begin taking loads off.");
  assert.equal(step(0, 10, 5), "3. Take the loads off one by one, reading each, down to 0.");
  assert.equal(step(0, 10, 5, 0), "4. Empty again: make the certificate.");
  assert.equal(nextStep({ loads: [], certificate: {} }), "Done. Reading another load starts a new scale.");
});

test("which of several force sensors is scaled can be chosen; without one there is no scale", async () => {
  const right = { ...CHANNEL, name: "force_right", guide: false };
  const live = await openPressed(session({ stage: "zero", channels: [CHANNEL, right] }));
  assert.equal(live.shows("scale-which"), true);
  live.type("scale-channel", "force_right");
  live.type("scale-load", "1");
  live.press("scale-read");
  assert.deepEqual(live.sent(), [{ do: "scale_load", channel: "force_right", load: 1, unit: "kg" }]);
  live.tell(session({ stage: "zero", channels: [{ ...CHANNEL, kind: "emg" }] }));
  assert.equal(live.shows("scale"), false);
});

test("what a scale refused, checked or measured is said, bad things marked", async () => {
  const live = await openPressed(session({ stage: "zero" }));
  const refused = { what: "it swings", cure: "let it hang" };
  const said = () => live.$("scale-said").children.map((each) => [each.textContent, each.hasAttribute("data-bad")]);
  live.tell(
    session({ stage: "zero", scale: scale({ refused, check: { good: true, text: "within 1 %" }, creep_counts: 12.3456 }) }),
  );
  assert.deepEqual(said(), [
    ["Over a minute the reading crept by 12.3 counts.", false],
    ["It swings: let it hang.", true],
    ["Within 1 %.", false],
  ]);
  live.tell(session({ stage: "zero", scale: scale({ check: { good: false, text: "8 % off" } }) }));
  assert.deepEqual(said(), [["8 % off.", true]]);
});

test("a certificate says what it is worth, in numbers and as a picture of what is left over", async () => {
  const residuals = [
    { load: 0, residual: 0, rising: true },
    { load: 10, residual: 0.5, rising: true },
    { load: 20, residual: -1, rising: false },
  ];
  const certificate = {
    ...{ slope: "0.02 kg", residual_sd: 0.0123456, unit: "kg", smallest_load: null, nonlinearity_percent: 0.123 },
    ...{ hysteresis_percent: null, zero_return_percent: 0, verdict: "Good", notes: ["few loads"], residuals },
  };
  const live = await openPressed(session({ stage: "zero", scale: scale({ loads: LOADS, certificate }) }));
  for (const name of ["undo", "creep", "finish"]) assert.equal(live.$(`scale-${name}`).disabled, true);
  assert.equal(
    live.$("scale-result").querySelector("dl").textContent,
    "Slope0.02 kgResidual SD0.0123 kgSmallest load worth readingnot knownNon-linearity, of full scale0.12 %" +
      "Hysteresis, of full scalenot measuredZero return, of full scale0.00 %Creep in a minute, of full scalenot measured",
  );
  assert.match(live.text("scale-result"), /^Good.*Few loads\.$/);
  const svg = live.$("scale-result").querySelector("svg");
  assert.equal(svg.getAttribute("aria-label"), "Residuals of 3 loads, at most 1.0 kg");
  const [, , w, h] = svg.getAttribute("viewBox").split(" ").map(Number);
  const line = svg.querySelector("line");
  const ground = Number(line.getAttribute("y1"));
  assert.equal(Number(line.getAttribute("y2")), ground);
  assert.ok(Number(line.getAttribute("x1")) < Number(line.getAttribute("x2")) && Number(line.getAttribute("x2")) <= w);
  const marks = svg.querySelectorAll("polygon").map((each) => ({
    points: each
      .getAttribute("points")
      .split(" ")
      .map((point) => point.split(",").map(Number)),
    rising: each.getAttribute("data-rising"),
  }));
  assert.deepEqual(
    marks.map(({ rising }) => rising),
    ["true", "true", "false"],
  );
  const centres = marks.map(({ points: [tip, right, left], rising }) => {
    assert.ok(right[0] > tip[0] && left[0] < tip[0] && right[1] === left[1] && Math.abs(right[0] + left[0] - 2 * tip[0]) < 1e-9);
    assert.equal(tip[1] < right[1], rising === "true"); // points up: loading
    return [tip[0], rising === "true" ? tip[1] + 6 : tip[1] - 6];
  });
  const high = centres[1][1] - ground;
  assert.ok(Math.abs(centres[0][1] - ground) < 1e-9 && high < 0 && Math.abs(centres[2][1] - ground + 2 * high) < 1e-9);
  assert.ok(Math.abs(centres[1][0] - (centres[0][0] + centres[2][0]) / 2) < 1e-9 && centres[0][0] > 30 && centres[2][0] <= w - 5);
  assert.ok(marks.flatMap(({ points }) => points).every(([x, y]) => x > 0 && x < w && y > 0 && y < h));
  const texts = svg.querySelectorAll("text");
  assert.deepEqual(
    texts.map((each) => each.textContent),
    ["+1.0 kg", "0 kg", "−1.0 kg"].map((text, k) => (k === 1 ? text : text.replace(" kg", ""))),
  );
  for (const [k, y] of [ground + 2 * high, ground, ground - 2 * high].entries())
    assert.ok(Math.abs(Number(texts[k].getAttribute("y")) - y) < 8 && Number(texts[k].getAttribute("x")) < 20);
});
