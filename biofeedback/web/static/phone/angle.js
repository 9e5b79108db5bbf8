// This phone as angle sensor: raw gravity from its motion events, in batches, and what is in the way of it. No DOM.

export const BATCH_MS = 33;
const HEARTBEAT_MS = 250;
const WAIT_MS = 2000; // without an event for so long there is no sensor
const EMPTY_MS = 800; // events without a reading for so long: the permission was taken back
const YIELD_MS = 1000; // the session has answered a claim by then
const AGAIN_MS = 500; // given back, a listener that was there before hears nothing: a new one does

/** What keeps this device from measuring an angle before it is tried, as {what, cure}; null: nothing known. */
export function obstacle(win = window) {
  if (!win.isSecureContext)
    return { what: "browsers give motion only to an encrypted page", cure: "let the coach share without --share-plain" };
  if (!("DeviceMotionEvent" in win)) return { what: "this browser has no motion events", cure: "use another browser or phone" };
  return null;
}

export class AngleSensor {
  /**
   * @param {(command: {do: string, [field: string]: unknown}) => void} send
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
    this.isEmpty = false; // events come, and no reading is in them
    this.listenedMs = 0;
    this.sentMs = this.claimedMs = 0;
    this.hasAngle = false;
    this.hasSlider = false;
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
    this.hasAngle = true;
    this.listen();
    this.lastEventMs = performance.now();
    this.isEmpty = this.isMute = false;
    this.tell("", "");
    return this.join();
  }

  listen() {
    window.removeEventListener("devicemotion", this.hear);
    window.addEventListener("devicemotion", this.hear);
    this.listenedMs = performance.now();
  }

  /** No angle any more; the slider, if it is on, goes on. */
  stopAngle() {
    window.removeEventListener("devicemotion", this.hear);
    this.hasAngle = this.isMute = false;
    this.gravity = [];
    this.tell("", "");
    this.settle();
  }

  /** @param {boolean} on whether ratings are sent all the time */
  slide(on) {
    this.hasSlider = on;
    if (on) this.join();
    else this.settle();
  }

  settle() {
    if (this.hasAngle || this.hasSlider) this.renew();
    else this.leave();
  }

  /** Be the phone of this seat: batches go out, empty ones too, so that silence means silence. */
  join() {
    const isNew = !this.on;
    this.on = true;
    this.renew();
    if (!isNew) return undefined;
    document.addEventListener("visibilitychange", this.hide);
    window.addEventListener("pagehide", this.hide);
    this.timer = window.setInterval(() => this.flush(), BATCH_MS);
    return undefined;
  }

  leave() {
    if (!this.on) return;
    this.on = false;
    clearInterval(this.timer);
    document.removeEventListener("visibilitychange", this.hide);
    window.removeEventListener("pagehide", this.hide);
    this.send({ do: "phone_angle", who: this.who, on: false });
  }

  /**
   * One phone measures for a seat: this one gives way, and says so.
   * @param {string} who the phone that the session listens to, "": none
   */
  yieldTo(who) {
    if (!this.on || !who || who === this.who || performance.now() - this.claimedMs < YIELD_MS) return;
    window.removeEventListener("devicemotion", this.hear);
    this.hasAngle = this.hasSlider = this.isMute = false;
    this.leave();
    this.tell("another phone is the sensor of this seat", "switch its angle and slider off there, then press here again");
  }

  /** The session has another phone, or started again: ask to be its sensor again. */
  renew() {
    if (!this.on) return;
    this.claimedMs = performance.now();
    this.send({ do: "phone_angle", who: this.who, on: true, angle: this.hasAngle });
  }

  /** @param {DeviceMotionEvent} event */
  hear(event) {
    const g = event.accelerationIncludingGravity;
    this.isEmpty = true;
    if (!g || g.x === null || g.y === null || g.z === null) return;
    this.isEmpty = false;
    this.lastEventMs = performance.now();
    this.gravity.push([event.timeStamp / 1000, g.x, g.y, g.z]);
  }

  hide() {
    this.lastEventMs = performance.now(); // it could not hear meanwhile
    this.send({ do: "phone_hidden", who: this.who, hidden: document.hidden });
  }

  /** Tell when no reading comes, and when they come again; meanwhile start listening again now and then. */
  watch() {
    const nowMs = performance.now();
    const isMute = this.hasAngle && !document.hidden && nowMs - this.lastEventMs > (this.isEmpty ? EMPTY_MS : WAIT_MS);
    if (isMute && nowMs - this.listenedMs > AGAIN_MS) this.listen();
    if (isMute === this.isMute) return;
    this.isMute = isMute;
    if (isMute)
      this.tell("no motion comes from this phone", "allow motion for this page in the browser's settings, or use another phone");
    else this.tell("", "");
  }

  flush() {
    this.watch();
    const { gravity, ratings } = this;
    const now = performance.now();
    if (!gravity.length && !ratings.length && now - this.sentMs < HEARTBEAT_MS) return;
    this.sentMs = now;
    this.gravity = [];
    this.ratings = [];
    this.send({ do: "phone_data", who: this.who, gravity, ratings });
  }
}
