// A session that was begun from the start place can be ended there too: pressed twice, then the page goes back.

import { $, setText, show } from "./dom.js";

const SURE_MS = 5000;
let sureUntilMs = 0;

export function showAnew(on) {
  show($("anew"), Boolean(on));
}

function ask() {
  setText($("anew"), performance.now() < sureUntilMs ? "End this one?" : "New session");
}

async function press() {
  if (performance.now() >= sureUntilMs) {
    sureUntilMs = performance.now() + SURE_MS;
    setTimeout(ask, SURE_MS + 50);
    return ask();
  }
  sureUntilMs = 0;
  ask();
  const told = await fetch("/start/new", { method: "POST" })
    .then((answer) => answer.json())
    .catch(() => ({}));
  if (told.place) goThere();
}

function goThere() {
  fetch("/start", { redirect: "manual" })
    .then((answer) => (answer.ok ? location.replace("/start") : Promise.reject(new Error("not yet"))))
    .catch(() => setTimeout(goThere, 150));
}

$("anew").addEventListener("click", press);
