import assert from "node:assert/strict";
import { test } from "node:test";

import { angleText, hasDrifted } from "../../../biofeedback/web/static/phone/angle-view.js";
import { listRanges } from "../../../biofeedback/web/static/phone/range.js";

const one = (value, more = {}) => ({ when: "before", at: "furthest tolerated", value, unit: "deg", method: "phone", ...more });

test("repeats stand together, ways of reading apart", () => {
  assert.deepEqual(listRanges([one(70), one(71.5), one(92, { unit: "cm", method: "tape" })]), [
    "before, furthest tolerated, phone: 70°, 71.5°",
    "before, furthest tolerated, tape: 92 cm (once more says how well it repeats)",
  ]);
});

const LIMITS = { warn: 1.6, fail: 3.2, text: "limits 1.6 and 3.2 deg" };
const state = (more = {}) => ({
  stage: "plan",
  phase: { kind: "passive" },
  phone: { state: "live", what: "", cure: "" },
  channels: [{ name: "position_phone", limits: LIMITS }],
  zero: { results: { position_phone: { level: 0, sd: 0 } } },
  ...more,
});

test("drift is told with what to do while the position is to be held, and not in a rest", () => {
  assert.match(angleText(state(), 1.0), /1\.0°$/);
  assert.match(angleText(state(), 2.0), /drifted: go back/);
  assert.match(angleText(state(), 5.0), /lost: go back/);
  assert.equal(hasDrifted(state({ phase: { kind: "rest" } }), 40), false);
});

test("no angle says why", () => {
  assert.match(angleText(state(), NaN), /being moved/);
  assert.match(
    angleText(state({ phone: { state: "silent", what: "the phone sends nothing", cure: "look" } }), 1),
    /sends nothing: look/,
  );
  assert.equal(angleText(state({ phone: { state: "off" } }), 1), "");
});
