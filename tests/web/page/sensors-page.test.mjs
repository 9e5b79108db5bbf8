// Sensors, other devices and own exercises on the coach's page without a browser.

import assert from "node:assert/strict";
import { test } from "node:test";

import { COACH, openPressed } from "./live-stand-in.mjs";
import { settle } from "./page-stand-in.mjs";
import { CHANNEL, holding, session } from "./sessions.mjs";

test("every sensor is shown with its role, value above its zero, quality and calibration", async () => {
  const used = { scale: null, factor: 0.5, zeroed_s: 0, maximum: null };
  const channels = [
    { ...CHANNEL, in_use: used },
    { ...CHANNEL, name: "emg", kind: "emg", unit: "uV", guide: false, beside: true, can_guide: true, calibrated: false },
    { ...CHANNEL, name: "place", kind: "position", unit: "cm", guide: false, can_guide: false, in_use: used },
    { ...CHANNEL, name: "rating", kind: "rating", guide: false },
    { ...CHANNEL, name: "gravity", kind: "gravity", guide: false },
    { ...CHANNEL, name: "position_phone", kind: "position", guide: false },
  ];
  const zero = { state: "done", results: { force: { level: 100, sd: 1 } } };
  const live = await openPressed(session({ stage: "ready", channels, zero }));
  const row = [0, 0, 0, 0, 0, 0];
  const levels = [[350, 12.34, 1.5, 0, 0, 0]];
  live.update({ percent: row, strip: [row], levels, level: 12000 });
  const rows = live.$("traces").children;
  assert.equal(rows.length, 3);
  assert.deepEqual(
    rows.map((each) => [each.querySelector("span").textContent, each.querySelector(".value").textContent]),
    [
      ["force guides the hold", "250 N"],
      ["emg shown beside, no maximum yet", "12.3 µV"],
      ["place", "1.50 cm"],
    ],
  );
  assert.match(
    rows[0].seen,
    /Good signalScale0\.5 N per count, given with the source; no certificateZero2 min oldMaximumnone yet$/,
  );
  assert.match(rows[2].seen, /Maximumnot needed$/);
  assert.deepEqual(
    rows.map((each) => each.querySelectorAll("button").length),
    [0, 1, 0],
  );
  live.press(rows[1].querySelector("button"));
  assert.deepEqual(live.sent(), [{ do: "guide", channel: "emg" }]);
  live.tell(holding(1, { channels }));
  assert.equal(live.$("traces").querySelectorAll("button").length, 0);
  live.update({ percent: row, strip: [row], levels, level: 12001 });
  assert.equal(live.$("traces").querySelector(".value").textContent, "350 N raw");
  const hum = { ...channels[1], problem: { what: "hum", cure: "move the cable" } };
  live.tell(session({ stage: "ready", channels: [channels[0], hum] }));
  live.update({ percent: [0, 0], level: 12002 });
  assert.match(live.$("traces").children[1].seen, /Hum: move the cable/);
  assert.ok(live.$("traces").children[1].querySelector(".quality").hasAttribute("data-bad"));
  live.socket.onclose({ code: 1006 });
  live.pass(300);
  assert.match(live.$("traces").children[0].seen, /–Not known: this page is disconnected/);
});

test("traces are drawn as they run, and the difference of two sides only while a plan runs", async () => {
  const live = await openPressed(session({ stage: "ready" }));
  live.update({ percent: [10], strip: [[0], [5], [10]], levels: [[0], [20], [41]], level: 500 });
  await settle();
  const canvas = live.$("traces").querySelector("canvas");
  const texts = canvas.context.of("text").map((mark) => mark.text);
  assert.deepEqual(texts.slice(-2), ["41.0", "0.00"]);
  assert.equal(live.shows("difference"), false);
});

test("an exercise of one's own is sent as it was typed, and its mistake stands at its field", async () => {
  const live = await openPressed(session({ stage: "zero", joints: ["knee", "general", "hip"] }));
  assert.equal(live.$("exercise-joint").value, "general");
  for (const field of ["title", "muscle", "position"]) live.type(`exercise-${field}`, ` ${field} `);
  live.press(live.$("exercise-form").querySelector("[type=submit]"));
  const [{ do: what, draft }] = live.sent();
  assert.equal(what, "save_exercise");
  assert.deepEqual(
    [draft.title, draft.muscle, draft.joint, draft.drift, Object.keys(draft).length],
    ["title", "muscle", "general", "", 10],
  );
  live.hear({
    reply: { id: 9, ok: true, data: { exercise_refused: { place: ["muscle"], what: "muscle = 'x'", cure: "name it" } } },
  });
  assert.equal(live.text("exercise-muscle-wrong"), "Muscle 'x': name it.");
  assert.equal(live.$("exercise-muscle").getAttribute("aria-invalid"), "true");
  assert.equal(live.page.activeElement, live.$("exercise-muscle"));
  live.hear({ reply: { id: 9, ok: true, data: { exercise_refused: { place: ["other"], what: "other", cure: "name it" } } } });
  assert.notEqual(live.text("exercise-title-wrong"), "");
  live.press(live.$("exercise-form").querySelector("[type=submit]"));
  assert.equal(live.$("exercise-muscle").getAttribute("aria-invalid"), null);
  assert.equal(live.text("exercise-muscle-wrong") + live.text("exercise-title-wrong"), "");
  live.hear({ reply: { id: 9, ok: true, data: { exercise: { name: "own-1" } } } });
  assert.match(live.text("exercise-said"), /^Kept as own-1\./);
  assert.equal(live.$("exercise-muscle").value, "");
});

test("other devices: a code that grows old, who has joined, and the press that sends one away", async () => {
  const live = await openPressed(session({ stage: "ready" }), { search: "?seat=2" });
  const qr = ["101", "010", "111"];
  const shared = {
    ...{ encrypted: false, fingerprint: "", absent: [{ number: 9, athlete: "A07", left_s: 7300 }] },
    devices: [
      { number: 3, seat: 2, role: "athlete", here: true },
      { number: 4, seat: null, role: "coach", here: false, inviter: 3 },
      { number: 5, seat: 1, role: "athlete", here: true },
    ],
    invitations: [{ seat: 2, code: "ABCD", url: "http://here/join#ABCD", expires_s: 90, qr }],
  };
  live.hear({ reply: { id: 1, ok: true, data: { sharing: shared } } });
  const cards = live
    .$("devices")
    .querySelectorAll(".device-card")
    .filter((each) => !each.hidden);
  assert.deepEqual(
    cards.map((card) => card.querySelector("h3").textContent),
    ["A01’s phone", "Another coach", "Not seated now"],
  );
  assert.match(
    cards[0].seen,
    /^A01’s phoneJoined \(device 3\)Send awayABCDCamera, or type it at here\/join\. Once, within 2 min\.New code$/,
  );
  assert.match(
    cards[1].seen,
    /^Another coachJoined, now locked or out of reach \(device 4, invited by device 3\)Send awayInvite one more$/,
  );
  const canvas = cards[0].querySelector("canvas");
  const dark = canvas.context.of("fill", "#000000").map(({ paths }) => paths[0].points[0]);
  const side = Number(canvas.getAttribute("width")) / 11; // three modules and four of margin on both sides
  assert.deepEqual(
    dark,
    [
      [4, 4],
      [6, 4],
      [5, 5],
      [4, 6],
      [5, 6],
      [6, 6],
    ].map(([x, y]) => [x * side, y * side]),
  );
  assert.equal(canvas.context.of("fill", "#ffffff").length, 1);
  for (const card of cards) for (const button of card.querySelectorAll("button")) live.press(button);
  assert.deepEqual(live.sent(), [
    { do: "revoke", device: 3 },
    { do: "invite", role: "athlete" },
    { do: "revoke", device: 4 },
    { do: "invite", role: "coach" },
    { do: "revoke", device: 9 },
  ]);
  live.wait(40000);
  assert.match(cards[0].seen, /within 1 min/);
  live.wait(60000);
  assert.match(cards[0].seen, /Send awayInvite one more$/);
  live.hear({ reply: { id: 2, ok: true, data: { sharing: { ...shared, devices: [], invitations: [], absent: [] } } } });
  assert.equal(cards[0].seen, "A01’s phoneMake a code");
  assert.equal(cards[2].hidden, true);
  live.press(live.$("devices").querySelector(".device-end").querySelector("button"));
  assert.deepEqual(live.sent(), [{ do: "revoke" }]);
});

test("how far two sides differ is told during a plan, while it is known", async () => {
  const channels = ["force_left", "force_right"].map((name, k) => ({ ...CHANNEL, name, guide: !k, beside: Boolean(k) }));
  const live = await openPressed(session({ stage: "ready", channels }));
  const rows = Array(250).fill([70, 55]);
  const now = (level) => live.update({ percent: [70, 55], strip: rows, levels: rows, level, remainingS: 9 });
  now(1000);
  assert.equal(live.shows("difference"), false);
  live.tell(holding(1, { channels }));
  now(1001);
  assert.equal(live.text("difference"), "Left minus right: +15 points, mean of 2 s");
  const forms = () => ["n", "first"].map((name) => live.$("forms").dataset[name]);
  assert.deepEqual(forms(), ["2", "guide"]);
  live.tell(holding(1, { channels: channels.map((each) => ({ ...each, guide: !each.guide, beside: !each.beside })) }));
  now(1002);
  assert.deepEqual(forms(), ["2", "beside"], "the left side stands at the left, whichever leads");
  live.tell(holding(1, { channels }));
  now(1003);
  live.socket.onclose({ code: 1006 });
  live.pass(300);
  assert.equal(live.shows("difference"), false);
});

test("a code for another coach, who has no seat, stands on the card of coaches", async () => {
  const live = await openPressed(session({ stage: "ready" }));
  const invitations = [{ seat: null, code: "COACH", url: "http://here/join#COACH", expires_s: 600, qr: ["1"] }];
  live.hear({ reply: { id: 1, ok: true, data: { sharing: { encrypted: true, devices: [], invitations } } } });
  const cards = live.$("devices").querySelectorAll("[data-seat]");
  assert.deepEqual(
    cards.map((card) => card.seen.replace(/Camera.*min\./, "")),
    ["A01’s phoneMake a code", "Another coachCOACHNew code"],
  );
});

test("what another device may do only after a yes is asked here, but not during an effort", async () => {
  const live = await openPressed(session({ stage: "ready" }));
  const asks = [{ number: 4, device: 3, what: "to delete a recording", state: "waiting", left_s: 25 }];
  live.hear({ reply: { id: 1, ok: true, data: { sharing: { encrypted: false, devices: [], invitations: [], asks } } } });
  assert.equal(live.text("banner-what"), "Device 3 asks to delete a recording.");
  for (const button of live.$("banner-actions").children) live.press(button);
  assert.deepEqual(live.sent(), [
    { do: "allow", ask: 4, yes: true },
    { do: "allow", ask: 4, yes: false },
  ]);
  live.tell(holding());
  assert.equal(live.shows("banner"), false);
  live.tell(session({ stage: "ready" }));
  assert.equal(live.shows("banner"), true);
  live.hear({ reply: { id: 9, ok: false, what: "not now", cure: "wait" } });
  assert.equal(live.text("banner-what"), "Not now."); // what was refused is said first
  live.wait(8100);
  assert.equal(live.text("banner-what"), "Device 3 asks to delete a recording.");
  live.wait(18000);
  assert.equal(live.shows("banner"), false);
});

test("an athlete's page is not asked what a device may do", async () => {
  const asks = [{ number: 4, device: 3, what: "to delete a recording", state: "waiting", left_s: 25 }];
  const athlete = await openPressed(session({ stage: "ready" }), { path: "/athlete", you: { ...COACH, role: "athlete" } });
  athlete.hear({ reply: { id: 1, ok: true, data: { sharing: { encrypted: false, devices: [], invitations: [], asks } } } });
  assert.equal(athlete.shows("banner"), false);
});
