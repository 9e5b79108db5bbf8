import assert from "node:assert/strict";
import { test } from "node:test";

import { Slider, valueAt } from "../../../biofeedback/web/static/phone/slider.js";

test("the whole height is the scale, in hundredths, and beyond its ends is its end", () => {
  const box = { top: 100, bottom: 900 };
  assert.equal(valueAt(900, box), 0);
  assert.equal(valueAt(100, box), 10);
  assert.equal(valueAt(500, box), 5);
  assert.equal(valueAt(497, box), 5.04);
  assert.equal(valueAt(-50, box), 10);
  assert.equal(valueAt(2000, box), 0);
});

test("only while it is on and touched does a moment count", () => {
  for (const [on, finger, value, n] of [
    [true, 1, 4.2, 1],
    [false, 1, 4.2, 0],
    [true, null, 4.2, 0],
    [true, 1, NaN, 0],
  ]) {
    const slider = Object.create(Slider.prototype);
    Object.assign(slider, { finger, value, practisedS: 60, sensor: { hasSlider: on, ratings: [] } });
    slider.sample();
    assert.equal(slider.sensor.ratings.length, n, `${on} ${finger} ${value}`);
    if (n) assert.equal(slider.sensor.ratings[0][1], 4.2);
  }
});
