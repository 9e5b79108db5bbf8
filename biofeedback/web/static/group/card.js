// One athlete of a group: gauge, time, what is asked, the next step of their own calibration, and a Stop of their own.

import { fill, make, setData, setText, show } from "../shared/dom.js";
import { Link } from "../shared/link.js";
import { PadView } from "../shared/pad-view.js";
import { showReading } from "../shared/reading.js";
import { chooseCue } from "../shared/sound.js";
import { STEPS, capital, followPush, formView, guideIndex, instruction, isRunning, trouble } from "../shared/state.js";
import { Ring } from "../shared/strip.js";

const POSITIONS = [["held", "Held"], ["drifted", "Drifted"], ["lost", "Lost"], ["unknown", "Not sure"]];

export class SeatCard {
  /** on: {you(you), state(), sharing(shared), change(), complain(what, cure), plan() -> name of the plan chosen for all} */
  constructor(number, on) {
    this.number = number;
    this.on = on;
    this.state = null;
    this.update = null;
    this.push = null;
    this.outSinceS = NaN; // since when the effort is below or above the band
    this.memory = { cue: null, atS: -Infinity, second: null, phase: null };
    this.cue = null;
    this.lastAsk = null;
    this.ring = new Ring(2000); // the last second before a push is all that is looked back to
    this.link = new Link({ you: on.you, state: (state) => this.onState(state), update: (update) => this.onUpdate(update), reply: (reply) => this.onReply(reply), sharing: on.sharing, change: on.change, stranger: () => {}, sentAway: () => location.reload() }, `?seat=${number}`);
    this.build();
  }

  get code() {
    return this.state?.athlete ?? `seat ${this.number}`;
  }

  build() {
    const p = (name, ...children) => make("p", { class: name }, ...children);
    const span = (name) => make("span", { class: name });
    this.parts = { belly: make("canvas", { "aria-hidden": "true" }), number: make("span", {}, "–"), unit: span("unit"), word: make("span"), time: make("span", {}, "–"), timeUnit: span("unit"), next: p("next") };
    this.parts.line = make("p", { class: "number", role: "img", "aria-label": "Effort" }, this.parts.number, this.parts.unit);
    this.parts.form = make("div", { class: "form", "data-mode": "lost", "data-band": "none" }, this.parts.belly, make("div", { class: "reading" }, this.parts.line, p("word", make("span", { class: "glyph", "aria-hidden": "true" }), this.parts.word)));
    this.name = make("a", { class: "code", href: `/?seat=${this.number}` }, this.code);
    this.stage = span("stage");
    this.phone = span("phone");
    this.problem = make("p", { class: "problem-line", role: "status" });
    this.now = p("now");
    this.ask = make("p", { class: "ask", "aria-live": "polite" });
    this.given = p("given");
    const keys = make("div", { class: "keys" });
    this.pad = new PadView(keys, this.given, (answer) => this.send({ do: "rate", ...answer }));
    this.rating = make("div", { class: "rating", role: "group" }, make("div", { class: "asked" }, this.ask, this.given), keys);
    this.task = make("div", { class: "task" });
    this.stop = make("button", { type: "button", class: "stop", disabled: true, onclick: () => this.send({ do: "stop", reason: "stopped by hand" }) });
    this.element = make("article", { class: "seat", "data-stage": "loading" }, make("header", {}, make("h2", {}, this.name), this.phone, this.stage), this.parts.form, this.problem, make("div", { class: "seat-clock" }, this.now, p("time", this.parts.time, this.parts.timeUnit), this.parts.next), this.rating, this.task, this.stop);
  }

  // --- from the session

  onState(state) {
    this.state = state;
    setData(this.element, "stage", state.stage);
    setData(this.element, "step", state.maximum.step);
    setText(this.name, state.athlete);
    this.name.setAttribute("aria-label", `${state.athlete}: full page`);
    this.rating.setAttribute("aria-label", `Rating of ${state.athlete}`);
    setText(this.stop, `Stop ${state.athlete}`);
    this.stop.disabled = !isRunning(state);
    const asking = state.stage === "plan" && Boolean(state.ask_position) && !state.ask && state.phase?.kind !== "contract";
    show(this.rating, state.stage === "plan" && !asking);
    show(this.task, state.stage !== "plan" || asking);
    setData(this.rating, "open", state.ask ? "yes" : "no");
    setText(this.ask, state.ask ? state.ask.text : "Discomfort 0–10");
    this.pad.render(state);
    this.renderTask(state, asking);
    this.on.state();
  }

  onUpdate(update) {
    if (this.update && update.level < this.update.level) this.ring.clear(update.firstLevel); // another session
    const guide = guideIndex(this.state);
    if (guide < update.channels) this.ring.push(update.firstLevel, update.rows, update.channels, update.levels, guide);
    this.update = update;
    this.push = followPush(this.push, this.state, this.ring, this.state?.level_rate_hz ?? 100);
    this.on.change();
  }

  onReply(reply) {
    if (!reply.ok) this.on.complain(`${this.code}: ${reply.what}`, reply.cure);
  }

  // --- to the session

  /** True if it could be sent. */
  send(message) {
    if (this.link.send(message) !== null) return true;
    this.on.complain(`${this.code}: not sent, the connection is down`, "It reconnects by itself; then try again.");
    return false;
  }


  // --- on the screen

  draw(colors) {
    const { state, update } = this;
    const problem = trouble(state, update, this.link.status);
    const note = state?.recording?.problem ?? (state?.message?.level === "info" ? null : state?.message);
    const told = problem ?? (note ? { what: note.what ?? note.text ?? note, cure: note.cure } : null);
    setText(this.problem, told ? [told.what, told.cure].filter(Boolean).map(capital).join(". ") : "");
    show(this.problem, Boolean(told));
    if (!state) return;
    const live = problem === null || problem.kind === "other";
    setText(this.now, state.stage === "plan" || state.stage === "maximum" ? instruction(state, problem).now : "");
    const view = formView(state, update, problem, this.push);
    showReading(this.parts, state, update, view, live, colors);
    this.showBand(view);
    this.chooseCue(view.bandState, live);
  }

  /** Who left the band must be seen from across the room: the whole card says it, and since when. */
  showBand(view) {
    const isOut = view.bandState === "below" || view.bandState === "above";
    if (!isOut) this.outSinceS = NaN;
    else if (!(this.update.timeS >= this.outSinceS)) this.outSinceS = this.update.timeS;
    const outS = Math.floor((this.update?.timeS ?? NaN) - this.outSinceS);
    const isLost = view.mode === "lost" && isRunning(this.state);
    setData(this.element, "band", isLost ? "lost" : view.bandState);
    const step = isLost ? view.word : (STEPS.find(([stage]) => stage === this.state.stage)?.[1] ?? "");
    setText(this.stage, isOut ? `${capital(view.bandState)} the band${outS >= 1 ? ` ${outS} s` : ""}` : step);
  }

  showPhones(devices) {
    const here = devices.some((device) => device.here);
    setText(this.phone, devices.length ? (here ? "phone" : "phone away") : "");
    setData(this.phone, "here", here ? "yes" : "no");
  }

  // --- sound, by the same rules as on the athlete's own screen

  chooseCue(bandState, live) {
    const { state, update } = this;
    const phase = state.stage === "plan" ? state.phase?.index : state.maximum.step + state.maximum.number;
    const [name, memory] = chooseCue(this.memory, { bandState, live, running: isRunning(state), phase, remainingS: update?.remainingS ?? NaN, nowS: performance.now() / 1000 });
    this.memory = memory;
    const asked = state.ask && state.ask.id !== this.lastAsk;
    this.lastAsk = state.ask?.id ?? null;
    this.cue = asked ? "ask" : (name ?? this.cue);
  }

  /** The cue that is due, once. */
  takeCue() {
    const cue = this.cue;
    this.cue = null;
    return cue;
  }

  renderTask(state, asking) {
    const { maximum } = state;
    const key = [state.stage, asking && state.ask_position, state.zero.state, maximum.step, maximum.number, maximum.verdict, maximum.strength, state.answer?.word, state.stopped, state.report_url, state.limit];
    fill(this.task, key, () => (asking ? this.positionTask(state) : (TASKS[state.stage]?.(this, state) ?? [])));
  }

  step(text, message, { primary = true, disabled = false } = {}) {
    return make("button", { type: "button", class: primary ? "primary" : "secondary", disabled, onclick: () => this.send(message()) }, text);
  }

  positionTask(state) {
    const answers = POSITIONS.map(([answer, text]) => this.step(text, () => ({ do: "position", answer, phase_index: state.ask_position.phase_index }), { primary: false }));
    return [make("p", {}, "Was the position held? Drifted: over 2.5 cm. Lost: over 5 cm."), make("div", { class: "answers" }, ...answers)];
  }
}

const TASKS = {
  cautions: (card, state) => [make("p", {}, "Cautions not answered yet."), card.step(`${state.athlete}: read, none applies`, () => ({ do: "accept_cautions" }))],
  zero: (card, state) => [make("p", {}, state.zero.state === "running" ? "Measuring: keep it still." : "Take all load off the sensor."), card.step(`Zero ${state.athlete}`, () => ({ do: "zero" }), { disabled: state.zero.state === "running" })],
  maximum: (card, { maximum, athlete }) => {
    const busy = ["countdown", "push"].includes(maximum.step);
    const settled = maximum.verdict?.state === "accepted";
    const usable = maximum.attempts.some((attempt) => attempt.accepted && !attempt.rejected);
    return [
      make("p", {}, capital(maximum.verdict?.text ?? "")),
      card.step(maximum.step === "rest" ? "Resting" : `${athlete}: attempt ${maximum.number}`, () => ({ do: "attempt" }), { primary: !settled, disabled: busy || maximum.step === "rest" }),
      card.step("Use this maximum", () => ({ do: "accept_maximum" }), { primary: settled, disabled: busy || !usable }),
    ];
  },
  ready: (card, { maximum, athlete, limit }) => [make("p", {}, `${Number.isFinite(maximum.strength) ? `Maximum ${maximum.strength.toPrecision(3)} ${maximum.unit}. ` : ""}Stops by itself at discomfort ${limit}.`), card.step(`Start ${athlete}`, () => ({ do: "start_plan", plan: card.on.plan() }), { primary: false })],
  done: (card, state) => [
    make("p", {}, [state.stopped && `${capital(state.stopped.reason)}. Come out of the position slowly.`, state.answer ? `Discomfort while contracting: ${state.answer.word}.` : "The answer is being worked out."].filter(Boolean).join(" ")),
    state.report_url ? make("a", { class: "secondary", href: `${state.report_url}?seat=${card.number}`, target: "_blank", rel: "noopener" }, "Report") : null,
    card.step(`${state.athlete}: another hold`, () => ({ do: "resume" }), { primary: false }),
  ],
};
