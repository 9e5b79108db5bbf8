// A file of another program: choose it, see what was understood, put that right, mark it, make it a recording.

import { $, fill, make, setText, show } from "../shared/dom.js";
import { confine, momentText, move, zoom } from "../review/trace-view.js";
import { KINDS, add, readNumber, span, textOf } from "./stretches.js";
import { columnRow } from "./columns.js";
import { drawBrought } from "./trace.js";

const CARRY_TIMES = /\.(edf|bdf|xdf|c3d)$/i; // formats that say their rates themselves
const NOTHING = { id: "", said: {}, told: null, stretches: [], view: null, drawn: null, marked: null };
/** @type {any} */
const now = { ...NOTHING, wanted: false, busy: false, asked: 0 };

async function answered(request) {
  const answer = await request.catch(() =>
    Promise.reject(new Error("The program does not answer. Start it again, then reload the page.")),
  );
  if (!answer.ok) throw new Error(await answer.text());
  return answer.json();
}
const order = (path, body = {}) =>
  answered(fetch(`/review/bring/${path}`, { method: "POST", body: JSON.stringify({ id: now.id, ...now.said, ...body }) }));

// --- the file

async function upload(file, role) {
  const query = new URLSearchParams({ name: file.name, as: role, ...(now.id ? { id: now.id } : {}) });
  now.id = (await answered(fetch(`/review/bring/file?${query}`, { method: "POST", body: file }))).id;
}

async function bringTable() {
  const files = [...$("table").files];
  const main = files.find((file) => !file.name.endsWith(".json")) ?? files[0];
  if (!main) return;
  Object.assign(now, NOTHING);
  show($("made"), false);
  $("events").value = "";
  for (const id of ["time-unit", "rate", "decimal", "maximum"]) $(id).value = "";
  setText($("file-name"), main.name);
  setText($("status"), "Reading the file …");
  try {
    await upload(main, "table");
    for (const file of files.filter((each) => each !== main)) await upload(file, "beside");
    await look();
  } catch (error) {
    setText($("status"), error.message);
    for (const id of ["understood", "look", "about"]) show($(id), false);
  }
}

async function bringEvents() {
  const [file] = $("events").files;
  if (!file || !now.id) return setText($("status"), "Choose the file itself first.");
  try {
    await upload(file, "events");
    await look();
  } catch (error) {
    setText($("status"), error.message);
  }
}

// --- what was understood

async function look() {
  const asked = ++now.asked;
  $("understood").setAttribute("aria-busy", "true");
  try {
    const told = await order("look");
    if (asked !== now.asked) return; // something else was said meanwhile
    now.told = told;
    renderUnderstood();
  } catch (error) {
    setText($("status"), error.message);
  }
  $("understood").setAttribute("aria-busy", "false");
}

/** Something else is said about the file; it is looked at again at once. */
function say(change) {
  now.said = { ...now.said, ...change };
  look();
}

function renderUnderstood() {
  const { told } = now;
  const { problem } = told;
  setText($("status"), problem ? "This is not clear yet." : "");
  show($("understood"), true);
  setText($("summary"), told.summary ?? "");
  show($("problem"), Boolean(problem));
  setText($("problem-what"), problem ? `${problem.what}.` : "");
  setText($("problem-cure"), problem?.cure ? `${problem.cure[0].toUpperCase()}${problem.cure.slice(1)}.` : "");
  const press = ({ label, change }) => make("button", { class: "secondary", type: "button", onclick: () => say(change) }, label);
  fill($("fixes"), problem?.fixes ?? [], (fixes) => fixes.map(press));
  const columns = told.columns.filter((each) => each.name !== told.time);
  fill($("columns"), [columns, told.time], () =>
    columns.map((each) => columnRow(each, (text) => say({ channels: { ...now.said.channels, [each.name]: text } }))),
  );
  renderTimes();
  show($("head"), Boolean(told.head));
  setText($("rows"), (told.head ?? []).map((cells) => cells.join("\t")).join("\n"));
  show($("remarks-box"), told.remarks.length > 0);
  fill($("remarks"), told.remarks, (remarks) => remarks.map((text) => make("li", {}, text)));
  show($("look"), !problem);
  show($("about"), !problem);
  if (problem) return;
  setText($("maximum-of"), `(${told.guide}, in ${told.columns.find((each) => each.name === told.guide)?.unit ?? "its unit"})`);
  now.view = confine(now.view ?? { fromS: 0, toS: told.duration_s }, told.duration_s);
  now.wanted = true;
  drawNow();
  fetchWanted();
}

function renderTimes() {
  const { told } = now;
  const carriesTimes = CARRY_TIMES.test($("file-name").textContent);
  show($("times"), !carriesTimes);
  if (carriesTimes) return;
  const names = told.columns.map((each) => each.name);
  const option = (name) => make("option", { value: name, selected: name === told.time }, name);
  fill($("time"), [names, told.time], () => [
    make("option", { value: "" }, told.time ? "as found" : "none"),
    ...names.map(option),
  ]);
  $("time-unit").value = now.said.time_unit ?? "";
  $("decimal").value = now.said.decimal ?? "";
}

// --- the trace

async function fetchWanted() {
  if (now.busy) return;
  now.busy = true;
  while (now.wanted && now.view) {
    now.wanted = false;
    const { fromS, toS } = now.view;
    const columns = Math.max(50, Math.min(2000, Math.round($("trace").clientWidth)));
    try {
      now.drawn = await order("draw", { from: fromS, to: toS, columns });
    } catch (error) {
      setText($("where"), error.message);
    }
    drawNow();
  }
  now.busy = false;
}

const countText = (n, noun) => (n ? `${n} ${noun}${n > 1 ? "s" : ""}` : "");

function drawNow() {
  if (!now.drawn || !now.view) return;
  const { drawn, view, stretches, marked } = now;
  drawBrought($("trace"), { drawn, view, stretches, phases: now.told.phases ?? [], marked });
  const whole = `${momentText(view.fromS, true)} to ${momentText(view.toS, true)} of ${momentText(now.told.duration_s)}`;
  const already = [
    countText(now.told.phases.length, "phase"),
    countText(now.told.n_ratings, "rating"),
    now.told.has_zero && "a zero",
    now.told.maxima.length && `a maximum: ${now.told.maxima.join(", ")}`,
  ].filter(Boolean);
  setText($("where"), `${whole}. Every peak is drawn.${already.length ? ` The file brings ${already.join(", ")}.` : ""}`);
}

function see(view) {
  if (!now.told || now.told.problem) return;
  now.view = confine(view, now.told.duration_s);
  now.wanted = true;
  drawNow();
  fetchWanted();
}
const zoomBy = (factor) => see(zoom(now.view, factor, (now.view.fromS + now.view.toS) / 2, now.told.duration_s));
const moveBy = (share) => see(move(now.view, share, now.told.duration_s));

let downAt = null;
function markTo(event) {
  if (downAt === null || !now.view) return;
  const marked = span(downAt, event.offsetX, $("trace").clientWidth, now.view);
  if (!marked) return;
  const toS = Math.min(marked.toS, Math.floor(now.told.duration_s * 100) / 100);
  now.marked = { fromS: Math.max(0, marked.fromS), toS };
  $("from").value = now.marked.fromS;
  $("to").value = now.marked.toS;
  drawNow();
}

function typedMark() {
  const fromS = readNumber($("from").value);
  const toS = readNumber($("to").value);
  now.marked = fromS !== null && toS !== null && fromS < toS ? { fromS, toS } : null;
  drawNow();
}

// --- what is set on it

function addStretch(kind) {
  const added = { kind, from_s: readNumber($("from").value), to_s: readNumber($("to").value), low: "", high: "", discomfort: "" };
  const made = add(now.stretches, added, now.told.duration_s);
  if (typeof made === "string") return setText($("where"), made);
  now.stretches = made;
  now.marked = null;
  $("from").value = $("to").value = "";
  renderStretches();
}

function renderStretches() {
  fill(
    $("stretches"),
    now.stretches.map(({ kind, from_s, to_s }) => [kind, from_s, to_s]),
    () => now.stretches.map(stretchRow),
  );
  drawNow();
}

function stretchRow(one) {
  const field = (key, label, size) => {
    const input = make("input", { value: one[key], inputmode: "decimal", autocomplete: "off", size });
    input.addEventListener("change", () => (one[key] = input.value.trim().replace(",", ".")));
    return make("label", {}, label, input);
  };
  const away = () => {
    now.stretches = now.stretches.filter((each) => each !== one);
    renderStretches();
  };
  const more = one.kind === "contract" ? [field("low", "Band, %", "4"), field("high", "to", "4")] : [];
  if (one.kind === "contract" || one.kind === "passive") more.push(field("discomfort", "Discomfort, 0 to 10", "4"));
  return make(
    "li",
    {},
    make("strong", {}, textOf(one.kind)),
    make("span", { class: "times-of" }, `${one.from_s} to ${one.to_s} s`),
    ...more,
    make(
      "button",
      { type: "button", onclick: away, "aria-label": `Take away ${textOf(one.kind)} at ${one.from_s} s` },
      "Take away",
    ),
  );
}

async function take() {
  const fields = ["athlete", "exercise", "side", "position"];
  const about = Object.fromEntries(fields.map((name) => [name, $(name).value.trim()]));
  const typed = $("maximum").value.trim().replace(",", ".");
  setText($("said"), "");
  $("take").disabled = true;
  try {
    const { name, remarks } = await order("take", { ...about, maximum: typed, stretches: now.stretches });
    setText($("made-title"), `It is a recording now: ${name}`);
    fill($("made-remarks"), remarks, () => remarks.map((text) => make("li", {}, text)));
    $("open-made").setAttribute("href", `/review?${new URLSearchParams({ open: name })}`);
    for (const id of ["understood", "look", "about"]) show($(id), false);
    show($("made"), true);
    $("made").focus();
  } catch (error) {
    setText($("said"), error.message);
  }
  $("take").disabled = false;
}

// --- hands

$("table").addEventListener("change", bringTable);
$("events").addEventListener("change", bringEvents);
$("time").addEventListener("change", () => say({ time: $("time").value, rate_hz: null }));
$("time-unit").addEventListener("change", () => say({ time_unit: $("time-unit").value }));
$("rate").addEventListener("change", () => say({ rate_hz: $("rate").value.trim() ? readNumber($("rate").value) : null }));
$("decimal").addEventListener("change", () => say({ decimal: $("decimal").value }));
$("closer").addEventListener("click", () => zoomBy(0.5));
$("wider").addEventListener("click", () => zoomBy(2));
$("earlier").addEventListener("click", () => moveBy(-0.5));
$("later").addEventListener("click", () => moveBy(0.5));
$("whole").addEventListener("click", () => see({ fromS: 0, toS: now.told.duration_s }));
$("trace").addEventListener("pointerdown", (event) => {
  downAt = event.offsetX;
  $("trace").setPointerCapture(event.pointerId);
});
$("trace").addEventListener("pointermove", markTo);
for (const name of ["pointerup", "pointercancel"]) $("trace").addEventListener(name, () => (downAt = null));
for (const id of ["from", "to"]) $(id).addEventListener("input", typedMark);
$("kinds").append(
  ...KINDS.map(({ kind, text }) => make("button", { class: "secondary", type: "button", onclick: () => addStretch(kind) }, text)),
);
$("take").addEventListener("click", take);
window.addEventListener("resize", () => now.view && see(now.view));
matchMedia("(prefers-color-scheme: dark)").addEventListener("change", drawNow);
if ($("table").files.length) bringTable(); // chosen before this script was there
document.documentElement.dataset.arrived = "yes";
