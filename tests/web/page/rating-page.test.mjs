// Ratings, Stop and the questions of a hold on the page without a browser: by press, key and pedal.

import assert from "node:assert/strict";
import { test } from "node:test";

import { openPressed } from "./live-stand-in.mjs";
import { holding, rating, session } from "./sessions.mjs";

test("Stop is there while something runs, and is pressed by hand or key; a tick box and a field keep their blank", async () => {
  const live = await openPressed(session({ stage: "ready" }));
  assert.equal(live.$("stop").disabled, true);
  live.key("Escape");
  assert.deepEqual(live.sent(), []);
  live.tell(holding());
  assert.equal(live.$("stop").disabled, false);
  live.press("stop");
  const stops = () => live.sent().map((each) => [each.do, each.reason]);
  assert.deepEqual(stops(), [["stop", "stopped by hand"]]);
  live.pass(20);
  assert.equal(live.text("stop-hint"), "kept, sent first");
  for (const [key, more] of [
    ["Escape", {}],
    [" ", {}],
  ]) {
    const one = await openPressed(holding());
    one.key(key, more);
    assert.deepEqual(
      one.sent().map((each) => each.reason),
      ["stopped by key"],
    );
  }
  const calm = await openPressed(holding());
  calm.key("Escape", { ctrlKey: true });
  calm.key("Escape", { metaKey: true });
  calm.key("Escape", { altKey: true });
  calm.key(" ", { repeat: true });
  calm.$("keys").focus();
  calm.key(" ");
  assert.deepEqual(calm.sent(), []);
  calm.key("Escape");
  assert.equal(calm.sent().length, 1);
});

test("a question is asked, answered by press or key, and the last answer can be taken back", async () => {
  const live = await openPressed(holding());
  assert.equal(live.$("pad").dataset.open, "no");
  assert.equal(live.text("ask"), "Discomfort 0–10");
  assert.match(live.text("pad"), /0 none, 10 the worst\. Rate the stretch\./);
  assert.equal(live.shows("take-back"), false);
  live.tell(holding(1, { ask: { id: 7, text: "Discomfort now?", said: null } }));
  assert.equal(live.$("pad").dataset.open, "yes");
  assert.equal(live.text("ask"), "Discomfort now?");
  const keys = live.$("pad-keys").children;
  assert.deepEqual(
    keys.map((each) => each.textContent),
    [..."0123456789", "10", "+½", "No answer"],
  );
  live.press(keys[6]);
  assert.ok(keys[6].hasAttribute("data-pending") && !keys[5].hasAttribute("data-pending"));
  assert.equal(live.text("given"), "6 … +½ adds a half");
  live.press("half");
  assert.equal(live.$("half").getAttribute("aria-pressed"), "true");
  live.wait(3000);
  assert.deepEqual(live.sent(), [{ do: "rate", value: 6.5, ask: 7 }]);
  assert.ok(!keys[6].hasAttribute("data-pending"));
  live.press("no-answer");
  assert.deepEqual(live.sent(), [{ do: "rate", value: null, ask: 7 }]);
  live.key("4");
  live.key("Enter");
  live.wait(10);
  assert.deepEqual(live.sent(), [{ do: "rate", value: 4, ask: 7 }]);
  live.tell(holding(1, { ratings: [rating(3, 4)] }));
  assert.equal(live.text("given"), "last: 4");
  assert.equal(live.shows("take-back"), true);
  live.press("take-back");
  assert.deepEqual(live.sent(), [{ do: "take_back", rating: 3 }]);
  live.key("5");
  live.wait(3000);
  assert.deepEqual(live.sent(), [{ do: "rate", value: 5 }]); // nothing is asked: a rating all the same
  live.tell(holding(1, { ratings: [rating(4, null, { corrected: true, ask_id: 9 })] }));
  assert.equal(live.text("given"), "last: no answer");
  assert.equal(live.shows("take-back"), false);
  live.press("take-back");
  live.key("3");
  live.wait(3000);
  assert.deepEqual(live.sent(), [{ do: "rate", value: 3, ask: 9 }]); // the answer that was taken back
  live.press("keys");
  live.key("3");
  live.wait(3000);
  assert.deepEqual(live.sent(), []);
});

test("a press that was made while the question was open answers that question, though it has closed", async () => {
  const live = await openPressed(holding(1, { ask: { id: 7, text: "Discomfort now?", said: null } }));
  live.press(live.$("pad-keys").children[5]);
  live.tell(holding(1));
  live.wait(3000);
  assert.deepEqual(live.sent(), [{ do: "rate", value: 5, ask: 7 }]);
});

test("two pedals rate alone: one raises, one confirms; up and down begin in the middle or at the last rating", async () => {
  const live = await openPressed(holding(1, { ask: { id: 7, text: "Discomfort now?", said: null } }));
  live.key("ArrowUp");
  assert.equal(live.text("given"), "6 … confirm it");
  live.key("ArrowDown", { repeat: true });
  live.wait(9000);
  assert.deepEqual(live.sent(), []);
  live.key("Enter");
  live.wait(10);
  assert.deepEqual(live.sent(), [{ do: "rate", value: 6, ask: 7 }]);
  live.tell(holding(1, { ratings: [rating(1, 2.5)], ask: { id: 8, text: "Now?", said: null } }));
  live.key("ArrowDown");
  assert.equal(live.text("given"), "2 … confirm it");
  live.key("Backspace");
  live.type("pedals", "pages");
  live.key("PageUp");
  live.key("ArrowRight");
  assert.equal(live.text("given"), "4 … confirm it");
  live.key("PageDown");
  live.wait(10);
  assert.deepEqual(live.sent(), [{ do: "rate", value: 4, ask: 8 }]);
  live.type("pedals", "arrows");
  live.key("ArrowLeft");
  live.key("ArrowRight");
  live.wait(10);
  assert.deepEqual(live.sent(), [{ do: "rate", value: 5, ask: 8 }]);
});

test("what a simulated athlete would answer is marked, with its half", async () => {
  const live = await openPressed(holding(1, { simulated: true, ask: { id: 7, text: "Now?", said: 4.5 } }));
  const marked = () =>
    live
      .$("pad-keys")
      .children.filter((each) => each.hasAttribute("data-said"))
      .map((each) => each.textContent);
  assert.deepEqual(marked(), ["4", "+½"]);
  assert.equal(live.text("said"), "Says 4.5");
  live.tell(holding(1, { simulated: true, ask: { id: 8, text: "Now?", said: 4 } }));
  assert.deepEqual(marked(), ["4"]);
  live.tell(holding(1, { ask: { id: 8, text: "Now?", said: null } }));
  assert.deepEqual(marked(), []);
  assert.equal(live.shows("said"), false);
});

test("ratings while settling are kept without a question; M turns the sound off and on", async () => {
  const live = await openPressed(session({ stage: "ready" }));
  live.press(live.$("settling-keys").children[3]);
  live.wait(3000);
  live.key("5");
  live.wait(3000);
  assert.deepEqual(live.sent(), [
    { do: "rate", value: 3 },
    { do: "rate", value: 5 },
  ]);
  live.key("m");
  assert.equal(live.text("sound-name"), "Sound off");
  live.key("M");
  assert.notEqual(live.text("sound-name"), "Sound off");
  live.$("note").focus();
  live.key("m");
  assert.notEqual(live.text("sound-name"), "Sound off");
});

test("whether the position was held is asked of the coach, answered by name, and not during a rating or a pause", async () => {
  const asked = { ask_position: { phase_index: 1 }, drift_limits: "Drifted: over 3 cm." };
  const live = await openPressed(holding(2, asked));
  assert.equal(live.shows("position-ask"), true);
  assert.match(live.text("position-ask"), /Drifted: over 3 cm\./);
  for (const button of live.$("position-ask").querySelectorAll("button")) live.press(button);
  assert.deepEqual(
    live.sent(),
    ["held", "drifted", "lost", "unknown"].map((answer) => ({ do: "position", answer, phase_index: 1 })),
  );
  live.tell(holding(2, { ...asked, paused: { reason: "the sensor fell off" } }));
  assert.equal(live.shows("position-ask"), false);
  live.tell(holding(2, { ...asked, ask: { id: 1, text: "Now?", said: null } }));
  assert.equal(live.shows("position-ask"), false);
  live.press(live.$("position-ask").querySelector("button"));
  live.tell(holding(2));
  live.sent();
  live.press(live.$("position-ask").querySelector("button"));
  assert.deepEqual(live.sent(), []);
});

test("a pause says why, and that it goes on only when the coach says so, into what", async () => {
  const live = await openPressed(holding(0, { paused: { reason: "the sensor fell off" } }));
  assert.equal(live.shows("paused"), true);
  assert.match(live.text("paused"), /^\s*The sensor fell off\./);
  assert.equal(live.text("take-up"), "Go on: Contract 60–80 %");
  assert.equal(live.text("now"), "Come out and rest");
  live.press("take-up");
  assert.deepEqual(live.sent(), [{ do: "take_up" }]);
  live.tell(holding(2, { paused: { reason: "the sensor fell off" } }));
  assert.equal(live.text("take-up"), "Go on");
  live.tell(holding());
  assert.equal(live.shows("paused"), false);
});

test("how hard a contraction felt is asked after it", async () => {
  const live = await openPressed(holding(2, { ask_effort: { phase_index: 1 } }));
  assert.equal(live.shows("effort-ask"), true);
  assert.match(live.text("effort-ask"), /How hard\? 0 nothing/);
  const keys = live.$("effort-keys").children;
  assert.equal(keys.length, 12);
  live.press(keys[7]);
  live.press(keys[11]);
  assert.deepEqual(live.sent(), [
    { do: "effort", value: 7, phase_index: 1 },
    { do: "effort", value: null, phase_index: 1 },
  ]);
  live.tell(holding(1, { ask_effort: { phase_index: 1 } }));
  assert.equal(live.shows("effort-ask"), false);
});
