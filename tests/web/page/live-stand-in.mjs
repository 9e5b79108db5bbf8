// The page of a session, open and connected, for the tests that lead it through the job without a browser.

import { openPage, updateBytes } from "./page-stand-in.mjs";
import { session } from "./sessions.mjs";

export const COACH = { role: "coach", shared: true, review: true, seats: null, renew: true, device: 0 };
let revision = 0;

/** Open the page in a session of this state; tell(state) and update(numbers) are what it hears next. */
export async function openLive(state = session(), { path = "/coach", you = COACH, ...more } = {}) {
  const live = await openPage("live", { path, ...more });
  live.tell = (now) => live.hear({ state: now, revision: ++revision });
  live.update = (now) => live.hear(updateBytes({ revision, ...(live.last = now) }));
  live.wait = (ms) => wait(live, ms);
  live.shows = (id) => !live.$(id).hidden;
  live.text = (id) => live.$(id).seen;
  live.hear({ you });
  live.tell(state);
  live.update({ percent: state.channels.map(() => 0) });
  live.sent();
  return live;
}

/** Let time pass with a session that goes on answering and sending the same numbers. */
function wait(live, ms) {
  for (let leftMs = ms; leftMs > 0; leftMs -= 100) {
    for (const { do: what, id } of live.socket.sent) if (what === "ping") live.hear({ reply: { id, ok: true, data: null } });
    live.socket.sent = live.socket.sent.filter((message) => message.do !== "ping");
    live.update(live.last);
    live.pass(Math.min(80, leftMs)); // hearing took a frame
  }
}

/** The same, past the press before the first hold. */
export async function openPressed(state, more = {}) {
  const live = await openLive(state, more);
  live.press(live.page.querySelectorAll("[data-play]")[1]);
  live.wait(300);
  live.sent();
  return live;
}
