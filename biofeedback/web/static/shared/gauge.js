// The form: a muscle belly fixed at both ends. It swells with effort; the target is a sleeve that it should just fill.
// Only draws; where things lie is said by gauge-frame.js.

import { arch, crownPx, digitsOf, frame, labelsOf } from "./gauge-frame.js";
import { write } from "./writing.js";

const FONT = 'system-ui, "Segoe UI", Roboto, "Helvetica Neue", Arial, sans-serif';

const N_STEPS = 96;
const ARCH = Float64Array.from({ length: N_STEPS + 1 }, (_, k) => arch(-1 + (2 * k) / N_STEPS)); // the same for every crown

function trace(ctx, box, crown, { reverse = false, open = true } = {}) {
  const step = (box.right - box.left) / N_STEPS;
  for (let n = 0; n <= N_STEPS; n++) {
    const k = reverse ? N_STEPS - n : n;
    const x = box.left + k * step;
    const y = box.ground - crown * ARCH[k];
    if (n === 0 && open) ctx.moveTo(x, y);
    else ctx.lineTo(x, y);
  }
}

function sleeve(ctx, box, low, high) {
  ctx.beginPath();
  trace(ctx, box, high);
  trace(ctx, box, low, { reverse: true, open: false });
  ctx.closePath();
}

function hatch(ctx, box, color, gap, lean) {
  ctx.save();
  ctx.clip();
  ctx.beginPath();
  const tall = box.ground;
  for (let x = box.left - tall; x < box.right + tall; x += gap) {
    ctx.moveTo(x, box.ground);
    ctx.lineTo(x + lean * tall, 0);
  }
  ctx.strokeStyle = color;
  ctx.lineWidth = Math.max(1.5, gap / 6);
  ctx.stroke();
  ctx.restore();
}

function edge(ctx, box, crown, color, width, dash = []) {
  ctx.beginPath();
  trace(ctx, box, crown);
  ctx.setLineDash(dash);
  ctx.strokeStyle = color;
  ctx.lineWidth = width;
  ctx.stroke();
  ctx.setLineDash([]);
}

/**
 * Draw one picture. view: mode, percent, top, band, bandState; share: part of the phase still to go (NaN: none).
 * State is told by shape as well as colour: below leaves the sleeve empty and dashed, in makes it one solid arch,
 * above spills out of it hatched; pushing, where none is asked for, is hatched from the ground on.
 */
export function draw(ctx, w, h, view, share, colors) {
  ctx.clearRect(0, 0, w, h);
  const edges = view.band ?? view.ghost ?? [];
  const box = frame(w, h, digitsOf(view.top));
  const heavy = Math.max(4, Math.min(h * 0.014, w * 0.02));
  const low = view.band ? crownPx(view.band[0], view.top, box.height) : 0;
  const high = view.band ? crownPx(view.band[1], view.top, box.height) : 0;
  const labels = labelsOf(box, edges, view.top);
  drawLeaders(ctx, box, labels, colors);
  if (view.mode === "lost" || view.mode === "uncalibrated") drawAbsent(ctx, box, colors, heavy);
  if (view.band) {
    sleeve(ctx, box, low, high);
    ctx.fillStyle = colors.sleeve;
    ctx.fill();
  }
  if (view.ghost) {
    for (const percent of view.ghost)
      edge(ctx, box, crownPx(percent, view.top, box.height), colors.edge, heavy * 0.6, [heavy * 0.6, heavy * 1.6]);
  }
  const crown = crownPx(view.percent, view.top, box.height);
  if (Number.isFinite(view.percent)) drawBelly(ctx, box, crown, high, view, colors, heavy);
  if (view.band) {
    const full = view.bandState === "in";
    if (full) fillSleeve(ctx, box, low, high, crown, colors, heavy);
    else for (const height of [low, high]) edge(ctx, box, height, colors.target, heavy * 0.6, [heavy * 2.2, heavy * 1.4]);
  }
  drawLabels(ctx, box, labels, view.band ? colors.ink : colors.ink2);
  drawGround(ctx, box, share, colors, heavy);
}

/** From the crown of each edge to its label: under the belly, so that only what is free of it shows. */
function drawLeaders(ctx, box, labels, colors) {
  ctx.beginPath();
  for (const { y, crownY } of labels) {
    ctx.moveTo((box.left + box.right) / 2, crownY);
    ctx.lineTo(box.right, crownY);
    ctx.lineTo(box.column - 0.08 * box.size, y);
  }
  ctx.strokeStyle = colors.line;
  ctx.lineWidth = 1.5;
  if (labels.length) ctx.stroke();
}

function drawLabels(ctx, box, labels, color) {
  for (const { text, x, y } of labels) write(ctx, text, x, y, { font: `600 ${box.size}px ${FONT}`, color });
}

/** In the band: the sleeve is one solid arch, and a fine line in it shows where the effort stands. */
function fillSleeve(ctx, box, low, high, crown, colors, heavy) {
  sleeve(ctx, box, low, high);
  ctx.fillStyle = colors.in;
  ctx.fill();
  edge(ctx, box, high, colors.in, heavy);
  edge(ctx, box, low, colors.in, heavy);
  edge(ctx, box, Math.min(Math.max(crown, low), high), colors.panel, heavy * 0.7);
}

function paintOf(bandState, colors) {
  switch (bandState) {
    case "below":
      return { tint: colors.belowTint, line: colors.below };
    case "in":
      return { tint: colors.inTint, line: colors.in };
    case "above":
    case "pushing":
      return { tint: colors.aboveTint, line: colors.above };
    default:
      return { tint: colors.restTint, line: colors.rest };
  }
}

function drawBelly(ctx, box, crown, high, view, colors, heavy) {
  const { tint, line } = paintOf(view.bandState, colors);
  ctx.beginPath();
  trace(ctx, box, crown);
  ctx.closePath();
  ctx.fillStyle = tint;
  ctx.fill();
  if (view.bandState === "above" || view.bandState === "pushing") {
    sleeve(ctx, box, view.bandState === "above" ? high : 0, crown);
    hatch(ctx, box, colors.above, heavy * 2.4, 0.7);
  }
  if (view.bandState !== "in") edge(ctx, box, crown, line, heavy * 1.5);
  if (view.percent > view.top) drawOverTop(ctx, box, line, heavy);
}

function drawOverTop(ctx, box, color, heavy) {
  const mid = (box.left + box.right) / 2;
  ctx.beginPath();
  for (const shift of [-1, 1]) {
    const x = mid + shift * Math.min(heavy * 9, (box.right - box.left) * 0.2);
    const y = box.ground - box.height + heavy * 3;
    ctx.moveTo(x - heavy * 2.4, y + heavy * 2.4);
    ctx.lineTo(x, y);
    ctx.lineTo(x + heavy * 2.4, y + heavy * 2.4);
  }
  ctx.strokeStyle = color;
  ctx.lineWidth = heavy;
  ctx.stroke();
}

function drawAbsent(ctx, box, colors, heavy) {
  ctx.beginPath();
  trace(ctx, box, box.height * 0.62);
  ctx.closePath();
  hatch(ctx, box, colors.line, heavy * 4, -0.7);
  edge(ctx, box, box.height * 0.62, colors.ink2, heavy * 0.6, [heavy, heavy * 2]);
}

/** The ground under the belly is the time left: it draws in from both ends. */
function drawGround(ctx, box, share, colors, heavy) {
  const mid = (box.left + box.right) / 2;
  const half = (box.right - box.left) / 2;
  ctx.lineCap = "round";
  ctx.beginPath();
  ctx.moveTo(box.left, box.ground);
  ctx.lineTo(box.right, box.ground);
  ctx.strokeStyle = colors.line;
  ctx.lineWidth = Math.max(2, heavy * 0.5);
  ctx.stroke();
  if (Number.isFinite(share) && share > 0) {
    ctx.beginPath();
    ctx.moveTo(mid - half * Math.min(1, share), box.ground);
    ctx.lineTo(mid + half * Math.min(1, share), box.ground);
    ctx.strokeStyle = colors.ink;
    ctx.lineWidth = heavy * 1.2;
    ctx.stroke();
  }
  ctx.lineCap = "butt";
}
