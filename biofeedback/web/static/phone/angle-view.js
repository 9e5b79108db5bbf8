// The angle on the screen: a panel that lets this phone measure it, and a line for everybody while one does.

import { $, setData, setText, show } from "../shared/dom.js";
import { meanLevel } from "../shared/push.js";
import { AngleSensor } from "./angle.js";

const SHOWN_S = 0.2; // the number follows the limb
const KEPT_S = 0.5; // a range that is read off
const NAME = "position_phone";

/**
 * "12.3°", or why there is none.
 * @param {import("../shared/types").State} state
 * @param {number} degrees mean of the last moments
 */
export function angleText(state, degrees) {
  const phone = state.phone;
  if (!phone || ["off", "slider"].includes(phone.state)) return "";
  if (phone.state !== "live") return `${phone.what}: ${phone.cure}`;
  if (!Number.isFinite(degrees)) return "phone: being moved, no angle";
  if (!state.zero.results?.[NAME]) return `phone: ${degrees.toFixed(1)}° since it was switched on`;
  const limits = state.channels.find(({ name }) => name === NAME)?.limits;
  const isHeld = state.stage === "plan" && state.phase?.kind !== "rest";
  const shown = `phone: ${degrees.toFixed(1)}°`;
  if (!isHeld || !limits || degrees < limits.warn) return shown;
  return `${shown}, ${degrees < limits.fail ? "drifted" : "lost"}: go back`;
}

/** @param {import("../shared/types").State} state @param {number} degrees */
export function hasDrifted(state, degrees) {
  const limits = state.channels.find(({ name }) => name === NAME)?.limits;
  return Boolean(limits && degrees >= limits.warn && state.stage === "plan" && state.phase?.kind !== "rest");
}

export class AngleView {
  /**
   * @param {import("../shared/seat.js").Seat} seat
   * @param {string} place
   */
  constructor(seat, place) {
    this.seat = seat;
    this.lines = [.../** @type {NodeListOf<HTMLElement>} */ (document.querySelectorAll(".angle-now"))];
    this.degrees = NaN; // from the zero, the mean of the last half second
    this.mayMeasure = place !== "coach";
    this.sensor = new AngleSensor(
      // what is measured while there is no connection is a gap: nobody is told twenty times a second
      (message) => (message.do === "phone_angle" ? seat.send(message) : seat.link.send(message)),
      (what, cure) => setText($("angle-wrong"), what ? `${what}: ${cure}` : ""),
    );
    $("angle-use").addEventListener("click", async () => {
      if (this.sensor.hasAngle) this.sensor.stopAngle();
      else await this.sensor.start();
      this.render();
    });
    $("angle-zero").addEventListener("click", () => seat.send({ do: "zero_position" }));
  }

  render() {
    const { state } = this.seat;
    if (!state) return;
    show($("angle-panel"), Boolean(state.phone) && this.mayMeasure && !this.seat.isRunning && state.stage !== "done");
    show($("angle-zero"), state.phone?.state === "live");
    setText($("angle-use"), this.sensor.hasAngle ? "Stop using this phone's angle" : "Use this phone's angle");
    const where = state.exercise_notes?.Phone;
    setText(
      $("angle-where"),
      where
        ? `Where it goes: ${where}.`
        : "Strap it flat on the limb that would move; a turn level with the floor it cannot see.",
    );
    const channel = state.channels.find(({ name }) => name === NAME);
    setText($("angle-limits"), channel?.limits ? `Drift is told from the start of the plan: ${channel.limits.text}.` : "");
    if (this.sensor.on && state.phone?.state === "off") this.sensor.renew();
  }

  /** Call with every drawing. */
  draw() {
    const { state, effortRings, levelRings, levelRateHz } = this.seat;
    if (!state) return;
    const { on } = this.sensor;
    this.sensor.yieldTo(state.phone?.who ?? "");
    if (on && !this.sensor.on) this.seat.on.state(this.seat); // panels say so
    const k = state.channels.findIndex(({ name }) => name === NAME);
    const ring = k < 0 ? null : (state.zero.results?.[NAME] ? effortRings : levelRings)[k];
    /** @param {number} seconds mean of the latest */
    const mean = (seconds) => (ring ? meanLevel(ring, ring.end - Math.round(seconds * levelRateHz), ring.end) : NaN);
    const degrees = mean(SHOWN_S);
    this.degrees = state.phone?.state === "live" && state.zero.results?.[NAME] ? mean(KEPT_S) : NaN;
    const text = angleText(state, degrees);
    for (const line of this.lines) {
      show(line, Boolean(text));
      setText(line, text);
      setData(line, "bad", String(state.phone?.state !== "live" || hasDrifted(state, degrees)));
    }
  }
}
