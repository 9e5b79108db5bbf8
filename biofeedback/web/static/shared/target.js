// Where the band of a phase is at every moment: the twin of account/target.py. Pure.

/** @typedef {import("./types").Phase} Phase */
/** @typedef {[number, number]} Band */

/**
 * Does its band move?
 * @param {Phase | null | undefined} phase
 */
export function moves(phase) {
  return Boolean(phase?.band && (phase.ramp?.length || phase.steps?.length));
}

/**
 * All bands that it comes to, in order.
 * @param {Phase | null | undefined} phase
 * @returns {Band[]}
 */
export function bandsOf(phase) {
  return phase?.band ? [phase.band, ...(phase.ramp ?? []), ...(phase.steps ?? [])] : [];
}

/**
 * Pieces in time, in s from the start: each goes in a straight line from one band to another, or stands.
 * @param {Phase} phase
 * @returns {{fromS: number, toS: number, from: Band, to: Band}[]}
 */
export function piecesOf(phase) {
  const bands = bandsOf(phase);
  const n = phase.ramp?.length ? bands.length - 1 : bands.length;
  const lengthS = phase.duration_s / n;
  return Array.from({ length: n }, (_, k) => ({
    fromS: k * lengthS,
    toS: (k + 1) * lengthS,
    from: bands[k],
    to: phase.ramp?.length ? bands[k + 1] : bands[k],
  }));
}

/**
 * The band at timeS from the start; after the end the last one stays.
 * @param {Phase | null | undefined} phase
 * @param {number} timeS
 * @returns {Band | null}
 */
export function bandAt(phase, timeS) {
  if (!phase?.band || !moves(phase) || !Number.isFinite(timeS)) return phase?.band ?? null; // no number has come yet
  const pieces = piecesOf(phase);
  const piece = pieces[Math.min(pieces.length - 1, Math.max(0, Math.floor((timeS / phase.duration_s) * pieces.length)))];
  const share = Math.min(1, Math.max(0, (timeS - piece.fromS) / (piece.toS - piece.fromS)));
  const at = (/** @type {0 | 1} */ k) => piece.from[k] + share * (piece.to[k] - piece.from[k]);
  return [at(0), at(1)];
}

/**
 * The blind stretch that timeS from the start lies in, or null.
 * @param {Phase | null | undefined} phase
 * @param {number} timeS
 */
export function blindAt(phase, timeS) {
  return phase?.blind?.find(([from, to]) => from <= timeS && timeS < to) ?? null;
}

/**
 * Seconds from the start of the running phase to the middle of the newest level; NaN when none runs.
 * @param {import("./types").State | null} state
 * @param {import("./types").Update | null} update
 */
export function elapsedS(state, update) {
  const sinceS = state?.phase?.since_s ?? NaN;
  return state && update ? update.timeS - 0.5 / state.level_rate_hz - sinceS : NaN;
}
