// Several athletes on one screen: a seat each with its own connection; what is for all goes to each that it fits.

import { Asks } from "../shared/asks.js";
import { keepAwake } from "../shared/awake.js";
import { readColors } from "../shared/canvas.js";
import { Complaint } from "../shared/complaint.js";
import { Devices, countText } from "../shared/devices.js";
import { $, fill, make, setText, show } from "../shared/dom.js";
import { isStopKey, isTyping } from "../shared/keys.js";
import { onceAFrame } from "../shared/redraw.js";
import { SoundBox } from "../shared/sound-box.js";
import { isRunning, waitsForPress } from "../shared/state.js";
import { setUpNewSession, showNewSession } from "../shared/new-session.js";
import { capital } from "../shared/words.js";
import { showBanner } from "../shared/show-banner.js";
import { SeatCard } from "./card.js";

const NOBODY = "0";
/** @type {{cards: SeatCard[], colors: any, whose: string, hasPressed: boolean}} */
const group = { cards: [], colors: null, hasPressed: false, whose: sessionStorage.getItem("whose") ?? NOBODY };
const complaint = new Complaint();
let mayRenew = false;
const asks = new Asks();
const sound = new SoundBox();
const queueDraw = onceAFrame(redraw);
const devices = new Devices($("devices"), (seat, message) => group.cards[seat - 1].send(message));

function addCard(number) {
  const card = new SeatCard(number, $("seat"), {
    you: onYou,
    change: queueDraw,
    state: onState,
    sharing: onSharing,
    complain,
    plan: () => $("plan").value,
  });
  group.cards.push(card);
  $("seats").append(card.element);
  card.seat.link.open();
}

function onYou({ role, seats, shared, device, renew }) {
  mayRenew = Boolean(renew);
  asks.device = device ?? NaN; // an athlete's page asks and answers nothing
  if (role !== "coach") return location.replace("/athlete");
  if (!seats) return location.replace("/");
  show($("phones"), shared);
  while (group.cards.length < seats) addCard(group.cards.length + 1);
}

function states() {
  return group.cards.flatMap((card) => (card.seat.state ? [card.seat.state] : []));
}

/** Cards whose session is in this stage and can be reached. */
function waiting(stage) {
  return group.cards.filter((card) => card.seat.state?.stage === stage && card.seat.link.status === "live");
}

const settingOf = (state) => [state.exercise, state.side, state.position].filter(Boolean).join(", ");

function onState() {
  const known = states();
  show(
    $("simulated"),
    known.some((state) => state.simulated),
  );
  setText($("simulated"), known.some((state) => state.fast) ? "Simulated, shortened" : "Simulated");
  const settings = new Set(known.map(settingOf));
  setText($("setting"), settings.size === 1 ? [...settings][0] : "");
  for (const card of group.cards) card.tellSetting(settings.size > 1 && card.seat.state ? settingOf(card.seat.state) : "");
  const mustPress = waitsForAPress(known);
  show($("before"), mustPress || known.some((state) => state.stage === "cautions"));
  show($("read-them"), !group.hasPressed);
  show($("seats"), !mustPress);
  fill($("cautions"), known[0].cautions, (texts) => texts.map((text) => make("li", {}, text)));
  fill($("plan"), known[0].plans, (plans) => plans.map((plan) => make("option", { value: plan.name }, plan.title)));
  fill(
    $("whose"),
    group.cards.map((card) => card.code),
    whoseRadios,
  );
  keepAwake(known.some(isRunning));
  renderDevices();
  queueDraw();
}

/** Without a press this page is silent: asked for before the first hold, and never during one. */
function waitsForAPress(known) {
  return !group.hasPressed && !known.some(isRunning) && known.some(waitsForPress);
}

function onPress() {
  group.hasPressed = true;
  onState();
}

// --- phones

function onSharing(shared) {
  asks.tell(shared);
  queueDraw();
  devices.tell(shared);
  renderDevices();
}

function renderDevices() {
  devices.render(group.cards.map((card) => ({ seat: card.number, athlete: card.code })));
  if (devices.shared) setText($("phones-joined"), countText(devices.shared.devices, group.cards));
  for (const card of group.cards) card.showPhones(devices.devicesOf(card.number));
}

// --- sound: one athlete's, or nobody's

function whoseRadios(codes) {
  const radio = (value, name) =>
    make(
      "label",
      { class: "check" },
      make("input", { type: "radio", name: "whose", value, checked: group.whose === value, onchange: () => choose(value) }),
      name,
    );
  return [
    make("p", {}, "Whose sound this screen plays"),
    radio(NOBODY, "Nobody’s"),
    ...codes.map((code, k) => radio(String(k + 1), code)),
  ];
}

function choose(value) {
  group.whose = value;
  sessionStorage.setItem("whose", value);
  sound.play("contract", null);
  queueDraw();
}

function playChosen() {
  const chosen = group.cards.find((card) => String(card.number) === group.whose);
  setText($("sound-whose"), chosen ? chosen.code : "");
  for (const card of group.cards) {
    card.parts.name.toggleAttribute("data-heard", card === chosen && sound.mode !== "off");
    const cue = card.seat.takeCue(); // asked of everybody, so that a newly chosen one starts with what is now
    if (cue && card === chosen) sound.play(cue, card.seat.state);
  }
}

function complain(what, cure) {
  complaint.say(what, cure);
  queueDraw();
}

function stopAll() {
  const running = group.cards.filter((card) => isRunning(card.seat.state));
  for (const card of running) card.seat.stop("stopped together");
  const missed = running.filter((card) => card.seat.link.status === "silent").map((card) => card.code);
  if (missed.length)
    complain(`Stop has not reached ${missed.join(", ")} yet`, "It is sent first when they reconnect. Call out to let go now.");
}

// --- drawing: once per frame at most

function redraw() {
  for (const card of group.cards) card.draw(group.colors);
  playChosen();
  renderTogether();
}

function renderTogether() {
  const mayPress = !waitsForAPress(states());
  const ready = mayPress ? waiting("ready").length : 0;
  $("zero-all").disabled = !mayPress || waiting("zero").length === 0;
  $("start-all").disabled = ready === 0;
  setText($("start-all"), ready && ready < group.cards.length ? `Start ${ready} of ${group.cards.length}` : "Start all");
  $("stop-all").disabled = !states().some(isRunning);
  showNewSession(mayRenew && !states().some(isRunning));
  const said = complaint.current && { level: "error", what: `${capital(complaint.current.what)}.`, cure: complaint.current.cure };
  showBanner(said ?? (states().some(isRunning) ? null : asks.banner), (message) => group.cards[0].send(message));
}

// --- hands

function onKey(event) {
  if (event.ctrlKey || event.metaKey || event.altKey) return;
  if (isStopKey(event) && states().some(isRunning)) {
    event.preventDefault();
    if (!event.repeat) stopAll();
    return;
  }
  if (isTyping(event) || !$("keys").checked) return;
  if (event.key.toLowerCase() === "m") return sound.toggle();
  const card = group.cards.find((each) => each.element.contains(event.target));
  if (card?.seat.state?.stage === "plan" && (event.key !== "Enter" || card.view.pad.isWaiting))
    card.view.pad.type(event, $("pedals").value);
}

function recolor() {
  group.colors = readColors();
  queueDraw();
}

recolor();
matchMedia("(prefers-color-scheme: dark)").addEventListener("change", recolor);
window.addEventListener("resize", queueDraw);
$("read-them").addEventListener("click", onPress);
$("seats").addEventListener("click", (event) => {
  if (!group.hasPressed && event.target.closest(".task button")) onPress();
});
document.addEventListener("keydown", onKey);
document.addEventListener("visibilitychange", () => {
  if (!document.hidden) for (const card of group.cards) card.seat.link.watch();
  queueDraw();
});
$("zero-all").addEventListener("click", () => waiting("zero").forEach((card) => card.send({ do: "zero" })));
$("start-all").addEventListener("click", () =>
  waiting("ready").forEach((card) => card.send({ do: "start_plan", plan: $("plan").value })),
);
$("stop-all").addEventListener("click", stopAll);
for (const kind of ["pointerdown", "keydown"])
  document.addEventListener(kind, () => group.cards.forEach((card) => card.seat.act()), { capture: true });
setInterval(() => {
  sound.tell();
  for (const card of group.cards) card.seat.link.watch();
  queueDraw();
}, 200);
setUpNewSession(complain);
setInterval(renderDevices, 10000); // codes grow old
addCard(1);
document.documentElement.dataset.arrived = "yes";
