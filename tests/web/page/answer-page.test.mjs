// Plans to choose and the answer on the page without a browser.

import assert from "node:assert/strict";
import { test } from "node:test";

import { openPressed } from "./live-stand-in.mjs";
import { holding, maximum, rating, session } from "./sessions.mjs";

test("plans are offered with what they are, or why not today; the limit goes up and down between 1 and 10", async () => {
  const asked = { since: {}, expect: { question: "", answers: {}, said: "" }, end: {}, range: { plans: [] } };
  asked.refused = { light: { what: "it is too soon", cure: "come tomorrow" } };
  const care = { graded: true, screened: false, ask_felt: null, limited: "the strap gave way" };
  const max = maximum({ strength: 402.26, care, beyond: "More than last time", warnings: ["two agree"] });
  const live = await openPressed(session({ stage: "ready", asked, maximum: max }));
  assert.equal(
    live.text("maximum-found"),
    "Maximum in this position: 402 N. The strap gave way: every percentage may be too high. More than last time. " +
      "Two agree. Settle until discomfort is steady at 4 to 6 of 10, then start.",
  );
  const [first, second] = live.$("plans").children;
  assert.equal(first.seen, "Response checkAlternate.3 min 40 sStartChange");
  assert.equal(second.seen, "Light holdOne long hold.2 minNot today. It is too soon. Come tomorrow.StartChange");
  assert.deepEqual([first.dataset.refused, second.dataset.refused], [undefined, "yes"]);
  const [start, refused] = [first, second].map((row) => row.querySelector("button"));
  assert.deepEqual([start.className, refused.className], ["primary", "secondary"]);
  live.press(refused);
  live.press(start);
  assert.equal(live.shows("anyway-line"), true);
  live.press("anyway");
  live.press(start);
  assert.deepEqual(live.sent(), [
    { do: "start_plan", plan: "check" },
    { do: "start_plan", plan: "check", anyway: true },
  ]);
  live.tell(session({ stage: "ready", limit: null, maximum: maximum({ strength: 52.34, method: "typed", care }) }));
  assert.match(live.text("maximum-found"), /^Maximum typed from a display: 52\.3 N\. /);
  assert.equal(live.text("limit"), "–");
  assert.equal(live.shows("anyway-line"), false);
  for (const [limit, down, up] of [
    [null, 7, 9],
    [8, 7, 9],
    [1, 1, 2],
    [10, 9, 10],
  ]) {
    live.tell(session({ stage: "ready", limit }));
    live.press("limit-down");
    live.press("limit-up");
    assert.deepEqual(
      live.sent().map((each) => [each.do, each.value]),
      [
        ["limit", down],
        ["limit", up],
      ],
    );
  }
});

test("the rest before a plan runs down, and until it is over nobody is told to settle", async () => {
  const early = { check: { what: "a set now would last 6 s", over_s: 30, why_not: "" } };
  const asked = { since: {}, expect: { question: "", answers: {}, said: "" }, end: {}, range: { plans: [] }, refused: {} };
  const live = await openPressed(session({ stage: "ready", asked: { ...asked, rest_over_s: 75, early } }));
  live.update({ level: 1000 });
  assert.equal(live.text("rest-left"), "Out of the stretch: 1:05 of rest before a plan.");
  assert.equal(live.text("settle"), "Come out and rest");
  const row = live.$("plans").children[0];
  assert.match(row.seen, /Not yet\. A set now would last 6 s\. Rest for 20 s more\.Start all the sameChange$/);
  live.press(row.querySelectorAll("button").find((each) => each.textContent === "Start all the same"));
  assert.deepEqual(live.sent(), [{ do: "start_plan", plan: "check", anyway: true }]);
  live.update({ level: 3000 });
  assert.match(row.seen, /StartChange$/);
  live.update({ level: 7490 });
  assert.equal(live.shows("rest-left"), true);
  assert.equal(live.text("settle"), "Come out and rest"); // to the last moment
  live.update({ level: 7500 });
  assert.equal(live.shows("rest-left"), false);
  assert.equal(live.text("settle"), "Settle into the stretch");
  live.tell(
    session({ stage: "ready", asked: { ...asked, early: { check: { ...early.check, over_s: 99, why_not: "7.5 of 10" } } } }),
  );
  assert.match(live.$("plans").children[0].seen, /The last set hurt: 7\.5 of 10\. Nobody begins the next one earlier\.Change$/);
});

test("the answer, its picture and its numbers; another hold is offered unless something speaks against it", async () => {
  const ratings = [rating(1, 6, { phase_kind: "passive" }), rating(2, 3.5), rating(3, null), rating(4, 8, { corrected: true })];
  const answer = { word: "eased", headline: "It eased", text: "By 2.5.", next: ["The same again"], details: [["Cycles", "2"]] };
  const live = await openPressed(session({ stage: "done", answer, ratings, report_url: "/report" }), { search: "?seat=2" });
  assert.deepEqual([live.text("answer-word"), live.text("answer-text")], ["It eased", "By 2.5."]);
  assert.equal(live.text("next-steps"), "The same again");
  assert.equal(live.text("answer-details"), "Cycles2");
  assert.deepEqual(
    live.$("ratings").children.map((each) => [each.dataset.kind, each.textContent]),
    [
      ["passive", "6, relax"],
      ["contract", "3.5, contract"],
      ["contract", "no answer, contract"],
      ["contract", "8, contract, corrected"],
    ],
  );
  assert.equal(live.$("report").getAttribute("href"), "/report?seat=2");
  assert.equal(live.text("recording"), "Recorded in A01.hold.");
  const shown = () => ["ended", "again", "next-title", "numbers", "ratings-title", "report"].map((id) => live.shows(id));
  assert.deepEqual(shown(), [false, true, true, true, true, true]);
  live.tell(session({ stage: "done" }));
  assert.deepEqual(shown(), [false, true, false, false, false, false]);
  assert.equal(live.text("answer-word"), "One moment");
  live.tell(session({ stage: "done", recording: { file: "", problem: "disk full" } }));
  assert.equal(live.text("answer-word"), "Session over");
  live.tell(session({ stage: "done", stopped: { reason: "stopped by hand", why: "sharp" } }));
  assert.deepEqual(shown(), [true, false, false, false, false, false]);
  assert.equal(live.text("ended"), "Stopped by hand. Come out of the position slowly, then talk it over.");
  const asked = {
    since: {},
    expect: { answers: {} },
    end: { said: "numb", caution: "Not today." },
    refused: {},
    range: { plans: [] },
  };
  live.tell(session({ stage: "done", asked }));
  assert.equal(live.shows("again"), false);
});

test("the picture of the ratings: each in its place, squares for contractions, its axis and its names", async () => {
  const ratings = [
    rating(1, 10, { phase_kind: "passive" }),
    rating(2, null),
    rating(3, 5),
    rating(4, 0, { phase_kind: "remote" }),
  ];
  for (let k = 5; k < 9; k++) ratings.push(rating(k, 2.5, { phase_kind: "" }));
  const live = await openPressed(session({ stage: "done", ratings }));
  const svg = live.$("course").querySelector("svg");
  const number = (element, name) => Number(element.getAttribute(name));
  const [, , w, h] = svg.getAttribute("viewBox").split(" ").map(Number);
  assert.equal(svg.style["max-width"], `${w}px`);
  const lines = svg.querySelectorAll("line");
  const axis = svg.querySelectorAll("text").filter((each) => each.getAttribute("text-anchor") === "end");
  assert.deepEqual(
    axis.map((each) => each.textContent),
    ["0", "5", "10"],
  );
  const heights = lines.map((line) => number(line, "y1"));
  assert.deepEqual(
    heights,
    lines.map((line) => number(line, "y2")),
  );
  for (const [k, line] of lines.entries()) {
    assert.ok(Math.abs(number(axis[k], "y") - number(line, "y1")) < 8); // beside its line
    assert.ok(number(axis[k], "x") < number(line, "x1") && number(line, "x1") < number(line, "x2") && number(line, "x2") <= w);
  }
  assert.ok(
    Math.abs(heights[1] - (heights[0] + heights[2]) / 2) < 1e-9 && heights[0] > heights[2] && heights[2] > 0 && heights[0] < h,
  );
  const points = svg
    .querySelector("polyline")
    .getAttribute("points")
    .split(" ")
    .map((point) => point.split(",").map(Number));
  const values = [10, 5, 0, 2.5, 2.5, 2.5, 2.5];
  assert.equal(points.length, values.length);
  points.forEach(([x, y], k) => {
    assert.ok(Math.abs(y - (heights[0] + (values[k] / 10) * (heights[2] - heights[0]))) < 1e-9, `${k}`);
    if (k) assert.ok(Math.abs(x - points[k - 1][0] - (points[1][0] - points[0][0])) < 1e-9); // one as far as the other
    assert.ok(x > number(lines[0], "x1") && x < w);
  });
  assert.ok(points[1][0] - points[0][0] >= 40);
  const circles = svg.querySelectorAll("circle");
  const squares = svg.querySelectorAll("rect");
  const centre = (each) => [number(each, "x") + number(each, "width") / 2, number(each, "y") + number(each, "height") / 2];
  assert.deepEqual(squares.slice(0, 2).map(centre), [points[1], points[2]]);
  const round = [0, 3, 4, 5, 6];
  assert.deepEqual(
    circles.slice(0, 5).map((each) => [number(each, "cx"), number(each, "cy")]),
    round.map((k) => points[k]),
  );
  const said = svg.querySelectorAll("text").filter((each) => each.getAttribute("text-anchor") === "middle");
  assert.deepEqual(
    said.map((each) => [each.textContent, number(each, "x")]),
    values.map((value, k) => [String(value), points[k][0]]),
  );
  said.forEach((each, k) => assert.ok(points[k][1] - number(each, "y") > 8 && points[k][1] - number(each, "y") < 20));
  assert.equal(
    svg.getAttribute("aria-label"),
    "Ratings in order: 10 relax, 5 contract, 0 remote, 2.5 settling, 2.5 settling, 2.5 settling, 2.5 settling",
  );
  const legend = svg.querySelectorAll("text").filter((each) => each.getAttribute("text-anchor") === "start");
  assert.deepEqual(
    legend.map((each) => each.textContent),
    ["not contracting", "contracting"],
  );
  for (const [mark, words] of [
    [circles.at(-1), legend[0]],
    [squares.at(-1), legend[1]],
  ]) {
    const [x, y] = mark.tagName === "CIRCLE" ? [number(mark, "cx"), number(mark, "cy")] : centre(mark);
    assert.ok(y > heights[0] && y < h && Math.abs(number(words, "y") - y) < 8);
    assert.ok(number(words, "x") - x > 8 && number(words, "x") - x < 20);
  }
  live.tell(session({ stage: "done", ratings: [rating(1, null)] }));
  assert.equal(live.$("course").children.length, 0);
  live.tell(session({ stage: "done", ratings: ratings.slice(0, 3) }));
  assert.equal(live.$("course").querySelector("svg").querySelectorAll("rect").length, 1); // no room for its name
});

test("a doubt about a maximum is revised by one press, and again with insistence", async () => {
  const doubt = { channel: "force", seen: "120 % was held", advice: "the maximum is higher", strength: 512.345, unit: "N" };
  const live = await openPressed(session({ stage: "done", doubts: [doubt] }));
  for (const id of ["doubts", "doubts-coach"]) {
    assert.equal(live.text(id), "Force: 120 % was held. The maximum is higher.Use 512 N from now on");
    const button = live.$(id).querySelector("button");
    live.press(button);
    live.press(button);
    const message = { do: "revise_maximum", channel: "force", value: 512.345 };
    assert.deepEqual(live.sent(), [message, { ...message, anyway: true }]);
  }
});

test("why it was stopped is asked where Stop was pressed, and what belongs to the answer is said", async () => {
  const live = await openPressed(holding());
  live.press("stop");
  live.tell(session({ stage: "done", stopped: { reason: "stopped by hand", why: "" } }));
  assert.equal(live.text("why"), "Why was it stopped?Just enoughSharp or odd sensation");
  live.press(live.$("why").querySelectorAll("button")[1]);
  assert.deepEqual(live.sent().at(-1), { do: "explain_stop", why: "sharp" });
  live.tell(session({ stage: "done", stopped: { reason: "stopped by hand", why: "sharp" } }));
  assert.match(live.text("why"), /Do not go on today\.$/);
  assert.deepEqual(
    live
      .$("why")
      .querySelectorAll("button")
      .map((each) => each.getAttribute("aria-pressed")),
    ["false", "true"],
  );
  const other = await openPressed(session({ stage: "done", stopped: { reason: "stopped by hand", why: "" } }));
  assert.equal(other.text("why"), "");
});
