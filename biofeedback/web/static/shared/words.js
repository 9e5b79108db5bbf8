// The words for phases come with the session's state; these hold until it has come.

/** @type {import("./types").Words} */
export const WORDS = {
  phase: {
    passive: { say: "Relax, stay in the position", short: "relax", contracts: false, relaxes: true, in_position: true },
    contract: { say: "Contract", short: "contract", contracts: true, relaxes: false, in_position: true },
    rest: { say: "Come out and rest", short: "rest", contracts: false, relaxes: false, in_position: false },
  },
  count: ["one", "two", "three, hold", "four", "five"],
  stop_reasons: {}, // offered only when the session has said which
  scale: { question: "", low_label: "", high_label: "", ends: "", asks_about: "", aloud: "" }, // said by the session alone
};

/**
 * The session's own words, or those that hold until it says them.
 * @param {import("./types").State | null} state
 */
export function wordsOf(state) {
  return { ...WORDS, ...(state?.words ?? {}) };
}

/**
 * What a kind of phase means; one that nobody here knows is named as it is, and stands for nothing.
 * @param {import("./types").State | null} state
 * @param {string} [kind] of the phase that runs, if none is given
 * @returns {import("./types").PhaseMeaning}
 */
export function meaningOf(state, kind = state?.phase?.kind ?? "") {
  const unknown = { say: capital(kind), short: kind, contracts: false, relaxes: false, in_position: true };
  return wordsOf(state).phase[kind] ?? unknown;
}

/**
 * What to do in a phase of this kind, whole.
 * @param {import("./types").State | null} state
 * @param {string} kind
 */
export function sayPhase(state, kind) {
  return meaningOf(state, kind).say;
}

/**
 * A kind of phase in one word.
 * @param {import("./types").State | null} state
 * @param {string} kind
 */
export function nameOfPhase(state, kind) {
  return meaningOf(state, kind).short;
}

/** @param {string} text */
export function capital(text) {
  return text ? text[0].toUpperCase() + text.slice(1) : "";
}

/** @param {string} text */
export function lowerFirst(text) {
  return text ? text[0].toLowerCase() + text.slice(1) : "";
}
