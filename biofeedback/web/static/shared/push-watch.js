// Does the athlete push while they are asked to relax? Judged live, so that it can be put right at once. Pure.

import { guideIndex } from "./state.js";
import { meaningOf } from "./words.js";

export const PUSH_PERCENT = 10; // more than this is no relaxing
export const CALM_PERCENT = 8; // and less than this is: between them nothing changes, so that it does not flicker
export const PUSH_S = 1;
export const SETTLE_S = 2; // letting go takes about this long

export class PushWatch {
  constructor() {
    /** @type {number | undefined} */
    this.phase = undefined;
    this.startS = NaN; // of the phase
    this.sinceS = NaN; // since when it has been pushing
    this.isPushing = false;
  }

  /**
   * @param {import("./types").State | null} state
   * @param {import("./types").Update} update
   */
  take(state, update) {
    const phase = state?.stage === "plan" && meaningOf(state).relaxes ? state.phase?.index : undefined;
    if (phase !== this.phase) Object.assign(this, { phase, startS: update.timeS, sinceS: NaN, isPushing: false });
    if (phase === undefined || update.timeS - this.startS < SETTLE_S) return;
    const percent = update.percent[guideIndex(state)];
    if (!(percent > (this.isPushing ? CALM_PERCENT : PUSH_PERCENT))) {
      this.isPushing = false;
      this.sinceS = NaN;
    } else if (!(update.timeS >= this.sinceS)) this.sinceS = update.timeS;
    else if (update.timeS - this.sinceS >= PUSH_S) this.isPushing = true;
  }
}
