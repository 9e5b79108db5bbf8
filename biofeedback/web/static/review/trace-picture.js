// The picture of one recording's trace: phases, bands, every peak, ratings.

import { momentText, ticks } from "./trace-view.js";

/** Highest percent to show, so that traces that stand together share one scale. */
export function findTop(panels) {
  const bands = panels.flatMap(({ about }) => about.phases.map((phase) => phase.band).filter(Boolean));
  const peaks = panels.flatMap(({ about, drawn }) => (drawn ? drawn.channels[about.guide].high : []));
  return [...bands.map((band) => band[1] * 1.25), ...peaks.map((peak) => peak * 1.08)].reduce(
    (top, value) => Math.max(top, value),
    20,
  );
}

/** Draw {about, drawn} between view.fromS and view.toS, up to top percent. */
export function drawTrace(canvas, { about, drawn }, view, top) {
  const w = canvas.clientWidth;
  const h = canvas.clientHeight;
  if (!w) return;
  const ratio = Math.min(3, window.devicePixelRatio || 1);
  canvas.width = Math.round(w * ratio);
  canvas.height = Math.round(h * ratio);
  const ctx = canvas.getContext("2d");
  ctx.setTransform(ratio, 0, 0, ratio, 0, 0);
  const style = getComputedStyle(document.documentElement);
  const color = (name) => style.getPropertyValue(`--${name}`).trim();
  const foot = h - 26;
  const x = (s) => ((s - view.fromS) / (view.toS - view.fromS)) * w;
  const y = (percent) => foot - (Math.max(0, percent) / top) * (foot - 26);
  ctx.font = '13px system-ui, "Segoe UI", Roboto, sans-serif';
  drawPhases(ctx, about, x, y, foot, color);
  drawAxes(ctx, view, w, foot, top, x, y, color);
  if (drawn)
    drawn.channels.forEach((channel, k) => k !== about.guide && drawChannel(ctx, channel, drawn, x, y, color("edge"), 1));
  if (drawn) drawChannel(ctx, drawn.channels[about.guide], drawn, x, y, color("ink"), 1.5);
  drawRatings(ctx, about, x, foot, color);
}

function drawPhases(ctx, about, x, y, foot, color) {
  for (const { from_s, to_s, band, kind } of about.phases) {
    ctx.fillStyle = color(kind === "contract" ? "sleeve" : "ground");
    ctx.fillRect(x(from_s), 26, x(to_s) - x(from_s), foot - 26);
    if (!band) continue;
    ctx.fillStyle = color("in-tint");
    ctx.fillRect(x(from_s), y(band[1]), x(to_s) - x(from_s), y(band[0]) - y(band[1]));
    ctx.strokeStyle = color("target");
    ctx.lineWidth = 1;
    ctx.strokeRect(x(from_s), y(band[1]), x(to_s) - x(from_s), y(band[0]) - y(band[1]));
  }
}

function drawAxes(ctx, view, w, foot, top, x, y, color) {
  ctx.fillStyle = color("ink2");
  ctx.strokeStyle = color("line");
  ctx.lineWidth = 1;
  ctx.textAlign = "center";
  ctx.textBaseline = "top";
  const marks = ticks(view.fromS, view.toS, w / 90);
  const fine = marks.length > 1 && marks[1] - marks[0] < 1;
  ctx.beginPath();
  for (const s of marks) {
    ctx.moveTo(x(s), foot);
    ctx.lineTo(x(s), foot + 5);
    ctx.fillText(momentText(s, fine), Math.min(w - 22, Math.max(20, x(s))), foot + 8);
  }
  ctx.textAlign = "left";
  ctx.textBaseline = "bottom";
  const step = top > 60 ? 20 : top > 25 ? 10 : 5;
  for (let percent = 0; percent <= top; percent += step) {
    ctx.moveTo(0, y(percent) + 0.5);
    ctx.lineTo(w, y(percent) + 0.5);
    ctx.fillText(`${percent} %`, 4, y(percent) - 1);
  }
  ctx.stroke();
}

function drawChannel(ctx, { low, high }, { from_s, to_s }, x, y, color, width) {
  ctx.beginPath();
  let drawing = false;
  for (let k = 0; k < low.length; k++) {
    if (low[k] === null) {
      drawing = false;
      continue;
    }
    const px = x(from_s + ((k + 0.5) / low.length) * (to_s - from_s));
    if (drawing) ctx.lineTo(px, y(high[k]));
    else ctx.moveTo(px, y(high[k]));
    ctx.lineTo(px, y(low[k]));
    drawing = true;
  }
  ctx.strokeStyle = color;
  ctx.lineWidth = width;
  ctx.lineJoin = "round";
  ctx.stroke();
}

function drawRatings(ctx, about, x, foot, color) {
  ctx.textAlign = "center";
  ctx.textBaseline = "middle";
  for (const { time_s, value } of about.ratings) {
    const px = x(time_s);
    ctx.strokeStyle = color("ink2");
    ctx.setLineDash([2, 3]);
    ctx.beginPath();
    ctx.moveTo(px, 24);
    ctx.lineTo(px, foot);
    ctx.stroke();
    ctx.setLineDash([]);
    ctx.fillStyle = color("panel");
    ctx.fillRect(px - 14, 3, 28, 20);
    ctx.strokeRect(px - 14, 3, 28, 20);
    ctx.fillStyle = color("ink");
    ctx.fillText(value === null ? "–" : String(value), px, 13.5);
  }
}
