// What is due to be heard, and the words for it: one table. Pure; sound.js plays tones, voice.js speaks.

import { blindAt, bandsOf } from "./target.js";
import { aimText } from "./text.js";
import { capital, sayPhase, wordsOf } from "./words.js";

export const REPEAT_S = 0.9; // below, above: tones
export const LASTED_S = 2.5; // out of the band for so long: said in words
export const SAY_AGAIN_S = 5;
export const EFFORT_AFTER_S = 3; // how hard it was is asked when the instruction for what follows has been heard
export const ALARM_S = 2;
export const ALONE_S = 20; // a program that has ended: a page that nobody looks at sounds on more rarely
export const BREATHE_S = 5;
export const HARD_PERCENT = 80; // from here on counting aloud is said again and again, else once in each contraction

/**
 * @typedef {object} Now what holds at this moment
 * @property {boolean} running
 * @property {"link" | "signal" | "paused" | null} alarm why the athlete is to let go
 * @property {boolean} acted somebody has answered the alarm on this page
 * @property {any} phase changes when something else is to be done
 * @property {string} kind of the phase, or the step of an attempt
 * @property {import("./types").BandState} bandState
 * @property {number} lowPercent of the band, NaN where there is none
 * @property {string} [part] of a phase whose band jumps or is hidden: changes when that happens
 * @property {boolean} [breathes] breathing is told throughout, whatever the band
 * @property {number} remainingS
 * @property {number} [pushS] how long a push lasts in all: it is counted upwards, aloud
 * @property {number} nowS
 * @property {number | null} [effort] the contraction that is asked about: how hard it felt
 */
/**
 * @typedef {object} Heard what chooseCue remembers
 * @property {string | null} cue
 * @property {number} atS of the last cue that repeats
 * @property {number} sinceS since when it has been out of the band, pushing or in alarm
 * @property {number} saidS when that was last said in words
 * @property {number} breathS
 * @property {number | null} second
 * @property {any} phase
 * @property {string} [part]
 * @property {boolean} [ran]
 * @property {number | null} [effort] the contraction that was asked about, aloud
 */

/** @type {Heard} */
export const SILENCE = {
  cue: null,
  atS: -Infinity,
  sinceS: NaN,
  saidS: -Infinity,
  breathS: -Infinity,
  second: null,
  phase: null,
};

/**
 * The cue that is due now, or null, and what to remember.
 * @param {Heard} memory
 * @param {Now} now
 * @returns {[string | null, Heard]}
 */
export function chooseCue(memory, now) {
  const { nowS, phase } = now;
  if (!now.running) return [null, { ...SILENCE, phase }];
  if (now.alarm) return chooseAlarm(memory, now.alarm, now);
  if (phase !== memory.phase) {
    const begun = { ...SILENCE, phase, part: now.part, effort: memory.effort, atS: nowS, breathS: nowS };
    return [now.kind, begun];
  }
  if (now.part !== memory.part) return [partCue(memory.part, now.part), { ...memory, part: now.part, cue: null, atS: nowS }];
  const second = Number.isFinite(now.remainingS) ? Math.ceil(now.remainingS) : null;
  const next = { ...memory, second };
  if (memory.cue?.startsWith("alarm")) Object.assign(next, { cue: null, atS: nowS });
  if (second !== memory.second && memory.second !== null && second !== null && second >= 1) {
    const { pushS } = now;
    if (pushS && pushS > second) return [`count-${Math.round(pushS) - second}`, next];
    if (!pushS && second <= 3) return [`tick-${second}`, next];
  }
  const { effort = null } = now;
  if (effort !== null && effort !== memory.effort && nowS - memory.atS >= EFFORT_AFTER_S)
    return ["effort", { ...next, effort, atS: nowS }];
  return chooseGuiding(next, now);
}

/**
 * Where in a phase it is: "blind", the number of a step with its band, or "".
 * @param {import("./types").State} state
 * @param {number} timeS from the start of the phase
 */
export function partOf({ phase, stage }, timeS) {
  if (stage !== "plan" || !phase || !Number.isFinite(timeS)) return "";
  if (blindAt(phase, timeS)) return "blind";
  if (!phase.steps?.length) return "";
  const bands = bandsOf(phase);
  const k = Math.min(bands.length - 1, Math.max(0, Math.floor((timeS / phase.duration_s) * bands.length)));
  return `step:${k}:${bands[k].join(":")}`;
}

/**
 * @param {string | undefined} was
 * @param {string | undefined} is
 */
function partCue(was, is) {
  if (is === "blind") return "blind";
  if (is?.startsWith("step:") && was !== "blind") return is;
  return was === "blind" ? "seen" : null;
}

/**
 * @param {Heard} memory
 * @param {"link" | "signal" | "paused"} alarm
 * @param {Now} now
 * @returns {[string | null, Heard]}
 */
function chooseAlarm(memory, alarm, { acted, nowS }) {
  const cue = `alarm-${alarm}`;
  const sinceS = memory.cue === cue ? memory.sinceS : nowS;
  const next = { ...memory, cue, sinceS };
  if (acted && memory.cue === cue) return [null, next];
  const everyS = alarm === "link" && nowS - sinceS > ALONE_S ? 5 * ALARM_S : ALARM_S;
  if (memory.cue === cue && nowS - memory.atS < everyS) return [null, next];
  return [cue, { ...next, atS: nowS }];
}

/**
 * Below, above, pushing: tones at once and often, words only when it has lasted; else to count aloud, which breathes.
 * @param {Heard} memory
 * @param {Now} now
 * @returns {[string | null, Heard]}
 */
function chooseGuiding(memory, { kind, bandState, lowPercent, breathes, nowS }) {
  const cue = bandState === "none" || bandState === "in" ? null : bandState;
  if (breathes && cue && nowS - memory.breathS >= 2 * BREATHE_S) return ["breathe", { ...memory, breathS: nowS }];
  if (cue === null) {
    const calm = { ...memory, cue: null, sinceS: NaN };
    if (!["contract", "remote"].includes(kind) || nowS - memory.breathS < BREATHE_S) return [null, calm];
    return ["breathe", { ...calm, breathS: lowPercent >= HARD_PERCENT || breathes ? nowS : Infinity }];
  }
  const sinceS = cue === memory.cue ? memory.sinceS : nowS;
  const next = { ...memory, sinceS };
  if (cue === memory.cue && nowS - memory.atS < REPEAT_S) return [null, next];
  if (nowS - memory.atS < 0.3) return [null, next];
  const isWord = cue === "pushing" || nowS - sinceS >= LASTED_S;
  if (isWord && nowS - memory.saidS >= SAY_AGAIN_S) return [`say-${cue}`, { ...next, cue, atS: nowS, saidS: nowS }];
  return [cue, { ...next, cue, atS: nowS }];
}

/** How pressing a cue is: a higher one cuts off a lower one. */
const URGENCY = /** @type {Record<string, number>} */ ({
  "alarm-link": 3,
  "alarm-signal": 3,
  "alarm-paused": 3,
  stopped: 3,
  contract: 2,
  remote: 2,
  passive: 2,
  rest: 2,
  countdown: 2,
  push: 2,
  done: 2,
  relax: 2,
  ask: 1,
  effort: 1,
  "say-pushing": 1,
});

/**
 * @param {import("./types").PhaseMeaning} meaning
 * @param {string} aim of a contraction
 */
function sayKind({ say, contracts }, aim, urgency = 0) {
  return { text: [say, contracts && aim].filter(Boolean).join(", "), urgency };
}

/**
 * What is said for a cue, and how urgent it is; null: nothing is.
 * @param {string} cue
 * @param {import("./types").State | null} state
 * @returns {{text: string, urgency: number} | null}
 */
export function wordsOfCue(cue, state) {
  const { scale } = wordsOf(state);
  const band = state?.phase?.band;
  const aim = band ? `${band[0]} to ${band[1]} percent` : aimText(state?.phase);
  /** @type {Record<string, string>} */
  const words = {
    "alarm-link": "Let go now",
    "alarm-signal": "Let go: no signal",
    "alarm-paused": `Paused. ${sayPhase(state, "rest")}`,
    countdown: "Relax in the stretch, get ready",
    push: "Push",
    ask: state?.ask?.id === 1 && scale.aloud ? `Rate now. ${capital(scale.aloud)}` : "Rate now",
    effort: state?.words?.effort?.question ?? "",
    stopped: "Stopped. Come out slowly",
    done: "Finished. Come out slowly",
    relax: "Relax",
    sample: "This page speaks like this", // no instruction: nobody is in the stretch yet
    "tick-3": "three",
    "tick-2": "two",
    "tick-1": "one",
    "say-below": "A little more",
    "say-above": "Ease off",
    "say-pushing": "You are pushing: let it go",
    breathe: "Count aloud",
    blind: "Without the number: keep it",
    seen: "The number is back",
  };
  if (cue.startsWith("step:")) return { text: `Now ${cue.split(":").slice(2).join(" to ")} percent`, urgency: 1 };
  const phase = wordsOf(state).phase[cue]; // every kind that the session knows, also one that this page does not
  if (phase) return sayKind(phase, aim, URGENCY[cue]);
  const text = words[cue] ?? (cue.startsWith("count-") ? wordsOf(state).count[Number(cue.slice(6)) - 1] : "");
  return text ? { text, urgency: URGENCY[cue] ?? 0 } : null;
}
