// Ratings: one press is enough. A press waits a moment so that a half can be added, or the press taken back.

export const WAIT_MS = 700;
export const HIGHEST = 10;

/** Pure: what has been pressed and when it counts. */
export class Pad {
  constructor() {
    this.clear();
  }

  clear() {
    this.whole = null;
    this.half = false;
    this.dueMs = Infinity;
  }

  /** A number pressed on the pad, 0 to 10. Pressing the pending one again sends it at once. */
  press(whole, nowMs) {
    if (this.whole === whole) {
      this.dueMs = nowMs;
      return;
    }
    this.whole = whole;
    this.half = false;
    this.dueMs = nowMs + WAIT_MS;
  }

  /** A digit typed: 1 then 0 is ten. */
  type(digit, nowMs) {
    this.press(this.whole === 1 && digit === 0 && !this.half ? HIGHEST : digit, nowMs);
  }

  addHalf(nowMs) {
    if (this.whole === null || this.whole >= HIGHEST) return;
    this.half = !this.half;
    this.dueMs = nowMs + WAIT_MS;
  }

  /** One up or down from what is pending, else from the last rating; it waits to be confirmed. */
  step(by, last) {
    const from = this.whole ?? last;
    this.whole = Math.min(HIGHEST, Math.max(0, from + by));
    this.half = false;
    this.dueMs = Infinity;
  }

  /** For two keys alone: one up, and after the highest from 0 again. */
  raise(last) {
    if ((this.whole ?? last) >= HIGHEST) this.step(-HIGHEST, last);
    else this.step(1, last);
  }

  /** Send now what is pending. */
  enter(nowMs) {
    if (this.whole !== null) this.dueMs = nowMs;
  }

  get value() {
    return this.whole === null ? null : this.whole + (this.half ? 0.5 : 0);
  }

  /** The rating to send, once; null while there is none. */
  take(nowMs) {
    if (this.whole === null || nowMs < this.dueMs) return null;
    const value = this.value;
    this.clear();
    return value;
  }
}
