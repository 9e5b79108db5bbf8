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

test("what ended or failed is waited for no longer, and the end of what was cut off ends nothing else", () => {
  for (const end of ["onend", "onerror"]) {
    const { voice, log, clock } = stand();
    voice.say({ text: "Contract, 60 to 80 percent", urgency: 2 });
    const first = clock.last;
    assert.equal(voice.isBusy, true);
    clock.ms = 10;
    voice.say({ text: "Let go: no signal", urgency: 3 });
    first[end]({ error: "synthesis-failed" });
    assert.equal(voice.isBusy, true, `the ${end} of what was cut off`);
    clock.last[end]({ error: "synthesis-failed" });
    assert.equal(voice.isBusy, false);
    voice.say({ text: "Breathe", urgency: 0 });
    assert.equal(log.at(-1), "Breathe");
  }
});

test("an interruption by us leaves the time of what is being said as it was", () => {
  const { voice, clock } = stand();
  voice.say({ text: "Contract", urgency: 2 });
  for (const error of ["interrupted", "canceled"]) clock.last.onerror({ error });
  assert.equal(voice.isBusy, true);
});

test("a question waits for the one before it, and a word that is only told is dropped beside its like", () => {
  const { voice, log, clock } = stand();
  voice.say({ text: "Rate now", urgency: 1 });
  voice.say({ text: "How hard did you contract?", urgency: 1 });
  assert.deepEqual(log, ["Rate now"]);
  clock.ms = lengthMs("Rate now");
  voice.check();
  assert.deepEqual(log, ["Rate now", "How hard did you contract?"]);
  clock.ms = 60_000;
  for (const text of ["three", "two"]) voice.say({ text, urgency: 0 });
  assert.equal(log.at(-1), "three");
});

test("one word waits at a time: the more urgent one, and the newer of two alike", () => {
  const waits = (...words) => {
    const { voice, log, clock } = stand();
    voice.say({ text: "Let go: no signal", urgency: 3 });
    for (const [text, urgency] of words) voice.say({ text, urgency });
    clock.ms = lengthMs("Let go: no signal") - 1;
    voice.check();
    assert.equal(log.length, 1, "not before the end");
    clock.ms += 1;
    voice.check();
    return log.slice(1);
  };
  assert.deepEqual(waits(["three", 0]), []);
  assert.deepEqual(waits(["Rate now", 1]), ["Rate now"]);
  assert.deepEqual(waits(["Rate now", 1], ["Rate the stretch", 1]), ["Rate the stretch"]);
  assert.deepEqual(waits(["Come out and rest", 2], ["Rate now", 1]), ["Come out and rest"]);
  assert.deepEqual(waits(["Rate now", 1], ["Come out and rest", 2]), ["Come out and rest"]);
});

test("what has not begun after half a second is given up, and not known to be bad where it was heard before", () => {
  const { voice, log, clock } = stand({ starts: false });
  voice.say({ text: "Contract", urgency: 2 });
  clock.ms = START_WITHIN_MS;
  voice.check();
  assert.equal(voice.isBusy, true);
  assert.equal(voice.works, null);
  clock.last.onstart();
  clock.ms = lengthMs("Contract");
  voice.say({ text: "Relax, stay in the position", urgency: 2 });
  clock.ms += START_WITHIN_MS + 1;
  voice.say({ text: "three", urgency: 0 });
  assert.deepEqual(log, ["Contract", "Relax, stay in the position", "three"]);
  assert.equal(voice.works, true);
});

test("silence ends what is said and what waits, and a browser that cannot be silenced breaks nothing", () => {
  const { voice, log, clock } = stand();
  voice.say({ text: "Contract", urgency: 2 });
  voice.say({ text: "Rate now", urgency: 1 });
  voice.silence();
  assert.deepEqual(log, ["Contract", "cancel"]);
  assert.equal(voice.isBusy, false);
  clock.ms = 60_000;
  voice.check();
  assert.equal(log.length, 2);
  const broken = stand({
    cancel: () => {
      throw new Error("no");
    },
  });
  broken.voice.silence();
});

test("what the browser itself is still saying, or has still to say, is cut off first", () => {
  for (const about of [{ speaking: true }, { pending: true }, {}]) {
    const { voice, log } = stand(about);
    voice.say({ text: "Contract", urgency: 2 });
    assert.deepEqual(log, [...("speaking" in about || "pending" in about ? ["cancel"] : []), "Contract"]);
  }
});

test("each word has the page's loudness, a brisk pace, its language and about its time", () => {
  const { voice, clock } = stand();
  voice.volume = 0.4;
  voice.say({ text: "Contract", urgency: 2 });
  const { volume, rate, lang } = clock.last;
  assert.deepEqual({ volume, lang }, { volume: 0.4, lang: "en-US" });
  assert.ok(rate > 1 && rate < 1.25, "brisk, and still understood");
  assert.equal(lengthMs("Contract"), 400 + 8 * 75);
  const foreign = stand({ getVoices: () => [{ lang: "de", localService: true }] });
  foreign.voice.say({ text: "Contract", urgency: 2 });
  assert.equal(foreign.clock.last.lang, "de");
  const network = stand({ getVoices: () => [{ lang: "de" }, { lang: "en-GB" }] });
  network.voice.say({ text: "Contract", urgency: 2 });
  assert.equal(network.clock.last.voice.lang, "en-GB");
  const unnamed = stand({ getVoices: () => [] });
  unnamed.voice.say({ text: "Contract", urgency: 2 });
  assert.equal(unnamed.clock.last.lang, "en");
  assert.equal(unnamed.voice.canSpeak, true, "it began, whatever it says of its voices");
  const asking = stand({
    getVoices: () => {
      throw new Error("no");
    },
  });
  assert.deepEqual(asking.voice.voices, []);
});
