// The coach's side: what every sensor measures, notes and marks, corrections.

import { renderChoice } from "./choice.js";
import { $, fill, make, setText, show } from "./dom.js";
import { differenceText, pairOf } from "./pair.js";
import { capital, levelText, meanLevel, ratingText } from "./state.js";
import { renderScale, setUpScale } from "./scale.js";
import { doubtRow } from "./stages.js";
import { STRIP_S, columns } from "./strip.js";

const canvases = new Map();
let prepared = false; // what was said before the session is shown once; from then on the boxes are the coach's

let guideName = "";
let phaseIndex = 0; // of the phase on this screen: another coach may have ended it already

export function setUpCoach(send) {
  show($("coach"), true);
  setUpScale(send);
  $("noting").addEventListener("submit", (event) => {
    event.preventDefault();
    const text = $("note").value.trim();
    if (text && send({ do: "note", text })) noted(`Kept: ${text}`);
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
  const shape = state.channels.map(({ name, unit, problem, guide, calibrated }) => [name, unit, problem, guide, calibrated]);
  fill($("traces"), shape, () => state.channels.map(traceRow));
  fill($("corrections"), state.ratings, (ratings) => (ratings.length ? ratings.map((rating) => correctionRow(rating, send)) : [make("li", { class: "small" }, "None yet.")]));
}

function traceRow(channel, index) {
  const canvas = make("canvas", { role: "img", "aria-label": `${channel.name}, last 30 seconds` });
  const value = make("span", { class: "value" }, "–");
  canvases.set(index, { canvas, value, unit: channel.unit });
  const role = [channel.guide ? "guides the hold" : "", channel.calibrated ? "" : "no maximum yet"].filter(Boolean).join(", ");
  const words = channel.problem ? `${capital(channel.problem.what)}: ${channel.problem.cure}` : "Good signal";
  return make(
    "li",
    {},
    make("span", {}, make("strong", {}, channel.name), role ? ` ${role}` : ""),
    value,
    canvas,
    make("p", { class: "quality", "data-bad": Boolean(channel.problem) }, words),
  );
}

function correctionRow(rating, send) {
  const select = make("select", { "aria-label": `Correct rating ${rating.number}`, onchange: () => select.value && send({ do: "correct", rating: rating.number, value: Number(select.value) }) }, make("option", { value: "" }, "Correct to"));
  for (let value = 0; value <= 10; value += 0.5) select.append(make("option", { value }, String(value)));
  return make("li", {}, make("span", {}, `${Math.round(rating.time_s)} s: ${ratingText(rating)}`), select);
}

/** Values and traces; the caller's paint() skips what has not changed. */
export function drawCoach({ levelRings, effortRings }, state, update, levelRateHz, colors, live, paint) {
  for (const [index, { canvas, value, unit }] of canvases) {
    const ring = levelRings[index];
    if (!ring) continue;
    setText(value, live ? `${levelText(ring.at(ring.end - 1))} ${unit}` : "–");
    paint(canvas, (ctx, w, h) => drawTrace(ctx, w, h, ring, update, levelRateHz, colors), [index, update?.level]);
  }
  const meanOf = (k, seconds) => (effortRings[k] ? meanLevel(effortRings[k], effortRings[k].end - Math.round(seconds * levelRateHz), effortRings[k].end) : NaN);
  setText($("difference"), live && state.stage === "plan" ? differenceText(state, pairOf(state), meanOf) : "");
}

function drawTrace(ctx, w, h, ring, update, levelRateHz, colors) {
  ctx.clearRect(0, 0, w, h);
  const to = Math.round((update?.timeS ?? 0) * levelRateHz);
  const { low, high } = columns(ring, to - STRIP_S * levelRateHz, to, Math.max(1, Math.round(w)));
  let least = Infinity;
  let most = -Infinity;
  for (let k = 0; k < low.length; k++) {
    if (low[k] < least) least = low[k];
    if (high[k] > most) most = high[k];
  }
  if (!(most >= least)) return;
  const room = Math.max((most - least) * 0.08, Math.abs(most) * 0.02, 1e-9);
  const y = (value) => h - 3 - ((value - least + room) / (most - least + 2 * room)) * (h - 6);
  ctx.beginPath();
  for (let k = 0, drawing = false; k < low.length; k++) {
    if (Number.isNaN(low[k])) {
      drawing = false;
      continue;
    }
    const x = ((k + 0.5) / low.length) * w;
    if (drawing) ctx.lineTo(x, y(high[k]));
    else ctx.moveTo(x, y(high[k]));
    ctx.lineTo(x, y(low[k]));
    drawing = true;
  }
  ctx.strokeStyle = colors.ink;
  ctx.lineWidth = 1.5;
  ctx.stroke();
  ctx.font = '12px system-ui, "Segoe UI", Roboto, sans-serif';
  ctx.fillStyle = colors.ink2;
  ctx.textBaseline = "top";
  ctx.fillText(levelText(most), 4, 3);
  ctx.textBaseline = "bottom";
  ctx.fillText(levelText(least), 4, h - 2);
}
