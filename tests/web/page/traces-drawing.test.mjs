// Every sensor's own trace on the coach's page: its last 30 s, from its smallest to its largest value, in its own unit.

import assert from "node:assert/strict";
import { test } from "node:test";

import { Ring } from "../../../biofeedback/web/static/shared/strip.js";
import { COLORS, RecordingContext, boundsOf } from "./recording-context.mjs";

class Element {
  constructor(tag) {
    Object.assign(this, { tag, attributes: {}, children: [], dataset: {}, textContent: "", hidden: false });
  }

  setAttribute(name, value) {
    this.attributes[name] = value;
  }

  addEventListener() {}

  append(...children) {
    this.children.push(...children);
    for (const child of children) if (child instanceof Element) child.parentElement = this;
  }

  replaceChildren(...children) {
    this.children = children;
  }
}

const elements = new Map();
globalThis.document = {
  createElement: (tag) => new Element(tag),
  getElementById: (id) => {
    if (!elements.has(id)) new Element("div").append(elements.set(id, new Element("div")).get(id));
    return elements.get(id);
  },
};
const { drawTraces, renderTraces } = await import("../../../biofeedback/web/static/live/traces.js");

const RATE = 100;
const W = 300;
const H = 60;
const channel = (name, more = {}) => ({
  name,
  kind: "force",
  unit: "N",
  calibrated: true,
  problem: null,
  guide: false,
  beside: false,
  in_use: null,
  can_guide: false,
  ...more,
});

function ringOf(seconds, valueAt) {
  const ring = new Ring(30 * RATE);
  ring.push(
    0,
    seconds * RATE,
    1,
    Float32Array.from({ length: seconds * RATE }, (_, k) => valueAt(k / RATE)),
    0,
  );
  return ring;
}

const LEFT = 46; // the scale's two numbers stand left of the trace

function drawn(rings, timeS, { live = true, zero = 0 } = {}) {
  const results = zero === null ? {} : { force0: { level: zero, sd: 0 }, force1: { level: zero, sd: 0 } };
  const channels = rings.map((_, k) => channel(`force${k}`, { guide: k === 0 }));
  const state = { stage: "ready", channels, zero: { results } };
  renderTraces(state, () => {});
  const contexts = [];
  const paint = (canvas, drawing) => {
    const ctx = new RecordingContext();
    drawing(ctx, W, H);
    contexts.push(ctx);
  };
  const update = { timeS, level: timeS * RATE };
  drawTraces({ levelRings: rings, effortRings: [], state, update, levelRateHz: RATE }, COLORS, live, paint);
  return { contexts, values: elements.get("traces").children.map((row) => row.children[1].children[0].children[0].textContent) };
}

const close = (a, b, words = "", within = 0.01) => assert.ok(Math.abs(a - b) < within, `${words}: ${a} against ${b}`);

test("a trace fills its room from the smallest to the largest value, 30 s ago at the left and now at the right", () => {
  const { contexts } = drawn([ringOf(40, (s) => (s < 25 ? 100 : 300)), ringOf(40, () => 7)], 40);
  const [cleared] = contexts[0].marks;
  assert.equal(cleared.kind, "clear");
  assert.deepEqual(boundsOf(cleared.paths), { left: 0, top: 0, right: W, bottom: H }, "nothing of the last drawing stays");
  const [line] = contexts[0].of("stroke", "ink");
  // the room of 54 px holds the span of 200 with 8 % of it below and above
  const yOf = (value) => H - 3 - ((value - 100 + 16) / 232) * (H - 6);
  const points = line.paths.flatMap((path) => path.points);
  close(points[0][1], yOf(100));
  close(points.at(-1)[1], yOf(300));
  close(points[0][0], LEFT + 0.5, "left", 0.51);
  close(points.at(-1)[0], W - 0.5, "right", 0.51);
  const step = points.find((point) => point[1] < yOf(200));
  close(step[0], LEFT + (15 / 30) * (W - LEFT), "the step, 15 s after the left edge", 1.01);
  assert.deepEqual(
    contexts[0].of("text").map((mark) => [mark.text, mark.baseline]),
    [
      ["300", "top"],
      ["100", "bottom"],
    ],
  );
});

test("a steady reading lies in the middle, and one that never came is no line", () => {
  const { contexts } = drawn([ringOf(40, () => 50), ringOf(40, () => NaN)], 40);
  const { top, bottom } = boundsOf(contexts[0].of("stroke", "ink")[0].paths);
  close(top, H / 2);
  close(bottom, H / 2);
  assert.deepEqual(
    contexts[1].marks.map((mark) => mark.kind),
    ["clear"],
  );
});

test("a hole in the readings is a hole in the line", () => {
  const { contexts } = drawn([ringOf(30, (s) => (s >= 6 && s < 9 ? NaN : 10 + s))], 30);
  const [line] = contexts[0].of("stroke", "ink");
  assert.equal(line.paths.length, 2);
  close(boundsOf([line.paths[0]]).right, LEFT + (6 / 30) * (W - LEFT), "", 1.01);
  close(boundsOf([line.paths[1]]).left, LEFT + (9 / 30) * (W - LEFT), "", 1.01);
});

test("the value beside a trace is its newest, and none when nothing is live", () => {
  const rings = [ringOf(30, (s) => (s < 29.99 ? 10 : 123))];
  assert.deepEqual(drawn(rings, 30).values, ["123 N"]);
  assert.deepEqual(drawn(rings, 30, { live: false }).values, ["–"]);
  assert.deepEqual(drawn(rings, 30, { zero: 23 }).values, ["100 N"]); // above its zero, as everywhere
  assert.deepEqual(drawn(rings, 30, { zero: null }).values, ["123 N raw"]); // before there is one
});

test("a sensor of ten readings a second has a line as well, and the scale's numbers stand beside it", () => {
  const slow = new Ring(300);
  slow.push(
    0,
    300,
    1,
    Float32Array.from({ length: 300 }, (_, k) => 100 + (k % 7)),
    0,
  );
  const [ctx] = [new RecordingContext()];
  const state = { stage: "ready", channels: [channel("force0")], zero: { results: {} } };
  renderTraces(state, () => {});
  const paint = (canvas, drawing) => drawing(ctx, 900, H);
  drawTraces(
    { levelRings: [slow], effortRings: [], state, update: { timeS: 30, level: 300 }, levelRateHz: 10 },
    COLORS,
    true,
    paint,
  );
  const [line] = ctx.of("stroke", "ink");
  assert.equal(line.paths.length, 1);
  assert.ok(line.paths[0].points.length >= 300);
  for (const mark of ctx.of("text")) assert.ok(mark.paths[0].points[0][0] < LEFT, mark.text);
});
