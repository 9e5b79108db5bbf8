// Changing a plan on the page without a browser: what is typed becomes the draft that the session checks and keeps.

import assert from "node:assert/strict";
import { test } from "node:test";

import { openPressed } from "./live-stand-in.mjs";
import { session } from "./sessions.mjs";

const DRAFT = {
  title: "My check",
  description: "For Tuesdays",
  randomise: "pairs",
  randomise_bands: [
    [20, 30],
    [40, 50],
  ],
  block: [
    {
      repeat: 3,
      phase: [
        { kind: "passive", duration_s: 20, ask: true },
        { kind: "contract", duration_s: 15, band: [60, 80] },
        { kind: "rest", duration_s: 60 },
      ],
    },
    { phase: [{ kind: "contract", duration_s: 10, felt: 3 }] },
  ],
};

const CHECK_MS = 300;

async function openPlanner(draft = DRAFT, { own = true } = {}) {
  const live = await openPressed(session({ stage: "ready" }));
  live.press("change-light");
  assert.deepEqual(live.sent(), [{ do: "open_plan", plan: "light" }]);
  live.answer = (data) => live.hear({ reply: { id: 50, ok: true, data } });
  live.answer({ opened: { name: "light", own, draft: structuredClone(draft) } });
  /** What the session is asked to check, a moment after the last change. */
  live.checked = () => {
    live.wait(CHECK_MS);
    const [message, ...more] = live.sent();
    assert.deepEqual([message?.do, more], ["check_plan", []]);
    return message.draft;
  };
  return live;
}

test("a plan of one's own opens with everything that is in it, and is saved over itself", async () => {
  const live = await openPlanner();
  assert.deepEqual([live.shows("planner"), live.shows("choosing")], [true, false]);
  assert.equal(live.text("planner-title"), "Change My check");
  assert.equal(live.page.activeElement, live.$("planner-title"));
  assert.deepEqual(live.checked(), DRAFT);
  const fields = ["title", "description", "randomise", "randomise_bands"].map((name) => live.$(`plan-${name}`).value);
  assert.deepEqual(fields, ["My check", "For Tuesdays", "pairs", "20–30, 40–50"]);
  assert.equal(live.text("plan-name-hint"), "");
  assert.deepEqual(
    ["b0-repeat", "b1-repeat", "b0p0-duration_s", "b0p1-duration_s", "b0p1-band", "b0p1-high", "b1p0-felt"].map(
      (id) => live.$(id).value,
    ),
    ["3", "1", "20", "15", "60", "80", "3"],
  );
  assert.deepEqual(
    ["b0p0", "b0p1", "b0p2", "b1p0"].map((id) => live.$(`${id}-kind`).value),
    ["passive", "contract", "rest", "felt"],
  );
  assert.deepEqual(
    ["b0p0", "b0p1", "b0p2"].map((id) => live.$(`${id}-ask`).checked),
    [true, false, false],
  );
  for (const id of ["b0p0-band", "b1p0-band", "b0p1-felt"]) assert.equal(live.$(id), null, id);
  live.press("plan-save");
  assert.deepEqual(live.sent(), [{ do: "save_plan", draft: DRAFT, replace: true }]);
  live.answer({ saved: { name: "my-check", title: "My check" } });
  assert.deepEqual([live.shows("planner"), live.shows("choosing")], [false, true]);
  assert.equal(live.text("plan-said"), "Saved: My check.");
  assert.equal(live.page.activeElement, live.$("change-light"));
  assert.deepEqual(live.sent(), []); // it is not started
});

test("a plan that is not one's own wants another name; under another name nothing is replaced", async () => {
  const live = await openPlanner(DRAFT, { own: false });
  assert.equal(live.$("plan-title").value, "");
  assert.equal(live.text("plan-name-hint"), "My check stays as it is: give the changed one a name.");
  assert.equal(live.checked().title, "");
  live.type("plan-title", "Mine");
  assert.equal(live.checked().title, "Mine");
  live.press("plan-save-start");
  assert.deepEqual(live.sent(), [{ do: "save_plan", draft: { ...DRAFT, title: "Mine" }, replace: false }]);
  live.answer({ saved: { name: "mine", title: "Mine" } });
  assert.deepEqual(live.sent(), [{ do: "start_plan", plan: "mine" }]);
  const own = await openPlanner();
  own.type("plan-title", "Another");
  own.press("plan-save");
  assert.equal(own.sent().at(-1).replace, false);
});

test("a new plan begins with a cycle and no name", async () => {
  const live = await openPressed(session({ stage: "ready" }));
  live.press("plan-new");
  assert.equal(live.text("planner-title"), "A new plan");
  assert.equal(live.text("plan-name-hint"), "");
  assert.deepEqual(
    ["b0-repeat", "b0p0-duration_s", "b0p1-band", "b0p1-high"].map((id) => live.$(id).value),
    ["5", "20", "20", "30"],
  );
  live.press("plan-leave");
  assert.deepEqual([live.shows("planner"), live.shows("choosing")], [false, true]);
  assert.equal(live.page.activeElement, live.$("plan-new"));
  live.wait(CHECK_MS);
  assert.deepEqual(live.sent(), []); // what was left is not checked
});

test("every field changes its own value, and one check follows the last change", async () => {
  const live = await openPlanner();
  live.checked();
  const expected = structuredClone(DRAFT);
  const [first, second] = expected.block;
  live.type("plan-description", "For Fridays");
  live.type("plan-randomise_bands", "30-40");
  live.type("plan-randomise", "");
  live.type("b0-repeat", "4");
  live.type("b1-repeat", "two");
  live.type("b0p0-duration_s", "22,5");
  live.type("b0p1-band", "50");
  live.type("b0p1-high", "75");
  live.type("b1p0-felt", "5");
  live.press("b0p0-ask");
  live.press("b0p2-ask");
  Object.assign(expected, { description: "For Fridays", randomise_bands: [[30, 40]] });
  delete expected.randomise;
  Object.assign(first, { repeat: 4 });
  Object.assign(second, { repeat: "two" });
  Object.assign(first.phase[0], { duration_s: 22.5, ask: false });
  Object.assign(first.phase[1], { band: [50, 75] });
  Object.assign(first.phase[2], { ask: true });
  Object.assign(second.phase[0], { felt: 5 });
  assert.deepEqual(live.checked(), expected);
});

test("parts and phases are added, moved and removed, and the focus goes with them", async () => {
  const live = await openPlanner();
  live.checked();
  const [first, second] = DRAFT.block;
  const off = (...ids) => ids.map((id) => live.$(id).disabled);
  assert.deepEqual(off("b0-up", "b0-down", "b1-up", "b1-down"), [true, false, false, true]);
  assert.deepEqual(off("b0p0-up", "b0p0-down", "b0p1-up", "b0p1-down", "b0p2-down"), [true, false, false, false, true]);
  assert.deepEqual(off("b0p0-remove", "b1p0-remove", "b0-remove"), [false, true, false]);
  const step = (id, focus, block) => {
    live.press(id);
    assert.deepEqual(live.checked().block, block, id);
    assert.equal(live.page.activeElement?.id, focus, id);
  };
  step("b0-down", "b1-down", [second, first]);
  step("b1-up", "b0-up", [first, second]);
  const [p0, p1, p2] = first.phase;
  step("b0p0-down", "b0p1-down", [{ ...first, phase: [p1, p0, p2] }, second]);
  step("b0p2-up", "b0p1-up", [{ ...first, phase: [p1, p2, p0] }, second]);
  step("b0p1-remove", "b0p0-kind", [{ ...first, phase: [p1, p0] }, second]);
  const relaxing = { kind: "passive", duration_s: 20, ask: true };
  const contracting = { kind: "contract", duration_s: 20, band: [20, 30], ask: true };
  step("b0-add", "b0p2-kind", [{ ...first, phase: [p1, p0, contracting] }, second]);
  step("b0-add", "b0p3-kind", [{ ...first, phase: [p1, p0, contracting, relaxing] }, second]);
  live.press("plan-add-block");
  assert.equal(live.page.activeElement.id, "b2-repeat");
  assert.deepEqual(live.checked().block[2], { repeat: 1, phase: [relaxing] });
  live.press("b2-remove");
  assert.equal(live.page.activeElement.id, "b1-repeat");
  live.press("b1-remove");
  assert.equal(live.page.activeElement.id, "b0-repeat");
  assert.equal(live.checked().block.length, 1);
  for (const id of ["b0-up", "b0-down", "b0-remove"]) assert.equal(live.$(id), null, id); // one part alone
});

test("names of buttons and fields say which part and phase", async () => {
  const live = await openPlanner();
  const name = (id) => live.$(id).getAttribute("aria-label");
  assert.deepEqual(
    ["b1-up", "b1p0-kind", "b1p0-felt", "b0p1-band", "b0p1-high", "b0p2-duration_s", "b0p1-remove", "b0p1-shape"].map(name),
    [
      "Move Part 2 up",
      "What to do in part 2, phase 1",
      "Felt effort in part 2, phase 1",
      "Lower edge of the band in part 1, phase 2",
      "Upper edge of the band in part 1, phase 2",
      "Seconds of part 1, phase 3",
      "Remove part 1, phase 2",
      "How the band moves in part 1, phase 2",
    ],
  );
  assert.equal(live.text("b1-add"), "Add a phase to part 2");
  assert.deepEqual(
    live
      .$("plan-blocks")
      .querySelectorAll("legend")
      .map((each) => each.textContent),
    ["Part 1", "Part 2"],
  );
});

test("a phase becomes of another kind, its band moves another way, its number goes away, something ends it early", async () => {
  const live = await openPlanner();
  live.checked();
  const phase = (b, p) => live.checked().block[b].phase[p];
  for (const id of ["b0p0-shape", "b1p0-shape", "b0p0-until", "b1p0-until"]) assert.equal(live.$(id), null, id);
  assert.equal(live.$("b0p1-shape").value, "");
  live.type("b0p1-shape", "ramp");
  assert.equal(live.page.activeElement.id, "b0p1-shape");
  assert.deepEqual(phase(0, 1).ramp, [[80, 100]]);
  assert.equal(live.$("b0p1-ramp").value, "80–100");
  assert.equal(live.$("b0p1-shape").value, "ramp");
  live.type("b0p1-ramp", "30-40");
  live.type("b0p1-blind", "3-8");
  live.press("b0p1-until");
  const { ramp, blind, until } = phase(0, 1);
  assert.deepEqual([ramp, blind, until], [[[30, 40]], [[3, 8]], "band lost"]);
  live.press("b0p1-until");
  live.type("b0p1-blind", "");
  live.type("b0p1-shape", "");
  assert.deepEqual(phase(0, 1), DRAFT.block[0].phase[1]);
  live.press("b0p2-until");
  assert.equal(phase(0, 2).until, "recovered");
  live.type("b0p2-kind", "felt");
  assert.deepEqual(phase(0, 2), { kind: "contract", duration_s: 60, felt: 2 });
  assert.equal(live.page.activeElement.id, "b0p2-kind");
});

test("a band that moves by itself has no shape, and says within what", async () => {
  const draft = structuredClone(DRAFT);
  Object.assign(draft.block[0].phase[1], { adapt: [40, 90], until: "band lost" });
  const live = await openPlanner(draft);
  assert.equal(live.$("b0p1-shape"), null);
  assert.equal(live.$("b0p1-until").checked, true);
  assert.match(live.$("plan-blocks").textContent, /The band moves by itself within 40–90 %\./);
});

test("what the session finds is said at its place, the rest below, and the sum when all is right", async () => {
  const live = await openPlanner();
  const mistakes = [
    { place: ["title"], what: "title = ''", cure: "type a name" },
    { place: ["block", 0, "phase", 1, "band"], what: "band = [80, 60]", cure: "low first" },
    { place: ["block", 0, "phase", 1, "duration_s"], what: "duration_s = 0", cure: "make it longer" },
    { place: ["block", 1, "repeat"], what: "repeat = 0", cure: "at least 1" },
    { place: ["block", 7, "repeat"], what: "repeat = 9", cure: "fewer" },
  ];
  live.answer({ checked: { mistakes, duration_s: 0, n_phases: 0, n_asks: 0 } });
  assert.equal(live.text("plan-title-wrong"), "Name is empty: type a name.");
  assert.equal(live.text("b0p1-wrong"), "Band [80, 60]: low first. Seconds 0: make it longer.");
  assert.equal(live.text("b1-wrong"), "Times 0: at least 1.");
  assert.equal(live.text("plan-wrong"), "Times 9: fewer.");
  assert.equal(live.text("plan-sum"), "5 things are to be set right.");
  const wrong = () =>
    live
      .$("planner")
      .querySelectorAll("[aria-invalid]")
      .map((each) => each.id);
  assert.deepEqual(
    wrong(),
    ["plan-title", "b0p1-duration_s", "b0p1-band", "b1-repeat"].sort((a, b) => wrong().indexOf(a) - wrong().indexOf(b)),
  );
  live.answer({ checked: { mistakes: mistakes.slice(0, 1), duration_s: 0, n_phases: 0, n_asks: 0 } });
  assert.equal(live.text("plan-sum"), "1 thing is to be set right.");
  assert.equal(live.text("b0p1-wrong") + live.text("plan-wrong"), "");
  assert.deepEqual(wrong(), ["plan-title"]);
  live.answer({ checked: { mistakes: [], duration_s: 295, n_phases: 10, n_asks: 4 } });
  assert.equal(live.text("plan-sum"), "4 min 55 s, 10 phases, 4 ratings asked.");
  assert.deepEqual(wrong(), []);
});

test("a plan that is refused is not started later, and the first mistake has the focus", async () => {
  const live = await openPlanner();
  live.checked();
  live.press("plan-save-start");
  live.sent();
  const refused = { mistakes: [{ place: ["block", 1, "repeat"], what: "repeat = 0", cure: "at least 1" }] };
  live.answer({ refused });
  assert.equal(live.page.activeElement.id, "b1-repeat");
  live.answer({ refused: { mistakes: [] } });
  assert.equal(live.page.activeElement.id, "plan-title");
  live.answer({ saved: { name: "x", title: "X" } });
  assert.deepEqual(live.sent(), []);
});
