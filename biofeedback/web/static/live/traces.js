// Every sensor as the coach sees it: value, the last 30 s, quality in words, and the calibration in use.

import { $, fill, make, setDigits, setText, show } from "../shared/dom.js";
import { maximumText, scaleText, zeroText } from "./in-use.js";
import { differenceText, gaugesOf } from "./two-gauges.js";
import { meanLevel } from "../shared/push.js";
import { levelText, unitText } from "../shared/text.js";
import { capital } from "../shared/words.js";
import { STRIP_S, findRuns, strokeRuns, stripStep } from "../shared/strip.js";
import { write } from "../shared/writing.js";

const rows = new Map();

export function renderTraces(state, send) {
  fill($("traces"), [state.channels, state.stage === "plan"], () => {
    rows.clear();
    return state.channels
      .map((channel, index) => ({ channel, index }))
      .filter(({ channel }) => !["rating", "gravity"].includes(channel.kind) && channel.name !== "position_phone")
      .map(({ channel, index }) => traceRow(channel, index, state, send));
  });
}

function traceRow(channel, index, state, send) {
  const canvas = make("canvas", { role: "img", "aria-label": `${channel.name}, last 30 seconds` });
  const value = make("span", { class: "digits" }, "–");
  const zero = make("dd");
  const quality = make("p", { class: "quality", "data-bad": Boolean(channel.problem) });
  rows.set(index, { canvas, value, zero, quality, channel });
  const role = [
    channel.guide ? "guides the hold" : channel.beside ? "shown beside" : "",
    channel.calibrated ? "" : "no maximum yet",
  ]
    .filter(Boolean)
    .join(", ");
  const lead = () => send({ do: "guide", channel: channel.name });
  const used = channel.in_use;
  return make(
    "li",
    {},
    make("span", {}, make("strong", {}, channel.name), role ? ` ${role}` : ""),
    make("span", { class: "value" }, make("span", { class: "room" }, value)),
    canvas,
    quality,
    used
      ? make(
          "dl",
          { class: "in-use" },
          make("dt", {}, "Scale"),
          make("dd", {}, scaleText(used, channel.unit)),
          make("dt", {}, "Zero"),
          zero,
          make("dt", {}, "Maximum"),
          make("dd", {}, channel.kind === "position" ? "not needed" : maximumText(used)),
        )
      : null,
    channel.can_guide && !channel.guide && state.stage !== "plan"
      ? make("button", { type: "button", class: "secondary", onclick: lead }, `Go by ${channel.name} instead`)
      : null,
  );
}

/**
 * Values and traces; paint() skips what has not changed.
 * @param {import("../shared/seat.js").Seat} seat
 * @param {import("../shared/types").Colors} colors
 * @param {boolean} live
 * @param {(canvas: HTMLCanvasElement, drawing: any, key: any) => void} paint
 */
export function drawTraces(seat, colors, live, paint) {
  const { levelRings, effortRings, state, update, levelRateHz } = seat;
  if (!state) return;
  for (const [index, { canvas, value, zero, quality, channel }] of rows) {
    setText(quality, qualityText(channel, live));
    if (channel.in_use) setText(zero, zeroText(channel.in_use, update?.timeS ?? 0));
    const ring = levelRings[index];
    if (!ring) continue;
    const rest = restOf(state, channel);
    setDigits(value, live ? valueText(channel, ring.at(ring.end - 1), rest) : "–");
    const drawing = (ctx, w, h) => drawTrace(ctx, w, h, { ring, rest: rest ?? 0, endS: update?.timeS ?? 0, levelRateHz }, colors);
    paint(canvas, drawing, (widthPx) => [index, stripStep(update?.timeS ?? 0, widthPx), rest]);
  }
  const meanOf = (k, seconds) =>
    effortRings[k] ? meanLevel(effortRings[k], effortRings[k].end - Math.round(seconds * levelRateHz), effortRings[k].end) : NaN;
  const difference = live && state?.stage === "plan" ? differenceText(state, gaugesOf(state), meanOf) : "";
  show($("difference"), Boolean(difference));
  setDigits($("difference-said"), difference);
}

function qualityText({ problem }, live) {
  if (!live) return "Not known: this page is disconnected";
  return problem ? `${capital(problem.what)}: ${problem.cure}` : "Good signal";
}

/** What a force sensor reads while nothing is done; null where it is not known. Other kinds are shown as they are. */
function restOf(state, { name, kind }) {
  if (kind !== "force") return 0;
  return state.zero.results?.[name]?.level ?? null;
}

/** A force stands above its zero, as everywhere; before there is one it is marked as raw. */
function valueText({ unit }, level, rest) {
  return rest === null ? `${levelText(level)} ${unitText(unit)} raw` : `${levelText(level - rest)} ${unitText(unit)}`;
}

const LABELS_PX = 46; // room for the scale's two numbers, left of the trace

function drawTrace(ctx, w, h, { ring, rest, endS, levelRateHz }, colors) {
  ctx.clearRect(0, 0, w, h);
  const to = Math.round(endS * levelRateHz);
  const runs = findRuns(ring, to - STRIP_S * levelRateHz, to, Math.max(1, Math.round(w - LABELS_PX)));
  let least = Infinity;
  let most = -Infinity;
  for (const [, low, high] of runs.flat()) {
    if (low < least) least = low;
    if (high > most) most = high;
  }
  if (!(most >= least)) return;
  const room = Math.max((most - least) * 0.08, Math.abs(most) * 0.02, 1e-9);
  const y = (value) => h - 3 - ((value - least + room) / (most - least + 2 * room)) * (h - 6);
  ctx.strokeStyle = colors.ink;
  ctx.lineWidth = 1.5;
  strokeRuns(ctx, runs, (place) => LABELS_PX + place * (w - LABELS_PX), y);
  /** @type {{font: string, color: string, align: CanvasTextAlign}} */
  const how = { font: '12px system-ui, "Segoe UI", Roboto, sans-serif', color: colors.ink2, align: "right" };
  write(ctx, levelText(most - rest), LABELS_PX - 6, 3, { ...how, baseline: "top" });
  write(ctx, levelText(least - rest), LABELS_PX - 6, h - 2, { ...how, baseline: "bottom" });
}
