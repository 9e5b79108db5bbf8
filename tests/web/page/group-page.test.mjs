// The group's page without a browser: a card for each athlete, what is pressed for one and what for all.

import assert from "node:assert/strict";
import { test } from "node:test";

import { YOU, openGroup, openPressed } from "./group-stand-in.mjs";
import { CHANNEL, holding, session } from "./sessions.mjs";

const two = (changes, more = {}) => [session(changes), session({ athlete: "A02", ...changes, ...more })];

test("each seat has a card and a connection of its own; nobody else stays on this page", async () => {
  const group = await openGroup();
  assert.deepEqual(
    group.sockets.map(({ address }) => address),
    ["ws://here/ws?seat=1", "ws://here/ws?seat=2"],
  );
  assert.deepEqual(
    [1, 2].map((seat) => group.part(seat, "name").textContent),
    ["A01", "A02"],
  );
  assert.deepEqual(
    [1, 2].map((seat) => group.part(seat, "name").href),
    ["/?seat=1", "/?seat=2"],
  );
  assert.deepEqual(group.led, []);
  assert.deepEqual(["phones", "new-session"].map(group.shows), [true, true]);
  const athlete = await openGroup([], { you: { ...YOU, role: "athlete" } });
  assert.deepEqual(athlete.led, ["/athlete"]);
  const alone = await openGroup([], { you: { ...YOU, seats: null } });
  assert.deepEqual(alone.led, ["/"]);
  const bare = await openGroup(undefined, { you: { ...YOU, shared: false, renew: false } });
  assert.deepEqual(["phones", "new-session"].map(bare.shows), [false, false]);
});

test("one stretch stands at the top, several on their cards; a hold has the card to itself", async () => {
  const group = await openGroup();
  assert.equal(group.text("setting"), "hamstring stretch, left, heel on box");
  assert.equal(group.part(1, "setting").hidden, true);
  group.tell(2, session({ athlete: "A02", side: "right", simulated: true }));
  assert.equal(group.text("setting"), "");
  assert.deepEqual(
    [1, 2].map((seat) => group.part(seat, "setting").seen),
    ["hamstring stretch, left, heel on box", "hamstring stretch, right, heel on box"],
  );
  assert.equal(group.text("simulated"), "Simulated");
  group.tell(2, holding(1, { athlete: "A02", side: "right", simulated: true, fast: true }));
  assert.equal(group.part(2, "setting").hidden, true);
  assert.equal(group.text("simulated"), "Simulated, shortened");
});

test("the cautions are read before anything is pressed, but never cover a hold", async () => {
  const group = await openGroup(two({ stage: "zero" }));
  assert.deepEqual(["before", "read-them", "seats"].map(group.shows), [true, true, false]);
  assert.equal(group.$("zero-all").disabled, true);
  group.press("read-them");
  group.pass(20);
  assert.deepEqual(["before", "read-them", "seats"].map(group.shows), [false, false, true]);
  assert.equal(group.$("zero-all").disabled, false);
  group.tell(2, session({ athlete: "A02" }));
  assert.equal(group.shows("before"), true); // one has not answered yet
  const late = await openGroup([holding(), session({ athlete: "A02", stage: "zero" })]);
  assert.deepEqual(["before", "seats"].map(late.shows), [false, true]);
  const first = await openGroup();
  assert.deepEqual(["before", "seats"].map(first.shows), [true, true]);
  first.press(first.part(1, "position").querySelector("button"));
  assert.equal(first.shows("read-them"), true); // not of the cautions
  first.press(first.part(1, "task").querySelector("button"));
  assert.equal(first.shows("read-them"), false); // a press on a card is a press
  assert.deepEqual(first.told(1), [{ do: "accept_cautions" }]);
});

test("what is for all goes to those whom it fits", async () => {
  const group = await openPressed(session({ stage: "zero" }), session({ athlete: "A02", stage: "ready" }));
  const can = () => ["zero-all", "start-all", "stop-all"].map((id) => !group.$(id).disabled);
  assert.deepEqual(can(), [true, true, false]);
  assert.equal(group.text("start-all"), "Start 1 of 2");
  group.press("zero-all");
  group.type("plan", "light");
  group.press("start-all");
  assert.deepEqual([group.told(1), group.told(2)], [[{ do: "zero" }], [{ do: "start_plan", plan: "light" }]]);
  group.tell(1, session({ stage: "ready" }));
  assert.equal(group.text("start-all"), "Start all");
  group.tell(2, holding(1, { athlete: "A02" }));
  assert.deepEqual(can(), [false, true, true]);
  assert.equal(group.shows("new-session"), false);
  group.press("stop-all");
  assert.deepEqual(group.told(1), []);
  assert.deepEqual(
    group.told(2).map((each) => [each.do, each.reason]),
    [["stop", "stopped together"]],
  );
  group.tell(2, session({ athlete: "A02", stage: "done" }));
  assert.deepEqual(can(), [false, true, false]);
});

test("a stop that cannot reach somebody is said with their code", async () => {
  const group = await openPressed(holding(), holding(1, { athlete: "A02" }));
  group.sockets[1].onclose({ code: 1006 });
  group.page.activeElement = group.page.body;
  group.key(" ");
  group.pass(20);
  assert.equal(group.text("banner-what"), "Stop has not reached A02 yet.");
  assert.deepEqual(
    group.told(1).map((each) => each.do),
    ["stop"],
  );
  assert.match(group.part(2, "problem").textContent, /^This page is disconnected\. Let go now/);
});

test("keys belong to the card that has the focus; Space and Esc stop all", async () => {
  const group = await openPressed(holding(1, { ask: { id: 3, text: "Now?", said: null } }), holding(1, { athlete: "A02" }));
  const key = (seat, name, more = {}) => group.fire(group.part(seat, "keys").children[0], "keydown", { key: name, ...more });
  key(1, "5");
  group.wait(3000);
  assert.deepEqual(group.told(1), [{ do: "rate", value: 5, ask: 3 }]);
  key(2, "4");
  key(2, "ArrowUp");
  assert.match(group.part(2, "given").textContent, /^5 … confirm it/);
  key(2, "Enter");
  group.pass(20);
  assert.deepEqual(group.told(2), [{ do: "rate", value: 5 }]);
  key(2, "Enter");
  assert.deepEqual(group.told(2), []);
  group.press(group.part(1, "keys").children[7]);
  assert.equal(key(1, "Escape", { ctrlKey: true }), true);
  assert.equal(key(1, "Escape", { altKey: true }), true);
  assert.equal(key(1, "Escape", { metaKey: true }), true);
  assert.equal(key(1, "Escape", { repeat: true }), false);
  assert.deepEqual([group.told(1), group.told(2)], [[], []]);
  key(1, "Escape");
  assert.deepEqual(
    [1, 2].map((seat) => group.told(seat).map((each) => each.do)),
    [["stop"], ["stop"]],
  );
  group.press("keys");
  key(1, "6");
  assert.doesNotMatch(group.part(1, "given").textContent, /^6/);
  group.press("keys");
  key(1, "m");
  assert.equal(group.text("sound-name"), "Sound off");
});

test("who left the band is said on the card, and for how long", async () => {
  const group = await openPressed(holding(), holding(1, { athlete: "A02" }));
  const stage = () => group.part(1, "stage").textContent;
  const now = (level, bandState, more = {}) => group.update(1, { level, bandState, percent: [50], remainingS: 9, ...more });
  now(3000, 2);
  assert.deepEqual([group.card(1).dataset.band, stage()], ["in", "Hold"]);
  now(3010, 1);
  assert.deepEqual([group.card(1).dataset.band, stage()], ["below", "Below the band"]);
  now(3100, 1);
  assert.equal(stage(), "Below the band");
  now(3110, 1);
  assert.equal(stage(), "Below the band 1 s");
  now(3320, 1);
  assert.equal(stage(), "Below the band 3 s");
  now(3330, 2);
  now(3340, 3);
  assert.equal(stage(), "Above the band");
  now(3350, 0, { stale: true });
  assert.equal(group.card(1).dataset.band, "lost");
  assert.notEqual(stage(), "Hold");
  group.tell(1, session({ stage: "ready" }));
  now(3360, 0, { stale: true });
  assert.deepEqual([group.card(1).dataset.band, stage()], ["none", "Plan"]);
});

test("trouble stands on the card, else what is worth saying although the signal is good", async () => {
  const group = await openPressed();
  const said = () => (group.part(1, "problem").hidden ? "" : group.part(1, "problem").textContent);
  assert.equal(said(), "");
  group.tell(1, session({ message: { level: "info", text: "all is well" } }));
  assert.equal(said(), "");
  group.tell(1, session({ message: { level: "error", text: "the board restarted", cure: "look at its cable" } }));
  assert.equal(said(), "The board restarted. Look at its cable");
  group.tell(1, session({ recording: { file: "", problem: "the disk is full" } }));
  assert.equal(said(), "The disk is full");
  group.tell(1, session({ recording: { file: "", problem: { what: "the disk is full", cure: "make room" } } }));
  assert.equal(said(), "The disk is full. Make room");
  group.tell(1, session({ channels: [{ ...CHANNEL, problem: { what: "no signal", cure: "look at the plug" } }] }));
  assert.equal(said(), "No signal. Look at the plug");
});

test("the sound of one athlete is played, or nobody's; phones are told on the cards", async () => {
  const group = await openPressed(holding(), holding(1, { athlete: "A02" }));
  const radios = () => group.$("whose").querySelectorAll("input");
  assert.deepEqual(
    group
      .$("whose")
      .querySelectorAll("label")
      .map((each) => each.textContent),
    ["Nobody’s", "A01", "A02"],
  );
  assert.equal(group.text("sound-whose"), "");
  group.press(radios()[2]);
  group.pass(20);
  assert.equal(group.text("sound-whose"), "A02");
  const heard = () => [1, 2].map((seat) => group.part(seat, "name").hasAttribute("data-heard"));
  assert.deepEqual(heard(), [false, true]);
  assert.equal(globalThis.sessionStorage.getItem("whose"), "2");
  group.press("sound-off");
  group.wait(300);
  assert.deepEqual(heard(), [false, false]);
  const devices = [
    { number: 3, seat: 1, role: "athlete", here: true },
    { number: 4, seat: 2, role: "athlete", here: false },
  ];
  group.to(1, { reply: { id: 1, ok: true, data: { sharing: { encrypted: false, devices, invitations: [] } } } });
  assert.equal(group.text("phones-joined"), "2 of 2");
  assert.deepEqual(
    [1, 2].map((seat) => [group.part(seat, "phone").textContent, group.part(seat, "phone").dataset.here]),
    [
      ["phone", "yes"],
      ["phone away", "no"],
    ],
  );
});

test("whose sound this tab played last is chosen again", async () => {
  const chosen = (group) =>
    group
      .$("whose")
      .querySelectorAll("input")
      .map((radio) => radio.checked);
  assert.deepEqual(chosen(await openGroup()), [true, false, false]);
  assert.deepEqual(chosen(await openGroup(undefined, { tab: { whose: "2" } })), [false, false, true]);
});

test("a refusal names the athlete; a question of another device waits until nobody holds", async () => {
  const group = await openPressed(holding(), session({ athlete: "A02", stage: "ready" }));
  const asks = [{ number: 4, device: 3, what: "to delete a recording", state: "waiting", left_s: 60 }];
  group.to(1, { reply: { id: 1, ok: true, data: { sharing: { encrypted: false, devices: [], invitations: [], asks } } } });
  assert.equal(group.shows("banner"), false);
  group.to(2, { reply: { id: 9, ok: false, what: "not now", cure: "wait" } });
  assert.deepEqual([group.text("banner-what"), group.text("banner-cure")], ["A02: not now.", "Wait."]);
  group.wait(8200);
  group.tell(1, session({ stage: "done" }));
  assert.equal(group.text("banner-what"), "Device 3 asks to delete a recording.");
  group.told(1);
  group.press(group.$("banner-actions").querySelector("button"));
  assert.deepEqual(group.told(1), [{ do: "allow", ask: 4, yes: true }]);
});
