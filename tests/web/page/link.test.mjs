import assert from "node:assert/strict";
import { mock, test } from "node:test";

const sockets = [];
globalThis.location = { host: "here", pathname: "/", search: "" };
globalThis.WebSocket = class {
  static OPEN = 1;
  constructor() {
    this.readyState = 0;
    this.sent = [];
    sockets.push(this);
  }
  send(text) {
    this.sent.push(JSON.parse(text));
  }
  close() {
    this.readyState = 3;
  }
};
const { Link } = await import("../../../biofeedback/web/static/shared/link.js");

/** One empty update as the session sends it; the layout's own tests say where things lie. */
function update() {
  const view = new DataView(new ArrayBuffer(48));
  view.setUint8(0, 2);
  view.setUint8(3, 1);
  return view.buffer;
}

function open() {
  mock.timers.enable({ apis: ["setTimeout", "Date"], now: 1.7e12 }); // no day is 0: ages must be differences
  const heard = [];
  const nothing = () => {};
  const link = new Link({
    you: nothing,
    state: nothing,
    update: nothing,
    change: nothing,
    stranger: nothing,
    sentAway: nothing,
    reply: (reply) => heard.push(reply),
  });
  link.open();
  return { link, heard, accept: () => greet(link.socket) };
}

function greet(socket) {
  socket.readyState = 1;
  socket.onmessage({ data: JSON.stringify({ you: { role: "coach" } }) });
}

test("a command is told unanswered when the connection breaks before; an answered one and a ping are not", () => {
  const { link, heard, accept } = open();
  accept();
  link.socket.onmessage({ data: update() });
  link.send({ do: "zero" });
  link.socket.onmessage({ data: JSON.stringify({ reply: { id: 1, ok: true, data: null } }) });
  link.send({ do: "ping" });
  link.socket.onclose({ code: 1006 });
  assert.deepEqual(
    heard.map(({ ok }) => ok),
    [true],
  );
  mock.timers.tick(1000);
  accept();
  link.send({ do: "rate", value: 3 });
  link.socket.onclose({ code: 1006 });
  assert.deepEqual(
    heard.map(({ ok }) => ok),
    [true, false],
  );
  link.open();
  assert.equal(heard.length, 2);
  mock.timers.reset();
});

test("a connection that dies between its greeting and its first number is replaced", () => {
  const { link, accept } = open();
  const first = link.socket;
  accept();
  mock.timers.tick(1600);
  assert.notEqual(link.socket, first);
  accept();
  link.socket.onmessage({ data: update() });
  const second = link.socket;
  mock.timers.tick(60000);
  assert.equal(link.socket, second);
  mock.timers.reset();
});

test("a stop pressed while nothing can hear it is the first message after reconnecting, with its age, 100 of 100 times", () => {
  for (let k = 0; k < 100; k++) {
    const { link, heard, accept } = open();
    accept();
    link.socket.onmessage({ data: update() });
    link.socket.onclose({ code: 1006 });
    link.stop("stopped by hand");
    link.stop("stopped by key"); // pressed again in fright: the first press is the one that counts
    assert.equal(link.keepsStop, true);
    mock.timers.tick(1000 + 37 * k);
    link.socket.readyState = 1;
    link.socket.onopen();
    link.send({ do: "ping" });
    const [first] = link.socket.sent;
    assert.equal(first.do, "stop");
    assert.equal(first.reason, "stopped by hand");
    assert.ok(first.pressed_ago_s >= 1 && first.pressed_ago_s < 1.1 + 0.037 * k, String(first.pressed_ago_s));
    link.socket.onmessage({ data: JSON.stringify({ reply: { id: first.id, ok: true, data: null } }) });
    assert.equal(link.keepsStop, false);
    link.socket.onclose({ code: 1006 });
    mock.timers.tick(1000);
    link.socket.readyState = 1;
    link.socket.onopen();
    assert.deepEqual(link.socket.sent, []); // heard once is enough
    assert.deepEqual(
      heard.map(({ ok }) => ok),
      [true],
    );
    mock.timers.reset();
  }
});

test("a stop whose connection dies before the answer is sent again, and not told as unanswered", () => {
  const { link, heard, accept } = open();
  accept();
  link.socket.onmessage({ data: update() });
  link.stop("stopped by hand");
  assert.equal(link.socket.sent.at(-1).do, "stop");
  link.socket.onclose({ code: 1006 });
  assert.deepEqual(heard, []);
  mock.timers.tick(1000);
  link.socket.readyState = 1;
  link.socket.onopen();
  assert.equal(link.socket.sent[0].do, "stop");
  link.socket.onmessage({ data: JSON.stringify({ reply: { id: link.socket.sent[0].id, ok: false, what: "no", cure: "" } }) });
  assert.equal(link.keepsStop, false); // refused is heard as well
  mock.timers.reset();
});
