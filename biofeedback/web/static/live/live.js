// Wiring: link -> state and updates -> one queued redraw -> pixels; buttons and keys -> commands.

import { nextPush } from "./care.js";
import { setUpNewSession, showNewSession } from "./new-session.js";
import { keepAwake } from "../shared/awake.js";
import { paint as paintCanvas, readColors } from "../shared/canvas.js";
import { renderCoach, setUpCoach } from "./coach.js";
import { Devices } from "../shared/devices.js";
import { $, fill, make, setData, setText, show } from "../shared/dom.js";
import { hearExercise } from "./exercise.js";
import { Link } from "../shared/link.js";
import { HIGHEST } from "../shared/pad.js";
import { PadView } from "../shared/pad-view.js";
import { narrowed } from "./two-gauges.js";
import { showTwoGauges } from "./two-gauges-view.js";
import { hearPlan, setUpPlanner } from "./planner.js";
import { showReading } from "../shared/reading.js";
import { Player, chooseCue } from "../shared/sound.js";
import { setUpSound } from "../shared/sound-box.js";
import { renderStages } from "./stages.js";
import { capital, followPush, formView, guideIndex, instruction, isRunning, otherEfforts, phaseSpan, scaleTop, trouble } from "../shared/state.js";
import { Ring, STRIP_S, drawStrip } from "../shared/strip.js";
import { drawTraces } from "./traces.js";

const COMPLAINT_MS = 8000;
const page = { state: null, revision: -1, update: null, colors: null, spans: [], complaint: null, cueMemory: { cue: null, atS: -Infinity, second: null, phase: null }, lastAsk: null, push: null };
const place = { "/athlete": "athlete", "/coach": "coach" }[location.pathname] ?? "both";
const effortRings = []; // by channel, in % of maximum
const levelRings = []; // by channel, in its own unit
const pad = new PadView($("pad-keys"), $("given"), rate);
const parts = { form: $("form"), line: $("number-line"), number: $("number"), unit: $("unit"), word: $("word"), belly: $("belly"), time: $("time"), timeUnit: $("time-unit"), next: $("next") };
const player = new Player();
const seat = Number(new URLSearchParams(location.search).get("seat") ?? 1);
const devices = place === "coach" ? new Devices($("devices"), (_, message) => send(message)) : null;
const link = new Link({ you: onYou, state: onState, update: onUpdate, reply: onReply, sharing: onSharing, change: queueDraw, stranger: onStranger, sentAway: () => location.reload() });

// --- from the session

function onYou({ role, shared, review, seats, renew }) {
  page.renew = Boolean(renew);
  show($("review"), review);
  if (role === "athlete" && place !== "athlete") location.replace("/athlete");
  show($("group"), Boolean(seats) && role === "coach");
  show($("sharing"), shared && place === "coach");
}

function onState(state, revision) {
  page.state = state;
  page.revision = revision;
  renderStages(state, send);
  renderPad(state);
  showNewSession(page.renew && place !== "athlete" && !isRunning(state));
  if (place === "coach") renderCoach(state, send);
  renderDevices();
  keepAwake(isRunning(state));
  queueDraw();
}

function onUpdate(update) {
  const guide = guideIndex(page.state);
  if (page.update && update.level < page.update.level) forget(update.firstLevel);
  for (let k = 0; k < update.channels; k++) {
    for (const [rings, values] of [[effortRings, update.strip], [levelRings, update.levels]]) {
      rings[k] ??= new Ring((STRIP_S + 1) * 1000);
      rings[k].push(update.firstLevel, update.rows, update.channels, values, k);
    }
  }
  page.update = update;
  if (levelRings[guide]) page.push = followPush(page.push, page.state, levelRings[guide], levelRate());
  if (update.revision === page.revision) noteSpan(phaseSpan(page.state, update));
  queueDraw();
}

/** Another session has begun in this one's place. */
function forget(firstLevel) {
  for (const old of [...effortRings, ...levelRings]) old.clear(firstLevel);
  page.spans = [];
}

function levelRate() {
  return page.state?.level_rate_hz ?? 100;
}

/** Remember where phases lay, for the strip: a new one ends whatever ran before. */
function noteSpan(span) {
  const last = page.spans.at(-1);
  if (!span || (last && last.index === span.index && Math.abs(last.fromS - span.fromS) < 0.5)) return;
  if (last && last.toS > span.fromS) last.toS = span.fromS;
  page.spans = [...page.spans.slice(-20), span];
}

function onReply(reply) {
  if (reply.ok && reply.data && !hearPlan(reply.data)) hearExercise(reply.data);
  if (!reply.ok) return complain(reply.what, reply.cure);
  page.complaint = null;
  queueDraw();
}

function complain(what, cure) {
  page.complaint = { what, cure, untilMs: performance.now() + COMPLAINT_MS };
  queueDraw();
}

function onSharing(shared) {
  devices?.tell(shared);
  renderDevices();
}

function renderDevices() {
  if (page.state) devices?.render([{ seat, athlete: page.state.athlete }]);
}

function onStranger() {
  if (Number(sessionStorage.getItem("reloaded")) > Date.now() - 10000) return;
  sessionStorage.setItem("reloaded", String(Date.now()));
  location.reload();
}

function send(message) {
  if (link.send(message) === null) {
    complain("not sent: this page is disconnected", "It reconnects by itself; then try again.");
    return false;
  }
  return true;
}

// --- drawing: once per frame at most, and only what changed

let queued = false;
function queueDraw() {
  if (queued) return;
  queued = true;
  requestAnimationFrame(() => {
    queued = false;
    redraw();
  });
}

function redraw() {
  const { state, update } = page;
  const problem = trouble(state, update, link.status);
  renderBanner(problem);
  if (!state) return;
  const live = problem === null || problem.kind === "other";
  const view = formView(state, update, problem, page.push);
  if (["plan", "maximum"].includes(state.stage)) renderForm(state, update, view, live, problem);
  if (place === "coach") drawTraces({ levelRings, effortRings }, state, update, levelRate(), page.colors, problem?.kind !== "link", paint);
  cue(state, view, live);
}

function renderForm(state, update, view, live, problem) {
  const told = instruction(state, problem);
  setText($("now"), told.now);
  setText($("more"), told.more);
  const name = showTwoGauges(state, update, problem, live, page.colors);
  showReading(parts, state, update, name ? narrowed(view) : view, live, page.colors, name);
  setText($("strip-name"), name ? `${name}, last 30 s` : "last 30 s");
  setText($("others"), otherEfforts(state, update, view).join("  "));
  setText($("share"), live && Number.isFinite(view.inBandShare) ? `in the band ${Math.round(100 * view.inBandShare)} % of the time` : "");
  const running = isRunning(state);
  $("stop").disabled = !running;
  setText($("stop-hint"), $("keys").checked ? "Space or Esc" : "Esc");
  const ring = effortRings[guideIndex(state)];
  if (ring) paint($("strip"), (ctx, w, h) => drawStrip(ctx, w, h, { ring, levelRateHz: levelRate(), endS: update?.timeS ?? 0, top: scaleTop(state), spans: page.spans, ratings: state.ratings }, page.colors), [update?.level, state.ratings, page.spans.length]);
}

function paint(canvas, drawing, key) {
  paintCanvas(canvas, drawing, key, page.colors);
}

function renderBanner(problem) {
  const { state } = page;
  if (page.complaint && performance.now() > page.complaint.untilMs) page.complaint = null;
  const shown = findBanner(problem, state, page.complaint);
  show($("banner"), Boolean(shown));
  fill($("banner-actions"), shown?.actions ?? [], (actions) => actions.map(({ title, command }) => make("button", { type: "button", onclick: () => send(command) }, title)));
  if (!shown) return;
  setData($("banner"), "level", shown.level === "info" ? "info" : "error");
  setText($("banner-what"), shown.what);
  setText($("banner-cure"), sentence(shown.cure));
}

/** The one thing worth saying: {level, what, cure, actions} or null. */
function findBanner(problem, state, complaint) {
  const message = state?.message ? { ...state.message, what: sentence(state.message.text) } : null;
  const refused = complaint && { level: "error", what: sentence(complaint.what), cure: complaint.cure };
  if (message?.actions && place !== "athlete" && problem?.kind !== "link") return refused ?? message; // it waits for an answer, whatever else there is
  if (problem) return { level: "error", what: problem.channel ? `${capital(problem.channel)}: ${problem.what}.` : `${problem.what}.`, cure: problem.cure };
  const unsafe = state?.recording?.problem;
  if (unsafe) return { level: "error", what: sentence(`Recording: ${unsafe.what ?? unsafe}`), cure: unsafe.cure };
  if (refused) return refused;
  const offset = state?.position_offset;
  if (["drifted", "lost"].includes(offset?.state)) return { level: "error", what: `Position ${offset.state} in part ${offset.phase_index + 1}.`, cure: offset.reason };
  return message;
}

function sentence(text) {
  return text ? capital(text) + (/[.!?]$/.test(text) ? "" : ".") : "";
}

// --- rating

function rate(answer) {
  send({ do: "rate", ...answer });
}

function renderPad(state) {
  const { ask } = state;
  setData($("pad"), "open", ask ? "yes" : "no");
  setText($("ask"), ask ? ask.text : "Discomfort 0–10");
  const said = ask && ask.said !== null && ask.said !== undefined ? ask.said : null;
  show($("said"), state.simulated); // keeps its place: nothing moves when the question comes
  setText($("said"), said === null ? "" : `Simulated athlete: ${said}`);
  pad.render(state);
  if (ask && ask.id !== page.lastAsk) {
    player.play("ask");
    buzz(60);
  }
  page.lastAsk = ask ? ask.id : null;
}

// --- sound

function cue(state, view, live) {
  const running = isRunning(state);
  const phase = state.stage === "plan" ? state.phase?.index : state.maximum.step + state.maximum.number;
  const [name, memory] = chooseCue(page.cueMemory, { bandState: view.bandState, live, running, phase, remainingS: page.update?.remainingS ?? NaN, nowS: performance.now() / 1000 });
  page.cueMemory = memory;
  if (!name) return;
  player.play(name);
  if (name === "change") buzz([40, 60, 40]);
}

function buzz(pattern) {
  if (navigator.userActivation?.hasBeenActive) navigator.vibrate?.(pattern);
}

// --- hands

function stop(how) {
  if (isRunning(page.state)) send({ do: "stop", reason: how });
}

function onKey(event) {
  if (event.ctrlKey || event.metaKey || event.altKey) return;
  const typing = /^(INPUT|TEXTAREA|SELECT)$/.test(event.target.tagName ?? "") && event.target.type !== "checkbox";
  const running = isRunning(page.state);
  if (event.key === "Escape" && running) {
    event.preventDefault();
    stop("stopped by key");
    return;
  }
  if (typing || !$("keys").checked) return;
  if (event.key === " " && running) {
    event.preventDefault();
    if (!event.repeat) stop("stopped by key");
  } else if (event.key.toLowerCase() === "m") mute(!player.muted);
  else if (page.state?.stage === "plan") pad.type(event);
}

function setUpHands() {
  $("accept-cautions").addEventListener("click", () => send({ do: "accept_cautions" }));
  $("zero").addEventListener("click", () => send({ do: "zero" }));
  $("attempt").addEventListener("click", () => send(nextPush(page.state.maximum).message));
  $("accept-maximum").addEventListener("click", () => send({ do: "accept_maximum" }));
  $("again").addEventListener("click", () => send({ do: "resume" }));
  for (const button of $("position-ask").querySelectorAll("button"))
    button.addEventListener("click", () => send({ do: "position", answer: button.dataset.answer, phase_index: page.state.ask_position.phase_index }));
  $("stop").addEventListener("click", () => stop("stopped by hand"));
  const step = (by) => () => send({ do: "limit", value: Math.min(HIGHEST, Math.max(1, (page.state?.limit ?? 8) + by)) });
  $("limit-down").addEventListener("click", step(-1));
  $("limit-up").addEventListener("click", step(1));
  document.addEventListener("keydown", onKey);
}

// --- colours and life

function recolor() {
  page.colors = readColors();
  queueDraw();
}

document.body.dataset.place = place;
recolor();
matchMedia("(prefers-color-scheme: dark)").addEventListener("change", recolor);
window.addEventListener("resize", queueDraw);
document.addEventListener("visibilitychange", () => {
  if (!document.hidden) link.watch();
  queueDraw();
});
for (const words of document.querySelectorAll("[data-dark]")) show(words, !navigator.wakeLock); // browsers give it to https and this machine only
pad.half.id = "half";
pad.none.id = "no-answer";
const mute = setUpSound(player);
setUpHands();
setUpNewSession(complain);
if (place === "coach") setUpCoach(send);
if (place !== "athlete") setUpPlanner(send);
setInterval(renderDevices, 10000); // codes grow old
setInterval(() => {
  link.watch();
  queueDraw();
}, 200);
link.open();
