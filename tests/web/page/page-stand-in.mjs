// A page without a browser: the elements of its own HTML, a clock moved by hand, a connection that keeps what was sent.
// It lays nothing out and paints nothing: where things stand and how they look is for the tests in a browser.

import { readFile } from "node:fs/promises";

import { Element, Listening, fire, parse } from "./elements.mjs";

export { fire };

const STATIC = new URL("../../../biofeedback/web/static/", import.meta.url);

class Page extends Listening {
  constructor(html) {
    super();
    this.documentElement = parse(html);
    this.body = this.documentElement.querySelector("body");
    this.hidden = false;
    this.readyState = "complete";
    this.activeElement = this.body;
    this.byId = new Map(); // by id: looking through the whole page each time takes most of a test
  }
  getElementById(id) {
    const known = this.byId.get(id);
    if (known && known.id === id && this.has(known)) return known;
    for (const element of this.documentElement.inside()) {
      if (element.id !== id) continue;
      this.byId.set(id, element);
      return element;
    }
    return null;
  }
  has(element) {
    let at = element;
    while (at.parentElement) at = at.parentElement;
    return at === this.documentElement;
  }
  querySelector(selector) {
    return this.documentElement.querySelector(selector);
  }
  querySelectorAll(selector) {
    return this.documentElement.querySelectorAll(selector);
  }
  createElement(tag) {
    return new Element(tag);
  }
  createElementNS(_, tag) {
    return new Element(tag);
  }
}

// --- time

const later = globalThis.setImmediate; // the one that is not the clock's

/** Time that only the test moves: timers, frames, performance.now() and the date. */
class Clock {
  constructor() {
    this.ms = 1000;
    this.due = [];
    this.n = 0;
  }
  at(ms, act, everyMs = null) {
    this.due.push({ id: ++this.n, ms: this.ms + Math.max(0, ms ?? 0), act, everyMs });
    return this.n;
  }
  cancel(id) {
    this.due = this.due.filter((each) => each.id !== id);
  }
  /** Let so much time pass, everything in its order. */
  pass(ms) {
    const untilMs = this.ms + ms;
    for (;;) {
      const next = this.due.reduce((first, each) => (each.ms <= untilMs && (!first || each.ms < first.ms) ? each : first), null);
      if (!next) break;
      this.ms = Math.max(this.ms, next.ms);
      if (next.everyMs === null) this.cancel(next.id);
      else next.ms += Math.max(1, next.everyMs);
      next.act(this.ms);
    }
    this.ms = untilMs;
  }
}

/** Whatever waits for answers and promises has them. */
export async function settle() {
  for (let k = 0; k < 4; k++) await new Promise((done) => later(done));
}

class Storage {
  constructor(kept) {
    this.kept = { ...kept };
  }
  getItem(name) {
    return this.kept[name] ?? null;
  }
  setItem(name, value) {
    this.kept[name] = String(value);
  }
  removeItem(name) {
    delete this.kept[name];
  }
}

let nPages = 0;

/**
 * Open one of our pages: its HTML, then its script. fetches: what the server answers, by path: an object is JSON, a
 * function is asked with (path, options), an Error has its message sent with 409.
 * kept, tab: what this browser and this tab have kept; late: its HTML is still being read.
 * @returns {Promise<any>} what a test needs: $, press, type, hear, update, pass, sent, asked, page
 */
export async function openPage(
  name,
  { path = "/coach", search = "", hash = "", kept = {}, fetches = {}, more = {}, html = "", late = false, tab = {} } = {},
) {
  const [folder, file = folder] = name.split("/");
  const page = new Page(html || (await readFile(new URL(`${folder}/${folder}.html`, STATIC), "utf8")));
  if (late) page.readyState = "loading";
  const clock = new Clock();
  const sockets = [];
  const asked = [];
  const led = [];
  const window = Object.assign(new Listening(), { devicePixelRatio: 1, isSecureContext: true, ...more.window });
  const fixed = { document: page, window, localStorage: new Storage(kept), sessionStorage: new Storage(tab) };
  fixed.location = {
    ...{ pathname: path, search, protocol: "http:", host: "here", href: `http://here${path}${search}${hash}`, hash },
    reload: () => led.push("reload"),
    replace: (to) => led.push(to),
  };
  fixed.history = { replaceState: (...to) => led.push(to.at(-1)) };
  fixed.matchMedia = (query) => Object.assign(new Listening(), { matches: false, media: query });
  fixed.getComputedStyle = () => ({
    getPropertyValue: (property) => property.slice(2).replace(/-(.)/g, (_, a) => a.toUpperCase()),
  });
  fixed.ResizeObserver = class {
    observe() {}
  };
  fixed.WebSocket = class {
    static OPEN = 1;
    constructor(address) {
      Object.assign(this, { address, readyState: 0, sent: [] });
      sockets.push(this);
    }
    send(text) {
      this.sent.push(JSON.parse(text));
    }
    close() {
      this.readyState = 3;
    }
  };
  fixed.fetch = async (address, options = {}) => {
    asked.push({ address: String(address), ...options });
    const key = Object.keys(fetches).find((each) => String(address).split("?")[0].endsWith(each));
    const body = typeof fetches[key] === "function" ? await fetches[key](String(address), options) : fetches[key];
    if (key === undefined) throw new Error(`nobody answers ${address}`);
    const text = async () => (body instanceof Error ? body.message : typeof body === "string" ? body : JSON.stringify(body));
    return {
      ok: !(body instanceof Error),
      status: body instanceof Error ? 409 : 200,
      type: "basic",
      text,
      json: async () => body,
    };
  };
  fixed.screen = { width: 1280, height: 800, ...more.screen };
  fixed.navigator = { ...more.navigator };
  fixed.setTimeout = (act, ms) => clock.at(ms, act);
  fixed.setInterval = (act, ms) => clock.at(ms, act, ms);
  fixed.requestAnimationFrame = (act) => clock.at(16, act);
  fixed.clearTimeout = fixed.clearInterval = fixed.cancelAnimationFrame = (id) => clock.cancel(id);
  fixed.performance = { now: () => clock.ms };
  for (const [key, value] of Object.entries({ ...fixed, ...more.global }))
    Object.defineProperty(globalThis, key, { configurable: true, writable: true, value });
  Object.assign(window, { setInterval: fixed.setInterval, location: fixed.location });
  if (file) await import(new URL(`${folder}/${file}.js?page=${++nPages}`, STATIC));
  const $ = (id) => page.getElementById(id);
  const find = (what) => {
    const element = typeof what !== "string" ? what : ($(what) ?? page.querySelector(what));
    if (!element) throw new Error(`nothing on this page is ${what}`);
    return element;
  };
  return {
    ...{ $, page, clock, sockets, asked, led, window, fire },
    find,
    pass: (ms) => clock.pass(ms),
    /** Press a button or a box, as a finger does: nothing happens on one that is switched off. */
    press(what) {
      const element = find(what);
      if (element.disabled) return;
      if (element.type === "radio") for (const each of page.querySelectorAll(`[name=${element.name}]`)) each.checked = false;
      if (["checkbox", "radio"].includes(element.type)) element.checked = element.type === "radio" || !element.checked;
      fire(element, "click");
      if (["checkbox", "radio"].includes(element.type)) ["input", "change"].forEach((type) => fire(element, type));
      const form = element.closest("form");
      if (form && (element.type === "submit" || (element.tagName === "BUTTON" && !element.type))) fire(form, "submit");
    },
    /** Type into a field, or choose in a list. */
    type(what, value) {
      const element = find(what);
      element.value = value;
      fire(element, "input");
      fire(element, "change");
    },
    key: (key, more_ = {}) => fire(page.activeElement ?? page.body, "keydown", { key, repeat: false, ...more_ }),
    get socket() {
      return sockets.at(-1);
    },
    /** The session says something. */
    hear(message) {
      sockets.at(-1).readyState = 1;
      sockets.at(-1).onmessage({ data: message instanceof ArrayBuffer ? message : JSON.stringify(message) });
      clock.pass(20); // a frame
    },
    /** What this page has told the session since it was last asked, without its number and without pings. */
    sent() {
      const all = sockets.at(-1).sent;
      sockets.at(-1).sent = all.filter((message) => message.do === "ping");
      return all.filter((message) => message.do !== "ping").map(({ id, ...rest }) => (id > 0 ? rest : null));
    },
  };
}

/** One update as bytes; layout.py has the table. */
export function updateBytes(now = {}) {
  const { percent = [0], strip = [percent], levels = strip, level = 0, timeS = (level + 1) / 100, revision = 1 } = now;
  const n = percent.length;
  const view = new DataView(new ArrayBuffer(40 + 8 * n + 8 * n * strip.length));
  view.setUint8(0, 2);
  view.setUint8(1, now.bandState ?? 0);
  view.setUint8(2, now.stale ? 1 : 0);
  view.setUint8(3, n);
  view.setUint32(4, revision, true);
  view.setFloat64(8, timeS, true);
  view.setInt32(16, level, true);
  view.setFloat32(20, now.remainingS ?? NaN, true);
  view.setFloat32(24, now.inBandS ?? 0, true);
  view.setFloat32(28, now.countedS ?? 0, true);
  view.setUint32(32, Math.max(0, level + 1 - strip.length), true);
  view.setUint16(36, strip.length, true);
  view.setUint8(38, now.besideState ?? 0);
  percent.forEach((value, k) => view.setFloat64(40 + 8 * k, value, true));
  [strip, levels].forEach((block, b) =>
    block.flat().forEach((value, k) => view.setFloat32(40 + 8 * n + 4 * (b * n * strip.length + k), value, true)),
  );
  return view.buffer;
}
