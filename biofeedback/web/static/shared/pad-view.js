// The rating pad on the screen: a button for every whole rating, one for a half, one for no answer.

import { make, setText } from "./dom.js";
import { HIGHEST, Pad } from "./pad.js";

const MIDDLE = 5; // where up and down begin before there is a rating
/** Two keys, as pedals and presenters send them: one raises, one confirms. */
const PEDALS = { arrows: { raise: "ArrowLeft", confirm: "ArrowRight" }, pages: { raise: "PageUp", confirm: "PageDown" } };

export class PadView {
  /**
   * keys: where the buttons go; given: where the last rating is said; rate({value, ask}) is called once for each rating,
   * ask: the id of the question it answers, where there was one.
   */
  constructor(keys, given, rate) {
    this.pad = new Pad();
    this.given = given;
    this.rate = rate;
    this.open = null; // id of the question that is open
    this.again = null; // id of the question whose answer was taken back, until another one opens
    this.asked = null; // id of the question that was open when the pending press was made
    this.last = "";
    /** @type {number | null} */
    this.lastValue = null;
    this.wholes = Array.from({ length: HIGHEST + 1 }, (_, whole) =>
      make("button", { type: "button", "data-rating": whole, onclick: () => this.press(whole) }, String(whole)),
    );
    this.half = make(
      "button",
      { type: "button", "aria-label": "add a half", "aria-pressed": "false", onclick: () => this.addHalf() },
      "+½",
    );
    this.none = make("button", { type: "button", "data-wide": true, onclick: () => this.answer(null) }, "No answer");
    keys.append(...this.wholes, this.half, this.none);
  }

  press(whole) {
    this.begin();
    this.pad.press(whole, performance.now());
    this.changed();
  }

  addHalf() {
    this.pad.addHalf(performance.now());
    this.changed();
  }

  /** What is pressed now answers the question that is open now, though that may close before the press counts. */
  begin() {
    if (this.pad.whole === null) this.asked = this.open ?? this.again;
  }

  answer(value) {
    this.pad.clear();
    const ask = this.asked ?? this.open ?? this.again;
    this.asked = this.again = null;
    if (value !== null) this.lastValue = Math.round(value);
    this.rate(ask === null ? { value } : { value, ask });
    this.changed();
  }

  /**
   * A key while the pad listens. pedals: which two keys rate alone, "arrows", "pages" or none. Keys held down count once.
   * @param {KeyboardEvent} event
   * @param {string} pedals
   */
  type(event, pedals = "") {
    if (this.typeStep(event, PEDALS[pedals])) {
      event.preventDefault();
      this.changed();
    } else this.typeDigit(event);
  }

  /** Up and down, two pedals; true if the key was one of them. */
  typeStep(event, pedals) {
    const { key } = event;
    const isStep = ["ArrowUp", "ArrowDown", pedals?.raise, pedals?.confirm].includes(key);
    if (!isStep || event.target?.tagName === "INPUT") return false;
    if (event.repeat) return true;
    const last = this.lastValue ?? MIDDLE;
    if (key === pedals?.confirm) this.pad.enter(performance.now());
    else {
      this.begin();
      if (key === pedals?.raise) this.pad.raise(last);
      else this.pad.step(key === "ArrowUp" ? 1 : -1, last);
    }
    return true;
  }

  typeDigit(event) {
    const now = performance.now();
    this.begin();
    if (/^[0-9]$/.test(event.key) && !event.repeat) this.pad.type(Number(event.key), now);
    else if (event.key === "." || event.key === ",") this.pad.addHalf(now);
    else if (event.key === "Backspace") this.pad.clear();
    else if (event.key === "Enter" && this.pad.whole !== null) {
      event.preventDefault();
      this.pad.enter(now);
    } else return;
    this.changed();
  }

  changed() {
    const { pad } = this;
    for (const button of this.wholes) button.toggleAttribute("data-pending", Number(button.dataset.rating) === pad.whole);
    this.half.setAttribute("aria-pressed", String(pad.half));
    this.half.toggleAttribute("data-pending", pad.half);
    this.tell();
    if (pad.dueMs < Infinity) setTimeout(() => this.sendPending(), Math.max(0, pad.dueMs - performance.now()) + 5);
  }

  /** Is there a rating that waits to be confirmed? */
  get isWaiting() {
    return this.pad.whole !== null && this.pad.dueMs === Infinity;
  }

  tell() {
    const waits = this.pad.dueMs === Infinity ? "confirm it" : "+½ adds a half";
    setText(this.given, this.pad.whole === null ? this.last : `${this.pad.value} … ${waits}`);
  }

  sendPending() {
    const value = this.pad.take(performance.now());
    if (value !== null) this.answer(value);
  }

  /** What a simulated athlete answers is marked to be pressed; the last rating is said. */
  render(state) {
    const said = state.ask?.said ?? null;
    for (const button of this.wholes)
      button.toggleAttribute("data-said", said !== null && Number(button.dataset.rating) === Math.floor(said));
    this.half.toggleAttribute("data-said", said !== null && said % 1 !== 0);
    const last = state.ratings.at(-1);
    this.lastValue = last?.value === null || last === undefined ? null : Math.round(last.value);
    this.last = last ? `last: ${last.value === null ? "no answer" : last.value}` : "";
    this.open = state.ask?.id ?? null;
    if (this.open !== null) this.again = null;
    else if (last?.value === null && last.corrected) this.again = last.ask_id ?? null;
    this.tell();
  }
}
