// The group's page, open, with two athletes, each with a connection of their own.

import { openPage, updateBytes } from "./page-stand-in.mjs";
import { session } from "./sessions.mjs";

export const YOU = { role: "coach", shared: true, seats: 2, renew: true, device: 0 };
let revision = 0;

/** Two athletes, each with a connection of their own; tell(seat, state) is what one hears. */
export async function openGroup(states = [session(), session({ athlete: "A02" })], { you = YOU, ...more } = {}) {
  const group = await openPage("group", { path: "/group", ...more });
  const last = {};
  const to = (seat, data) => {
    const socket = group.sockets[seat - 1];
    socket.readyState = 1;
    socket.onmessage({ data: data instanceof ArrayBuffer ? data : JSON.stringify(data) });
    group.pass(20);
  };
  Object.assign(group, {
    to,
    tell: (seat, state) => to(seat, { state, revision: ++revision }),
    update: (seat, now = {}) => to(seat, updateBytes({ revision, ...(last[seat] = now) })),
    wait: (ms) => wait(group, last, ms),
    card: (seat) => group.$("seats").children[seat - 1],
    part: (seat, name) => group.card(seat).querySelector(`[data-part=${name}]`),
    told: (seat) => {
      const all = group.sockets[seat - 1].sent;
      group.sockets[seat - 1].sent = all.filter((message) => message.do === "ping");
      return all.filter((message) => message.do !== "ping").map(({ id, ...rest }) => (id > 0 ? rest : null));
    },
    shows: (id) => !group.$(id).hidden,
    text: (id) => group.$(id).seen,
  });
  to(1, { you });
  states.forEach((state, k) => {
    to(k + 1, { you });
    group.tell(k + 1, state);
    group.update(k + 1);
  });
  return group;
}

/** Let time pass with sessions that go on answering and sending the same numbers. */
function wait(group, last, ms) {
  for (let leftMs = ms; leftMs > 0; leftMs -= 100) {
    for (const seat of Object.keys(last)) {
      const { sent } = group.sockets[seat - 1];
      for (const { do: what, id } of sent) if (what === "ping") group.to(seat, { reply: { id, ok: true, data: null } });
      group.sockets[seat - 1].sent = sent.filter((message) => message.do !== "ping");
      group.update(seat, last[seat]);
    }
    group.pass(60);
  }
}

export async function openPressed(...states) {
  const group = await openGroup(states.length ? states : undefined);
  group.press("read-them");
  group.pass(20);
  return group;
}
