// One gauge on the screen: number, word, form, time left and what comes next. Only what changed is touched.

import { paint } from "./canvas.js";
import { setData, setText } from "./dom.js";
import { draw } from "./gauge.js";
import { nextText, timeText } from "./state.js";

const SPOKEN_EVERY_MS = 500;

/**
 * parts: the elements {form, line, number, unit, word, belly, time, timeUnit, next}; live: whether time may count;
 * name: whose effort it is when two forms stand side by side.
 */
export function showReading(parts, state, update, view, live, colors, name = "") {
  const remaining = live && update ? update.remainingS : NaN;
  const time = timeText(remaining) || "–";
  setText(parts.time, time);
  setData(parts.time, "long", String(time.length > 2));
  setText(parts.timeUnit, Number.isFinite(remaining) && remaining < 60 ? "s" : "");
  setText(parts.next, nextText(state));
  showForm(parts, update, view, phaseShare(state, remaining), colors, name);
}

/** The form alone: number, word and picture. */
export function showForm(parts, update, view, share, colors, name) {
  setData(parts.form, "mode", view.mode);
  setData(parts.form, "band", view.bandState);
  setText(parts.number, view.number);
  setData(parts.number, "level", String(update?.level ?? -1));
  setText(parts.unit, view.unit);
  setText(parts.word, view.word);
  paint(parts.belly, (ctx, w, h) => draw(ctx, w, h, view, share, colors), [view, share], colors);
  describeAloud(parts.line, view, name);
}

/** Part of the phase still to go, 0 to 1; NaN when nothing counts. */
export function phaseShare(state, remaining) {
  const duration = state.plan?.phases?.[state.plan.index]?.duration_s;
  return state.stage === "plan" && duration ? remaining / duration : NaN;
}

/** For a screen reader: the reading in words, twice a second at most, and never announced unasked. */
function describeAloud(line, view, name) {
  const now = performance.now();
  if (now - (line.spokenAtMs ?? -Infinity) < SPOKEN_EVERY_MS) return;
  line.spokenAtMs = now;
  const whose = name ? `${name}: ` : "";
  const label = view.unit === "%" ? `${whose}Effort ${view.number} percent of maximum. ${view.word}` : `${whose}${view.word} ${view.number} ${view.unit}`;
  if (line.getAttribute("aria-label") !== label) line.setAttribute("aria-label", label);
}
