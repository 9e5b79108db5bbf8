// The page of one session, for athlete, coach or both: wires the seat to the screen, to sound and to hands.

import { Asks } from "../shared/asks.js";
import { nextPush } from "../shared/care.js";
import { keepAwake } from "../shared/awake.js";
import { paint as paintCanvas, readColors } from "../shared/canvas.js";
import { isStopKey, isTyping } from "../shared/keys.js";
import { Complaint } from "../shared/complaint.js";
import { Devices } from "../shared/devices.js";
import { $, fill, setText, show } from "../shared/dom.js";
import { otherEfforts, scaleTop } from "../shared/gauge-view.js";
import { HIGHEST } from "../shared/pad.js";
import { AngleView } from "../phone/angle-view.js";
import { renderFelt } from "../phone/felt.js";
import { RangeView } from "../phone/range.js";
import { Slider } from "../phone/slider.js";
import { PadView } from "../shared/pad-view.js";
import { onceAFrame } from "../shared/redraw.js";
import { SeatView } from "../shared/seat-view.js";
import { Seat } from "../shared/seat.js";
import { showBanner } from "../shared/show-banner.js";
import { SoundBox, buzz } from "../shared/sound-box.js";
import { guideIndex, smallText } from "../shared/state.js";
import { stopReasons } from "../shared/stop-reasons.js";
import { drawStrip, stripStep } from "../shared/strip.js";
import { blindAt, elapsedS } from "../shared/target.js";
import { findBanner } from "./banner.js";
import { renderCoach, renderHeldBack, setUpCoach } from "./coach.js";
import { hearExercise } from "./exercise.js";
import { setUpNewSession, showNewSession } from "../shared/new-session.js";
import { hearPlan, setUpPlanner } from "./planner.js";
import { Panels, ZEROED_MS } from "./panels.js";
import { renderRest, renderStages } from "./stages.js";
import { drawTraces } from "./traces.js";
import { showTwoGauges } from "./two-gauges-view.js";
import { narrowed } from "./two-gauges.js";

const PLACES = /** @type {Record<string, string>} */ ({ "/athlete": "athlete", "/coach": "coach" });
const place = PLACES[location.pathname] ?? "both";
const number = Number(new URLSearchParams(location.search).get("seat") ?? 1);
const complaint = new Complaint();
const sound = new SoundBox();
const queueDraw = onceAFrame(redraw);
const seat = new Seat(
  number,
  { you: onYou, state: onState, change: queueDraw, complain, data: onData, sharing: onSharing, stranger: onStranger },
  location.search,
);
const view = new SeatView(seat, document.body);
const angle = new AngleView(seat, place);
const slider = place === "coach" ? null : new Slider(angle.sensor);
const range = new RangeView(
  (message) => seat.send(message),
  () => angle.degrees,
);
/** @type {import("../shared/types").Send} */
const send = (message) => seat.send(message);
const asks = new Asks();
const panels = new Panels();
const settling = new PadView($("settling-keys"), $("settling-given"), (answer) => send({ do: "rate", ...answer }));
const devices = place === "coach" ? new Devices($("devices"), (_, message) => send(message)) : null;
/** @type {import("../shared/types").Colors} */
let colors = readColors();
let mayRenew = false;

// --- from the session

function onYou({ role, shared, review, seats, renew, device }) {
  asks.device = device ?? NaN; // an athlete's page asks and answers nothing
  mayRenew = Boolean(renew);
  show($("review"), review);
  if (role === "athlete" && place !== "athlete") location.replace("/athlete");
  show($("group"), Boolean(seats) && role === "coach");
  show($("sharing"), shared && place === "coach");
}

function onState() {
  const { state } = seat;
  if (!state) return;
  const isRead = state.stage !== "cautions"; // by somebody; this page still needs its press
  show($("accept-cautions"), place !== "athlete" && !isRead);
  show($("read-them"), place === "athlete" || isRead);
  renderStages(state, panels.choose(state, performance.now()), send);
  if (panels.isZeroed(performance.now())) setTimeout(onState, ZEROED_MS);
  settling.render(state);
  view.render();
  renderFelt(state);
  angle.render();
  range.render(state);
  slider?.render(state);
  renderSaid(state);
  fill($("why"), [state.stopped, seat.pressedStop], () => stopReasons(state, seat.pressedStop, send));
  showNewSession(mayRenew && place !== "athlete" && !seat.isRunning);
  if (place === "coach") renderCoach(state, send);
  renderDevices();
  keepAwake(seat.isRunning || (state.stage === "maximum" && state.maximum.step === "rest"));
}

/** What a simulated athlete answers; it keeps its place, so that nothing moves when the question comes. */
function renderSaid({ simulated, ask }) {
  const said = ask?.said ?? null;
  show($("said"), simulated);
  setText($("said"), said === null ? "" : `Says ${said}`);
}

function onData(data) {
  complaint.clear();
  if (!hearPlan(data)) hearExercise(data);
}

function complain(what, cure) {
  complaint.say(what, cure);
  queueDraw();
}

function onSharing(shared) {
  asks.tell(shared);
  queueDraw();
  devices?.tell(shared);
  renderDevices();
}

function renderDevices() {
  if (seat.state) devices?.render([{ seat: number, athlete: seat.code }]);
}

function onStranger() {
  if (Number(sessionStorage.getItem("reloaded")) > Date.now() - 10000) return;
  sessionStorage.setItem("reloaded", String(Date.now()));
  location.reload();
}

// --- drawing

function redraw() {
  const { state } = seat;
  const look = seat.look();
  const mayAct = place !== "athlete";
  const asked = mayAct && !seat.isRunning && look.problem?.kind !== "link" && !complaint.current ? asks.banner : null;
  showBanner(asked ?? findBanner(look.problem, state, complaint.current, mayAct), send);
  if (!state) return;
  angle.draw();
  renderRest(state, seat.update);
  if (["plan", "maximum"].includes(state.stage)) drawLive(state, look);
  if (place === "coach") renderHeldBack(state, seat.update);
  if (place === "coach") drawTraces(seat, colors, look.problem?.kind !== "link", paint);
  seat.listen(look);
  play(seat.takeCue());
}

function drawLive(state, look) {
  const name = showTwoGauges(state, seat.update, look, colors);
  view.draw(name ? { ...look, view: narrowed(look.view) } : look, colors, name);
  setText($("more"), look.told.more);
  setText($("strip-name"), name ? `${name}, last 30 s` : "last 30 s");
  setText($("others"), otherEfforts(state, seat.update, look.view).join("  "));
  const share = look.live ? look.view.inBandShare : NaN;
  const inBand = Number.isFinite(share) ? `in the band ${Math.round(100 * share)} % of the time` : "";
  setText($("share"), (place === "athlete" && smallText(state, seat.update)) || inBand); // elsewhere the headline has it
  setText($("stop-hint"), seat.link.keepsStop ? "kept, sent first" : "Space or Esc");
  const ring = seat.effortRings[guideIndex(state)];
  if (!ring) return;
  const shown = {
    ring,
    levelRateHz: seat.levelRateHz,
    endS: seat.update?.timeS ?? 0,
    top: scaleTop(state),
    spans: seat.spans,
    ratings: state.ratings,
    blindS: blindSince(),
  };
  const key = (widthPx) => [stripStep(shown.endS, widthPx), state.ratings, seat.spans.length];
  paint($("strip"), (ctx, w, h) => drawStrip(ctx, w, h, shown, colors), key);
}

/** Session time since which the effort is hidden; NaN: it is not. */
function blindSince() {
  const { state, update } = seat;
  const stretch = state?.blind ? blindAt(state.phase, elapsedS(state, update)) : null;
  return stretch ? (state?.phase?.since_s ?? NaN) + stretch[0] : NaN;
}

function paint(canvas, drawing, key) {
  paintCanvas(canvas, drawing, key, colors);
}

// --- sound

function play(cue) {
  if (!cue) return;
  sound.play(cue, seat.state);
  if (cue === "ask" || cue === "effort") buzz(60);
  else if (cue.startsWith("alarm")) buzz([200, 100, 200]);
  else if (["contract", "passive", "rest", "stopped", "done"].includes(cue)) buzz([40, 60, 40]);
}

// --- hands

function onKey(event) {
  if (event.ctrlKey || event.metaKey || event.altKey) return;
  if (isStopKey(event) && seat.isRunning) {
    event.preventDefault();
    if (!event.repeat) seat.stop("stopped by key");
    return;
  }
  if (isTyping(event) || !$("keys").checked) return;
  if (event.key.toLowerCase() === "m") sound.toggle();
  else if (seat.state?.stage === "plan") view.pad.type(event, $("pedals").value);
  else if (seat.state?.stage === "ready") settling.typeDigit(event);
}

function setUpHands() {
  const press = (id, message) => $(id).addEventListener("click", () => send(message));
  press("accept-cautions", { do: "accept_cautions" });
  press("zero", { do: "zero" });
  for (const button of document.querySelectorAll("[data-play]")) button.addEventListener("click", onPlay);
  $("attempt").addEventListener("click", () => seat.state && send(nextPush(seat.state.maximum).message));
  press("accept-maximum", { do: "accept_maximum" });
  press("again", { do: "resume" });
  const step = (by) => () => send({ do: "limit", value: Math.min(HIGHEST, Math.max(1, (seat.state?.limit ?? 8) + by)) });
  $("limit-down").addEventListener("click", step(-1));
  $("limit-up").addEventListener("click", step(1));
  document.addEventListener("keydown", onKey);
}

/** The press before the first hold: this page may be heard, and shows what comes next. */
function onPlay() {
  panels.hasPressed = true;
  onState();
}

// --- colours and life

function recolor() {
  colors = readColors();
  queueDraw();
}

document.body.dataset.place = place;
matchMedia("(prefers-color-scheme: dark)").addEventListener("change", recolor);
window.addEventListener("resize", queueDraw);
document.addEventListener("visibilitychange", () => {
  if (!document.hidden) seat.link.watch();
  queueDraw();
});
// browsers give the screen lock to https and to this machine only
for (const words of document.querySelectorAll("[data-dark]")) show(words, !navigator.wakeLock);
view.pad.half.id = "half";
view.pad.none.id = "no-answer";
setUpHands();
setUpNewSession(complain);
if (place === "coach") setUpCoach(send);
if (place !== "athlete") setUpPlanner(send);
setInterval(renderDevices, 10000); // codes grow old
for (const kind of ["pointerdown", "keydown"]) document.addEventListener(kind, () => seat.act(), { capture: true });
setInterval(() => {
  seat.link.watch();
  sound.tell();
  queueDraw();
}, 200);
seat.link.open();
document.documentElement.dataset.arrived = "yes";
