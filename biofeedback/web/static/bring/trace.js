// The trace of a brought file: each channel in a lane of its own, what is set on it, and the stretch being marked.

import { paint, readColors } from "../shared/canvas.js";
import { momentText, ticks } from "../review/trace-view.js";
import { fitLabel, phaseLabels, stretchLabels } from "./stretches.js";

const FOOT = 26;
const HEAD = 20;

/** Draw {channels, from_s, to_s} between view.fromS and view.toS with stretches and the marked span. */
export function drawBrought(canvas, { drawn, view, stretches, phases, marked }) {
  const colors = readColors();
  const shown = { drawn, view, stretches, phases, marked };
  paint(canvas, (ctx, w, h) => drawAll(ctx, w, h, { ...shown, colors }), shown, colors);
}

function drawAll(ctx, w, h, { drawn, view, stretches, phases, marked, colors }) {
  ctx.clearRect(0, 0, w, h);
  ctx.font = '13px system-ui, "Segoe UI", Roboto, sans-serif';
  const x = (s) => ((s - view.fromS) / (view.toS - view.fromS)) * w;
  for (const one of phases) drawStretch(ctx, x, h, one, phaseLabels(one.kind), colors.restTint, colors);
  for (const one of stretches) {
    const tint = one.kind === "contract" ? colors.inTint : colors.sleeve;
    drawStretch(ctx, x, h, one, stretchLabels(one.kind), tint, colors);
  }
  if (marked) {
    ctx.fillStyle = colors.aboveTint;
    ctx.fillRect(x(marked.fromS), HEAD, x(marked.toS) - x(marked.fromS), h - FOOT - HEAD);
    ctx.strokeStyle = colors.above;
    ctx.lineWidth = 2;
    ctx.strokeRect(x(marked.fromS), HEAD, x(marked.toS) - x(marked.fromS), h - FOOT - HEAD);
  }
  drawTimes(ctx, view, w, h - FOOT, x, colors);
  const lane = (h - FOOT - HEAD) / Math.max(1, drawn.channels.length);
  drawn.channels.forEach((channel, k) => drawLane(ctx, channel, HEAD + k * lane, lane, w, drawn, x, colors));
}

function drawStretch(ctx, x, h, { from_s, to_s }, labels, tint, colors) {
  const left = x(from_s);
  const width = Math.max(1, x(to_s) - left);
  ctx.fillStyle = tint;
  ctx.fillRect(left, HEAD, width, h - FOOT - HEAD);
  ctx.strokeStyle = colors.target;
  ctx.lineWidth = 1;
  ctx.strokeRect(left + 0.5, HEAD, width, h - FOOT - HEAD);
  ctx.fillStyle = colors.ink;
  ctx.textAlign = "center";
  ctx.textBaseline = "middle";
  const label = fitLabel(labels, width, (text) => ctx.measureText(text).width);
  ctx.fillText(label, left + width / 2, HEAD / 2);
}

function drawTimes(ctx, view, w, foot, x, colors) {
  const marks = ticks(view.fromS, view.toS, w / 90);
  const fine = marks.length > 1 && marks[1] - marks[0] < 1;
  ctx.fillStyle = colors.ink2;
  ctx.strokeStyle = colors.line;
  ctx.lineWidth = 1;
  ctx.textAlign = "center";
  ctx.textBaseline = "top";
  ctx.beginPath();
  for (const s of marks) {
    ctx.moveTo(x(s), foot);
    ctx.lineTo(x(s), foot + 5);
    ctx.fillText(momentText(s, fine), Math.min(w - 22, Math.max(20, x(s))), foot + 8);
  }
  ctx.stroke();
}

function drawLane(ctx, { name, unit, low, high }, top, height, w, { from_s, to_s }, x, colors) {
  const known = low.map((_, k) => k).filter((k) => low[k] !== null);
  const least = Math.min(...known.map((k) => low[k]));
  const most = Math.max(...known.map((k) => high[k]));
  const spread = most - least || 1;
  const y = (value) => top + height - 6 - ((value - least) / spread) * (height - 26);
  ctx.beginPath();
  let drawing = false;
  for (let k = 0; k < low.length; k++) {
    if (low[k] === null) continue; // a slower channel has nothing in most columns; the line goes on to its next reading
    const px = x(from_s + ((k + 0.5) / low.length) * (to_s - from_s));
    if (drawing) ctx.lineTo(px, y(high[k]));
    else ctx.moveTo(px, y(high[k]));
    ctx.lineTo(px, y(low[k]));
    drawing = true;
  }
  ctx.strokeStyle = colors.ink;
  ctx.lineWidth = 1.3;
  ctx.lineJoin = "round";
  ctx.stroke();
  const text = known.length ? `${name}: ${sayNumber(least)} to ${sayNumber(most)} ${unit}` : `${name}: nothing here`;
  ctx.textAlign = "left";
  ctx.textBaseline = "top";
  ctx.fillStyle = colors.panel;
  ctx.fillRect(4, top + 2, Math.min(w - 8, ctx.measureText(text).width + 8), 17);
  ctx.fillStyle = colors.ink;
  ctx.fillText(text, 8, top + 3);
}

export const sayNumber = (value) => String(Number(value.toPrecision(4)));
