import assert from "node:assert/strict";
import { test } from "node:test";

import { START_WITHIN_MS, Voice, lengthMs } from "../../../biofeedback/web/static/shared/voice.js";

/** A stand-in for the browser's speech; what it calls back is up to the test. */
function stand(behaviour = {}) {
  const clock = { ms: 0 };
  const log = [];
  const synth = {
    speaking: false,
    getVoices: () => [
      { lang: "de", localService: true },
      { lang: "en-GB", localService: false },
      { lang: "en-US", localService: true },
    ],
    cancel: () => log.push("cancel"),
    speak: (utterance) => {
      log.push(utterance.text);
      clock.last = utterance;
      if (behaviour.starts !== false) utterance.onstart();
    },
    ...behaviour,
  };
  const voice = new Voice(
    synth,
    (text) => ({ text }),
    () => clock.ms,
  );
  return { voice, log, clock };
}

test("never two at once: a lesser word is dropped, an equal one of weight waits, an urgent one cuts off", () => {
  const { voice, log, clock } = stand();
  voice.say({ text: "Relax, stay in the position", urgency: 2 });
  voice.say({ text: "three", urgency: 0 });
  voice.say({ text: "Rate now", urgency: 1 });
  assert.deepEqual(log, ["Relax, stay in the position"]);
  clock.ms = lengthMs("Relax, stay in the position") + 1;
  voice.check();
  assert.deepEqual(log.slice(1), ["Rate now"]);
  voice.say({ text: "Let go: no signal", urgency: 3 });
  assert.deepEqual(log.slice(2), ["cancel", "Let go: no signal"]);
});

test("a newer instruction replaces the one before it", () => {
  const { voice, log } = stand();
  voice.say({ text: "Contract, 60 to 80 percent", urgency: 2 });
  voice.say({ text: "Come out and rest", urgency: 2 });
  assert.deepEqual(log, ["Contract, 60 to 80 percent", "cancel", "Come out and rest"]);
});

test("a voice that begins and never says that it ended does not silence the rest of the hold", () => {
  const { voice, log, clock } = stand();
  voice.say({ text: "Breathe", urgency: 0 });
  clock.ms = lengthMs("Breathe") + 1;
  voice.say({ text: "Ease off", urgency: 0 });
  assert.deepEqual(log, ["Breathe", "Ease off"]);
});

test("one that never begins, throws or is missing is known not to work, and nothing breaks", () => {
  const never = stand({ starts: false });
  never.voice.say({ text: "Contract", urgency: 2 });
  never.clock.ms = START_WITHIN_MS + 1;
  never.voice.check();
  assert.equal(never.voice.canSpeak, false);
  const throws = stand({
    speak: () => {
      throw new Error("no");
    },
  });
  throws.voice.say({ text: "Contract", urgency: 2 });
  assert.equal(throws.voice.canSpeak, false);
  const none = new Voice(undefined);
  none.say({ text: "Contract", urgency: 2 });
  assert.equal(none.canSpeak, false);
  const mute = stand({ getVoices: () => [] });
  assert.equal(mute.voice.canSpeak, false);
});

test("a voice of this machine is preferred to one that needs a network", () => {
  const { voice, clock } = stand();
  voice.say({ text: "Contract", urgency: 2 });
  assert.equal(clock.last.voice.lang, "en-US");
});

test("an error is told to the next question about it, an interruption of ours is none", () => {
  const { voice, clock } = stand();
  voice.say({ text: "Contract", urgency: 2 });
  clock.last.onerror({ error: "interrupted" });
  assert.equal(voice.canSpeak, true);
  clock.last.onerror({ error: "synthesis-failed" });
  assert.equal(voice.canSpeak, false);
});
