// The band offered for the next contraction of a plan that adapts: the coach keeps it, or asks for lighter or harder.

import { $, fill, make, show } from "../shared/dom.js";
import { capital } from "../shared/words.js";

const STEP_PERCENT = 5;

export function renderChoice(state, send) {
  const { choice } = state;
  const adapt = choice && state.plan?.phases[choice.phase_index]?.adapt;
  show($("choice"), Boolean(adapt));
  if (!adapt) return;
  fill($("choice"), [choice, adapt], () => {
    const [low, high] = choice.band;
    const ask = (by) => () => send({ do: "choose_band", low: low + by, high: high + by });
    const moved = (name, by, off) =>
      make("button", { class: "secondary", type: "button", disabled: off, onclick: ask(by) }, name);
    return [
      make("p", { class: "small" }, make("strong", {}, `Next contraction: ${low}–${high} %. `), `${capital(choice.reason)}.`),
      make(
        "div",
        { class: "actions" },
        moved("Lighter", -STEP_PERCENT, low - STEP_PERCENT < adapt[0]),
        moved("Harder", STEP_PERCENT, high + STEP_PERCENT > adapt[1]),
        choice.by === "rule" ? moved("Keep it", 0, false) : null,
      ),
    ];
  });
}
