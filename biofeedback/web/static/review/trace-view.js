// Which stretch of a recording is on screen: pure functions over {fromS, toS}.

export const SHORTEST_S = 0.5;

/** Keep a stretch inside [0, duration], no shorter than SHORTEST_S. */
export function confine({ fromS, toS }, durationS) {
  const length = Math.min(durationS, Math.max(Math.min(SHORTEST_S, durationS), toS - fromS));
  const start = Math.min(Math.max(0, fromS), durationS - length);
  return { fromS: start, toS: start + length };
}

/** Zoom by a factor (below 1: closer) about a moment that stays where it is on screen. */
export function zoom(view, factor, atS, durationS) {
  return confine({ fromS: atS - (atS - view.fromS) * factor, toS: atS + (view.toS - atS) * factor }, durationS);
}

/** Move by a share of what is on screen; positive is later. */
export function move(view, share, durationS) {
  const by = (view.toS - view.fromS) * share;
  return confine({ fromS: view.fromS + by, toS: view.toS + by }, durationS);
}

/** Round steps for an axis: at most n of them. */
export function ticks(fromS, toS, n) {
  const rough = (toS - fromS) / Math.max(1, n);
  const step = [0.1, 0.2, 0.5, 1, 2, 5, 10, 15, 30, 60, 120, 300, 600, 1200, 1800, 3600].find((each) => each >= rough) ?? 7200;
  const result = [];
  for (let k = Math.ceil(fromS / step - 1e-9); k * step <= toS + 1e-9; k++) result.push(k * step + 0); // + 0: no minus zero
  return result;
}

/** "3:05", "3:05.2" when steps are finer than a second */
export function momentText(seconds, fine = false) {
  const tenths = Math.round(seconds * 10);
  const minutes = Math.floor(tenths / 600);
  const rest = (tenths - minutes * 600) / 10;
  const whole = Math.floor(rest);
  return `${minutes}:${String(whole).padStart(2, "0")}${fine ? "." + Math.round((rest - whole) * 10) : ""}`;
}

/** Does an entry fit all words of a search? */
export function fits(entry, search) {
  const text = [
    entry.name,
    entry.athlete,
    entry.exercise,
    entry.side,
    entry.position,
    entry.plans,
    entry.covariates,
    entry.word,
    entry.started_utc,
  ]
    .join(" ")
    .toLowerCase();
  return search
    .toLowerCase()
    .split(/\s+/)
    .every((word) => text.includes(word));
}

/** One time line for recordings {originS, durationS} whose origins coincide: own time + shift = common time. */
export function align(recordings) {
  const startS = Math.max(...recordings.map((each) => each.originS));
  const shiftsS = recordings.map((each) => startS - each.originS);
  return { startS, shiftsS, totalS: Math.max(...recordings.map((each, k) => each.durationS + shiftsS[k])) };
}

/**
 * What was last said of a phase: by the phase that asked, which may be over by then.
 * "No answer" only where there is no number. Undefined when nothing was said.
 * @param {{value: number | null, phase: number | null}[]} ratings
 * @param {number} number of the phase, from 1
 */
export function ratingOf(ratings, number) {
  const own = ratings.filter((each) => each.phase === number);
  return own.findLast((each) => each.value !== null) ?? own.at(-1);
}
