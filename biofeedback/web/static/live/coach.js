// The coach's side: what every sensor measures, notes and marks, corrections.

import { renderChoice } from "./choice.js";
import { $, fill, make, setText, show } from "../shared/dom.js";
import { earlyText } from "../shared/asked.js";
import { renderExercise, setUpExercise } from "./exercise.js";
import { renderScale, setUpScale } from "./scale.js";
import { doubtRow } from "./stages.js";
import { ratingText } from "../shared/state.js";
import { renderTraces } from "./traces.js";

let guideName = "";
let phaseIndex = 0; // of the phase on this screen: another coach may have ended it already
let covariates = []; // as the session has them
let lastRating = 0;
let typedBefore = ""; // the same number again, after it was questioned, is meant

export function setUpCoach(send) {
  setUpExercise(send);
  show($("coach"), true);
  setUpScale(send);
  $("noting").addEventListener("submit", (event) => {
    event.preventDefault();
    const text = $("note").value.trim();
    if (!text || !send({ do: "note", text })) return;
    noted(`Kept: ${text}`);
    $("note").value = "";
  });
  $("typed-unit").addEventListener("change", () => show($("typed-arm"), $("typed-unit").value === "N·m"));
  $("typing").addEventListener("submit", (event) => {
    event.preventDefault();
    const value = Number($("typed").value.replace(",", "."));
    const arm = Number($("typed-arm").value.replace(",", "."));
    const unit = $("typed-unit").value;
    if (!(value > 0) || (unit === "N·m" && !(arm > 0)))
      return noted("Type the number on the display, above 0; for torque also the lever arm in metres.");
    const message = { do: "typed_maximum", channel: guideName, value, unit };
    if (unit === "N·m") message.lever_arm_m = arm;
    const typed = JSON.stringify(message);
    if (send(typed === typedBefore ? { ...message, anyway: true } : message)) typedBefore = typed;
  });
  $("mark").addEventListener("click", () => send({ do: "note", text: "mark" }) && noted("Marked."));
  $("covariates").addEventListener("change", () => {
    const boxes = covariateBoxes();
    const typed = covariates.filter((name) => !boxes.some((box) => box.value === name)); // no box for it, but it still holds
    const ticked = boxes.filter((box) => box.checked).map((box) => box.value);
    if (send({ do: "covariates", text: [...ticked, ...typed].join(", ") })) noted("Kept.");
    else tickCovariates();
  });
  $("end-phase").addEventListener("click", () => send({ do: "end_phase", phase_index: phaseIndex }));
  $("begin-set").addEventListener("click", () => send({ do: "end_phase", phase_index: phaseIndex, anyway: true }));
  $("extend-phase").addEventListener("click", () => send({ do: "extend_phase", seconds: 10, phase_index: phaseIndex }));
  $("undo-rating").addEventListener("click", () => send({ do: "take_back", rating: lastRating }));
  $("feedback").addEventListener("change", () => send({ do: "feedback", shown: $("feedback").checked }));
}

/**
 * A rest before a set that would be wasted: why, and the press that begins it all the same, which the record keeps.
 * @param {import("../shared/types").State} state
 * @param {import("../shared/types").Update | null} update
 */
export function renderHeldBack(state, update) {
  const told = update && !state.paused ? earlyText(state.training?.held_back, update.timeS) : null;
  show($("held-back"), Boolean(told));
  setText($("held-back"), told?.text ?? "");
  show($("begin-set"), Boolean(told?.mayInsist));
  show($("end-phase"), !told);
}

const covariateBoxes = () => [...$("covariates").querySelectorAll("input")];

function tickCovariates() {
  for (const box of covariateBoxes()) box.checked = covariates.includes(box.value);
}

function noted(text) {
  setText($("noted"), text);
}

export function renderCoach(state, send) {
  guideName = state.channels.find((channel) => channel.guide)?.name ?? "";
  phaseIndex = state.phase?.index ?? phaseIndex;
  $("feedback").checked = state.feedback !== false;
  covariates = state.covariates ?? [];
  tickCovariates();
  const parts = /** @type {NodeListOf<HTMLElement>} */ (document.querySelectorAll("#coach [data-at]"));
  for (const element of parts) show(element, (element.dataset.at ?? "").split(" ").includes(state.stage));
  show($("phase-actions"), state.stage === "plan" && !state.paused);
  renderLast(state);
  renderChoice(state, send);
  renderScale(state);
  fill($("doubts-coach"), state.doubts ?? [], (doubts) => doubts.map((doubt) => doubtRow(doubt, send)));
  renderTraces(state, send);
  renderExercise(state);
  fill($("corrections"), state.ratings, (ratings) =>
    ratings.length ? ratings.map((rating) => correctionRow(state, rating, send)) : [make("li", { class: "small" }, "None yet.")],
  );
}

/** The last rating of a hold, with one press that takes it back. */
function renderLast(state) {
  const last = state.ratings.at(-1);
  lastRating = last?.number ?? 0;
  show($("last-rating"), state.stage === "plan");
  setText($("last-rating-said"), last ? `Last rating: ${ratingText(state, last)}` : "No rating yet");
  $("undo-rating").disabled = !last || last.value === null;
}

function correctionRow(state, rating, send) {
  const name = `Correct rating ${rating.number}`;
  const button = make(
    "button",
    {
      type: "button",
      disabled: true,
      "aria-label": name,
      onclick: () => send({ do: "correct", rating: rating.number, value: Number(select.value) }),
    },
    "Correct",
  );
  const select = make(
    "select",
    { "aria-label": `${name} to`, onchange: () => (button.disabled = !select.value) },
    make("option", { value: "" }, "to"),
  );
  for (let value = 0; value <= 10; value += 0.5) select.append(make("option", { value }, String(value)));
  return make(
    "li",
    {},
    make("span", {}, `${Math.round(rating.time_s)} s: ${ratingText(state, rating)}`),
    make("span", {}, select, " ", button),
  );
}
