// What is set by hand on a brought file: stretches of time and what each of them is. No DOM.

import { sayPhase } from "../shared/words.js";

/** What a stretch can be, in the order of the buttons; `sign` stands on the trace. */
export const KINDS = [
  { kind: "rest", text: "Nothing is done: zero", sign: "0" },
  { kind: "maximum", text: "Maximal push", sign: "max" },
  { kind: "passive", text: sayPhase(null, "passive"), sign: "R" },
  { kind: "contract", text: sayPhase(null, "contract"), sign: "C" },
];
const MEASURES = ["rest", "maximum"];

export const signOf = (kind) => KINDS.find((each) => each.kind === kind)?.sign ?? "–";
export const textOf = (kind) => KINDS.find((each) => each.kind === kind)?.text ?? kind;

/** What stands above a stretch that was set by hand, and above a phase that the file brings: words, and a sign for them. */
export const stretchLabels = (kind) => [textOf(kind), signOf(kind)];
export const phaseLabels = (kind) => [sayPhase(null, kind), MEASURES.includes(kind) ? "–" : signOf(kind)];

/** The words where there is room for them, else the sign; `measure` gives a text's width. */
export const fitLabel = ([text, sign], room, measure) => (measure(text) <= room ? text : sign);

/** A number as people type it, with a point or a comma; null when it is none. */
export function readNumber(text) {
  const number = Number(String(text).trim().replace(",", "."));
  return String(text).trim() !== "" && Number.isFinite(number) ? number : null;
}

/**
 * The stretches with another one, in the order of time; a second zero takes the place of the first. A text when it
 * cannot be: what is wrong with it.
 * @param {any[]} stretches
 * @param {any} added
 * @param {number} durationS
 */
export function add(stretches, added, durationS) {
  const { from_s: from, to_s: to, kind } = added;
  if (from === null || to === null) return "Give both times, in seconds.";
  if (!(from >= 0 && from < to)) return "Let it end after it begins.";
  if (to > durationS + 0.005) return `The file ends at ${durationS.toFixed(1)} s.`;
  const kept = stretches.filter((each) => !(kind === "rest" && each.kind === "rest"));
  const isPhase = !MEASURES.includes(kind);
  if (isPhase && kept.some((each) => !MEASURES.includes(each.kind) && each.from_s < to && from < each.to_s))
    return "It overlaps a phase that is there: take that one away first.";
  return [...kept, added].sort((a, b) => a.from_s - b.from_s || a.to_s - b.to_s);
}

/** What two pointer places on a trace of some width mean, in seconds, rounded to hundredths; null for a mere touch. */
export function span(fromX, toX, width, view) {
  if (Math.abs(toX - fromX) < 4) return null;
  const at = (x) => view.fromS + (Math.min(Math.max(0, x), width) / width) * (view.toS - view.fromS);
  const round = (s) => Math.round(s * 100) / 100;
  return { fromS: round(at(Math.min(fromX, toX))), toS: round(at(Math.max(fromX, toX))) };
}
