// A card of the group's page without a browser: the next step of one athlete.

import assert from "node:assert/strict";
import { test } from "node:test";

import { openPressed } from "./group-stand-in.mjs";
import { holding, maximum, rating, session } from "./sessions.mjs";

const task = (group, seat = 1) => group.part(seat, "task").seen;
const buttons = (group, seat = 1) => group.part(seat, "task").querySelectorAll("button");

test("a card has its own next step in each stage", async () => {
  const group = await openPressed();
  assert.equal(task(group), "Cautions not answered yet.A01: read, none applies");
  group.tell(1, session({ stage: "zero" }));
  assert.equal(task(group), "Take all load off the sensor.Zero A01");
  group.press(buttons(group)[0]);
  assert.deepEqual(group.told(1), [{ do: "zero" }]);
  group.tell(1, session({ stage: "zero", zero: { state: "running", results: {} } }));
  assert.equal(task(group), "Measuring: keep it still.Zero A01");
  assert.equal(buttons(group)[0].disabled, true);
  group.tell(1, session({ stage: "ready", maximum: maximum({ strength: 402.26, unit: "uV" }), limit: 7 }));
  assert.equal(task(group), "Maximum 402 µV. Stops by itself at discomfort 7.Start A01");
  group.tell(1, session({ stage: "ready", limit: 7 }));
  assert.equal(task(group), "Stops by itself at discomfort 7.Start A01");
  assert.equal(buttons(group)[0].className, "secondary"); // the group's own Start is the large one
  group.type("plan", "light");
  group.press(buttons(group)[0]);
  assert.deepEqual(group.told(1), [{ do: "start_plan", plan: "light" }]);
  group.tell(1, holding());
  assert.equal(group.part(1, "task").hidden, true);
  assert.equal(group.part(1, "pad").hidden, false);
  assert.equal(group.part(1, "stop").textContent, "Stop A01");
  group.press(group.part(1, "stop"));
  assert.equal(group.told(1)[0].reason, "stopped by hand");
});

test("the pad gives way to the other questions and to a pause", async () => {
  const group = await openPressed();
  for (const [changes, shown] of [
    [{}, "pad"],
    [{ ask_position: { phase_index: 1 } }, "position"],
    [{ ask_effort: { phase_index: 1 } }, "effort"],
    [{ paused: { reason: "the sensor fell off" } }, "paused"],
  ]) {
    group.tell(1, holding(2, changes));
    const open = ["pad", "position", "effort", "paused"].filter((name) => !group.part(1, name).hidden);
    assert.deepEqual(open, [shown]);
  }
  group.tell(1, session({ stage: "done", ratings: [rating(1, 4)] }));
  assert.equal(group.part(1, "pad").hidden, true);
});

test("a maximum on a card: what comes next, what is used, and what is asked first", async () => {
  const good = { number: 1, value: 400, unit: "N", accepted: true, rejected: null, reason: "" };
  const group = await openPressed();
  const tell = (changes) => group.tell(1, session({ stage: "maximum", maximum: maximum(changes) }));
  const look = () => buttons(group).map((each) => [each.textContent, each.className, each.disabled]);
  tell({});
  assert.deepEqual(look(), [
    ["A01: start attempt 1", "primary", false],
    ["Use this maximum", "secondary", true],
  ]);
  tell({ attempts: [good], number: 2, verdict: { state: "accepted", text: "two agree" } });
  assert.deepEqual(look(), [
    ["A01: start again with attempt 1", "secondary", false],
    ["Use this maximum", "primary", false],
  ]);
  assert.match(task(group), /^Two agree/);
  for (const each of buttons(group)) group.press(each);
  assert.deepEqual(group.told(1), [{ do: "attempt" }, { do: "accept_maximum" }]);
  tell({ attempts: [good], step: "rest" });
  assert.deepEqual(look(), [
    ["Resting", "primary", true],
    ["Use this maximum", "secondary", false],
  ]);
  for (const step of ["countdown", "push"]) {
    tell({ attempts: [good], step });
    assert.deepEqual(
      look().map(([, , off]) => off),
      [true, true],
    );
  }
  tell({ attempts: [{ ...good, rejected: "by the coach" }] });
  assert.equal(look()[1][2], true);
  tell({ attempts: [good], sense: { what: "too much", cure: "look at the scale" } });
  assert.equal(task(group), "Too much. Look at the scale.They are right");
  group.press(buttons(group)[0]);
  assert.deepEqual(group.told(1), [{ do: "trust_numbers" }]);
  tell({ attempts: [good], care: { graded: true, screened: false, ask_felt: 1, closed: false } });
  assert.match(task(group), /^How was attempt 1\?/);
  assert.ok(group.$("seat1-felt-keep"));
  assert.equal(group.$("felt-keep"), null); // an id names one thing on the page
  const care = { graded: true, screened: null, ended: "", ask_felt: null, question: "Any of this?", list: [] };
  const asked = { since: {}, expect: { answers: {} }, end: {}, refused: {}, range: { plans: [] } };
  group.tell(1, session({ stage: "maximum", asked, maximum: maximum({ care }) }));
  assert.match(task(group), /Any of this\?None of them/);
  assert.doesNotMatch(task(group), /attempt/);
});

test("the end on a card: the answer, the report, why it was stopped, another hold", async () => {
  const group = await openPressed();
  const done = (changes) => group.tell(1, session({ stage: "done", ...changes }));
  done({});
  assert.equal(task(group), "The answer is being worked out.A01: another hold");
  assert.equal(buttons(group)[0].className, "secondary"); // an answer is looked at first
  done({ answer: { word: "eased", text: "" }, report_url: "/report" });
  assert.equal(task(group), "Discomfort while contracting: eased.ReportA01: another hold");
  assert.equal(group.part(1, "task").querySelector("a").href, "/report?seat=1");
  group.press(buttons(group)[0]);
  assert.deepEqual(group.told(1), [{ do: "resume" }]);
  done({ answer: { word: "worse", headline: "it got worse", kind: "check" } });
  assert.match(task(group), /^It got worse\./);
  done({ answer: { word: "three sets", kind: "training" } });
  assert.match(task(group), /^Three sets\./);
  done({ stopped: { reason: "stopped by hand", why: "sharp" }, answer: { word: "eased" } });
  assert.match(task(group), /^Stopped by hand\. Come out of the position slowly\. Discomfort while contracting: eased\./);
  assert.doesNotMatch(task(group), /another hold/);
  const asked = {
    since: {},
    expect: { answers: {} },
    end: { said: "numb", caution: "Not today." },
    refused: {},
    range: { plans: [] },
  };
  done({ asked, plan_ran: true });
  assert.doesNotMatch(task(group), /another hold/);
  assert.match(task(group), /Not today\./);
});
