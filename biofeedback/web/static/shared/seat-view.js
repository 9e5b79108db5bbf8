// An athlete's seat on the screen: gauge, headline, clock, rating pad, position question, Stop. Which of these a page
// has is said by data-part in its HTML; only what changed is touched.

import { paint } from "./canvas.js";
import { setData, setDigits, setText, show } from "./dom.js";
import { fitOf } from "./gauge-frame.js";
import { draw } from "./gauge.js";
import { PadView } from "./pad-view.js";
import { renderEffort } from "../phone/felt.js";
import { asksPosition, nextText, phaseShare } from "./state.js";
import { bandText, sentence, timeText, unitText } from "./text.js";
import { capital, sayPhase, wordsOf } from "./words.js";

/** @typedef {import("./types").View} View */
/** @typedef {import("./types").Parts} Parts */
/** @typedef {import("./types").Colors} Colors */

const SPOKEN_EVERY_MS = 500;
const LONG_WORD = 20; // letters; what is longer is set smaller, in two lines

/**
 * Every element below root that has a data-part, by that name.
 * @param {ParentNode} root
 * @returns {Parts}
 */
export function findParts(root) {
  const found = /** @type {NodeListOf<HTMLElement>} */ (root.querySelectorAll("[data-part]"));
  return Object.fromEntries([...found].map((element) => [element.dataset.part, element]));
}

export class SeatView {
  /**
   * @param {import("./seat.js").Seat} seat
   * @param {HTMLElement} root
   */
  constructor(seat, root) {
    this.seat = seat;
    this.root = root;
    this.parts = findParts(root);
    this.pad = new PadView(this.parts.keys, this.parts.given, (answer) => seat.send({ do: "rate", ...answer }));
    this.parts.stop.addEventListener("click", () => seat.stop("stopped by hand"));
    this.parts.takeUp.addEventListener("click", () => seat.send({ do: "take_up" }));
    this.parts.takeBack?.addEventListener("click", () => this.takeBack());
    for (const button of this.parts.position.querySelectorAll("button"))
      button.addEventListener("click", () => this.answerPosition(button.dataset.answer));
  }

  /** @param {string} answer an answer on the list */
  answerPosition(answer) {
    const asked = this.seat.state?.ask_position;
    if (asked) this.seat.send({ do: "position", answer, phase_index: asked.phase_index });
  }

  /** One press takes the last rating back. */
  takeBack() {
    const last = this.seat.state?.ratings.at(-1);
    if (last && last.value !== null) this.seat.send({ do: "take_back", rating: last.number });
  }

  /** What follows from the state alone. */
  render() {
    const { parts, seat } = this;
    const { state } = seat;
    if (!state) return;
    parts.stop.disabled = !seat.isRunning;
    renderEffort(parts, state, (message) => seat.send(message));
    if (state.drift_limits) setText(parts.drift, state.drift_limits);
    show(parts.position, asksPosition(state) && !state.paused);
    show(parts.paused, Boolean(state.paused));
    setText(parts.pausedWhy, state.paused ? sentence(state.paused.reason) : "");
    setText(parts.takeUp, state.next ? `Go on: ${sayPhase(state, state.next.kind)} ${bandText(state.next.band)}` : "Go on");
    setData(parts.pad, "open", state.ask ? "yes" : "no");
    const { scale } = wordsOf(state);
    setText(parts.ask, state.ask ? state.ask.text : "Discomfort 0–10");
    setText(parts.ends, `${scale.ends}.`);
    setText(parts.about, `${capital(scale.asks_about)}.`);
    this.pad.render(state);
    const last = state.ratings.at(-1);
    if (parts.takeBack) show(parts.takeBack, last !== undefined && last.value !== null && state.stage === "plan");
  }

  /**
   * Call once per frame at most. name: whose effort it is when two gauges stand side by side.
   * @param {ReturnType<import("./seat.js").Seat["look"]>} look
   * @param {Colors} colors
   * @param {string} name
   */
  draw({ view, live, told }, colors, name = "") {
    const { parts } = this;
    const { state, update } = this.seat;
    if (!state) return;
    setText(parts.now, told.now);
    const remainingS = live && update ? update.remainingS : NaN;
    const time = timeText(remainingS) || "–";
    setText(parts.time, time);
    setData(parts.time, "long", String(time.length > 2));
    setText(parts.timeUnit, Number.isFinite(remainingS) && remainingS < 60 ? "s" : "");
    setText(parts.next, nextText(state));
    drawGauge(parts, update, view, phaseShare(state, remainingS), colors, name);
  }
}

/**
 * One gauge: number, word and picture.
 * @param {Parts} parts {form, line, number, unit, word, belly}
 * @param {import("./types").Update | null} update
 * @param {View} view
 * @param {number} share part of the phase still to go
 * @param {Colors} colors
 * @param {string} name
 */
export function drawGauge(parts, update, view, share, colors, name) {
  setData(parts.form, "mode", view.mode);
  setData(parts.form, "band", view.bandState);
  setDigits(parts.number, view.number);
  setData(parts.number, "level", String(update?.level ?? -1));
  setText(parts.unit, unitText(view.unit));
  setFit(parts.line, fitOf(view.number, unitText(view.unit)));
  setText(parts.word, view.word);
  setData(parts.word.parentElement, "long", String(view.word.length > LONG_WORD));
  paint(parts.belly, (ctx, w, h) => draw(ctx, w, h, view, share, colors), [view, share], colors);
  describeAloud(parts.line, view, name);
}

/**
 * A number longer than three digits, or with a longer unit, is set smaller.
 * @param {HTMLElement & {fit?: number}} line
 * @param {number} fit
 */
function setFit(line, fit) {
  if (line.fit === fit) return;
  line.fit = fit;
  line.style.setProperty("--fit", String(fit));
}

/**
 * For a screen reader: the reading in words, twice a second at most, and never announced unasked.
 * @param {HTMLElement & {spokenAtMs?: number}} line
 * @param {View} view
 * @param {string} name
 */
function describeAloud(line, view, name) {
  const now = performance.now();
  if (now - (line.spokenAtMs ?? -Infinity) < SPOKEN_EVERY_MS) return;
  line.spokenAtMs = now;
  const reading =
    view.unit === "%" ? `Effort ${view.number} percent of maximum. ${view.word}` : `${view.word} ${view.number} ${view.unit}`;
  const label = name ? `${name}: ${reading}` : reading;
  if (line.getAttribute("aria-label") !== label) line.setAttribute("aria-label", label);
}
