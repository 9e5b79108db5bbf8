// A session that was begun from the start place can be ended there too: pressed twice, then the page goes back.

import { $, setText, show } from "./dom.js";

const SURE_MS = 5000;
let sureUntilMs = 0;

/** complain(what, cure): called when the session goes on. */
export function setUpNewSession(complain) {
  $("new-session").addEventListener("click", () => press(complain));
}

export function showNewSession(on) {
  show($("new-session"), Boolean(on));
}

function ask() {
  setText($("new-session"), performance.now() < sureUntilMs ? "End this one?" : "New session");
}

async function press(complain) {
  if (performance.now() >= sureUntilMs) {
    sureUntilMs = performance.now() + SURE_MS;
    setTimeout(ask, SURE_MS + 50);
    return ask();
  }
  sureUntilMs = 0;
  ask();
  const told = await fetch("/start/new", { method: "POST" })
    .then((answer) => answer.json())
    .catch(() => ({ mistakes: [{ what: "the program does not answer", cure: "look whether it still runs on this computer" }] }));
  if (told.place) return goThere();
  const { what, cure } = told.mistakes[0];
  complain(what, cure);
}

function goThere() {
  fetch("/start", { redirect: "manual" })
    .then((answer) => (answer.ok ? location.replace("/start") : Promise.reject(new Error("not yet"))))
    .catch(() => setTimeout(goThere, 150));
}
