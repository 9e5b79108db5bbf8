import assert from "node:assert/strict";
import { test } from "node:test";

import { placeRatings } from "../../../biofeedback/web/static/live/answer.js";
import { Panels, ZEROED_MS } from "../../../biofeedback/web/static/live/panels.js";

const session = (stage, changes = {}) => ({ stage, zero: { state: "idle" }, maximum: { step: "idle" }, ...changes });

const pressed = () => Object.assign(new Panels(), { hasPressed: true });

test("the page says that it is zeroed for a second, then moves on", () => {
  const panels = pressed();
  assert.equal(panels.choose(session("zero", { zero: { state: "running" } }), 0), "zero");
  const done = session("maximum", { zero: { state: "done" } });
  assert.equal(panels.choose(done, 100), "zero");
  assert.equal(panels.choose(done, 100 + ZEROED_MS - 1), "zero");
  assert.equal(panels.choose(done, 100 + ZEROED_MS), "maximum");
  assert.equal(pressed().choose(done, 0), "maximum", "a page that comes later has nothing to say");
});

test("a push that begins at once is not hidden behind the zero", () => {
  const panels = pressed();
  panels.choose(session("zero", { zero: { state: "running" } }), 0);
  const pushing = session("maximum", { zero: { state: "done" }, maximum: { step: "countdown" } });
  assert.equal(panels.choose(pushing, 10), "maximum");
});

test("a page asks for its one press before the first effort, and never during one", () => {
  for (const stage of ["zero", "maximum", "ready"]) {
    const panels = new Panels();
    assert.equal(panels.choose(session(stage), 0), "cautions", stage);
    panels.hasPressed = true;
    assert.equal(panels.choose(session(stage), 0), stage);
  }
  const panels = new Panels();
  assert.equal(panels.choose(session("cautions"), 0), "cautions");
  assert.equal(panels.choose(session("plan"), 0), "plan");
  for (const step of ["countdown", "push", "rest"])
    assert.equal(panels.choose(session("maximum", { maximum: { step } }), 0), "maximum", step);
  assert.equal(panels.choose(session("done"), 0), "done");
});

test("ratings stand in their order, high ones high, contractions apart; no answer has no place", () => {
  const rating = (value, phase_kind) => ({ value, phase_kind });
  const places = placeRatings([rating(6, "passive"), rating(null, "contract"), rating(3.5, "contract"), rating(10, "")]);
  assert.deepEqual(
    places.map(({ value, contracts }) => [value, contracts]),
    [
      [6, false],
      [3.5, true],
      [10, false],
    ],
  );
  assert.ok(places[0].x < places[1].x && places[1].x < places[2].x);
  assert.ok(places[2].y < places[0].y && places[0].y < places[1].y);
});
