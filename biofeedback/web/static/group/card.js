// One athlete of a group: the seat with its gauge, who left the band, the next step of their own calibration.

import { askedAfter, askedBefore, asksFirst } from "../shared/asked.js";
import { asksEffort } from "../phone/felt.js";
import { feelingRow, nextPush, pushText } from "../shared/care.js";
import { sentence, unitText } from "../shared/text.js";
import { fill, make, setData, setText, show } from "../shared/dom.js";
import { SeatView } from "../shared/seat-view.js";
import { Seat } from "../shared/seat.js";
import { mayGoOn, stopReasons } from "../shared/stop-reasons.js";
import { STEPS, asksPosition } from "../shared/state.js";
import { capital, lowerFirst } from "../shared/words.js";

/** @typedef {import("../shared/types").State} State */

export class SeatCard {
  /**
   * @param {number} number
   * @param {HTMLTemplateElement} template
   * @param {Omit<import("../shared/seat.js").Listener, "state"> & {state: () => void, plan: () => string}} on
   *   plan: the name of the plan that is chosen for all
   */
  constructor(number, template, on) {
    this.number = number;
    this.on = on;
    this.outSinceS = NaN; // since when the effort is below or above the band
    /** @type {HTMLElement} */
    this.element = /** @type {any} */ (template.content.cloneNode(true)).firstElementChild;
    this.seat = new Seat(number, {
      ...on,
      state: () => this.onState(),
      complain: (what, cure) => on.complain(`${this.seat.code}: ${what}`, cure),
    });
    this.view = new SeatView(this.seat, this.element);
    this.parts = this.view.parts;
    this.parts.name.href = `/?seat=${number}`;
    setText(this.parts.name, this.seat.code);
  }

  get code() {
    return this.seat.code;
  }

  /** @param {{do: string, [field: string]: unknown}} message */
  send(message) {
    return this.seat.send(message);
  }

  onState() {
    const { parts } = this;
    const state = /** @type {State} */ (this.seat.state);
    setData(this.element, "stage", state.stage);
    setData(this.element, "step", state.maximum.step);
    setText(parts.name, state.athlete);
    parts.name.setAttribute("aria-label", `${state.athlete}: full page`);
    parts.pad.setAttribute("aria-label", `Rating of ${state.athlete}`);
    setText(parts.stop, `Stop ${state.athlete}`);
    this.view.render();
    show(parts.pad, state.stage === "plan" && !asksPosition(state) && asksEffort(state) === null && !state.paused);
    show(parts.task, state.stage !== "plan");
    this.renderTask(state);
    this.on.state();
  }

  /** The stretch, where each athlete has one of their own; a hold has the room to itself. */
  tellSetting(text) {
    setText(this.parts.setting, text);
    show(this.parts.setting, Boolean(text) && this.seat.state?.stage !== "plan");
  }

  // --- on the screen

  /** @param {import("../shared/types").Colors} colors */
  draw(colors) {
    const { state } = this.seat;
    const look = this.seat.look();
    const told = look.problem ?? (state ? findNote(state) : null);
    setText(this.parts.problem, told ? [told.what, told.cure].filter(Boolean).map(capital).join(". ") : "");
    show(this.parts.problem, Boolean(told));
    if (!state) return;
    this.view.draw(look, colors);
    this.showBand(state, look.view);
    this.seat.listen(look);
  }

  /**
   * Who left the band must be seen from across the room: the whole card says it, and since when.
   * @param {State} state
   * @param {import("../shared/types").View} view
   */
  showBand(state, view) {
    const timeS = this.seat.update?.timeS ?? NaN;
    const isOut = view.bandState === "below" || view.bandState === "above";
    if (!isOut) this.outSinceS = NaN;
    else if (!(timeS >= this.outSinceS)) this.outSinceS = timeS;
    const outS = Math.floor(timeS - this.outSinceS);
    const isLost = view.mode === "lost" && this.seat.isRunning;
    setData(this.element, "band", isLost ? "lost" : view.bandState);
    const step = isLost ? view.word : (STEPS.find(([stage]) => stage === state.stage)?.[1] ?? "");
    setText(this.parts.stage, isOut ? `${capital(view.bandState)} the band${outS >= 1 ? ` ${outS} s` : ""}` : step);
  }

  showPhones(devices) {
    const here = devices.some((device) => device.here);
    setText(this.parts.phone, devices.length ? (here ? "phone" : "phone away") : "");
    setData(this.parts.phone, "here", here ? "yes" : "no");
  }

  // --- what is to be done before and after the hold

  /** @param {State} state */
  renderTask(state) {
    const { maximum } = state;
    const calibrating = [
      state.zero.state,
      maximum.step,
      maximum.number,
      maximum.verdict,
      maximum.strength,
      maximum.care,
      maximum.sense,
      state.asked,
    ];
    const key = [state.stage, ...calibrating, state.answer?.word, state.stopped, state.report_url, state.limit];
    fill(this.parts.task, key, () => this.own(TASKS[state.stage]?.(this, state) ?? []));
  }

  /**
   * The same elements with ids of this seat: on a page of several an id would name several.
   * @param {(HTMLElement | null)[]} elements
   */
  own(elements) {
    for (const element of elements)
      for (const named of element ? [element, .../** @type {HTMLElement[]} */ ([...element.querySelectorAll("[id]")])] : [])
        if (named.id) named.id = `seat${this.number}-${named.id}`;
    return elements;
  }

  step(text, message, { primary = true, disabled = false } = {}) {
    const name = primary ? "primary" : "secondary";
    return make("button", { type: "button", class: name, disabled, onclick: () => this.send(message()) }, text);
  }
}

/**
 * What is worth saying although the signal is good.
 * @param {State} state
 */
function findNote({ recording, message }) {
  const unsafe = recording?.problem;
  if (unsafe) return typeof unsafe === "string" ? { what: unsafe, cure: "" } : unsafe;
  return message && message.level !== "info" ? { what: message.text, cure: message.cure ?? "" } : null;
}

/** @type {Record<string, (card: SeatCard, state: State) => (HTMLElement | null)[]>} */
const TASKS = {
  cautions: (card, { athlete }) => [
    make("p", {}, "Cautions not answered yet."),
    card.step(`${athlete}: read, none applies`, () => ({ do: "accept_cautions" })),
  ],
  zero: (card, { athlete, zero }) => [
    make("p", {}, zero.state === "running" ? "Measuring: keep it still." : "Take all load off the sensor."),
    card.step(`Zero ${athlete}`, () => ({ do: "zero" }), { disabled: zero.state === "running" }),
  ],
  maximum: maximumTask,
  ready: (card, state) => {
    const { maximum, athlete, limit } = state;
    const found = maximum.strength === null ? "" : `Maximum ${maximum.strength.toPrecision(3)} ${unitText(maximum.unit)}. `;
    const start = () => ({ do: "start_plan", plan: card.on.plan() });
    return [
      ...askedBefore(state, (message) => card.send(message)),
      make("p", {}, `${found}Stops by itself at discomfort ${limit}.`),
      card.step(`Start ${athlete}`, start, { primary: false }),
    ];
  },
  done: doneTask,
};

/**
 * @param {SeatCard} card
 * @param {State} state
 */
function maximumTask(card, state) {
  const { maximum, athlete } = state;
  const send = (message) => card.send(message);
  if (asksFirst(state)) return askedBefore(state, send);
  const felt = feelingRow(maximum.care, send);
  const push = nextPush(maximum);
  const busy = ["countdown", "push"].includes(maximum.step);
  const settled = maximum.verdict?.state === "accepted";
  const usable = maximum.attempts.some((attempt) => attempt.accepted && !attempt.rejected);
  const resting = maximum.step === "rest";
  const { sense } = maximum;
  if (sense)
    return [
      make("p", {}, `${sentence(sense.what)} ${sentence(sense.cure)}`),
      card.step("They are right", () => ({ do: "trust_numbers" }), { primary: false }),
    ];
  return [
    felt ? make("ul", {}, felt) : null,
    make("p", {}, pushText(maximum)),
    card.step(resting ? "Resting" : `${athlete}: ${lowerFirst(push.text)}`, () => push.message, {
      primary: !settled,
      disabled: busy || resting,
    }),
    card.step("Use this maximum", () => ({ do: "accept_maximum" }), { primary: settled, disabled: busy || !usable }),
  ];
}

/**
 * @param {SeatCard} card
 * @param {State} state
 */
function doneTask(card, state) {
  const { stopped, answer, report_url: report, athlete } = state;
  const ended = stopped && `${capital(stopped.reason)}. Come out of the position slowly.`;
  const heading = answer?.headline ?? answer?.word;
  const isWord = (answer?.kind ?? "check") === "check" && heading === answer?.word;
  const word = isWord ? `Discomfort while contracting: ${heading}` : heading;
  const said = answer ? sentence(word) : "The answer is being worked out.";
  const href = `${report}?seat=${card.number}`;
  return [
    make("p", {}, [ended, said].filter(Boolean).join(" ")),
    ...askedAfter(state, (message) => card.send(message)),
    report ? make("a", { class: "secondary", href, target: "_blank", rel: "noopener" }, "Report") : null,
    ...stopReasons(state, card.seat.pressedStop, (message) => card.send(message)),
    mayGoOn(state) && !state.asked?.end.caution
      ? card.step(`${athlete}: another hold`, () => ({ do: "resume" }), { primary: false })
      : null,
  ];
}
