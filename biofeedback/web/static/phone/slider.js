// Discomfort rated all the time: a slider under the thumb, as high as the screen. Touched moments count, others do not.

import { $, setData, setText, show } from "../shared/dom.js";

export const SAMPLE_MS = 100;
const PRACTICE_S = 30;

/**
 * Where the thumb is, 0 at the bottom to 10 at the top, in hundredths.
 * @param {number} y
 * @param {{top: number, bottom: number}} box
 */
export function valueAt(y, { top, bottom }) {
  const share = (bottom - y) / (bottom - top);
  return Math.round(1000 * Math.min(1, Math.max(0, share))) / 100;
}

export class Slider {
  /** @param {import("./angle.js").AngleSensor} sensor what sends */
  constructor(sensor) {
    this.sensor = sensor;
    /** @type {number | null} the one finger that counts */
    this.finger = null;
    /** @type {number | null} */
    this.second = null;
    this.value = NaN;
    this.practisedS = Number(localStorage.getItem("slider-practised") ?? 0);
    const bar = $("slider");
    $("slider-use").addEventListener("click", () => this.toggle());
    bar.addEventListener("pointerdown", (/** @type {PointerEvent} */ event) => {
      event.preventDefault();
      if (this.finger !== null) {
        this.second = event.pointerId;
        return this.tell("A second finger does not count.");
      }
      this.finger = event.pointerId;
      bar.setPointerCapture?.(event.pointerId);
      return this.move(event);
    });
    bar.addEventListener("pointermove", (/** @type {PointerEvent} */ event) => {
      if (event.pointerId === this.finger) this.move(event);
    });
    for (const kind of ["pointerup", "pointercancel", "lostpointercapture"])
      bar.addEventListener(kind, (/** @type {PointerEvent} */ event) => {
        if (event.pointerId === this.finger) this.lift();
        if (event.pointerId === this.second) this.part();
      });
    setInterval(() => this.sample(), SAMPLE_MS);
  }

  get on() {
    return this.sensor.hasSlider;
  }

  get isPractised() {
    return this.practisedS >= PRACTICE_S;
  }

  toggle() {
    this.sensor.slide(!this.on);
    this.lift();
    this.render();
  }

  /** @param {PointerEvent} event */
  move(event) {
    this.value = valueAt(event.clientY, $("slider").getBoundingClientRect());
    this.draw();
  }

  lift() {
    this.finger = null;
    this.value = NaN;
    this.draw();
    if (this.second) this.part();
  }

  part() {
    this.second = null;
    this.tellPractice();
  }

  /** Ten times a second, as long as it is touched. */
  sample() {
    if (!this.on || this.finger === null || !Number.isFinite(this.value)) return;
    this.sensor.ratings.push([performance.now() / 1000, this.value]);
    if (this.isPractised) return;
    this.practisedS += SAMPLE_MS / 1000;
    localStorage.setItem("slider-practised", String(this.practisedS));
    this.tellPractice();
  }

  tellPractice() {
    if (this.second) return;
    const left = Math.ceil(PRACTICE_S - this.practisedS);
    this.tell(left > 0 ? `Practise for half a minute: up is more, down is less. ${left} s left` : "");
  }

  /** @param {string} text */
  tell(text) {
    setText($("slider-said"), text);
  }

  draw() {
    const isTouched = this.finger !== null;
    setData($("slider"), "touched", String(isTouched));
    $("slider-thumb").style.bottom = `${isTouched ? this.value * 10 : 0}%`;
    setText($("slider-value"), isTouched ? this.value.toFixed(1) : "");
    $("slider").setAttribute("aria-valuenow", isTouched ? String(this.value) : "0");
    $("slider").setAttribute("aria-valuetext", isTouched ? this.value.toFixed(1) : "not touched");
  }

  /** @param {import("../shared/types").State | null} state */
  render(state = this.state ?? null) {
    this.state = state;
    if (!state) return;
    const isOpen = Boolean(state.phone) && ["ready", "plan"].includes(state.stage);
    show($("slider-panel"), Boolean(state.phone) && state.stage === "ready");
    setText($("slider-use"), this.on ? "Rate only when asked" : "Rate all the time");
    show($("slider"), this.on && isOpen);
    setData(document.body, "slider", this.on && isOpen ? "yes" : "no");
    if (this.on && state.stage === "ready" && !this.isPractised) this.tellPractice();
  }
}
