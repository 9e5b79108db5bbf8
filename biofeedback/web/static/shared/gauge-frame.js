// Where everything of a gauge lies: pure geometry, in css px. The belly has a field of its own; the edges of bands are
// written in a column at its right, each on the height of its edge's crown, and the number stands outside of both.

const ROUND = 2.6; // exponent of the arch: flat enough at the crown to be read, fixed at both feet
const LETTER = 0.74; // width of a bold digit over its size, on the widest of the usual system fonts
const GAP = 1.12; // of two labels' middles, in their size

/** @typedef {{left: number, right: number, ground: number, height: number, column: number, size: number}} Frame */

/** Height of the arch (0..1 of its crown) at u in [-1, 1]. */
export function arch(u) {
  return 1 - Math.abs(u) ** ROUND;
}

/**
 * Crown height in px for an effort; the drawing stays inside, the number never does.
 * @param {number} percent
 * @param {number} top of the scale
 * @param {number} heightPx
 */
export function crownPx(percent, top, heightPx) {
  if (!Number.isFinite(percent)) return 0;
  return (Math.min(Math.max(percent, 0), top) / top) * heightPx;
}

/**
 * The field of the belly and the column of its labels in a box of w x h.
 * @param {number} w
 * @param {number} h
 * @param {number} nDigits of the longest label; 0: no column
 * @returns {Frame} column: where labels begin; size: of their letters
 */
export function frame(w, h, nDigits = 2) {
  const size = Math.max(13, Math.min(40, h * 0.12, w * 0.13));
  const edge = Math.max(6, Math.min(24, w * 0.02));
  const room = nDigits ? (nDigits * LETTER + 0.35) * size : 0;
  const right = w - edge - room;
  const ground = h - Math.max(8, h * 0.05);
  return { left: edge, right, ground, height: ground - Math.max(size * 0.6, h * 0.05), column: right + 0.35 * size, size };
}

/**
 * How many digits the labels of a scale have: as long as the scale is the same, so is the field.
 * @param {number} top
 */
export function digitsOf(top) {
  return Math.max(2, String(Math.round(top * 0.8)).length); // a band ends at four fifths of its scale
}

/**
 * The edges of a band as they are written: text, the middle of its place, and the height that it means.
 * @param {Frame} box
 * @param {number[]} edges in the gauge's unit, lowest first
 * @param {number} top
 */
export function labelsOf(box, edges, top) {
  const half = box.size * 0.5;
  const least = half;
  const most = box.ground - half;
  const crowns = edges.map((edge) => box.ground - crownPx(edge, top, box.height));
  const ys = crowns.map((y) => Math.min(most, Math.max(least, y)));
  const gap = GAP * box.size;
  // too close to each other: both make room, and what leaves the box pushes the other
  if (ys.length === 2 && ys[0] - ys[1] < gap) {
    const middle = Math.min(most - gap / 2, Math.max(least + gap / 2, (ys[0] + ys[1]) / 2));
    ys[0] = middle + gap / 2;
    ys[1] = middle - gap / 2;
  }
  return edges.map((edge, k) => ({ text: String(Math.round(edge)), x: box.column, y: ys[k], crownY: crowns[k] }));
}

/**
 * How much smaller than usual a number and its unit must be to fit where three digits and "%" do.
 * @param {string} number
 * @param {string} unit
 */
export function fitOf(number, unit) {
  const unitWidth = unit ? 0.08 + 0.3 * (unit === "%" ? 1.05 : 0.72 * unit.length) : 0;
  const width = 0.7 * Math.max(3, number.length) + unitWidth;
  return Math.min(1, Math.round(250 / width) / 100);
}
