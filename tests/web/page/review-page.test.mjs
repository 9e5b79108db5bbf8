// The recordings' page without a browser: the list, one opened or two side by side, their traces. The tests go on from
// one another.

import assert from "node:assert/strict";
import { test } from "node:test";

import { openPage, settle } from "./page-stand-in.mjs";
import {
  list,
  PHASES,
  about,
  TRACE,
  answers,
  readQuery,
  fetches,
  review,
  text,
  shows,
  told,
  last,
  rows,
  later,
  open,
  confused,
} from "./review-stand-in.mjs";

test("the list says what each recording is; words find it; one that is damaged cannot be opened", async () => {
  await later();
  assert.equal(text("count"), "4 of 4");
  const say = () => rows().map((row) => row.querySelectorAll("span").map((each) => each.textContent));
  const [one, two, three, bad] = say();
  assert.deepEqual(one.slice(1), ["hamstring, left, box", "3 min 40 s, 11 ratings, answer: eased"]);
  assert.match(one[0], /2026/);
  assert.deepEqual(two.slice(1), ["hamstring, right, box", "3 min 40 s, 11 ratings, simulated"]);
  assert.equal(three[0], "");
  assert.equal(bad[2], "it is damaged");
  assert.deepEqual(
    rows().map((row) => [row.querySelector("strong").textContent, row.querySelector("button").disabled]),
    [
      ["A01 ", false],
      ["A01 ", false],
      ["A02 ", false],
      ["bad ", true],
    ],
  );
  assert.deepEqual(shows("to-live", "to-bring", "empty", "opened", "recording-actions"), [true, true, false, false, false]);
  review.type("search", "heat a02");
  assert.deepEqual([rows().length, text("count")], [1, "1 of 4"]);
  review.type("search", "nobody");
  assert.deepEqual([shows("empty"), text("empty")], [[true], "Nothing fits. Use fewer words."]);
  review.type("search", "");
  assert.deepEqual(shows("empty"), [false]);
});

test("an opened recording: its trace, its answer, its phases, what can be done with it", async () => {
  review.press(rows()[0].querySelector("button"));
  assert.deepEqual([text("title"), text("summary")], ["A01", "Reading the recording …"]);
  assert.equal(review.$("look").getAttribute("aria-busy"), "true");
  await later();
  assert.equal(review.$("look").getAttribute("aria-busy"), "false");
  assert.equal(text("summary"), "hamstring, left, box");
  assert.deepEqual(shows("opened", "recording-actions", "open-report", "open-history"), [true, true, true, true]);
  assert.equal(review.$("open-report").getAttribute("href"), "/review/report?name=one");
  assert.equal(review.$("open-history").getAttribute("href"), "/review/history?athlete=A01");
  assert.equal(text("open-history"), "A01 over weeks");
  assert.deepEqual(
    rows().map((row) => row.querySelector("button").getAttribute("aria-current")),
    ["true", null, null, null],
  );
  const [panel] = review.$("panels").children;
  assert.match(panel.seen, /^easedBy 2\.5\.The numbers behind itCycles5/);
  assert.deepEqual(
    review.$("phases").children.map((row) => row.children.map((cell) => cell.textContent)),
    [
      ["1", "Let go", "–", "0:10", "20 s", "–", "–", "6"],
      ["2", "Contract", "60–80 %", "0:30", "20 s", "72 %", "0 %", "no answer"],
    ],
  );
  assert.match(
    text("where"),
    /^0:05\.0 to 3:20\.0 of 3:20\. Strong line: force, in % of maximum; grey: emg\. Every peak is drawn\.$/,
  );
  const { name, from, to, columns } = last("trace");
  assert.deepEqual([name, from, to, columns], ["one", "5", "200", "400"]);
  assert.deepEqual(shows("change", "being-written", "asked-there"), [true, false, false]);
  const options = review
    .$("beside")
    .querySelectorAll("option")
    .map((each) => [each.value, each.textContent.split(",")[0]]);
  assert.deepEqual(options, [
    ["", "nothing"],
    ["two", "A01"],
    ["three", "A02"],
  ]);
  assert.deepEqual(
    review
      .$("beside")
      .querySelectorAll("optgroup")
      .map((each) => each.getAttribute("label")),
    ["Also A01", "Others"],
  );
});

test("the trace is moved and zoomed by buttons, keys, wheel and finger", async () => {
  const view = async () => {
    await later();
    const { from, to } = last("trace");
    return [from, to].map((value) => Math.round(Number(value) * 1000) / 1000);
  };
  const press = (id) => review.press(id);
  press("whole");
  assert.deepEqual(await view(), [0, 200]);
  press("zoom-in");
  assert.deepEqual(await view(), [50, 150]);
  press("later");
  assert.deepEqual(await view(), [100, 200]);
  press("earlier");
  assert.deepEqual(await view(), [50, 150]);
  press("zoom-out");
  assert.deepEqual(await view(), [0, 200]);
  press("zoom-in");
  await view();
  const trace = review.$("trace");
  const key = (name) => review.fire(trace, "keydown", { key: name });
  assert.equal(key("ArrowLeft"), false);
  assert.deepEqual(await view(), [30, 130]);
  key("ArrowRight");
  assert.deepEqual(await view(), [50, 150]);
  key("+");
  assert.deepEqual(await view(), [65, 135]);
  key("-");
  assert.deepEqual(await view(), [51, 149]);
  assert.equal(key("x"), true);
  key("Home");
  assert.deepEqual(await view(), [0, 200]);
  review.fire(trace, "wheel", { offsetX: 100, deltaX: 0, deltaY: -Math.log(2) / Math.log(1.0015) }); // a quarter from the left stays there
  assert.deepEqual(await view(), [25, 125]);
  review.fire(trace, "wheel", { offsetX: 100, deltaX: 80, deltaY: 10 });
  assert.deepEqual(await view(), [45, 145]);
  review.fire(trace, "pointermove", { pointerId: 7, movementX: 40 });
  assert.deepEqual(await view(), [45, 145]);
  review.fire(trace, "pointerdown", { pointerId: 7 });
  review.fire(trace, "pointermove", { pointerId: 7, movementX: 40 });
  assert.deepEqual(await view(), [35, 135]);
  review.press(review.$("phases").querySelectorAll("button")[1]);
  assert.deepEqual(await view(), [28, 52]);
  answers.trace = confused("no trace");
  press("whole");
  await later();
  assert.equal(text("where"), "no trace");
  answers.trace = TRACE;
});

test("two are shown side by side on one time line, and only reports of one are offered", async () => {
  answers.about = ({ name }) => ({ ...about, phases: name === "two" ? [{ ...PHASES[0], from_s: 25, to_s: 45 }] : PHASES });
  review.type("beside", "two");
  await later();
  assert.equal(text("title"), "Side by side");
  assert.match(text("summary"), /^Both traces have the same scales/);
  assert.deepEqual(shows("open-report", "open-history", "recording-actions"), [false, false, false]);
  assert.equal(review.$("panels").dataset.n, "2");
  assert.deepEqual(
    review.$("panels").children.map((panel) => panel.querySelector("h2").textContent.split(",")[0]),
    ["A01", "A01 (simulated)"],
  );
  assert.match(review.$("panels").children[1].seen, /hamstring, right, box/);
  const asked = told("trace")
    .slice(-2)
    .map(({ address }) => readQuery(address));
  assert.deepEqual(
    asked.map(({ name, from, to }) => [name, from, to]),
    [
      ["one", "5", "200"], // its plan begins 15 s earlier
      ["two", "20", "215"],
    ],
  );
  assert.deepEqual(
    rows().map((row) => row.querySelector("button").getAttribute("aria-current")),
    ["true", "true", null, null],
  );
  review.press(review.$("phases-2").querySelector("button"));
  await later();
  assert.deepEqual([last("trace").from, last("trace").to], ["23", "47"]);
  review.type("beside", "");
  await later();
  assert.equal(text("title"), "A01");
});

test("a recording without a plan says so; one that is being written is left alone", async () => {
  answers.about = ({ name }) => ({ ...about, written: name === "two", phases: name === "three" ? [] : PHASES });
  await open(2);
  assert.equal(review.$("phases").seen, "No plan was carried out in this recording.");
  await open(1);
  assert.deepEqual(shows("change", "being-written"), [false, true]);
  answers.answer = confused("no answer yet");
  await open(0);
  assert.match(review.$("panels").seen, /^no answer yet/);
});

test("a recording that cannot be read is told, and can still be deleted while it is in the list", async () => {
  answers.about = confused("it was cut off");
  await open(0);
  assert.equal(text("summary"), "it was cut off");
  assert.deepEqual(shows("opened", "recording-actions"), [false, true]);
  answers.list = { ...list, entries: list.entries.slice(1) };
  await open(0);
  assert.deepEqual(shows("recording-actions"), [false]);
  answers.list = list;
  answers.about = () => about;
  await open(0);
});

test("with no recording at all the page says how to make one", async () => {
  const empty = { entries: [], live: false, brings: false, formats: [], written: [], here: true, answer_s: 60 };
  const alone = await openPage("review", { path: "/review", fetches: { "/review/list": empty } });
  await settle();
  assert.deepEqual(
    [alone.$("title").seen, alone.$("count").seen, alone.$("empty").seen],
    ["No recordings yet", "0 of 0", "No recordings yet."],
  );
  assert.deepEqual([alone.$("to-live").hidden, alone.$("to-bring").hidden], [true, true]);
  const gone = await openPage("review", { path: "/review", fetches: {} });
  await settle();
  assert.match(gone.$("empty").seen, /^The program does not answer/);
  const made = await openPage("review", { path: "/review", search: "?open=two", fetches });
  await settle();
  assert.equal(made.$("title").seen, "A01 (simulated)"); // just made of a file of another program
});
