// Below, above: two short notes, rising or falling. In the band: silence. Everything else is rarer and softer.

export const REPEAT_S = 0.9;
export const LOST_S = 20; // a program that has ended must not sound for ever

/**
 * What has been heard, by chooseCue.
 * @typedef {{cue: string | null, atS: number, second: number | null, phase: any, lostS?: number}} Heard
 */
/** @type {Heard} */
export const SILENCE = { cue: null, atS: -Infinity, second: null, phase: null };

/** Pure: which cue is due. memory = {cue, atS, second, phase, lostS}; returns [name or null, new memory]. */
export function chooseCue(memory, { bandState, live, running, phase, remainingS, nowS }) {
  const next = { ...memory };
  if (!running) return [null, { cue: null, atS: -Infinity, second: null, phase }];
  if (!live) {
    const lostS = memory.cue === "lost" ? memory.lostS : nowS;
    if (memory.cue === "lost" && (nowS - memory.atS < 2 || nowS - lostS > LOST_S)) return [null, next];
    return ["lost", { ...next, cue: "lost", atS: nowS, lostS }];
  }
  if (phase !== memory.phase) return ["change", { ...next, cue: null, atS: nowS, phase, second: null }];
  const second = Number.isFinite(remainingS) ? Math.ceil(remainingS) : null;
  if (second !== memory.second) {
    next.second = second;
    if (second !== null && second >= 1 && second <= 3 && memory.second !== null) return ["tick", next];
  }
  const cue = { below: "below", above: "above" }[bandState] ?? null;
  if (cue === null) return [null, { ...next, cue: null }];
  if (cue === memory.cue && nowS - memory.atS < REPEAT_S) return [null, next];
  if (nowS - memory.atS < 0.3) return [null, next];
  return [cue, { ...next, cue, atS: nowS }];
}

// [frequency Hz, start s, length s, loudness]
const NOTES = {
  below: [
    [294, 0, 0.11, 0.9],
    [392, 0.13, 0.13, 0.9],
  ],
  above: [
    [784, 0, 0.11, 0.7],
    [587, 0.13, 0.13, 0.7],
  ],
  tick: [[494, 0, 0.05, 0.45]],
  change: [
    [392, 0, 0.14, 0.6],
    [587, 0.1, 0.3, 0.6],
  ],
  ask: [
    [659, 0, 0.12, 0.5],
    [659, 0.18, 0.12, 0.5],
  ],
  lost: [
    [196, 0, 0.25, 0.8],
    [185, 0.3, 0.35, 0.8],
  ],
};

/** Plays cues once the browser allows sound (after the first press or key). */
export class Player {
  constructor() {
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

  play(name) {
    if (this.muted || !this.context || this.context.state !== "running") return;
    this.played += 1;
    const start = this.context.currentTime + 0.01;
    for (const [hz, at, length, loudness] of NOTES[name]) {
      const tone = this.context.createOscillator();
      const gain = this.context.createGain();
      tone.type = "triangle";
      tone.frequency.value = hz;
      gain.gain.setValueAtTime(0, start + at);
      gain.gain.linearRampToValueAtTime(this.volume * loudness * 0.6, start + at + 0.012);
      gain.gain.setTargetAtTime(0, start + at + length * 0.6, length * 0.18);
      tone.connect(gain).connect(this.context.destination);
      tone.start(start + at);
      tone.stop(start + at + length + 0.3);
    }
  }
}
