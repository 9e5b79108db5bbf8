import assert from "node:assert/strict";
import { test } from "node:test";

import { valueAt } from "../../../biofeedback/web/static/phone/slider.js";

test("the whole height is the scale, in hundredths, and beyond its ends is its end", () => {
  const box = { top: 100, bottom: 900 };
  assert.equal(valueAt(900, box), 0);
  assert.equal(valueAt(100, box), 10);
  assert.equal(valueAt(500, box), 5);
  assert.equal(valueAt(497, box), 5.04);
  assert.equal(valueAt(-50, box), 10);
  assert.equal(valueAt(2000, box), 0);
});
