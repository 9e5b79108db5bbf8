import assert from "node:assert/strict";
import { test } from "node:test";

import { absentText, countText, minutesLeft, whereText } from "../../../biofeedback/web/static/shared/devices.js";

test("a code's minutes are rounded up while it works and end at nothing", () => {
  assert.equal(minutesLeft(600, 0), 10);
  assert.equal(minutesLeft(600, 1), 10);
  assert.equal(minutesLeft(600, 541), 1);
  assert.equal(minutesLeft(600, 600), 0);
  assert.equal(minutesLeft(600, 900), 0);
});

test("athletes with a phone are counted, not phones", () => {
  const seats = [1, 2, 3];
  const device = (role, seat) => ({ role, seat });
  assert.equal(countText([], seats), "0 of 3");
  assert.equal(countText([device("athlete", 2), device("athlete", 2), device("coach", null)], seats), "1 of 3");
  assert.equal(countText([device("athlete", 1), device("athlete", 3)], seats), "2 of 3");
});

test("a device says by whom it was invited, unless from this computer", () => {
  assert.equal(whereText({ here: true, number: 2, inviter: 0 }), "Joined (device 2)");
  assert.equal(
    whereText({ here: false, number: 3, inviter: 2 }),
    "Joined, now locked or out of reach (device 3, invited by device 2)",
  );
});

test("a phone of an athlete who is not seated says whose it is, where that is known, and for how long", () => {
  assert.equal(absentText({ number: 4, athlete: "A02", left_s: 3601 }), "A02’s phone: may come back for 2 h (device 4)");
  assert.equal(absentText({ number: 5, athlete: "", left_s: 5 }), "An athlete’s phone: may come back for 1 h (device 5)");
});
