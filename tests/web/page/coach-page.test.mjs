// The coach's side of a session's page without a browser: notes, corrections, what comes next.

import assert from "node:assert/strict";
import { test } from "node:test";

import { openPressed } from "./live-stand-in.mjs";
import { PHASES, holding, rating, session } from "./sessions.mjs";

const shownAt = (live) => live.page.querySelectorAll("#coach [data-at]").filter((each) => !each.hidden);

test("each stage has its parts of the coach's side", async () => {
  const live = await openPressed(session());
  for (const stage of ["cautions", "zero", "maximum", "ready", "plan", "done"]) {
    live.tell(stage === "plan" ? holding() : session({ stage }));
    const parts = live.page.querySelectorAll("#coach [data-at]");
    assert.deepEqual(
      shownAt(live),
      parts.filter((each) => each.dataset.at.split(" ").includes(stage)),
    );
    assert.equal(live.shows("phase-actions"), stage === "plan", stage);
    assert.equal(live.shows("last-rating"), stage === "plan", stage);
  }
  live.tell(holding(1, { paused: { reason: "the sensor fell off" } }));
  assert.equal(live.shows("phase-actions"), false);
});

test("notes and marks are kept, and said to be kept only if they could be sent", async () => {
  const live = await openPressed(session({ stage: "ready" }));
  live.type("note", "  moved 2 cm ");
  live.press(live.$("noting").querySelector("[type=submit]"));
  assert.equal(live.text("noted"), "Kept: moved 2 cm");
  assert.equal(live.$("note").value, "");
  live.press(live.$("noting").querySelector("[type=submit]"));
  live.press("mark");
  assert.equal(live.text("noted"), "Marked.");
  assert.deepEqual(live.sent(), [
    { do: "note", text: "moved 2 cm" },
    { do: "note", text: "mark" },
  ]);
  live.socket.onclose({ code: 1006 });
  live.type("note", "lost");
  live.press(live.$("noting").querySelector("[type=submit]"));
  assert.deepEqual([live.text("noted"), live.$("note").value], ["Marked.", "lost"]);
});

test("the phase that stands on this screen is ended or lengthened, and no other", async () => {
  const live = await openPressed(holding(1));
  live.press("end-phase");
  live.press("extend-phase");
  assert.deepEqual(live.sent(), [
    { do: "end_phase", phase_index: 1 },
    { do: "extend_phase", seconds: 10, phase_index: 1 },
  ]);
});

test("a rest before a set that would be wasted: why, and the press that begins it all the same", async () => {
  const early = { what: "a set now would last 6 s", over_s: 90, why_not: "" };
  const rest = { index: 2, kind: "rest", title: "Rest", band: null };
  const live = await openPressed(
    holding(2, { phase: rest, training: { held_back: early, lost_s: [], expected_s: null, said: "" } }),
  );
  const shown = () => ["held-back", "begin-set", "end-phase"].map((id) => live.shows(id));
  live.update({ level: 8000 });
  assert.deepEqual(shown(), [true, true, false]);
  assert.equal(live.text("held-back"), "Not yet. A set now would last 6 s. Rest for 10 s more.");
  live.press("begin-set");
  assert.deepEqual(live.sent(), [{ do: "end_phase", phase_index: 2, anyway: true }]);
  live.update({ level: 9000 });
  assert.deepEqual(shown(), [false, false, true]);
  const training = { held_back: { ...early, over_s: 200, why_not: "it hurt" }, lost_s: [], expected_s: null, said: "" };
  live.tell(holding(2, { phase: rest, training }));
  assert.deepEqual(shown(), [true, false, false]);
  live.tell(holding(2, { phase: rest, training, paused: { reason: "no signal" } }));
  assert.deepEqual(shown(), [false, false, true]);
});

test("the last rating stands there with one press that takes it back; earlier ones are corrected by name", async () => {
  const live = await openPressed(holding());
  assert.equal(live.text("last-rating-said"), "No rating yet");
  assert.equal(live.$("undo-rating").disabled, true);
  const ratings = [rating(1, 6, { phase_kind: "passive", time_s: 15.4 }), rating(2, 3.5)];
  live.tell(holding(1, { ratings }));
  assert.equal(live.text("last-rating-said"), "Last rating: 3.5, contract");
  live.press("undo-rating");
  assert.deepEqual(live.sent(), [{ do: "take_back", rating: 2 }]);
  live.tell(holding(1, { ratings: [...ratings, rating(3, null)] }));
  assert.equal(live.$("undo-rating").disabled, true);
  live.tell(session({ stage: "done", ratings }));
  const rows = live.$("corrections").children;
  assert.deepEqual(
    rows.map((row) => row.querySelector("span").textContent),
    ["15 s: 6, relax", "30 s: 3.5, contract"],
  );
  const [select, button] = [rows[1].querySelector("select"), rows[1].querySelector("button")];
  assert.equal(button.getAttribute("aria-label"), "Correct rating 2");
  const offered = select.options.map((option) => option.value);
  assert.deepEqual(offered, ["", ...Array.from({ length: 21 }, (_, k) => String(k / 2))]);
  assert.equal(button.disabled, true);
  live.press(button);
  live.type(select, "4.5");
  assert.equal(button.disabled, false);
  live.press(button);
  assert.deepEqual(live.sent(), [{ do: "correct", rating: 2, value: 4.5 }]);
  live.type(select, "");
  assert.equal(button.disabled, true);
  live.tell(session({ stage: "done" }));
  assert.equal(live.text("corrections"), "None yet.");
});

test("a maximum from a display is sent with its unit; torque wants a lever arm; the same again is meant", async () => {
  const live = await openPressed(session({ stage: "maximum" }));
  const use = () => live.press(live.$("typing").querySelector("[type=submit]"));
  const refusal = "Type the number on the display, above 0; for torque also the lever arm in metres.";
  for (const typed of ["", "0", "-3", "strong"]) {
    live.type("typed", typed);
    use();
    assert.equal(live.text("noted"), refusal, typed);
  }
  assert.deepEqual(live.sent(), []);
  live.type("typed", "31,5");
  use();
  use();
  const message = { do: "typed_maximum", channel: "force", value: 31.5, unit: "kg" };
  assert.deepEqual(live.sent(), [message, { ...message, anyway: true }]);
  assert.equal(live.shows("typed-arm"), false);
  live.type("typed-unit", "N·m");
  assert.equal(live.shows("typed-arm"), true);
  use();
  live.type("typed-arm", "0");
  use();
  assert.deepEqual(live.sent(), []);
  live.type("typed-arm", "0,35");
  use();
  assert.deepEqual(live.sent(), [{ ...message, unit: "N·m", lever_arm_m: 0.35 }]);
});

test("what was done beforehand is ticked as the session has it, and what has no box stays", async () => {
  const live = await openPressed(session({ stage: "ready", covariates: ["heat", "tea"] }));
  const boxes = () =>
    live
      .$("covariates")
      .querySelectorAll("input")
      .map((box) => box.checked);
  assert.deepEqual(boxes(), [false, true, false]);
  live.press(live.$("covariates").querySelectorAll("input")[2]);
  assert.deepEqual(live.sent(), [{ do: "covariates", text: "heat, massage, tea" }]);
  assert.equal(live.text("noted"), "Kept.");
  live.socket.onclose({ code: 1006 });
  live.press(live.$("covariates").querySelectorAll("input")[0]);
  assert.deepEqual(boxes(), [false, true, false]); // it could not be sent
});

test("the athlete sees the force in an attempt, or does not", async () => {
  const live = await openPressed(session({ stage: "maximum" }));
  assert.equal(live.$("feedback").checked, true);
  live.press("feedback");
  assert.deepEqual(live.sent(), [{ do: "feedback", shown: false }]);
  live.tell(session({ stage: "maximum", feedback: false }));
  assert.equal(live.$("feedback").checked, false);
});

test("the band of the next contraction can be kept, or moved by five within its limits", async () => {
  const plan = { name: "check", title: "Check", index: 0, phases: PHASES.map((phase) => ({ ...phase, adapt: [50, 85] })) };
  const choice = (band, by = "rule") => ({ phase_index: 1, band, by, reason: "the last one hurt less" });
  const live = await openPressed(holding(0, { plan, choice: choice([60, 80]) }));
  assert.match(live.text("choice"), /^Next contraction: 60–80 %\. The last one hurt less\.LighterHarderKeep it$/);
  const buttons = () => live.$("choice").querySelectorAll("button");
  for (const button of buttons()) live.press(button);
  assert.deepEqual(
    live.sent(),
    [
      [55, 75],
      [65, 85],
      [60, 80],
    ].map(([low, high]) => ({ do: "choose_band", low, high })),
  );
  for (const [band, off] of [
    [
      [55, 75],
      [false, false],
    ],
    [
      [54, 74],
      [true, false],
    ],
    [
      [61, 81],
      [false, true],
    ],
  ]) {
    live.tell(holding(0, { plan, choice: choice(band, "coach") }));
    assert.deepEqual(
      buttons().map((button) => button.disabled),
      off,
    );
  }
  live.tell(holding(0, { choice: choice([60, 80]) }));
  assert.equal(live.shows("choice"), false); // a plan that does not adapt
});
