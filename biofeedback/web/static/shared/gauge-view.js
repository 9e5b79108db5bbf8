// What the gauge shows: number, unit, word, band and where the effort lies. Pure; gauge.js draws it.

import { PUSH_PERCENT } from "./push-watch.js";
import { guideIndex } from "./state.js";
import { bandsOf } from "./target.js";
import { aimText, percentText, timeText } from "./text.js";
import { capital, meaningOf, nameOfPhase } from "./words.js";

/** @typedef {import("./types").State} State */
/** @typedef {import("./types").Update} Update */
/** @typedef {import("./types").View} View */

export const LEAD_IN_S = 5; // a contraction is announced this long before it starts
/** @type {Record<number, string>} */
const WORDS = { 1: "Push a little more", 2: "Hold it here", 3: "Ease off a little" };
/** @type {Record<number, import("./types").BandState>} */
const BAND_NAMES = { 0: "none", 1: "below", 2: "in", 3: "above" };

/**
 * Top of the gauge's scale in %: fixed for a whole plan, so that the same height always means the same effort.
 * @param {State | null} state
 */
export function scaleTop(state) {
  const highs = (state?.plan?.phases ?? []).flatMap((phase) => bandsOf(phase).map((band) => band[1]));
  if (state?.band) highs.push(state.band[1]);
  if (!highs.length) return 110;
  return Math.max(30, 5 * Math.ceil((Math.max(...highs) * 1.25) / 5));
}

/**
 * @param {State | null} state
 * @returns {View}
 */
function blankView(state) {
  const band = state?.band ?? null;
  const ghost = !band && state?.stage === "plan" ? (state.next?.band ?? null) : null;
  const view = { top: scaleTop(state), band, ghost, percent: NaN, number: "–", unit: "", word: "", inBandShare: NaN };
  return { ...view, mode: "lost", bandState: "none" };
}

/**
 * @param {State | null} state
 * @param {Update | null} update
 * @param {import("./types").Trouble | null} problem
 * @param {import("./types").Push | null} push
 * @param {boolean} isPushing while relaxing is asked for
 * @returns {View}
 */
export function gaugeView(state, update, problem, push = null, isPushing = false) {
  const blank = blankView(state);
  if (!state || !update || problem?.kind === "link") return { ...blank, word: "Not live" };
  if (state.stage === "maximum" && ["countdown", "push", "rest"].includes(state.maximum.step)) {
    if (state.maximum.step === "push" && push && !problem && state.feedback !== false)
      return pushView(state, update, push, blank);
    return stepView(state.maximum, update, blank);
  }
  if (problem?.kind === "signal") return { ...blank, word: capital(problem.what) };
  if (state.stage === "maximum") return attemptView(state.maximum, blank);
  const guide = state.channels[guideIndex(state)];
  if (guide && !guide.calibrated) return uncalibratedView(state, update, blank);
  const percent = update.percent[guideIndex(state)];
  if (!Number.isFinite(percent)) return { ...blank, word: "No reading" };
  const view = effortView(state, update, percent, blank);
  return isPushing ? { ...view, bandState: "pushing", word: "You are pushing: let it go" } : view;
}

/**
 * @param {State} state
 * @param {Update} update
 * @param {number} percent
 * @param {View} blank
 * @returns {View}
 */
function effortView(state, update, percent, blank) {
  if (state.blind) return { ...blank, mode: "target", number: "", word: "Keep it by feel" };
  return {
    ...blank,
    mode: blank.band ? "target" : "free",
    percent,
    bandState: BAND_NAMES[update.bandState] ?? "none",
    number: percentText(percent),
    unit: "%",
    word: WORDS[update.bandState] ?? restWord(state, percent, update.remainingS),
    inBandShare: update.countedS > 0 ? update.inBandS / update.countedS : NaN,
  };
}

/**
 * Without a maximum there is no percentage. A plan by feeling needs none: what counts is what to do, and how long.
 * @param {State} state
 * @param {Update} update
 * @param {View} blank
 * @returns {View}
 */
function uncalibratedView(state, update, blank) {
  if (state.plan?.phases.some((phase) => phase.band) ?? true) return { ...blank, mode: "uncalibrated", word: "Not calibrated" };
  const word = capital(aimText(state.phase) || nameOfPhase(state, state.phase?.kind ?? ""));
  return { ...blank, mode: "timer", number: timeText(update.remainingS) || "–", unit: "s", word };
}

/**
 * A step of an attempt that is only waited out.
 * @param {import("./types").Maximum} maximum
 * @param {Update} update
 * @param {View} blank
 * @returns {View}
 */
function stepView(maximum, update, blank) {
  const word = { countdown: "Push in", push: "Push", rest: restBefore(maximum), idle: "", accepted: "" }[maximum.step];
  return { ...blank, mode: "timer", band: null, number: timeText(update.remainingS) || "–", unit: "s", word };
}

/**
 * What the rest between two attempts is for: the headline already says to rest.
 * @param {import("./types").Maximum} maximum
 */
function restBefore({ number, n_needed, verdict }) {
  return verdict?.state === "accepted" || number > n_needed ? "Still to go" : `Before attempt ${number}`;
}

/**
 * During an attempt: the force above rest, on a scale that the best so far sets. push: {now, best} in the sensor's unit.
 * @param {State} state
 * @param {Update} update
 * @param {import("./types").Push} push
 * @param {View} blank
 * @returns {View}
 */
function pushView(state, update, push, blank) {
  const before = state.maximum.attempts
    .filter((attempt) => attempt.accepted && !attempt.rejected)
    .map((attempt) => attempt.value);
  const top = 1.15 * Math.max(1e-9, push.best, ...before);
  const ghost = before.length ? [Math.max(...before)] : null;
  const word = `Push: ${timeText(update.remainingS)}`;
  const number = percentText(push.now);
  return { ...blank, mode: "free", band: null, top, ghost, percent: push.now, number, unit: state.maximum.unit, word };
}

/**
 * Between attempts: the last one, large enough to be read from the mat.
 * @param {import("./types").Maximum} maximum
 * @param {View} blank
 * @returns {View}
 */
function attemptView(maximum, blank) {
  const last = maximum.attempts.at(-1);
  if (!last) return { ...blank, mode: "timer", band: null, number: "", word: "Ready when you are" };
  const word = last.accepted && !last.rejected ? `Attempt ${last.number} counts` : `Attempt ${last.number} does not count`;
  return { ...blank, mode: "timer", band: null, number: percentText(last.value), unit: last.unit, word };
}

/**
 * @param {State} state
 * @param {number} percent of the maximum
 * @param {number} remainingS
 */
function restWord(state, percent, remainingS) {
  if (state.phase && !meaningOf(state).contracts) {
    const announce = state.next?.band && remainingS <= LEAD_IN_S;
    if (announce) return `Contract in ${timeText(remainingS)}`;
    if (state.phase.kind === "rest") return "Out of the stretch";
    return percent > PUSH_PERCENT ? "Let the effort fall" : "Relaxed"; // the headline already says to relax
  }
  return state.band ? "Build up gently" : "";
}

/**
 * Calibrated channels beside the one that guides: "emg 64 %".
 * @param {State} state
 * @param {Update | null} update
 * @param {View} view
 */
export function otherEfforts(state, update, view) {
  if (!["target", "free"].includes(view.mode) || state.stage !== "plan") return [];
  const guide = guideIndex(state);
  return state.channels.flatMap((channel, k) => {
    if (k === guide || channel.beside || !channel.calibrated || channel.kind === "position") return [];
    return [`${channel.name} ${channel.problem ? "–" : percentText(update?.percent[k] ?? NaN)} %`];
  });
}
