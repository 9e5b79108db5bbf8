// The coach's side: what every sensor measures, notes and marks, corrections.

import { renderChoice } from "./choice.js";
import { $, fill, make, setText, show } from "./dom.js";
import { renderExercise, setUpExercise } from "./exercise.js";
import { renderScale, setUpScale } from "./scale.js";
import { doubtRow } from "./stages.js";
import { ratingText } from "./state.js";
import { renderTraces } from "./traces.js";

let prepared = false; // what was said before the session is shown once; from then on the boxes are the coach's

let guideName = "";
let phaseIndex = 0; // of the phase on this screen: another coach may have ended it already

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
    if (!(value > 0) || (unit === "N·m" && !(arm > 0))) return noted("Type the number on the display, above 0; for torque also the lever arm in metres.");
    const message = { do: "typed_maximum", channel: guideName, value, unit };
    if (unit === "N·m") message.lever_arm_m = arm;
    if (send(message)) noted(`Typed maximum: ${value} ${unit}.`);
  });
  $("mark").addEventListener("click", () => send({ do: "note", text: "mark" }) && noted("Marked."));
  $("covariates").addEventListener("change", () => {
    const chosen = [...$("covariates").querySelectorAll("input:checked")].map((box) => box.value);
    if (send({ do: "covariates", text: chosen.join(", ") })) noted("Kept.");
  });
  $("end-phase").addEventListener("click", () => send({ do: "end_phase", phase_index: phaseIndex }));
  $("extend-phase").addEventListener("click", () => send({ do: "extend_phase", seconds: 10, phase_index: phaseIndex }));
  $("feedback").addEventListener("change", () => send({ do: "feedback", shown: $("feedback").checked }));
}

function noted(text) {
  setText($("noted"), text);
}

export function renderCoach(state, send) {
  guideName = state.channels.find((channel) => channel.guide)?.name ?? "";
  phaseIndex = state.phase?.index ?? phaseIndex;
  $("feedback").checked = state.feedback !== false;
  if (!prepared) {
    prepared = true;
    for (const box of $("covariates").querySelectorAll("input")) box.checked = (state.covariates ?? []).includes(box.value);
  }
  show($("phase-actions"), state.stage === "plan");
  renderChoice(state, send);
  renderScale(state);
  fill($("doubts-coach"), state.doubts ?? [], (doubts) => doubts.map((doubt) => doubtRow(doubt, send)));
  renderTraces(state, send);
  renderExercise(state);
  fill($("corrections"), state.ratings, (ratings) => (ratings.length ? ratings.map((rating) => correctionRow(rating, send)) : [make("li", { class: "small" }, "None yet.")]));
}

function correctionRow(rating, send) {
  const select = make("select", { "aria-label": `Correct rating ${rating.number}`, onchange: () => select.value && send({ do: "correct", rating: rating.number, value: Number(select.value) }) }, make("option", { value: "" }, "Correct to"));
  for (let value = 0; value <= 10; value += 0.5) select.append(make("option", { value }, String(value)));
  return make("li", {}, make("span", {}, `${Math.round(rating.time_s)} s: ${ratingText(rating)}`), select);
}
