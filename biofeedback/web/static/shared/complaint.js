// What was refused or could not be sent is said for a few seconds.

const COMPLAINT_MS = 8000;

export class Complaint {
  constructor() {
    /** @type {{what: string, cure: string} | null} */
    this.said = null;
    this.untilMs = 0;
  }

  /**
   * @param {string} what
   * @param {string} cure
   */
  say(what, cure) {
    this.said = { what, cure };
    this.untilMs = performance.now() + COMPLAINT_MS;
  }

  clear() {
    this.said = null;
  }

  /** What is to be said now, or null. */
  get current() {
    if (performance.now() > this.untilMs) this.said = null;
    return this.said;
  }
}
