// Spoken cues by the browser's own speech. It may have no voice, throw, or begin and never say that it ended:
// every utterance has a time by its length, and whoever waits for its end waits no longer than that.

export const START_WITHIN_MS = 500; // what has not begun by then is not heard

/**
 * About how long a text takes to be said.
 * @param {string} text
 */
export function lengthMs(text) {
  return 400 + 75 * text.length;
}

export class Voice {
  /**
   * @param {any} synth speechSynthesis, or undefined where there is none
   * @param {(text: string) => any} makeUtterance
   * @param {() => number} nowMs
   */
  constructor(
    synth = globalThis.speechSynthesis,
    makeUtterance = (text) => new SpeechSynthesisUtterance(text),
    nowMs = () => performance.now(),
  ) {
    this.synth = synth;
    this.makeUtterance = makeUtterance;
    this.nowMs = nowMs;
    this.volume = 1;
    this.urgency = -1; // of what is being said
    this.untilMs = -Infinity;
    this.begunMs = -Infinity;
    this.hasStarted = true;
    /** @type {boolean | null} whether it has ever been heard to begin; null: not tried yet */
    this.works = null;
    /** @type {{text: string, urgency: number} | null} what waits for the word before it */
    this.waiting = null;
  }

  /** Voices of this machine first: others need a network. */
  get chosen() {
    const voices = this.voices;
    const english = voices.filter((voice) => /^en/i.test(voice.lang));
    return english.find((voice) => voice.localService) ?? english[0] ?? voices[0] ?? null;
  }

  /** @returns {any[]} */
  get voices() {
    try {
      return this.synth?.getVoices?.() ?? [];
    } catch {
      return [];
    }
  }

  /** Is there reason to think that it can be heard? */
  get canSpeak() {
    return Boolean(this.synth) && this.works !== false && (this.voices.length > 0 || this.works === true);
  }

  get isBusy() {
    return this.nowMs() < this.untilMs;
  }

  /**
   * Say it, unless something at least as urgent is being said; never two at once.
   * @param {{text: string, urgency: number}} words
   */
  say(words) {
    this.check();
    if (!this.synth) return;
    if (this.isBusy && words.urgency <= this.urgency) {
      const keeps = this.waiting && this.waiting.urgency > words.urgency;
      if (words.urgency > 0 && !keeps) this.waiting = words;
      if (words.urgency < 2 || words.urgency < this.urgency) return;
    }
    this.waiting = null;
    this.speak(words);
  }

  /** Call a few times a second: what waited is said when the word before it is over. */
  check() {
    if (!this.hasStarted && this.nowMs() - this.begunMs > START_WITHIN_MS) {
      this.hasStarted = true;
      if (this.works === null) this.works = false;
      this.untilMs = -Infinity;
    }
    if (this.waiting && !this.isBusy) {
      const words = this.waiting;
      this.waiting = null;
      this.speak(words);
    }
  }

  silence() {
    this.waiting = null;
    this.untilMs = -Infinity;
    try {
      this.synth?.cancel();
    } catch {
      // nothing to silence
    }
  }

  /** @param {{text: string, urgency: number}} words */
  speak({ text, urgency }) {
    try {
      if (this.isBusy || this.synth.speaking || this.synth.pending) this.synth.cancel();
      const utterance = this.makeUtterance(text);
      utterance.lang = this.chosen?.lang ?? "en";
      if (this.chosen) utterance.voice = this.chosen;
      utterance.volume = this.volume;
      utterance.rate = 1.1;
      this.urgency = urgency;
      this.begunMs = this.nowMs();
      this.untilMs = this.begunMs + lengthMs(text);
      this.hasStarted = false;
      const begun = this.begunMs;
      utterance.onstart = () => {
        this.hasStarted = true;
        this.works = true;
      };
      utterance.onend = () => this.begunMs === begun && (this.untilMs = -Infinity);
      utterance.onerror = (event) => {
        if (["interrupted", "canceled"].includes(event?.error)) return; // by us
        this.hasStarted = true;
        this.works = false;
        if (this.begunMs === begun) this.untilMs = -Infinity;
      };
      this.synth.speak(utterance);
    } catch {
      this.works = false;
      this.untilMs = -Infinity;
    }
  }
}
