// Which panel stands on the screen: the stage's own, but for two moments. Pure.

import { isRunning, waitsForPress } from "../shared/state.js";

export const ZEROED_MS = 1000; // so long the page says that it is zeroed before it moves on

export class Panels {
  constructor() {
    this.hasPressed = false; // the press before the first hold, on this page: without one a browser gives no sound
    this.zeroedMs = -Infinity;
    this.wasZeroing = false;
  }

  /**
   * The stage whose panel is shown.
   * @param {import("../shared/types").State} state
   * @param {number} nowMs
   */
  choose(state, nowMs) {
    if (this.wasZeroing && state.stage !== "zero" && state.zero.state === "done") this.zeroedMs = nowMs;
    this.wasZeroing = state.zero.state === "running";
    if (this.mustPress(state)) return "cautions";
    return this.isZeroed(nowMs) && !isRunning(state) ? "zero" : state.stage;
  }

  /** @param {number} nowMs */
  isZeroed(nowMs) {
    return nowMs - this.zeroedMs < ZEROED_MS;
  }

  /** @param {import("../shared/types").State} state */
  mustPress(state) {
    return !this.hasPressed && waitsForPress(state);
  }
}
