// Two calibrated channels side by side: which, what they are called, what the one beside says. Pure, no DOM.

import { scaleTop } from "../shared/gauge-view.js";
import { guideIndex } from "../shared/state.js";
import { percentText } from "../shared/text.js";
import { capital } from "../shared/words.js";

const KINDS = { force: "Force", emg: "Muscle" };
/** @type {Record<number, [import("../shared/types").BandState, string]>} */
const STATES = { 1: ["below", "Below"], 2: ["in", "In the band"], 3: ["above", "Above"] };
const DIFFERENCE_S = 2;

/** "Left", "Right" or "" from a channel's name. */
export function sideOf(name) {
  if (/left|[_-]l$/i.test(name)) return "Left";
  if (/right|[_-]r$/i.test(name)) return "Right";
  return "";
}

/** What two channels are called when they stand together: by side, else by kind, else by their own names. */
export function namesOf(a, b) {
  const sides = [sideOf(a.name), sideOf(b.name)];
  const differ = sides[0] && sides[1] && sides[0] !== sides[1];
  if (a.kind === b.kind) return differ ? sides : [a.name, b.name];
  return [a, b].map((channel, k) =>
    [KINDS[channel.kind] ?? channel.name, differ ? sides[k].toLowerCase() : ""].filter(Boolean).join(" "),
  );
}

/** In half the width: the guide's instruction in fewer words. */
export function narrowed(view) {
  const word = { "Push a little more": "A little more", "Ease off a little": "A little less" }[view.word] ?? view.word;
  return { ...view, word };
}

/** The guide and the channel beside it during a plan: {guide, beside, names, guideFirst}; null when there is only one. */
export function gaugesOf(state) {
  const beside = (state?.channels ?? []).findIndex((channel) => channel.beside);
  if (beside < 0) return null;
  const guide = guideIndex(state);
  const names = namesOf(state.channels[guide], state.channels[beside]);
  return { guide, beside, names, guideFirst: names[0] !== "Right" };
}

/**
 * What the gauge beside shows: the guide's tells what to do, this one only where it is.
 * @param {import("../shared/types").State} state
 * @param {import("../shared/types").Update | null} update
 * @param {import("../shared/types").Trouble | null} problem
 * @param {{beside: number}} gauges
 * @returns {import("../shared/types").View}
 */
export function besideView(state, update, problem, gauges) {
  const band = state.band ?? null;
  const ghost = band ? null : (state.next?.band ?? null);
  const base = {
    top: scaleTop(state),
    band,
    ghost,
    percent: NaN,
    bandState: /** @type {const} */ ("none"),
    number: "–",
    unit: "",
    word: "",
    inBandShare: NaN,
  };
  const channel = state.channels[gauges.beside];
  if (!update || problem?.kind === "link") return { ...base, mode: "lost", word: "Not live" };
  if (channel.problem && !channel.problem.doubt) return { ...base, mode: "lost", word: capital(channel.problem.what) };
  if (update.stale) return { ...base, mode: "lost", word: "Signal lost" };
  const percent = update.percent[gauges.beside];
  if (!Number.isFinite(percent)) return { ...base, mode: "lost", word: "No reading" };
  if (state.blind) return { ...base, mode: "target", number: "" };
  const [bandState, word] = STATES[update.besideState] ?? ["none", ""];
  return { ...base, mode: band ? "target" : "free", percent, bandState, number: percentText(percent), unit: "%", word };
}

/** Left minus right over the last 2 s in percentage points, for the coach; "" unless two channels of one kind are known. */
export function differenceText(state, gauges, meanOf) {
  if (!gauges || state.channels[gauges.guide].kind !== state.channels[gauges.beside].kind) return "";
  const columns = gauges.guideFirst ? [gauges.guide, gauges.beside] : [gauges.beside, gauges.guide];
  const names = gauges.guideFirst ? gauges.names : [...gauges.names].reverse();
  const points = meanOf(columns[0], DIFFERENCE_S) - meanOf(columns[1], DIFFERENCE_S);
  const shown = percentText(points);
  const value = Number.isFinite(points)
    ? `${points >= 0.5 ? "+" : ""}${shown} point${/^[−+]?1$/.test(shown) ? "" : "s"}`
    : "not known";
  return `${names[0]} minus ${names[1].toLowerCase()}: ${value}, mean of ${DIFFERENCE_S} s`;
}
