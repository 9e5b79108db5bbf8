// One athlete's session as a page has it: connection, newest state and numbers, what is due to be heard. No DOM.
// Every page that shows an athlete is built around this: alone on the screen, or as one card of a group.

import { SILENCE, chooseCue, partOf } from "./cues.js";
import { asksEffort, feltView } from "../phone/felt.js";
import { gaugeView } from "./gauge-view.js";
import { Link } from "./link.js";
import { followPush } from "./push.js";
import { PushWatch } from "./push-watch.js";
import { guideIndex, instruction, isRunning, phaseSpan, reasonToLetGo, stepOf, trouble } from "./state.js";
import { Ring, STRIP_S } from "./strip.js";
import { bandAt, blindAt, elapsedS, moves } from "./target.js";

const N_SPANS = 20;

/**
 * @typedef {object} Listener
 * @property {(you: any) => void} you who this page is to the session
 * @property {(seat: Seat) => void} state the state is another one
 * @property {() => void} change something else is to be drawn
 * @property {(what: string, cure: string) => void} complain something was refused or could not be sent
 * @property {(data: any) => void} [data] an answer brought more than its yes
 * @property {(shared: any) => void} [sharing]
 * @property {() => void} [stranger] another version of the program answers
 */

export class Seat {
  /**
   * @param {number} number from 1
   * @param {Listener} on
   * @param {string} query what the address of its connection ends with
   */
  constructor(number, on, query = `?seat=${number}`) {
    this.number = number;
    this.on = on;
    /** @type {import("./types").State | null} */
    this.state = null;
    this.revision = -1;
    /** @type {import("./types").Update | null} */
    this.update = null;
    /** @type {import("./types").Push | null} */
    this.push = null;
    /** @type {Ring[]} by channel, in % of maximum */
    this.effortRings = [];
    /** @type {Ring[]} by channel, in its own unit */
    this.levelRings = [];
    /** @type {{index: number, fromS: number, toS: number, band: [number, number] | null}[]} where phases lay */
    this.spans = [];
    this.relaxing = new PushWatch();
    this.memory = SILENCE;
    this.acted = false; // somebody has answered the alarm on this page
    this.pressedStop = false; // on this page, since the last effort began: it is asked why
    this.ran = ""; // what ran when we last listened: "plan", "maximum" or ""
    /** @type {string | null} */
    this.cue = null;
    /** @type {number | null} */
    this.lastAsk = null;
    this.link = new Link(
      {
        you: on.you,
        state: (state, revision) => this.hearState(state, revision),
        update: (update) => this.hearUpdate(update),
        reply: (reply) => this.hearReply(reply),
        sharing: on.sharing,
        change: on.change,
        stranger: on.stranger ?? (() => {}),
        sentAway: () => location.reload(),
      },
      query,
    );
  }

  get code() {
    return this.state?.athlete ?? `seat ${this.number}`;
  }

  get levelRateHz() {
    return this.state?.level_rate_hz ?? 100;
  }

  get isRunning() {
    return isRunning(this.state);
  }

  /** @returns {import("./types").Trouble | null} */
  get problem() {
    return trouble(this.state, this.update, this.link.status);
  }

  // --- from the session

  /**
   * @param {import("./types").State} state
   * @param {number} revision
   */
  hearState(state, revision) {
    this.state = state;
    this.revision = revision;
    this.follow();
    this.on.state(this);
    this.on.change();
  }

  /** @param {import("./types").Update} update */
  hearUpdate(update) {
    if (this.update && update.level < this.update.level) this.forget(update.firstLevel); // another session
    for (let k = 0; k < update.channels; k++) {
      this.keep(this.effortRings, k, update, update.strip);
      this.keep(this.levelRings, k, update, update.levels);
    }
    this.update = update;
    this.follow();
    const ring = this.levelRings[guideIndex(this.state)];
    if (ring) this.push = followPush(this.push, this.state, ring, this.levelRateHz);
    this.relaxing.take(this.state, update);
    if (update.revision === this.revision) this.noteSpan();
    this.on.change();
  }

  /** Let the band be where it is at the newest level, and nothing be shown of the effort in a blind stretch. */
  follow() {
    const { state, update } = this;
    if (!state?.phase?.band || !state.band) return;
    const timeS = elapsedS(state, update);
    if (moves(state.phase)) state.band = bandAt(state.phase, timeS);
    state.blind = Boolean(blindAt(state.phase, timeS));
  }

  /**
   * @param {Ring[]} rings
   * @param {number} k
   * @param {import("./types").Update} update
   * @param {Float32Array} values
   */
  keep(rings, k, update, values) {
    rings[k] ??= new Ring((STRIP_S + 1) * 1000);
    rings[k].push(update.firstLevel, update.rows, update.channels, values, k);
  }

  /** @param {number} firstLevel */
  forget(firstLevel) {
    for (const ring of [...this.effortRings, ...this.levelRings]) ring.clear(firstLevel);
    this.spans = [];
  }

  /** Remember where phases lay, for the strip: a new one ends whatever ran before. */
  noteSpan() {
    const span = phaseSpan(this.state, this.update);
    const last = this.spans.at(-1);
    if (!span || (last && last.index === span.index && Math.abs(last.fromS - span.fromS) < 0.5)) return;
    if (last && last.toS > span.fromS) last.toS = span.fromS;
    this.spans = [...this.spans.slice(-N_SPANS), span];
  }

  /** @param {any} reply */
  hearReply(reply) {
    if (!reply.ok) this.on.complain(reply.what, reply.cure);
    else if (reply.data) this.on.data?.(reply.data);
  }

  // --- to the session

  /**
   * True if it could be sent.
   * @param {{do: string, [field: string]: unknown}} message
   */
  send(message) {
    if (this.link.send(message) !== null) return true;
    this.on.complain("not sent: this page is disconnected", "It reconnects by itself; then try again.");
    return false;
  }

  /**
   * Ends what runs; kept until the session has heard it.
   * @param {string} reason
   */
  stop(reason) {
    if (!this.isRunning) return;
    this.pressedStop = true;
    this.link.stop(reason);
  }

  // --- what it shows and says

  /** The gauge and the headline as they are now. */
  look() {
    const problem = this.problem;
    const live = problem === null || problem.kind === "other";
    const view = (this.state?.by_feel ? feltView : gaugeView)(
      this.state,
      this.update,
      problem,
      this.push,
      this.relaxing.isPushing,
    );
    return { problem, live, view, told: instruction(this.state, problem, this.update) };
  }

  /**
   * Find what is due to be heard; call with every drawing.
   * @param {ReturnType<Seat["look"]>} look
   */
  listen({ view, problem }) {
    const { state, update } = this;
    if (!state) return;
    const alarm = reasonToLetGo(state, problem);
    if (!alarm) this.acted = false;
    const [name, memory] = chooseCue(this.memory, {
      bandState: view.bandState,
      alarm,
      acted: this.acted,
      running: this.isRunning,
      phase: stepOf(state),
      part: partOf(state, elapsedS(state, update)),
      breathes: state.phase?.until === "band lost",
      kind: state.stage === "plan" ? (state.phase?.kind ?? "") : state.maximum.step,
      lowPercent: state.band?.[0] ?? NaN,
      remainingS: update?.remainingS ?? NaN,
      pushS: state.stage === "maximum" && state.maximum.step === "push" ? state.maximum.push_s : NaN,
      nowS: performance.now() / 1000,
      effort: asksEffort(state),
    });
    this.memory = memory;
    const asked = state.ask && state.ask.id !== this.lastAsk;
    this.lastAsk = state.ask?.id ?? null;
    this.cue = this.endOf(state) ?? (asked && !alarm ? "ask" : (name ?? this.cue));
  }

  /**
   * The cue of an effort that has ended since the last time, or null.
   * @param {import("./types").State} state
   */
  endOf(state) {
    const ran = this.ran;
    this.ran = this.isRunning ? state.stage : "";
    if (!ran && this.ran) this.pressedStop = false;
    if (!ran || this.ran) return null;
    if (state.stopped) return "stopped";
    if (ran === "plan") return "done";
    return state.maximum.care?.graded ? "rest" : "relax"; // out of the stretch after every push
  }

  /** Somebody has answered the alarm: it need not sound any more. */
  act() {
    this.acted = this.memory.cue?.startsWith("alarm") ?? false;
  }

  /** The cue that is due, once. */
  takeCue() {
    const cue = this.cue;
    this.cue = null;
    return cue;
  }
}
