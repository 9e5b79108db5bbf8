// The page of a session without a browser: what stands on it in each stage, and what its buttons tell the session.

import assert from "node:assert/strict";
import { test } from "node:test";

import { COACH, openLive, openPressed } from "./live-stand-in.mjs";
import { settle } from "./page-stand-in.mjs";
import { CHANNEL, holding, maximum, session } from "./sessions.mjs";

const attempt = (number, value, changes = {}) => ({
  ...{ number, value, unit: "N", accepted: true, rejected: null, reason: "best 0.5 s" },
  ...changes,
});

test("each stage has its own panel, and only that; the step that it is in is marked", async () => {
  const live = await openPressed(session());
  const names = { cautions: "Cautions", zero: "Zero", maximum: "Maximum", ready: "Plan", plan: "Hold", done: "Answer" };
  for (const [stage, name] of Object.entries(names)) {
    live.tell(stage === "plan" ? holding() : session({ stage }));
    const open = live.$("main").children.filter((each) => !each.hidden);
    assert.equal(open.length, 1, stage);
    assert.ok(open[0].dataset.for.split(" ").includes(stage), stage);
    const steps = live.$("steps").children;
    assert.deepEqual(
      steps.filter((each) => each.getAttribute("aria-current") === "step").map((each) => each.textContent),
      [name],
    );
    const done = steps.filter((each) => each.hasAttribute("data-done")).map((each) => each.textContent);
    assert.deepEqual(done, Object.values(names).slice(0, Object.keys(names).indexOf(stage)));
    assert.equal(live.page.body.dataset.stage, stage);
    assert.equal(live.page.body.dataset.running, stage === "plan" ? "yes" : "no");
  }
});

test("within the live panel the clock and the pad are of a plan, the attempts of a maximum", async () => {
  const live = await openPressed(holding());
  assert.deepEqual([live.shows("pad"), live.shows("attempts-panel")], [true, false]);
  live.tell(session({ stage: "maximum" }));
  assert.deepEqual([live.shows("pad"), live.shows("attempts-panel")], [false, true]);
});

test("the cautions stay until this page has had its press, whoever accepted them; not over an effort", async () => {
  const live = await openLive(session());
  assert.deepEqual([live.shows("accept-cautions"), live.shows("read-them")], [true, false]);
  assert.deepEqual(
    live.$("cautions").children.map((each) => each.textContent),
    session().cautions,
  );
  live.tell(session({ stage: "zero" }));
  assert.equal(live.page.querySelector("[data-for=cautions]").hidden, false);
  assert.deepEqual([live.shows("accept-cautions"), live.shows("read-them")], [false, true]);
  live.press("read-them");
  assert.equal(live.page.querySelector("[data-for=cautions]").hidden, true);
  assert.deepEqual(live.sent(), []);
  const late = await openLive(holding());
  assert.equal(late.page.querySelector("[data-for=cautions]").hidden, true);
});

test("an athlete's page accepts nothing, and has neither the coach's side nor a way to a new session", async () => {
  const athlete = { role: "athlete", shared: true, review: false, seats: 2, renew: true };
  const live = await openLive(session(), { path: "/athlete", you: athlete });
  assert.deepEqual([live.shows("accept-cautions"), live.shows("read-them")], [false, true]);
  for (const id of ["coach", "group", "sharing", "review", "new-session"]) assert.equal(live.shows(id), false, id);
  assert.equal(live.page.body.dataset.place, "athlete");
  assert.deepEqual(live.led, []);
  const lost = await openLive(session(), { path: "/coach", you: athlete });
  assert.deepEqual(lost.led, ["/athlete"]);
});

test("a coach's page has the coach's side, the devices, the group and what it was begun from", async () => {
  const live = await openLive(session(), { you: { ...COACH, seats: 2 } });
  for (const id of ["coach", "group", "sharing", "review", "new-session"]) assert.equal(live.shows(id), true, id);
  live.tell(holding());
  assert.equal(live.shows("new-session"), false); // nothing ends a session while somebody holds
  const alone = await openLive(session(), { path: "/", you: { ...COACH, shared: false, review: false, renew: false } });
  for (const id of ["coach", "group", "sharing", "review", "new-session"]) assert.equal(alone.shows(id), false, id);
});

test("who it is, simulated or not, stands at the top", async () => {
  const live = await openLive(session());
  assert.equal(live.text("athlete"), "A01");
  assert.equal(live.text("setting"), "hamstring stretch, left, heel on box");
  assert.equal(live.shows("simulated"), false);
  live.tell(session({ simulated: true, side: "" }));
  assert.equal(live.text("setting"), "hamstring stretch, heel on box");
  assert.equal(live.text("simulated"), "Simulated");
  live.tell(session({ simulated: true, fast: true }));
  assert.equal(live.text("simulated"), "Simulated, shortened");
});

test("the large buttons say what they say", async () => {
  const live = await openLive(session());
  live.press("accept-cautions");
  assert.deepEqual(live.sent(), [{ do: "accept_cautions" }]);
  live.tell(session({ stage: "zero" }));
  live.press("zero");
  assert.deepEqual(live.sent(), [{ do: "zero" }]);
  live.tell(session({ stage: "maximum", maximum: maximum({ attempts: [attempt(1, 402.2)] }) }));
  live.press("attempt");
  live.press("accept-maximum");
  assert.deepEqual(live.sent(), [{ do: "attempt" }, { do: "accept_maximum" }]);
  live.tell(session({ stage: "done" }));
  live.press("again");
  assert.deepEqual(live.sent(), [{ do: "resume" }]);
});

test("a hold says what to do, how much, how long, what comes, and how it goes", async () => {
  const live = await openPressed(holding());
  live.update({ percent: [71.4], level: 3000, bandState: 2, remainingS: 9.6, inBandS: 6, countedS: 8 });
  assert.equal(live.text("now"), "Contract 60–80 %");
  assert.equal(live.text("more"), "Count aloud. Part 2 of 3, Response check");
  assert.equal(live.text("number"), "71");
  assert.equal(live.text("unit"), "%");
  assert.equal(live.text("word"), "Hold it here");
  assert.deepEqual([live.$("form").dataset.mode, live.$("form").dataset.band], ["target", "in"]);
  assert.deepEqual([live.text("time"), live.text("time-unit")], ["10", "s"]);
  assert.equal(live.text("next"), "Then: relax, stay in the position, 20 s");
  assert.equal(live.text("share"), "in the band 75 % of the time");
  assert.equal(live.$("number").dataset.level, "3000");
  live.wait(600);
  live.update({ percent: [71.4], level: 3001, bandState: 2, remainingS: 75, inBandS: 6, countedS: 8 });
  assert.equal(live.$("number-line").getAttribute("aria-label"), "Effort 71 percent of maximum. Hold it here");
  assert.deepEqual([live.text("time"), live.text("time-unit"), live.$("time").dataset.long], ["1:15", "", "true"]);
  await settle();
  for (const canvas of ["belly", "strip"]) assert.ok(live.$(canvas).context.marks.length > 3, canvas);
});

test("a refusal is said for eight seconds; trouble goes before it, a question to the coach before trouble", async () => {
  const live = await openPressed(session({ stage: "ready" }));
  const said = () =>
    live.shows("banner") ? [live.$("banner").dataset.level, live.text("banner-what"), live.text("banner-cure")] : null;
  assert.equal(said(), null);
  live.hear({ reply: { id: 99, ok: false, what: "not now", cure: "wait" } });
  assert.deepEqual(said(), ["error", "Not now.", "Wait."]);
  live.hear({ reply: { id: 100, ok: true, data: { nothing: true } } });
  assert.equal(said(), null);
  live.hear({ reply: { id: 99, ok: false, what: "not now", cure: "wait" } });
  live.update({ level: 2 });
  const bad = { ...CHANNEL, guide: false, name: "emg", problem: { what: "hum", cure: "move the cable" } };
  live.tell(session({ stage: "ready", channels: [CHANNEL, bad] }));
  assert.deepEqual(said(), ["error", "Emg: hum.", "Move the cable."]);
  const actions = [{ title: "Use it", command: { do: "device", use: true } }];
  live.tell(session({ stage: "ready", message: { level: "info", text: "another board answers", cure: "is it yours", actions } }));
  live.wait(8100);
  live.update({ level: 3 });
  assert.deepEqual(said(), ["info", "Another board answers.", "Is it yours."]);
  live.press(live.$("banner-actions").querySelector("button"));
  assert.deepEqual(live.sent(), [{ do: "device", use: true }]);
});

test("a page that is cut off says so, keeps a Stop, and sends nothing else", async () => {
  const live = await openPressed(holding());
  live.update({ percent: [70], level: 3000, bandState: 2, remainingS: 9 });
  live.socket.onclose({ code: 1006 });
  live.pass(20);
  assert.match(live.text("banner-what"), /disconnected/);
  assert.equal(live.text("now"), "Let go now");
  assert.equal(live.text("number"), "–");
  assert.equal(live.text("time"), "–");
  live.press("half");
  live.press("mark");
  live.press("stop");
  assert.equal(live.text("stop-hint"), "Space or Esc");
  live.pass(20);
  assert.equal(live.text("stop-hint"), "kept, sent first");
  live.pass(1000);
  live.socket.readyState = 1;
  live.socket.onopen();
  assert.deepEqual(
    live.sent().map((each) => each.do),
    ["stop"],
  );
});

test("another version of the program is loaded anew, but not again and again", async () => {
  const live = await openLive();
  live.hear(new ArrayBuffer(8));
  live.hear(new ArrayBuffer(8));
  assert.deepEqual(live.led, ["reload"]);
});

test("a new session is begun by two presses within five seconds, and the page goes where it begins", async () => {
  const fetches = { "/start/new": { place: "/start" }, "/start": "ok" };
  const live = await openLive(session(), { fetches });
  live.press("new-session");
  assert.equal(live.text("new-session"), "End this one?");
  live.pass(5100);
  assert.equal(live.text("new-session"), "New session");
  live.press("new-session");
  assert.deepEqual(live.asked, []);
  live.pass(4000);
  live.press("new-session");
  assert.equal(live.text("new-session"), "New session");
  await settle();
  assert.deepEqual(
    live.asked.map(({ address, method }) => [address, method]),
    [
      ["/start/new", "POST"],
      ["/start", undefined],
    ],
  );
  assert.deepEqual(live.led, ["/start"]);
  const refusing = await openLive(session(), {
    fetches: { "/start/new": { mistakes: [{ what: "a hold runs", cure: "stop it" }] } },
  });
  refusing.press("new-session");
  refusing.press("new-session");
  await settle();
  refusing.pass(20);
  assert.deepEqual([refusing.text("banner-what"), refusing.led.length], ["A hold runs.", 0]);
});

test("the screen is told to stay on where the browser cannot keep it lit", async () => {
  const dark = await openLive();
  const lit = await openLive(session(), {
    more: { navigator: { wakeLock: { request: async () => ({ addEventListener() {} }) } } },
  });
  for (const [live, on] of [
    [dark, true],
    [lit, false],
  ])
    for (const line of live.page.querySelectorAll("[data-dark]")) assert.equal(!line.hidden, on);
});
