// A session without a sensor: the gauge says what to do by feel, and after a contraction the athlete says how hard it was.

import { fill, make, setText, show } from "../shared/dom.js";
import { timeText } from "../shared/text.js";
import { meaningOf } from "../shared/words.js";

/** @typedef {import("../shared/types").State} State */

const LEAD_IN_S = 5; // a contraction is announced this long before it starts
/** @type {import("../shared/types").View} */
const BLANK = {
  mode: "timer",
  bandState: "none",
  top: 100,
  band: null,
  ghost: null,
  percent: NaN,
  number: "",
  unit: "",
  word: "",
  inBandShare: NaN,
};
const SENSOR_PARTS = ["strip-box", "typing-title", "typing", "typing-hint", "scale", "feedback-line", "sensors-title"];

/**
 * The steps of the job: without a sensor there is no zero and no maximum.
 * @param {string[][]} steps stage and name
 * @param {State} state
 */
export function stepsOf(steps, state) {
  return steps.filter(([stage]) => !state.by_feel || !["zero", "maximum"].includes(stage));
}

/**
 * What stands in the place of effort: the one asked for, as a feeling; never a reading. As `gaugeView`.
 * @param {State | null} state
 * @param {import("../shared/types").Update | null} update
 * @param {import("../shared/types").Trouble | null} problem
 * @returns {import("../shared/types").View}
 */
export function feltView(state, update, problem) {
  const view = { ...BLANK, number: "–", word: "Not live" };
  if (!state || !update || problem?.kind === "link") return { ...view, mode: "lost" };
  if (state.stage !== "plan" || !state.phase) return { ...view, number: "", word: "" };
  if (state.phase.kind === "contract" && Number.isFinite(state.phase.felt))
    return { ...view, number: String(state.phase.felt), unit: "of 10", word: "By feel: hold it there" };
  const isNear = state.next?.kind === "contract" && update.remainingS <= LEAD_IN_S;
  if (isNear) return { ...view, number: "0", unit: "of 10", word: `Contract in ${timeText(update.remainingS)}` };
  const word = state.phase.kind === "rest" ? "Out of the stretch" : "By feel: no effort"; // the clock has the seconds
  return { ...view, number: "0", unit: "of 10", word };
}

/**
 * No part of the page that is about a sensor.
 * @param {State} state
 */
export function renderFelt(state) {
  document.body.dataset.felt = state.by_feel ? "yes" : "no";
  for (const id of SENSOR_PARTS) {
    const part = document.getElementById(id);
    if (part && state.by_feel) show(part, false);
  }
}

/**
 * The contraction of which it is to be asked now how hard it felt; null: none. Never together with a rating.
 * @param {State} state
 * @returns {number | null}
 */
export function asksEffort(state) {
  const isFree = state.stage === "plan" && !state.ask && !state.paused && !meaningOf(state).contracts;
  return isFree ? (state.ask_effort?.phase_index ?? null) : null;
}

/**
 * The question after a contraction, on a page of one athlete and on a card of the group.
 * @param {import("../shared/types").Parts} parts
 * @param {State} state
 * @param {import("../shared/types").Send} send
 */
export function renderEffort(parts, state, send) {
  show(parts.effort, asksEffort(state) !== null);
  const asked = state.ask_effort;
  if (!asked) return;
  setText(parts.effortName, state.words?.effort?.question ?? "");
  setText(parts.effortEnds, state.words?.effort?.ends ?? "");
  fill(parts.effortKeys, asked.phase_index, (phase_index) =>
    [...Array(11).keys(), null].map((value) =>
      make(
        "button",
        { type: "button", onclick: () => send({ do: "effort", value, phase_index }) },
        value === null ? "No answer" : String(value),
      ),
    ),
  );
}
