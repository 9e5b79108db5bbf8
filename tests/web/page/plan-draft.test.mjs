import assert from "node:assert/strict";
import { test } from "node:test";

import * as plan from "../../../biofeedback/web/static/live/plan-draft.js";

test("what is typed becomes a number only where it is one", () => {
  assert.deepEqual(["20", " 2,5 ", "-3", ".5", "", "long", "2 s", "1e9"].map(plan.typedValue), [
    20,
    2.5,
    -3,
    0.5,
    "",
    "long",
    "2 s",
    "1e9",
  ]);
});

test("bands are typed and shown the same way", () => {
  assert.deepEqual(plan.typedBands("20-30, 45 – 55,"), [
    [20, 30],
    [45, 55],
  ]);
  assert.deepEqual(plan.typedBands("hard"), [["hard"]]);
  assert.equal(
    plan.bandsText([
      [20, 30],
      [45, 55],
    ]),
    "20–30, 45–55",
  );
  assert.deepEqual(
    plan.typedBands(
      plan.bandsText([
        [20, 30],
        [45.5, 55],
      ]),
    ),
    [
      [20, 30],
      [45.5, 55],
    ],
  );
});

test("only a contraction has a band", () => {
  const contract = { kind: "contract", duration_s: 20, band: [60, 80], adapt: [10, 90], title: "Push", ask: true };
  assert.deepEqual(plan.changeKind(contract, "rest"), { kind: "rest", duration_s: 20, ask: true });
  assert.deepEqual(plan.changeKind({ kind: "rest", duration_s: 9 }, "contract"), {
    kind: "contract",
    duration_s: 9,
    band: [20, 30],
  });
});

test("a contraction goes by a band or by feeling, a hand squeeze by neither", () => {
  const felt = plan.changeKind({ kind: "contract", duration_s: 20, band: [60, 80], title: "Push", ask: true }, "felt");
  assert.deepEqual(felt, { kind: "contract", duration_s: 20, felt: 2, ask: true });
  assert.equal(plan.kindOf(felt), "felt");
  assert.deepEqual(plan.changeKind(felt, "contract"), { kind: "contract", duration_s: 20, band: [20, 30], ask: true });
  assert.deepEqual(plan.changeKind(felt, "remote"), { kind: "remote", duration_s: 20, ask: true });
  assert.deepEqual(Object.keys(plan.KINDS), ["passive", "contract", "felt", "remote", "rest"]);
});

test("moving stops at the ends and leaves the list it was given", () => {
  const list = ["a", "b", "c"];
  assert.deepEqual(plan.moved(list, 1, -1), ["b", "a", "c"]);
  assert.deepEqual(plan.moved(list, 1, 1), ["a", "c", "b"]);
  assert.equal(plan.moved(list, 0, -1), list);
  assert.equal(plan.moved(list, 2, 1), list);
  assert.deepEqual(list, ["a", "b", "c"]);
});

test("mistakes are told without the words of files", () => {
  assert.equal(
    plan.mistakeText({ what: "duration_s = ''", cure: "use a number from 1 to 3600" }),
    "Seconds is empty: use a number from 1 to 3600.",
  );
  assert.equal(
    plan.mistakeText({ what: "band = [80, 60]", cure: "use two numbers, low below high, in % of maximum, e.g. band = [20, 30]" }),
    "Band [80, 60]: use two numbers, low below high, in % of maximum.",
  );
  assert.equal(
    plan.mistakeText({ what: "a plan without phases", cure: "add [[block]] and [[block.phase]] with a kind and a duration_s" }),
    "A plan without phases: add a phase.",
  );
});

test("a mistake finds its place", () => {
  assert.deepEqual(plan.whereOf(["title"]), { block: null, phase: null, field: "title" });
  assert.deepEqual(plan.whereOf([]), { block: null, phase: null, field: null });
  assert.deepEqual(plan.whereOf(["block", 2]), { block: 2, phase: null, field: null });
  assert.deepEqual(plan.whereOf(["block", 0, "repeat"]), { block: 0, phase: null, field: "repeat" });
  assert.deepEqual(plan.whereOf(["block", 1, "phase", 3, "band"]), { block: 1, phase: 3, field: "band" });
});

test("a tidy draft leaves out what was left empty and is a copy", () => {
  const draft = { ...plan.blankDraft(), randomise: "", randomise_bands: [] };
  assert.deepEqual(Object.keys(plan.tidy(draft)), ["title", "block"]);
  assert.equal(draft.randomise, "");
});

test("a phase keeps its bands when it moves another way, and loses them with its kind", () => {
  const ramp = {
    kind: "contract",
    duration_s: 20,
    band: [20, 30],
    ramp: [[40, 50]],
    blind: [[5, 9]],
    until: "band lost",
    lost_s: 3,
  };
  assert.equal(plan.shapeOf(ramp), "ramp");
  const steps = plan.changeShape(ramp, "steps");
  assert.deepEqual(steps.steps, [[40, 50]]);
  assert.equal("ramp" in steps, false);
  assert.deepEqual(steps.blind, [[5, 9]]);
  assert.equal(plan.shapeOf(plan.changeShape(steps, "")), "");
  assert.deepEqual(plan.changeKind(ramp, "rest"), { kind: "rest", duration_s: 20 });
  assert.deepEqual(plan.changeShape({ kind: "contract", band: [20, 30] }, "steps").steps, [[40, 50]]);
  assert.equal(plan.untilOf("rest"), "recovered");
  assert.equal(plan.untilOf("passive"), undefined);
});

test("what a draft has that the form does not show is sent as it is", () => {
  const draft = {
    lesson: "ramp",
    block: [{ phase: [{ kind: "contract", duration_s: 9, band: [1, 2], ramp: [[3, 4]], lost_s: 3 }] }],
  };
  assert.deepEqual(plan.tidy(draft), draft);
});
