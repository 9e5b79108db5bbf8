// What a page lets be heard and felt, and what it says of itself, without a browser.

import assert from "node:assert/strict";
import { test } from "node:test";

import { openGroup } from "./group-stand-in.mjs";
import { openLive, openPressed } from "./live-stand-in.mjs";
import { settle } from "./page-stand-in.mjs";
import { holding, session } from "./sessions.mjs";

const played = [];

/** A context of sounds that keeps which notes begin when. */
class Context {
  constructor() {
    Object.assign(this, { state: "suspended", currentTime: 5, destination: {} });
  }
  async resume() {
    this.state = "running";
  }
  createOscillator() {
    const tone = {
      frequency: {},
      connect: (gain) => Object.assign(gain, { tone }),
      start: (s) => (tone.startS = s),
      stop: (s) => (tone.stopS = s),
    };
    played.push(tone);
    return tone;
  }
  createGain() {
    const steps = [];
    const gain = {
      steps,
      setValueAtTime: (...a) => steps.push(["set", ...a]),
      linearRampToValueAtTime: (...a) => steps.push(["ramp", ...a]),
    };
    gain.setTargetAtTime = (...a) => steps.push(["target", ...a]);
    played.at(-1).gain = gain;
    return { gain, connect: () => {} };
  }
}
const buzzed = [];
const MORE = { window: { AudioContext: Context }, global: { AudioContext: Context }, navigator: {} };
MORE.navigator.vibrate = (pattern) => buzzed.push(pattern);
MORE.navigator.userActivation = { hasBeenActive: true };

test("nothing is heard before a press; then the sound that was chosen last time, as loud as then", async () => {
  const live = await openLive(session(), { more: MORE, kept: { sound: "tones", volume: "30", keys: "no", pedals: "pages" } });
  assert.equal(live.$("sound-tones").checked, true);
  assert.deepEqual([live.$("volume").value, live.$("keys").checked, live.$("pedals").value], ["30", false, "pages"]);
  live.pass(250);
  assert.equal(live.text("sound-name"), "Tap for sound");
  live.press("read-them");
  await settle();
  played.length = 0;
  live.pass(120);
  assert.equal(played.length, 0);
  live.pass(100);
  assert.equal(played.length, 2); // what it sounds like
  live.pass(250);
  assert.equal(live.text("sound-name"), "Sound on");
  const [, [, loud]] = played[0].gain.steps;
  assert.ok(loud > 0 && loud <= 0.3);
  const before = played.length;
  live.type("volume", "60");
  assert.ok(played.length > before); // a new loudness is heard
  assert.ok(Math.abs(played.at(-1).gain.steps[1][1] / played.at(-1).gain.steps[1][1] - 1) < 1e-9);
  assert.equal(globalThis.localStorage.getItem("volume"), "60");
  live.press("sound-off");
  assert.equal(live.text("sound-name"), "Sound off");
  assert.ok(live.$("speaker").hasAttribute("data-muted"));
  const muted = played.length;
  live.type("volume", "70");
  assert.equal(played.length, muted);
  live.press("sound-voice");
  assert.ok(!live.$("speaker").hasAttribute("data-muted"));
  live.press("keys");
  live.type("pedals", "arrows");
  const kept = ["sound", "keys", "pedals"].map((name) => globalThis.localStorage.getItem(name));
  assert.deepEqual(kept, ["voice", "yes", "arrows"]);
  live.press("keys");
  assert.equal(globalThis.localStorage.getItem("keys"), "no");
});

test("a page that was never used before plays the voice at half loudness, with keys on", async () => {
  const live = await openLive(session(), { more: MORE });
  assert.equal(live.$("sound-voice").checked, true);
  assert.deepEqual([live.$("volume").value, live.$("keys").checked, live.$("pedals").value], ["50", true, ""]);
  const odd = await openLive(session(), { more: MORE, kept: { sound: "loud" } });
  assert.equal(odd.$("sound-voice").checked, true);
});

test("a note begins from silence, swells at once, fades by its end, and ends a moment after", async () => {
  const { Player, notesOf } = await import("../../../biofeedback/web/static/shared/sound.js");
  globalThis.window = { AudioContext: Context };
  globalThis.AudioContext = Context;
  const player = new Player();
  assert.equal(player.isOpen, false);
  player.play("below"); // before any press
  player.unlock();
  assert.equal(player.isOpen, true);
  for (const cue of ["below", "rest", "alarm"]) {
    played.length = 0;
    player.volume = 1;
    player.play(cue);
    const notes = notesOf(cue);
    assert.equal(played.length, notes.length);
    played.forEach(({ frequency, startS, stopS, gain }, k) => {
      const [hz, at, length, loudness] = notes[k];
      const [[, first, fromS], [, peak, peakS], [, last, fadeS, ease]] = gain.steps;
      assert.equal(frequency.value, hz);
      assert.ok(Math.abs(startS - 5 - at) < 0.05 && startS === fromS);
      assert.ok(first === 0 && last === 0 && peak > 0.3 * loudness && peak <= loudness);
      assert.ok(peakS > startS && peakS - startS < 0.03 && fadeS > peakS && fadeS < startS + length);
      assert.ok(fadeS + 3 * ease < startS + 1.5 * length && stopS > startS + length && stopS < startS + length + 1);
    });
    const loud = played[0].gain.steps[1][1];
    player.volume = 0.5;
    player.play(cue);
    assert.ok(Math.abs(played.at(-notes.length).gain.steps[1][1] - loud / 2) < 1e-9);
  }
  played.length = 0;
  player.muted = true;
  player.play("below");
  player.muted = false;
  player.context.state = "interrupted";
  player.play("below");
  assert.equal(played.length, 0);
  player.unlock(); // the call is over
  player.play("below");
  assert.equal(played.length, 2);
});

test("every tone says its own: which rise, which fall, which repeat; none longer than a second, each loud enough", async () => {
  const { notesOf } = await import("../../../biofeedback/web/static/shared/sound.js");
  const steps = (cue) => {
    const hz = notesOf(cue).map(([value]) => value);
    return hz.slice(1).map((value, k) => Math.sign(value - hz[k]));
  };
  const wanted = { below: [1], above: [-1], pushing: [-1, -1], contract: [1], passive: [-1], rest: [-1, -1], done: [-1, -1] };
  Object.assign(wanted, { ask: [0], effort: [0], alarm: [-1], stopped: [-1], "tick-1": [] });
  const highest = (cue) => Math.max(...notesOf(cue).map(([hz]) => hz));
  for (const [cue, course] of Object.entries(wanted)) {
    assert.deepEqual(steps(cue), course, cue);
    const notes = notesOf(cue);
    notes.forEach(([hz, at, length, loudness], k) => {
      assert.ok(hz >= 150 && hz <= 1000, cue); // what a phone gives and an older ear hears
      assert.ok(length >= 0.05 && at + length <= 0.8, cue);
      assert.ok(loudness >= 0.4 && loudness <= 1, cue);
      if (k)
        assert.ok(at - notes[k - 1][1] >= 0.09, cue); // one after the other
      else assert.equal(at, 0, cue); // at once
    });
  }
  assert.ok(highest("below") < highest("above")); // low notes: push more; high ones: ease off
  assert.ok(highest("alarm") < Math.min(...["below", "above", "contract", "ask"].map(highest)));
  assert.deepEqual(notesOf("breathe"), []);
  assert.deepEqual(notesOf("unheard-of"), []);
});

test("each change is felt on a phone: once for a question, long for an alarm, twice for what is next", async () => {
  const live = await openPressed(holding(0), { more: MORE });
  live.wait(300);
  buzzed.length = 0;
  live.tell(holding(1));
  live.wait(200);
  assert.deepEqual(buzzed, [[40, 60, 40]]);
  live.tell(holding(1, { ask: { id: 5, text: "Now?", said: null } }));
  live.wait(100);
  assert.deepEqual(buzzed.slice(1), [60]);
  live.tell(holding(2, { ask_effort: { phase_index: 1 } }));
  live.wait(9000); // asked after the next instruction
  assert.deepEqual(buzzed.slice(2), [[40, 60, 40], 60]);
  buzzed.length = 2;
  live.tell(holding(1));
  live.wait(100);
  buzzed.length = 2;
  live.socket.onclose({ code: 1006 });
  live.pass(300);
  assert.deepEqual(buzzed.slice(2, 3), [[200, 100, 200]]);
});

test("a group hears the athlete who was chosen, and nobody else", async () => {
  const group = await openGroup([holding(0), holding(0, { athlete: "A02" })], { more: MORE, kept: { sound: "tones" } });
  group.press("read-them");
  await settle();
  group.wait(400);
  group.press(group.$("whose").querySelectorAll("input")[1]);
  group.wait(300);
  played.length = 0;
  group.tell(2, holding(1, { athlete: "A02" }));
  group.wait(300);
  assert.equal(played.length, 0);
  group.tell(1, holding(1));
  group.wait(300);
  assert.equal(played.length, 2); // contract
});

test("what the page can do and what not is said in words", async () => {
  const say = (live) =>
    live.page.querySelector("[data-abilities]").children.map((row) => [row.dataset.can, row.textContent.split(";")[0]]);
  const bare = await openLive(session(), { more: { screen: { width: 390, height: 844 } } });
  assert.deepEqual(say(bare), [
    ["no", "Sound: not before one press on this page"],
    ["no", "Voice: none on this device"],
    ["no", "Vibration: not on this device"],
    ["yes", "Number: large enough to read from 1.5 m on a phone"],
    ["no", "Screen: set it to stay on"],
  ]);
  const lock = { addEventListener() {}, release: async () => {} };
  const navigator = { ...MORE.navigator, wakeLock: { request: async () => lock } };
  const touch = (query) => ({ matches: query === "(pointer: coarse)", addEventListener() {} });
  const global = { ...MORE.global, matchMedia: touch };
  const full = await openLive(session(), { more: { ...MORE, navigator, global, screen: { width: 1280, height: 600 } } });
  full.press("read-them");
  await settle();
  full.wait(400);
  assert.deepEqual(say(full), [
    ["yes", "Sound: ready"],
    ["no", "Voice: none on this device"],
    ["yes", "Vibration: with each change"],
    ["yes", "Number: large enough to read from 3 m"],
    ["yes", "Screen: kept lit from the first hold to the last rest, tried just now"],
  ]);
  const refusing = { ...navigator, wakeLock: { request: async () => Promise.reject(new Error("no")) } };
  const saver = await openLive(session(), { more: { ...MORE, navigator: refusing } });
  saver.press("read-them");
  await settle();
  saver.wait(400);
  assert.deepEqual(say(saver)[4], ["no", "Screen: this device refused to keep it lit"]);
});
