// After a Stop: why? One press puts it on record; what belongs to it is said at once.

import { make } from "./dom.js";
import { capital, wordsOf } from "./words.js";

/**
 * What is asked on the page that pressed Stop: the question, a button for each reason, the caution of the one given.
 * @param {import("./types").State} state
 * @param {boolean} pressed here
 * @param {import("./types").Send} send
 */
export function stopReasons(state, pressed, send) {
  const reasons = Object.entries(wordsOf(state).stop_reasons);
  const why = state.stopped?.why ?? "";
  if (!state.stopped || !reasons.length || !(pressed || why)) return [];
  const button = ([name, { say }]) =>
    make(
      "button",
      { type: "button", "aria-pressed": String(name === why), onclick: () => send({ do: "explain_stop", why: name }) },
      capital(say),
    );
  const caution = wordsOf(state).stop_reasons[why]?.caution;
  return [
    make("p", { class: "why-asked" }, "Why was it stopped?"),
    make("div", { class: "why-answers", role: "group", "aria-label": "Why was it stopped?" }, ...reasons.map(button)),
    caution ? make("p", { class: "why-caution", role: "status" }, caution) : null,
  ];
}

/**
 * Is another hold to be offered after what was said about the stop?
 * @param {import("./types").State} state
 */
export function mayGoOn(state) {
  return wordsOf(state).stop_reasons[state.stopped?.why ?? ""]?.may_go_on !== false;
}
