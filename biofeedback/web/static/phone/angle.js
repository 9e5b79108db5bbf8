// This phone as angle sensor: raw gravity from its motion events, in batches, and what is in the way of it. No DOM.

export const BATCH_MS = 50;
const HEARTBEAT_MS = 250;
const WAIT_MS = 2000; // without an event for so long there is no sensor

/** What keeps this device from measuring an angle before it is tried, as {what, cure}; null: nothing known. */
export function obstacle(win = window) {
  if (!win.isSecureContext)
    return { what: "browsers give motion only to an encrypted page", cure: "let the coach share without --share-plain" };
  if (!("DeviceMotionEvent" in win)) return { what: "this browser has no motion events", cure: "use another browser or phone" };
  return null;
}

export class AngleSensor {
  /**
   * @param {(command: {do: string, [field: string]: unknown}) => boolean} send
   * @param {(what: string, cure: string) => void} tell what is in the way; both empty: nothing is any more
   */
  constructor(send, tell) {
    this.send = send;
    this.tell = tell;
    this.who = Array.from(crypto.getRandomValues(new Uint32Array(2)), (n) => n.toString(36)).join("");
    this.on = false;
    /** @type {number[][]} */
    this.gravity = [];
    /** @type {number[][]} */
    this.ratings = [];
    this.lastEventMs = -Infinity;
    this.sentMs = 0;
    this.hasAngle = false;
    this.timer = 0;
    this.isMute = false;
    this.hear = this.hear.bind(this);
    this.hide = this.hide.bind(this);
  }

  /** Call from a press: some systems ask for permission, and only then. */
  async start() {
    const problem = obstacle();
    if (problem) return this.tell(problem.what, problem.cure);
    const ask = /** @type {any} */ (window.DeviceMotionEvent).requestPermission;
    if (ask) {
      const given = await ask.call(window.DeviceMotionEvent).catch(() => "denied");
      if (given !== "granted")
        return this.tell(
          "this phone refused its motion sensor",
          "allow motion for this page in the browser's settings, then reload",
        );
    }
    window.addEventListener("devicemotion", this.hear);
    this.hasAngle = true;
    this.lastEventMs = performance.now();
    this.isMute = false;
    this.tell("", "");
    return this.join();
  }

  /** Be the phone of this seat: batches go out, empty ones too, so that silence means silence. */
  join() {
    this.renew();
    if (this.on) return undefined;
    this.on = true;
    this.send({ do: "phone_angle", who: this.who, on: true, angle: this.hasAngle });
    document.addEventListener("visibilitychange", this.hide);
    window.addEventListener("pagehide", this.hide);
    this.timer = window.setInterval(() => this.flush(), BATCH_MS);
    return undefined;
  }

  stop() {
    if (!this.on) return;
    this.on = false;
    this.hasAngle = false;
    clearInterval(this.timer);
    window.removeEventListener("devicemotion", this.hear);
    document.removeEventListener("visibilitychange", this.hide);
    window.removeEventListener("pagehide", this.hide);
    this.send({ do: "phone_angle", who: this.who, on: false });
  }

  /** The session has another phone, or began anew: ask to be its sensor again. */
  renew() {
    if (this.on) this.send({ do: "phone_angle", who: this.who, on: true, angle: this.hasAngle });
  }

  /** @param {DeviceMotionEvent} event */
  hear(event) {
    const g = event.accelerationIncludingGravity;
    if (!g || g.x === null || g.y === null || g.z === null) return;
    this.lastEventMs = performance.now();
    this.gravity.push([event.timeStamp / 1000, g.x, g.y, g.z]);
  }

  hide() {
    this.send({ do: "phone_hidden", who: this.who, hidden: document.hidden });
  }

  flush() {
    const silentMs = performance.now() - this.lastEventMs;
    if (this.hasAngle && silentMs > WAIT_MS && !document.hidden && !this.isMute) {
      this.isMute = true;
      this.tell(
        "no motion comes from this phone",
        "allow motion sensors in the browser's settings for this page, or use another phone",
      );
    } else if (silentMs < WAIT_MS && this.isMute) {
      this.isMute = false;
      this.tell("", "");
    }
    const { gravity, ratings } = this;
    const now = performance.now();
    if (!gravity.length && !ratings.length && now - this.sentMs < HEARTBEAT_MS) return;
    this.sentMs = now;
    this.gravity = [];
    this.ratings = [];
    this.send({ do: "phone_data", who: this.who, gravity, ratings });
  }
}
