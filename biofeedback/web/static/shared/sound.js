// Tones: below rises, above falls, in the band there is silence. What the voice says, the tones tell apart too.

/** @typedef {[number, number, number, number]} Note frequency in Hz, start in s, length in s, loudness */
/** @type {Record<string, Note[]>} */
// prettier-ignore
const NOTES = {
  below: [[294, 0, 0.11, 0.9], [392, 0.13, 0.13, 0.9]],
  above: [[784, 0, 0.11, 0.7], [587, 0.13, 0.13, 0.7]],
  pushing: [[784, 0, 0.09, 0.6], [587, 0.11, 0.09, 0.6], [440, 0.22, 0.13, 0.6]],
  tick: [[494, 0, 0.05, 0.45]],
  contract: [[392, 0, 0.14, 0.6], [587, 0.1, 0.3, 0.6]],
  passive: [[587, 0, 0.14, 0.6], [392, 0.1, 0.3, 0.6]],
  rest: [[587, 0, 0.14, 0.6], [440, 0.16, 0.14, 0.6], [294, 0.32, 0.4, 0.6]],
  done: [[587, 0, 0.14, 0.6], [440, 0.16, 0.14, 0.6], [294, 0.32, 0.4, 0.6]],
  ask: [[659, 0, 0.12, 0.5], [659, 0.18, 0.12, 0.5]],
  effort: [[659, 0, 0.12, 0.5], [659, 0.18, 0.12, 0.5]],
  alarm: [[196, 0, 0.25, 0.8], [185, 0.3, 0.35, 0.8]],
  stopped: [[294, 0, 0.2, 0.7], [196, 0.22, 0.4, 0.7]],
};
/** @type {Record<string, string | null>} cues that share a tone with another, or have none */
const SHARED = {
  "tick-3": "tick",
  "tick-2": "tick",
  "tick-1": "tick",
  "say-below": "below",
  "say-above": "above",
  "say-pushing": "pushing",
  "alarm-link": "alarm",
  "alarm-signal": "alarm",
  "alarm-paused": "alarm",
  relax: "passive",
  sample: "contract",
  countdown: "contract",
  push: "contract",
  breathe: null,
  blind: "passive",
  seen: "contract",
  step: "contract",
};

/**
 * The notes of a cue; none for one that is only spoken.
 * @param {string} cue
 * @returns {Note[]}
 */
export function notesOf(cue) {
  const kind = cue.split(":")[0]; // "step:1:40:50" is a step
  const name = cue.startsWith("count-") ? "tick" : kind in SHARED ? SHARED[kind] : kind;
  return (name && NOTES[name]) || [];
}

/** Plays tones once the browser allows sound (after the first press or key). */
export class Player {
  constructor() {
    /** @type {AudioContext | null} */
    this.context = null;
    this.volume = 0.5;
    this.muted = false;
    this.played = 0;
  }

  /** Call from a press or key: browsers keep sound shut until then. */
  unlock() {
    if (!this.context && window.AudioContext) this.context = new AudioContext();
    if (this.context && this.context.state !== "running") this.context.resume().catch(() => {}); // suspended, or interrupted by a call
  }

  /** Can anything be heard now, by what the browser says? */
  get isOpen() {
    return this.context?.state === "running";
  }

  /** @param {string} cue */
  play(cue) {
    const { context } = this;
    if (this.muted || !context || context.state !== "running") return;
    const notes = notesOf(cue);
    if (!notes.length) return;
    this.played += 1;
    const start = context.currentTime + 0.01;
    for (const [hz, at, length, loudness] of notes) {
      const tone = context.createOscillator();
      const gain = context.createGain();
      tone.type = "triangle";
      tone.frequency.value = hz;
      gain.gain.setValueAtTime(0, start + at);
      gain.gain.linearRampToValueAtTime(this.volume * loudness * 0.6, start + at + 0.012);
      gain.gain.setTargetAtTime(0, start + at + length * 0.6, length * 0.18);
      tone.connect(gain).connect(context.destination);
      tone.start(start + at);
      tone.stop(start + at + length + 0.3);
    }
  }
}
