// A plan being changed: the contents of its file as plain values. Pure functions, no DOM; the session checks it.

import { sayPhase } from "../shared/words.js";

/**
 * What a phase can be; first letters differ, so that a keyboard chooses with one. "felt" is a contraction too, by
 * feeling in place of a band: see kindOf.
 */
export const KINDS = {
  passive: sayPhase(null, "passive"),
  contract: "Contract, % of maximum",
  felt: "Felt effort 0–3, contract",
  remote: "Squeeze a hand, stretch relaxed",
  rest: "Leave the position and rest",
};
const FELT = 2; // of 10, to begin with
const LABELS = {
  title: "Name",
  description: "What it is for",
  repeat: "times",
  duration_s: "seconds",
  band: "band",
  kind: "what",
  felt: "felt effort",
  ask: "rating",
  randomise: "order",
  randomise_bands: "bands drawn by lot",
  adapt: "limits",
  ramp: "the line",
  steps: "the steps",
  blind: "seconds without the number",
  until: "what ends it",
};
/** How the band of a contraction moves: the field of the file for each, "" for one that stays. */
export const SHAPES = { "": "stays", ramp: "moves in a line to", steps: "jumps to" };
const SHAPE_FIELDS = ["ramp", "steps", "blind", "until", "lost_s"];
const UNTIL = { contract: "band lost", rest: "recovered" };

/** A plan to begin with: one cycle of letting go and contracting. */
export function blankDraft() {
  return { title: "", description: "", block: [{ repeat: 5, phase: [newPhase("passive"), newPhase("contract")] }] };
}

export function newPhase(kind) {
  return kind === "contract"
    ? { kind, duration_s: 20, band: [20, 30], ask: true }
    : { kind, duration_s: 20, ask: kind === "passive" };
}

/** What was typed: a number where it is one, else the text, so that the check can name it. */
export function typedValue(text) {
  const plain = text.trim().replace(",", ".");
  return /^[+-]?(\d+\.?\d*|\.\d+)$/.test(plain) ? Number(plain) : text.trim();
}

/** "20-30, 45-55" as bands; what is no band stays as typed. */
export function typedBands(text) {
  const parts = text
    .split(",")
    .map((part) => part.trim())
    .filter(Boolean);
  return parts.map((part) => part.split(/\s*[-–]\s*/).map(typedValue));
}

export function bandsText(bands) {
  return Array.isArray(bands)
    ? bands.map((band) => (Array.isArray(band) ? band.join("–") : String(band))).join(", ")
    : String(bands ?? "");
}

/** Which of KINDS a phase is. */
export function kindOf(phase) {
  return phase.kind === "contract" && "felt" in phase ? "felt" : phase.kind;
}

/** A phase of another kind: only a contraction has a band or a felt effort, and its own words no longer fit. */
export function changeKind(phase, kind) {
  const changed = { ...phase, kind: kind === "felt" ? "contract" : kind };
  for (const field of ["adapt", "title", "band", "felt", ...SHAPE_FIELDS]) delete changed[field];
  if (kind === "contract") changed.band = phase.band ?? [20, 30];
  if (kind === "felt") changed.felt = phase.felt ?? FELT;
  return changed;
}

/** The list with the entry at index moved by one place up (-1) or down (+1); the same list at its ends. */
export function moved(list, index, by) {
  const to = index + by;
  if (to < 0 || to >= list.length) return list;
  const copy = [...list];
  [copy[index], copy[to]] = [copy[to], copy[index]];
  return copy;
}

/** A copy worth sending: empty settings that have a default are left out. */
export function tidy(draft) {
  const copy = structuredClone(draft);
  for (const key of ["randomise", "description"]) if (copy[key] === "") delete copy[key];
  if (Array.isArray(copy.randomise_bands) && !copy.randomise_bands.length) delete copy.randomise_bands;
  return copy;
}

/** One mistake in words: which value, what is wrong with it, and the cure. */
export function mistakeText({ what, cure }) {
  const named = what.replace(
    /^(\w+) = (.*)$/s,
    (all, key, value) => `${LABELS[key] ?? key} ${/^['"]{2}$/.test(value) ? "is empty" : value}`,
  );
  const text = named.replace("duration_s", "seconds");
  return `${text[0].toUpperCase()}${text.slice(1)}: ${cure
    .replace(/,? e\.g\. .*$/s, "")
    .replace("[[block]] and [[block.phase]] with a kind and a duration_s", "a phase")
    .replace("[[block.phase]] with a kind and a duration_s", "a phase or remove this part")}.`;
}

/** Where on the page a mistake belongs: {block, phase, field}, each null where it does not apply. */
export function whereOf(place) {
  if (place[0] !== "block" || place.length < 2) return { block: null, phase: null, field: place[0] ?? null };
  if (place[2] === "phase" && place.length > 3) return { block: place[1], phase: place[3], field: place[4] ?? null };
  return { block: place[1], phase: null, field: place[2] ?? null };
}

/** Which field says how the band of a phase moves; "" when it stays. */
export function shapeOf(phase) {
  return phase.ramp ? "ramp" : phase.steps ? "steps" : "";
}

/** The phase with its band moving another way; the bands that it goes on to stay. */
export function changeShape(phase, shape) {
  const { ramp, steps, ...rest } = phase;
  const [low, high] = phase.band ?? [20, 30];
  return shape ? { ...rest, [shape]: ramp ?? steps ?? [[low + 20, high + 20]] } : rest;
}

/** What may end a phase of this kind early, as in the file; undefined: nothing may. */
export function untilOf(kind) {
  return UNTIL[kind];
}
