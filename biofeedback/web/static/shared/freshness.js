// Is what a page shows the present? Pure: time comes in as an argument.

export const SILENT_S = 0.8; // updates come every 17 ms, heartbeats every 250 ms: this much silence is a lost link
export const LATE_S = 0.6; // an answer that takes longer than this means that what arrives is not "now"

/**
 * Is what we show the present? Two ways to fail: nothing arrives, or everything arrives late (a congested radio link
 * can deliver an unbroken stream of old numbers). Answers come in the same stream as the numbers, so a question that
 * stays unanswered tells how old they are; neither clock needs to be right.
 */
export class Freshness {
  constructor() {
    this.reset();
  }

  reset() {
    this.heardAtS = -Infinity;
    this.question = null;
    this.askedAtS = NaN;
  }

  hear(nowS) {
    this.heardAtS = nowS;
  }

  /** Remember that question number was asked. */
  ask(number, nowS) {
    this.question = number;
    this.askedAtS = nowS;
  }

  /** True if this answers the open question. */
  answer(number) {
    if (number !== this.question) return false;
    this.question = null;
    return true;
  }

  /** "live", "late" or "silent" */
  at(nowS) {
    if (nowS - this.heardAtS > SILENT_S) return "silent";
    return this.question !== null && nowS - this.askedAtS > LATE_S ? "late" : "live";
  }
}

/** How long to wait before the n-th attempt to reconnect (n from 0), in ms: the page must be back within 2 s. */
export function reconnectDelayMs(n) {
  return Math.min(1000, 150 * 2 ** n);
}
