// One attempt as it is shown while it lasts: the force above rest. Pure.

/**
 * Mean of the levels of a ring over [from, to), unknown ones left out; NaN if there are none.
 * @param {import("./strip.js").Ring} ring
 * @param {number} from
 * @param {number} to
 */
export function meanLevel(ring, from, to) {
  let sum = 0;
  let n = 0;
  for (let level = Math.max(0, from); level < to; level++) {
    const value = ring.at(level);
    if (Number.isFinite(value)) {
      sum += value;
      n += 1;
    }
  }
  return n ? sum / n : NaN;
}

/**
 * Follows one attempt: rest is the mean of the last second of the countdown, best the highest since the push began.
 * memory and the result: {number, rest, best, now} or null outside an attempt.
 * @param {import("./types").Push | null} memory
 * @param {import("./types").State | null} state
 * @param {import("./strip.js").Ring} ring
 * @param {number} levelRateHz
 * @returns {import("./types").Push | null}
 */
export function followPush(memory, state, ring, levelRateHz) {
  const maximum = state?.maximum;
  if (state?.stage !== "maximum" || maximum?.step !== "push") return null;
  const now = ring.at(ring.end - 1);
  const kept = memory?.number === maximum.number ? memory : null;
  const rest = kept ? kept.rest : meanLevel(ring, ring.end - Math.round(levelRateHz), ring.end);
  if (!Number.isFinite(now) || !Number.isFinite(rest)) return kept ? { ...kept, now: NaN } : null;
  return { number: maximum.number, rest, now: now - rest, best: Math.max(kept ? kept.best : 0, now - rest) };
}
