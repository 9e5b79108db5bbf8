// Every sensor as the coach sees it: value, the last 30 s, quality in words, and the calibration in use.

import { $, fill, make, setText } from "../shared/dom.js";
import { maximumText, scaleText, zeroText } from "./in-use.js";
import { differenceText, gaugesOf } from "./two-gauges.js";
import { meanLevel } from "../shared/push.js";
import { levelText } from "../shared/text.js";
import { capital } from "../shared/words.js";
import { STRIP_S, columns } from "../shared/strip.js";

const rows = new Map();

export function renderTraces(state, send) {
  fill($("traces"), [state.channels, state.stage === "plan"], () => {
    rows.clear();
    return state.channels.map((channel, index) => traceRow(channel, index, state, send));
  });
}

function traceRow(channel, index, state, send) {
  const canvas = make("canvas", { role: "img", "aria-label": `${channel.name}, last 30 seconds` });
  const value = make("span", { class: "value" }, "–");
  const zero = make("dd");
  rows.set(index, { canvas, value, zero, channel });
  const role = [
    channel.guide ? "guides the hold" : channel.beside ? "shown beside" : "",
    channel.calibrated ? "" : "no maximum yet",
  ]
    .filter(Boolean)
    .join(", ");
  const words = channel.problem ? `${capital(channel.problem.what)}: ${channel.problem.cure}` : "Good signal";
  const lead = () => send({ do: "guide", channel: channel.name });
  const used = channel.in_use;
  return make(
    "li",
    {},
    make("span", {}, make("strong", {}, channel.name), role ? ` ${role}` : ""),
    value,
    canvas,
    make("p", { class: "quality", "data-bad": Boolean(channel.problem) }, words),
    used
      ? make(
          "dl",
          { class: "in-use" },
          make("dt", {}, "Scale"),
          make("dd", {}, scaleText(used, channel.unit)),
          make("dt", {}, "Zero"),
          zero,
          make("dt", {}, "Maximum"),
          make("dd", {}, channel.kind === "position" ? "not needed" : maximumText(used)),
        )
      : null,
    channel.can_guide && !channel.guide && state.stage !== "plan"
      ? make("button", { type: "button", class: "secondary", onclick: lead }, `Go by ${channel.name} instead`)
      : null,
  );
}

/** Values and traces; the caller's paint() skips what has not changed. */
export function drawTraces({ levelRings, effortRings }, state, update, levelRateHz, colors, live, paint) {
  for (const [index, { canvas, value, zero, channel }] of rows) {
    if (channel.in_use) setText(zero, zeroText(channel.in_use, update?.timeS ?? 0));
    const ring = levelRings[index];
    if (!ring) continue;
    setText(value, live ? `${levelText(ring.at(ring.end - 1))} ${channel.unit}` : "–");
    paint(canvas, (ctx, w, h) => drawTrace(ctx, w, h, ring, update, levelRateHz, colors), [index, update?.level]);
  }
  const meanOf = (k, seconds) =>
    effortRings[k] ? meanLevel(effortRings[k], effortRings[k].end - Math.round(seconds * levelRateHz), effortRings[k].end) : NaN;
  setText($("difference"), live && state.stage === "plan" ? differenceText(state, gaugesOf(state), meanOf) : "");
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
