// The last 30 s: a ring of effort levels, drawn as the smallest and largest value per pixel column. Nothing is smoothed.

import { piecesOf } from "./target.js";
import { write } from "./writing.js";

export const STRIP_S = 30;

/** Ring of levels of one channel, indexed by level number; levels that never came are NaN. */
export class Ring {
  constructor(capacity) {
    this.capacity = capacity;
    this.values = new Float32Array(capacity).fill(NaN);
    this.end = 0;
  }

  /** Put one update's strip (rows of n channels, one of them kept) where it belongs. */
  push(firstLevel, rows, channels, strip, channel) {
    if (firstLevel < this.end - this.capacity) this.clear(firstLevel);
    for (let level = Math.max(this.end, firstLevel - this.capacity); level < firstLevel; level++)
      this.values[level % this.capacity] = NaN;
    for (let k = Math.max(0, rows - this.capacity); k < rows; k++)
      this.values[(firstLevel + k) % this.capacity] = strip[k * channels + channel];
    this.end = Math.max(this.end, firstLevel + rows);
  }

  clear(end = 0) {
    this.values.fill(NaN);
    this.end = end;
  }

  at(level) {
    if (level < 0 || level >= this.end || level < this.end - this.capacity) return NaN;
    return this.values[level % this.capacity];
  }
}

/** Smallest and largest value in each of n columns over levels [from, to); NaN where a column has none. */
export function columns(ring, from, to, n) {
  const low = new Float32Array(n).fill(NaN);
  const high = new Float32Array(n).fill(NaN);
  const span = to - from;
  for (let level = Math.max(0, Math.floor(from)); level < Math.min(to, ring.end); level++) {
    const value = ring.at(level);
    if (Number.isNaN(value)) continue;
    const k = Math.min(n - 1, Math.max(0, Math.floor(((level - from) * n) / span)));
    if (!(value >= low[k])) low[k] = value;
    if (!(value <= high[k])) high[k] = value;
  }
  return { low, high };
}

/**
 * Where the trace lies in a strip of height h: below the line in which ratings and the strip's name are written.
 * @param {number} h
 */
export function stripFrame(h) {
  return { crest: 24, foot: h - 4 };
}

/**
 * Changes when the strip has moved on by a pixel of the screen: in between there is nothing new to be seen.
 * @param {number} endS session time at its right edge
 * @param {number} widthPx
 */
export function stripStep(endS, widthPx) {
  return Math.floor((endS / STRIP_S) * widthPx);
}

/**
 * Draw ring, bands and ratings. endS: session time at the right edge. spans: [{fromS, toS, band, phase?}], phase where
 * the band moves. blindS: since when nothing is shown of the effort, NaN: it is.
 */
export function drawStrip(ctx, w, h, { ring, levelRateHz, endS, top, spans, ratings, blindS = NaN }, colors) {
  ctx.clearRect(0, 0, w, h);
  const { crest, foot } = stripFrame(h);
  const y = (percent) => foot - (Math.min(Math.max(percent, 0), top) / top) * (foot - crest);
  const x = (timeS) => w + ((timeS - endS) / STRIP_S) * w;
  for (const { fromS, toS, band, phase } of spans) {
    if (!band) continue;
    if (phase) {
      for (const piece of piecesOf(phase)) drawPiece(ctx, clipPiece(piece, fromS, Math.min(toS, endS), endS), x, y, colors);
      continue;
    }
    const left = Math.max(0, x(fromS));
    const right = Math.min(w, x(Math.min(toS, endS)));
    if (right <= left) continue;
    ctx.fillStyle = colors.sleeve;
    ctx.fillRect(left, y(band[1]), right - left, y(band[0]) - y(band[1]));
    ctx.strokeStyle = colors.target;
    ctx.lineWidth = 1;
    ctx.strokeRect(left - 2, y(band[1]), right - left + 4, y(band[0]) - y(band[1]));
  }
  ctx.strokeStyle = colors.line;
  ctx.lineWidth = 1;
  ctx.beginPath();
  ctx.moveTo(0, foot + 0.5);
  ctx.lineTo(w, foot + 0.5);
  ctx.stroke();
  const endLevel = endS * levelRateHz;
  ctx.strokeStyle = colors.ink;
  ctx.lineWidth = 2;
  const runs = findRuns(ring, endLevel - STRIP_S * levelRateHz, endLevel, Math.max(1, Math.round(w)));
  const seen = Number.isFinite(blindS) ? 1 - (endS - blindS) / STRIP_S : 1;
  strokeRuns(ctx, seen < 1 ? runs.map((run) => run.filter(([place]) => place < seen)) : runs, (place) => place * w, y);
  drawRatings(ctx, h, ratings, x, colors);
}

/**
 * The part of a moving band's piece that lies on the strip, in session time; null: none.
 * @param {ReturnType<typeof piecesOf>[number]} piece in s from startS
 * @param {number} startS
 * @param {number} untilS
 * @param {number} endS
 */
function clipPiece(piece, startS, untilS, endS) {
  const [a, b] = [piece.fromS + startS, piece.toS + startS];
  const [fromS, toS] = [Math.max(a, endS - STRIP_S), Math.min(b, untilS)];
  if (toS <= fromS) return null;
  const at = (/** @type {number} */ timeS, /** @type {0 | 1} */ k) =>
    piece.from[k] + ((timeS - a) / (b - a)) * (piece.to[k] - piece.from[k]);
  return { fromS, toS, from: [at(fromS, 0), at(fromS, 1)], to: [at(toS, 0), at(toS, 1)] };
}

function drawPiece(ctx, piece, x, y, colors) {
  if (!piece) return;
  ctx.beginPath();
  ctx.moveTo(x(piece.fromS), y(piece.from[1]));
  ctx.lineTo(x(piece.toS), y(piece.to[1]));
  ctx.lineTo(x(piece.toS), y(piece.to[0]));
  ctx.lineTo(x(piece.fromS), y(piece.from[0]));
  ctx.closePath();
  ctx.fillStyle = colors.sleeve;
  ctx.fill();
  ctx.strokeStyle = colors.target;
  ctx.lineWidth = 1;
  for (const k of [0, 1]) {
    ctx.beginPath();
    ctx.moveTo(x(piece.fromS), y(piece.from[k]));
    ctx.lineTo(x(piece.toS), y(piece.to[k]));
    ctx.stroke();
  }
}

/**
 * The trace over levels [from, to) as unbroken runs of [place from 0 to 1, lowest, highest]: one for each of n columns,
 * or one for each level where levels are fewer than columns. An unknown level ends a run.
 * @param {Ring} ring
 * @param {number} from
 * @param {number} to
 * @param {number} n
 * @returns {[number, number, number][][]}
 */
export function findRuns(ring, from, to, n) {
  const span = to - from;
  const first = Math.max(0, Math.floor(from));
  const last = Math.min(to, ring.end);
  /** @type {[number, number, number][]} */
  const points = [];
  if (span < n)
    for (let level = first; level < last; level++) points.push([(level - from) / span, ring.at(level), ring.at(level)]);
  else {
    const { low, high } = columns(ring, from, to, n);
    for (let k = 0; k < n; k++) points.push([(k + 0.5) / n, low[k], high[k]]);
  }
  /** @type {[number, number, number][][]} */
  const runs = [[]];
  for (const point of points) {
    if (!Number.isNaN(point[1])) runs[runs.length - 1].push(point);
    else if (runs[runs.length - 1].length) runs.push([]);
  }
  return runs.filter((run) => run.length);
}

/**
 * Draw runs as one line; x and y turn a place and a value into px.
 * @param {CanvasRenderingContext2D} ctx
 * @param {[number, number, number][][]} runs
 * @param {(place: number) => number} x
 * @param {(value: number) => number} y
 */
export function strokeRuns(ctx, runs, x, y) {
  ctx.beginPath();
  for (const run of runs) {
    if (!run.length) continue;
    run.forEach(([place, low, high], k) => {
      if (k) ctx.lineTo(x(place), y(high));
      else ctx.moveTo(x(place), y(high));
      ctx.lineTo(x(place), y(low));
    });
    if (run.length === 1) ctx.lineTo(x(run[0][0]) + 1, y(run[0][1])); // alone between unknown ones: a dot
  }
  ctx.lineJoin = "round";
  ctx.stroke();
}

function drawRatings(ctx, h, ratings, x, colors) {
  const font = '600 13px system-ui, "Segoe UI", Roboto, "Helvetica Neue", Arial, sans-serif';
  for (const rating of ratings) {
    const px = x(rating.time_s);
    if (px < 0) continue;
    ctx.strokeStyle = colors.ink2;
    ctx.lineWidth = 1;
    ctx.setLineDash([2, 3]);
    ctx.beginPath();
    ctx.moveTo(px, 20);
    ctx.lineTo(px, h);
    ctx.stroke();
    ctx.setLineDash([]);
    const text = rating.value === null ? "–" : String(rating.value);
    ctx.fillStyle = colors.panel;
    ctx.strokeStyle = colors.ink2;
    ctx.beginPath();
    ctx.rect(px - 13, 2, 26, 18);
    ctx.fill();
    ctx.stroke();
    write(ctx, text, px, 11.5, { font, color: colors.ink, align: "center" });
  }
}
