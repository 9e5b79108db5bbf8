// One gauge on the screen: number, word, form, time left and what comes next. Only what changed is touched.

import { paint } from "./canvas.js";
import { setData, setText } from "./dom.js";
import { draw } from "./gauge.js";
import { nextText, timeText } from "./state.js";

const SPOKEN_EVERY_MS = 500;

/** parts: the elements {form, line, number, unit, word, belly, time, timeUnit, next}; live: whether time may count. */
export function showReading(parts, state, update, view, live, colors) {
  setData(parts.form, "mode", view.mode);
  setData(parts.form, "band", view.bandState);
  setText(parts.number, view.number);
  setData(parts.number, "level", String(update?.level ?? -1));
  setText(parts.unit, view.unit);
  setText(parts.word, view.word);
  const remaining = live && update ? update.remainingS : NaN;
  setText(parts.time, timeText(remaining) || "–");
  setText(parts.timeUnit, Number.isFinite(remaining) && remaining < 60 ? "s" : "");
  setText(parts.next, nextText(state));
  const duration = state.plan?.phases?.[state.plan.index]?.duration_s;
  const share = state.stage === "plan" && duration ? remaining / duration : NaN;
  paint(parts.belly, (ctx, w, h) => draw(ctx, w, h, view, share, colors), [view, share], colors);
  describeAloud(parts.line, view);
}

/** For a screen reader: the reading in words, twice a second at most, and never announced unasked. */
function describeAloud(line, view) {
  const now = performance.now();
  if (now - (line.spokenAtMs ?? -Infinity) < SPOKEN_EVERY_MS) return;
  line.spokenAtMs = now;
  const label = view.unit === "%" ? `Effort ${view.number} percent of maximum. ${view.word}` : `${view.word} ${view.number} ${view.unit}`;
  if (line.getAttribute("aria-label") !== label) line.setAttribute("aria-label", label);
}
