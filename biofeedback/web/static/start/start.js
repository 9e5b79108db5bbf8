// The start place: finds sensors, checks one, begins the session. What is typed is never lost.

import { $, fill, make, setText, show } from "../shared/dom.js";
import { knownAthletes } from "./athletes.js";
import { columnTable } from "./columns.js";
import * as forms from "./form.js";
import { capital } from "../shared/words.js";
import { groupSetup } from "./group.js";
import { hearing } from "./hearing.js";
import { telling } from "./which.js";
import { findingRow } from "./findings.js";
import { watchProgram } from "./following.js";
import { clearMistakes, showMistakes } from "./mistakes.js";
import { call, follow } from "./program.js";
import { renderExercise } from "./stretch.js";

const TEXTS = ["port", "udp", "url", "seed", "baud", "rate", "key", "athlete", "position", "limit"];
const UNSAID = ["unsaid_force", "unsaid_cautions"]; // asked once of a stretch that does not say them, never kept here
const LOOK_MS = 2000;
const OWN = "\u0000own";

/** @type {Record<string, any>} */
const page = {
  about: null,
  heard: null,
  ports: [],
  radios: [],
  asked: {},
  form: { sensor: "" },
  busy: false,
  left: false,
  known: null,
};
const columns = columnTable($("columns"), changed);
const athletes = knownAthletes({ page, readForm, writeForm, begin, seat: (form) => group.add(form), changed });
const group = groupSetup({ readForm, writeForm, begin, busy: setBusy });

const lines = hearing({ page, columns, readForm, changed, setBusy });
const which = telling({ page, choose, setBusy });

// --- the form, to and from the page

/** @param {string} selector @returns {NodeListOf<HTMLInputElement>} */
const inputs = (selector) => document.querySelectorAll(selector);

function readForm() {
  const ticked = [...inputs("[name=before]:checked")].map((box) => box.value);
  const typed = Object.fromEntries([...TEXTS, ...UNSAID].map((name) => [name, $(name).value.trim()]));
  const { sensor, radio, port } = page.form;
  return {
    ...typed,
    sensor,
    radio: radio ?? "",
    port: $("for-port").hidden ? (port ?? "") : typed.port,
    profile: $("for-profile").hidden ? "" : $("profile").value,
    simulated: $("simulated").value,
    columns: columns.rows,
    lines: page.form.lines ?? null,
    decimal: page.form.decimal ?? "",
    exercise: $("exercise").value === OWN ? $("own").value.trim() : $("exercise").value,
    side: $("side").value,
    before: forms.beforeOf(ticked, $("before-other").value),
    alone: $("alone").checked,
    carry: $("carry").checked && page.known !== null,
    way: athletes.way(),
  };
}

function writeForm(form) {
  page.form = { sensor: form.sensor ?? "", port: form.port, radio: form.radio, profile: form.profile };
  Object.assign(page.form, { lines: form.lines ?? null, decimal: form.decimal ?? "" });
  for (const name of UNSAID) $(name).value = "";
  for (const name of TEXTS) if (form[name] !== undefined) $(name).value = form[name];
  if (form.simulated) $("simulated").value = form.simulated;
  columns.set(form.columns?.length ? form.columns : [forms.newColumn()]);
  const known = page.about.exercises.some(({ name }) => name === form.exercise);
  $("exercise").value = known || !form.exercise ? (form.exercise ?? "") : OWN;
  $("own").value = known ? "" : (form.exercise ?? "");
  $("side").value = form.side ?? "";
  const boxes = [...inputs("[name=before]")];
  for (const box of boxes) box.checked = (form.before ?? []).includes(box.value);
  $("before-other").value = (form.before ?? []).filter((what) => !boxes.some((box) => box.value === what)).join(", ");
  $("alone").checked = form.alone === true;
  page.known = athletes.find(form.athlete ?? "");
  $("carry").checked = form.carry === true;
  render();
}

// --- drawing

function render() {
  renderSensors();
  const { sensor } = page.form;
  const key = forms.chosenKey(page.form, page.ports);
  show($("for-port"), key === "port:");
  show($("for-url"), sensor === "url");
  show($("for-simulated"), sensor === "simulated");
  show($("for-udp"), sensor === "udp");
  show($("about-felt"), sensor === "felt");
  for (const name of ["checks", "about-check"]) show($(name), sensor !== "felt");
  show($("for-profile"), ["port", "udp", "radio"].includes(sensor));
  renderProfiles();
  show($("for-rate"), ["port", "udp", "radio"].includes(sensor));
  $("rate").placeholder = $("profile").value === "" ? "measured" : "as its profile says";
  show($("for-columns"), ["port", "udp"].includes(sensor) && $("profile").value === "");
  renderExercise(page.about?.exercises ?? [], OWN, { sensor, asks: page.about?.asks ?? {} });
  athletes.draw();
  for (const name of ["which", "hear", "send-key", "send-enter", "check", "begin", "look", "look-radios"])
    $(name).disabled = page.busy;
}

function renderSensors() {
  const list = forms.listSensors(page.ports, page.radios, page.asked, page.form);
  which.draw();
  const key = forms.chosenKey(page.form, page.ports);
  const focused = /** @type {any} */ (document.activeElement);
  const at = focused?.name === "sensor" ? focused.value : null;
  fill($("sensors"), list, () => list.map(sensorRow));
  for (const input of inputs("[name=sensor]")) {
    input.checked = input.value === key;
    if (input.value === at && document.activeElement !== input) input.focus();
  }
}

function choose(form) {
  page.form = { ...page.form, profile: "", ...form };
  $("rate").value = ""; // of the one before
  lines.forget();
  if (form.port !== undefined) $("port").value = form.port;
  changed();
}

function sensorRow({ key, title, note, form }) {
  return make(
    "li",
    {},
    make(
      "label",
      {},
      make("input", { type: "radio", name: "sensor", value: key, onchange: () => choose(form) }),
      make("span", {}, make("strong", {}, title), " ", make("span", { class: "small" }, note)),
    ),
  );
}

function renderProfiles() {
  const fitting = forms.fittingProfiles(page.about?.profiles ?? [], page.form, page.radios);
  const described = ["port", "udp"].includes(page.form.sensor) ? [{ name: "", title: "lines of numbers, described below" }] : [];
  fill($("profile"), [...described, ...fitting], (all) =>
    all.map(({ name, title }) => make("option", { value: name }, capital(title))),
  );
  const wanted = page.form.profile ?? "";
  if ([...$("profile").options].some(({ value }) => value === wanted)) $("profile").value = wanted;
  const profile = fitting.find(({ name }) => name === $("profile").value);
  setText($("profile-hint"), profile ? `Profile ${profile.name}: ${profile.channels}` : "");
}

/** Something was changed: what was wrong may be right now; the source follows a moment later. */
let writing = 0;
function changed() {
  render();
  clearTimeout(writing);
  writing = setTimeout(async () => {
    const told = await call("/start/write", readForm()).catch(() => ({}));
    setText($("source"), told.source || "choose a sensor first");
    setText($("command"), told.command || "fill in the form first");
  }, 300);
}

// --- what it does

async function look() {
  page.asked = {};
  page.ports = await call("/start/ports").catch(() => []);
  show($("none-found"), page.ports.length === 0);
  render();
  for (const { port } of page.ports) {
    page.asked[port] = await call("/start/ask", { port }).catch(({ mistakes }) => ({ board: null, reason: mistakes[0].what }));
    const { board, profile } = page.asked[port];
    if (board && !page.form.sensor) page.form = { sensor: "port", port, profile };
    changed();
  }
}

async function lookForRadios() {
  $("look-radios").disabled = true;
  setText($("looked"), "Looking for Bluetooth sensors: switch the sensor on and bring it near …");
  try {
    page.radios = await call("/start/radios", {});
    setText($("looked"), page.radios.length ? "" : forms.NO_RADIO);
  } catch ({ mistakes }) {
    setText($("looked"), forms.mistakeText(mistakes[0]));
  }
  render();
}

function setBusy(busy) {
  page.busy = busy;
  athletes.setBusy(busy);
  group.draw(busy);
  render();
}

async function check() {
  clearMistakes();
  setBusy(true);
  fill($("findings"), [], () => []);
  show($("picture"), false);
  const untilMs = performance.now() + 1000 * page.about.check_s;
  const tell = () => {
    const left = Math.ceil((untilMs - performance.now()) / 1000);
    setText($("checking"), left > 0 ? `Watching: sit still, about ${left} s …` : "Judging and drawing …");
  };
  tell();
  const timer = setInterval(tell, 500);
  try {
    const { title, simulated, findings, picture } = await call("/start/check", readForm());
    setText($("checking"), `${simulated ? "Simulated" : capital(title)}. ${forms.verdictText(findings)}`);
    fill($("findings"), findings, () => forms.orderFindings(findings).map((finding) => findingRow(finding, columns, checkAgain)));
    $("picture").src = picture || "data:,";
    show($("picture"), Boolean(picture));
  } catch ({ mistakes }) {
    const ofSensor = mistakes.filter(({ field }) => !field);
    setText($("checking"), ofSensor.length ? "It cannot be used yet. What to do:" : "");
    fill($("findings"), ofSensor, () =>
      ofSensor.map(({ what, cure }) => findingRow({ state: "bad", about: "sensor", text: what, cure }, columns, checkAgain)),
    );
    showMistakes(mistakes.filter(({ field }) => field));
  } finally {
    clearInterval(timer);
    setBusy(false);
  }
}

function checkAgain() {
  changed();
  check();
}

async function begin(form, { status, general, path = "/start/begin" } = { status: "beginning", general: "form-wrong" }) {
  clearMistakes();
  setBusy(true);
  setText($(status), "Opening the sensor and the recording …");
  try {
    const { place } = await call(path, form);
    page.left = true;
    setText($(status), "The session is open.");
    follow(place);
  } catch ({ mistakes }) {
    setText($(status), "");
    setBusy(false);
    showMistakes(mistakes, general);
  }
}

async function open() {
  try {
    page.about = await call("/start/about");
  } catch {
    setTimeout(open, LOOK_MS);
    return;
  }
  const { exercises, cautions, form, check_s, address } = page.about;
  setText($("own-address"), address ?? "this computer");
  setText($("check-s"), String(check_s));
  fill($("exercise"), exercises, () => [
    make("option", { value: "" }, "not said"),
    ...exercises.map(({ name, title, muscle }) => make("option", { value: name }, `${title} – ${muscle}`)),
    make("option", { value: OWN }, "in own words …"),
  ]);
  fill($("cautions"), cautions, () => cautions.map((text) => make("li", {}, text)));
  writeForm(form);
  changed();
  athletes.list();
  look();
}

$("start").addEventListener("input", (event) => {
  if (event.target.id === "profile") page.form.profile = event.target.value;
  if (event.target.id === "port") page.form.port = event.target.value.trim();
  if (event.target.id === "athlete") athletes.follow();
  if (event.target.name !== "sensor") changed();
});
$("start").addEventListener("submit", (event) => {
  event.preventDefault();
  if (!page.busy) begin(readForm());
});
$("look").addEventListener("click", look);
$("look-radios").addEventListener("click", lookForRadios);
$("check").addEventListener("click", check);
$("add-column").addEventListener("click", () => columns.add());
watchProgram(() => page.left);
open();
document.documentElement.dataset.arrived = "yes";
