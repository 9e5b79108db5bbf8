// The slider under the thumb, and a session without a sensor, without a browser.

import assert from "node:assert/strict";
import { test } from "node:test";

import { openLive, openPressed } from "./live-stand-in.mjs";
import { PHONE, ready, openPhone } from "./phone-stand-in.mjs";
import { holding, session } from "./sessions.mjs";

test("a slider under the thumb rates all the time that it is touched, by one finger", async () => {
  const live = await openPhone(ready({ ...PHONE, state: "off" }));
  assert.deepEqual([live.shows("slider-panel"), live.shows("slider"), live.text("slider-said")], [true, false, ""]);
  live.press("slider-use");
  assert.deepEqual(
    [live.text("slider-use"), live.shows("slider"), live.page.body.dataset.slider],
    ["Rate only when asked", true, "yes"],
  );
  assert.match(live.text("slider-said"), /30 s left$/);
  const slider = live.$("slider");
  const finger = (type, pointerId, clientY) => live.fire(slider, type, { pointerId, clientY });
  const look = () => [
    slider.dataset.touched,
    live.$("slider-thumb").style.bottom,
    live.$("slider-value").textContent,
    slider.getAttribute("aria-valuenow"),
  ];
  finger("pointermove", 1, 50);
  assert.deepEqual([slider.dataset.touched, live.$("slider-value").textContent], ["false", ""]);
  assert.equal(finger("pointerdown", 1, 50), false);
  assert.deepEqual(look(), ["true", "75%", "7.5", "7.5"]); // the stand-in's box is 200 px high
  assert.equal(slider.getAttribute("aria-valuetext"), "7.5");
  finger("pointermove", 1, 87);
  assert.deepEqual(look(), ["true", "56.5%", "5.7", "5.65"]);
  finger("pointerdown", 2, 10);
  live.wait(500); // also while the practice counts down
  assert.equal(live.text("slider-said"), "A second finger does not count.");
  finger("pointermove", 2, 10);
  finger("pointerup", 2, 10);
  assert.match(live.text("slider-said"), /30 s left$/);
  assert.equal(look()[2], "5.7");
  live.sent();
  const fromMs = live.clock.ms;
  live.wait(1000);
  const given = live
    .sent()
    .filter((each) => each.do === "phone_data")
    .flatMap(({ ratings }) => ratings);
  assert.ok(given.length >= 9 && given.length <= 11);
  assert.ok(given.every(([atS, value]) => value === 5.65 && atS >= fromMs / 1000 && atS <= live.clock.ms / 1000));
  assert.match(live.text("slider-said"), /29 s left$/);
  finger("pointerup", 1, 87);
  assert.deepEqual(look(), ["false", "0%", "", "0"]);
  assert.equal(slider.getAttribute("aria-valuetext"), "not touched");
  live.wait(500);
  assert.deepEqual(
    live
      .sent()
      .filter((each) => each.do === "phone_data")
      .flatMap(({ ratings }) => ratings),
    [],
  );
  finger("pointerdown", 3, 100);
  live.wait(29500);
  assert.equal(live.text("slider-said"), "");
  finger("pointerdown", 4, 10);
  live.wait(500);
  assert.equal(live.text("slider-said"), "A second finger does not count.");
  finger("pointerup", 3, 100); // the other stays, and is none beside another any more
  assert.deepEqual([live.text("slider-said"), slider.dataset.touched], ["", "false"]);
  assert.ok(Number(globalThis.localStorage.getItem("slider-practised")) >= 30);
  live.press("slider-use");
  assert.deepEqual(
    [live.text("slider-use"), live.shows("slider"), live.page.body.dataset.slider],
    ["Rate all the time", false, "no"],
  );
});

test("the slider stands where it is used: settling and holding, with a session that takes it; on no coach's page", async () => {
  const live = await openPhone(ready({ ...PHONE, state: "slider" }), { kept: { "slider-practised": "30" } });
  live.press("slider-use");
  assert.equal(live.text("slider-said"), "");
  for (const [state, panel, slider] of [
    [ready({ ...PHONE, state: "slider" }), true, true],
    [holding(1, { phone: PHONE }), false, true],
    [session({ stage: "done", phone: PHONE }), false, false],
    [ready(null), false, false],
  ]) {
    live.tell(state);
    assert.deepEqual([live.shows("slider-panel"), live.shows("slider")], [panel, slider]);
  }
  const coach = await openLive(ready(PHONE));
  assert.equal(coach.shows("slider-panel"), false);
});

test("without a sensor the page has no part that is about one", async () => {
  const live = await openPressed(session({ stage: "ready", by_feel: true, channels: [] }));
  assert.equal(live.page.body.dataset.felt, "yes");
  for (const id of ["strip-box", "typing", "scale", "feedback-line", "sensors-title"]) assert.equal(live.shows(id), false, id);
  assert.deepEqual(
    live.$("steps").children.map((each) => each.textContent),
    ["Cautions", "Plan", "Hold", "Answer"],
  );
  live.tell(holding(1, { by_feel: true, channels: [], phase: { index: 1, kind: "contract", title: "", band: null, felt: 3 } }));
  live.update({ level: 10, remainingS: 9 });
  assert.deepEqual([live.text("number"), live.text("unit")], ["3", "of 10"]);
  assert.equal(live.text("now"), "Contract felt 3 of 10");
  const other = await openPressed(session({ stage: "ready" }));
  assert.deepEqual([other.page.body.dataset.felt, other.shows("typing")], ["no", true]);
});
