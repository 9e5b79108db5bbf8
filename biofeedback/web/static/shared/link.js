// The connection: opens, reopens by itself, and never keeps a number alive that is no longer news.

import { decodeUpdate } from "./layout.js";
import { Freshness, reconnectDelayMs } from "./freshness.js";

const SENT_AWAY = 1008; // policy violation, RFC 6455 section 7.4.1
const GIVE_UP_MS = 1500; // a connection that brings no number for so long at its beginning is replaced
const TRIES_BEFORE_TOLD = 4; // to connect for the first time: after some two seconds
const UNHEARD = {
  ok: false,
  what: "the connection broke before the session answered",
  cure: "Look whether it was done; if not, press again.",
};

/**
 * @typedef {object} LinkListener
 * @property {(you: any) => void} you
 * @property {(state: import("./types").State, revision: number) => void} state
 * @property {(update: import("./types").Update) => void} update
 * @property {(reply: any) => void} reply
 * @property {(shared: any) => void} [sharing]
 * @property {() => void} change the status of the link is another one
 * @property {() => void} stranger another version of the program answers
 * @property {() => void} sentAway
 */

export class Link {
  /**
   * @param {LinkListener} on
   * @param {string} seat "?seat=2", or "" for the first
   */
  constructor(on, seat = location.search) {
    this.on = on;
    this.seat = seat;
    this.freshness = new Freshness();
    this.socket = null;
    this.tries = 0;
    this.everOpen = false;
    this.timer = 0;
    this.number = 0;
    this.unanswered = new Set(); // numbers of commands
    /** @type {{reason: string, atMs: number, number: number | null} | null} a stop that the session has not answered yet */
    this.kept = null;
  }

  open() {
    clearTimeout(this.timer);
    this.drop();
    const socket = new WebSocket(`${location.protocol === "https:" ? "wss" : "ws"}://${location.host}/ws${this.seat}`);
    socket.binaryType = "arraybuffer";
    this.socket = socket;
    socket.onopen = () => {
      if (socket === this.socket) this.sendStop(); // before anything else is said
    };
    socket.onmessage = (event) => {
      if (socket === this.socket) this.hear(event.data);
    };
    socket.onclose = (event) => {
      if (socket !== this.socket) return;
      this.drop();
      if (event.code === SENT_AWAY) this.on.sentAway();
      else this.again();
    };
    this.timer = setTimeout(() => this.open(), GIVE_UP_MS);
  }

  again() {
    clearTimeout(this.timer);
    this.timer = setTimeout(() => this.open(), reconnectDelayMs(this.tries++));
    if (this.tries % 4 === 0) this.askWhetherWelcome();
    this.on.change();
  }

  /** Who does not belong here any more is led elsewhere by the server: to the codes, the start place, the recordings. */
  askWhetherWelcome() {
    fetch(location.pathname + location.search, { redirect: "manual" })
      .then((answer) => answer.type === "opaqueredirect" && this.on.sentAway())
      .catch(() => {}); // nobody is there yet
  }

  drop() {
    const socket = this.socket;
    this.socket = null;
    if (socket) socket.close();
    this.freshness.reset();
    if (this.unanswered.size) this.on.reply(UNHEARD);
    this.unanswered.clear();
  }

  hear(data) {
    clearTimeout(this.timer);
    this.tries = 0;
    this.everOpen = true;
    if (typeof data === "string") {
      if (!Number.isFinite(this.freshness.heardAtS)) this.timer = setTimeout(() => this.open(), GIVE_UP_MS);
      const message = JSON.parse(data);
      this.unanswered.delete(message.reply?.id);
      if (this.kept && message.reply?.id === this.kept.number) this.kept = null;
      if (message.you) this.on.you(message.you);
      if (message.state) this.on.state(message.state, message.revision);
      const sharing = message.reply?.data?.sharing;
      if (sharing) this.on.sharing?.(sharing);
      else if (message.reply && !this.freshness.answer(message.reply.id)) this.on.reply(message.reply);
      return;
    }
    const update = decodeUpdate(data);
    if (!update) {
      this.on.stranger(); // another version of the program is serving now
      return;
    }
    this.freshness.hear(performance.now() / 1000);
    this.on.update(update);
  }

  /** "connecting" | "absent" | "live" | "late" | "silent" */
  get status() {
    if (!this.everOpen) return this.tries < TRIES_BEFORE_TOLD ? "connecting" : "absent";
    if (!this.socket) return "silent";
    return this.freshness.at(performance.now() / 1000);
  }

  /** Call a few times a second, and when the page wakes: a silent connection is replaced, a slow one noticed. */
  watch() {
    if (this.socket?.readyState !== WebSocket.OPEN || !Number.isFinite(this.freshness.heardAtS)) return;
    if (this.status === "silent") {
      this.open();
      this.on.change();
    } else if (this.freshness.question === null) this.freshness.ask(this.send({ do: "ping" }), performance.now() / 1000);
  }

  /**
   * Stop wins over everything: it is kept, and sent again first thing after reconnecting, until the session answers it.
   * @param {string} reason
   */
  stop(reason) {
    this.kept ??= { reason, atMs: Date.now(), number: null };
    this.sendStop();
    this.on.change();
  }

  sendStop() {
    if (!this.kept) return;
    const { reason, atMs } = this.kept;
    this.kept.number = this.send({ do: "stop", reason, pressed_ago_s: Math.max(0, Date.now() - atMs) / 1000 });
  }

  /** Is there a stop that was pressed and not heard yet? */
  get keepsStop() {
    return this.kept !== null;
  }

  /** Returns the message's number, or null when it cannot be sent. */
  send(message) {
    if (this.socket?.readyState !== WebSocket.OPEN) return null;
    this.number += 1;
    this.socket.send(JSON.stringify({ ...message, id: this.number }));
    if (!["ping", "stop", "phone_data"].includes(message.do)) this.unanswered.add(this.number);
    return this.number;
  }
}
