// Recordings: find one, look into its trace, compare two, read reports.

import { $, fill, make, setText, show } from "../shared/dom.js";
import { ask, showActions } from "./recording-actions.js";
import { bandText, durationText } from "../shared/text.js";
import { align, fits, momentText, ratingOf } from "./trace-view.js";
import { drawAll, listen, lookAgain, lookAt, moveBy, setTraces, showWhole, zoomBy } from "./traces.js";

const EMPTY_LEAD =
  "Each session leaves one here. Try one with simulated sensors: biofeedback demo. With your own: biofeedback live.";
const CHOOSE_LEAD = "The trace of a recording opens here: zoom into it, compare it with another, read its report.";
/** @type {{entries: any[], formats: string[], written: string[], panels: any[], here: boolean, answerS: number}} */
const place = { entries: [], formats: [], written: [], panels: [], here: true, answerS: 0 };

async function loadList() {
  try {
    const { entries, live, brings, formats, written, here, answer_s } = await ask("/review/list");
    Object.assign(place, { entries, formats, written, here, answerS: answer_s });
    show($("to-live"), live);
    show($("to-bring"), brings && here);
    renderList();
    if (!place.panels.length && !entries.length) greet("No recordings yet", EMPTY_LEAD);
  } catch (error) {
    setText($("empty"), String(error.message));
    show($("empty"), true);
  }
}

function greet(title, lead) {
  place.panels = [];
  setTraces([], null);
  show($("opened"), false);
  show($("recording-actions"), false);
  setText($("title"), title);
  setText($("summary"), lead);
}

function renderList() {
  const found = place.entries.filter((entry) => fits(entry, $("search").value));
  setText($("count"), `${found.length} of ${place.entries.length}`);
  fill($("entries"), [found, openNames()], () => found.map(entryRow));
  show($("empty"), found.length === 0);
  if (!found.length) setText($("empty"), place.entries.length ? "Nothing fits. Use fewer words." : "No recordings yet.");
}

function entryRow(entry) {
  const when = entry.started_utc
    ? new Date(entry.started_utc).toLocaleString(undefined, { dateStyle: "medium", timeStyle: "short" })
    : "";
  const what = [entry.exercise, entry.side, entry.position].filter(Boolean).join(", ");
  const rest =
    entry.problem ||
    [
      durationText(entry.duration_s),
      `${entry.n_ratings} ratings`,
      entry.word && `answer: ${entry.word}`,
      entry.simulated ? "simulated" : "",
    ]
      .filter(Boolean)
      .join(", ");
  return make(
    "li",
    {},
    make(
      "button",
      {
        type: "button",
        disabled: Boolean(entry.problem),
        "aria-current": openNames().includes(entry.name) ? "true" : null,
        onclick: () => open([entry]),
      },
      make("strong", {}, `${entry.athlete || entry.name} `),
      make("span", {}, when),
      make("span", { class: "what" }, what),
      make("span", { class: "small" }, rest),
    ),
  );
}

const openNames = () => place.panels.map((panel) => panel.entry.name);
const nameOf = (entry) => `${entry.athlete || entry.name}${entry.simulated ? " (simulated)" : ""}`;
const describe = (entry) =>
  [entry.exercise, entry.side, entry.position, entry.covariates && `beforehand: ${entry.covariates}`].filter(Boolean).join(", ");
const dayText = (entry) =>
  entry.started_utc ? new Date(entry.started_utc).toLocaleDateString(undefined, { dateStyle: "medium" }) : entry.name;

/** Open one recording, or two side by side. */
async function open(entries) {
  const panels = entries.map((entry, k) => makePanel(entry, k, entries.length > 1));
  place.panels = panels;
  renderList();
  setText($("title"), entries.length > 1 ? "Side by side" : nameOf(entries[0]));
  setText($("summary"), "Reading the recording …");
  show($("opened"), false);
  show($("recording-actions"), false);
  $("look").setAttribute("aria-busy", "true");
  try {
    for (const panel of panels) panel.about = await ask("/review/about", { name: panel.entry.name });
    if (place.panels !== panels) return; // another one was chosen meanwhile
    showOpened(panels);
  } catch (error) {
    if (place.panels !== panels) return;
    setText($("summary"), String(error.message));
    await loadList();
    if (panels.length === 1 && place.entries.some((entry) => entry.name === panels[0].entry.name))
      keep(panels[0].entry, place.written.includes(panels[0].entry.name));
  }
  $("look").setAttribute("aria-busy", "false");
}

function showOpened(panels) {
  const [{ entry, about }] = panels;
  const time = align(panels.map((panel) => ({ originS: panel.about.phases[0]?.from_s ?? 0, durationS: panel.about.duration_s })));
  panels.forEach((panel, k) => (panel.shiftS = time.shiftsS[k]));
  setText(
    $("summary"),
    panels.length > 1 ? "Both traces have the same scales; their plans begin at the same place." : describe(entry),
  );
  $("open-report").setAttribute("href", `/review/report?${new URLSearchParams({ name: entry.name })}`);
  $("open-history").setAttribute("href", `/review/history?${new URLSearchParams({ athlete: entry.athlete })}`);
  setText($("open-history"), `${entry.athlete} over weeks`);
  show($("open-report"), panels.length === 1);
  show($("open-history"), panels.length === 1 && Boolean(entry.athlete));
  offerOthers(entry, panels[1]?.entry);
  $("panels").replaceChildren(...panels.map((panel) => panel.element));
  $("panels").dataset.n = panels.length;
  show($("opened"), true);
  if (panels.length === 1) keep(entry, about.written);
  for (const panel of panels) {
    fillPhases(panel);
    loadSummary(panel);
  }
  setTraces(panels, time);
  lookAt({ fromS: time.startS - 5, toS: time.totalS });
  $("title").scrollIntoView({ block: "start" });
}

function keep(entry, written) {
  const after = async (title, lead, name) => {
    await loadList();
    const renamed = place.entries.find((each) => each.name === name);
    if (renamed) await open([renamed]);
    else greet(title, lead);
    renderList();
  };
  const { formats, here, answerS } = place;
  showActions({ entry, written, formats, after, here, answerS });
}

function offerOthers(entry, chosen) {
  const others = place.entries.filter((each) => !each.problem && each.name !== entry.name);
  const option = (each) =>
    make(
      "option",
      { value: each.name, selected: each.name === chosen?.name },
      `${each.athlete || each.name}, ${dayText(each)}, ${each.exercise || "no exercise"}`,
    );
  const group = (label, list) => (list.length ? make("optgroup", { label }, ...list.map(option)) : null);
  const same = others.filter((each) => each.athlete === entry.athlete);
  const parts = [
    make("option", { value: "" }, others.length ? "nothing" : "no other recording yet"),
    group(`Also ${entry.athlete}`, same),
    group(
      "Others",
      others.filter((each) => !same.includes(each)),
    ),
  ];
  $("beside").replaceChildren(...parts.filter(Boolean));
  $("beside").disabled = others.length === 0;
}

function makePanel(entry, k, titled) {
  const suffix = k ? `-${k + 1}` : "";
  const canvas = make("canvas", {
    class: "trace",
    id: `trace${suffix}`,
    tabindex: "0",
    role: "img",
    "aria-label": `Effort of ${entry.athlete || entry.name} over time. Arrow keys move, plus and minus zoom.`,
  });
  const where = make("p", { class: "small", id: `where${suffix}` });
  const answer = make("div", { class: "verdict" }, make("p", { class: "small" }, "Working out the answer …"));
  const body = make("tbody", { id: `phases${suffix}` });
  const head = ["Part", "What", "Band", "From", "Length", "Effort", "In band", "Rating"].map((text) =>
    make("th", { scope: "col" }, text),
  );
  const table = make(
    "table",
    { class: "phases" },
    make("caption", { class: "hide" }, `Phases of ${entry.athlete}, ${dayText(entry)}`),
    make("thead", {}, make("tr", {}, ...head)),
    body,
  );
  const heading = titled ? make("h2", {}, `${nameOf(entry)}, ${dayText(entry)}`) : null;
  const element = make(
    "section",
    { class: "side-by-side" },
    heading,
    titled ? make("p", { class: "small" }, describe(entry)) : null,
    answer,
    canvas,
    where,
    table,
  );
  listen(canvas);
  return { entry, element, canvas, where, answer, body, about: null, drawn: null, phases: [], shiftS: 0 };
}

async function loadSummary(panel) {
  try {
    const { word, text, details, phases } = await ask("/review/answer", { name: panel.entry.name });
    panel.phases = phases ?? [];
    const rows = details.flatMap(([name, value]) => [make("dt", {}, name), make("dd", {}, value)]);
    panel.answer.replaceChildren(
      make("p", { class: "verdict-word" }, word),
      make("p", {}, text),
      make("details", {}, make("summary", {}, "The numbers behind it"), make("dl", { class: "details" }, ...rows)),
    );
    fillPhases(panel);
  } catch (error) {
    panel.answer.replaceChildren(make("p", { class: "small" }, String(error.message)));
  }
}

function fillPhases(panel) {
  const { about } = panel;
  const rows = about.phases.map((phase) => phaseRow(phase, panel));
  panel.body.replaceChildren(
    ...(rows.length ? rows : [make("tr", {}, make("td", { colspan: "8" }, "No plan was carried out in this recording."))]),
  );
}

const percentText = (value) => (value === null || value === undefined ? "–" : `${Math.round(value)} %`);

function phaseRow(phase, { about, canvas, phases, shiftS }) {
  const rating = ratingOf(about.ratings, phase.number);
  const sum = phases.find((each) => each.number === phase.number);
  const go = () => {
    lookAt({ fromS: phase.from_s - 2 + shiftS, toS: phase.to_s + 2 + shiftS });
    canvas.scrollIntoView({ block: "nearest" });
  };
  const said = !rating ? "–" : rating.value === null ? "no answer" : String(rating.value);
  const cells = [
    phase.title,
    bandText(phase.band) || "–",
    momentText(phase.from_s),
    durationText(phase.to_s - phase.from_s),
    percentText(sum?.mean_percent),
    percentText(sum?.in_band_percent),
    said,
  ];
  return make(
    "tr",
    {},
    make(
      "td",
      {},
      make("button", { type: "button", onclick: go, "aria-label": `Show part ${phase.number}` }, String(phase.number)),
    ),
    ...cells.map((text) => make("td", {}, text)),
  );
}

// --- hands

$("search").addEventListener("input", renderList);
$("zoom-in").addEventListener("click", () => zoomBy(0.5));
$("zoom-out").addEventListener("click", () => zoomBy(2));
$("earlier").addEventListener("click", () => moveBy(-0.5));
$("later").addEventListener("click", () => moveBy(0.5));
$("whole").addEventListener("click", showWhole);
$("beside").addEventListener("change", () => {
  const other = place.entries.find((entry) => entry.name === $("beside").value);
  open([place.panels[0].entry, ...(other ? [other] : [])]);
});
window.addEventListener("resize", lookAgain);
matchMedia("(prefers-color-scheme: dark)").addEventListener("change", drawAll);
greet("Choose a recording", CHOOSE_LEAD);
loadList().then(() => {
  const wanted = new URLSearchParams(location.search).get("open"); // just made of a file of another program
  const entry = place.entries.find((each) => each.name === wanted && !each.problem);
  if (entry) open([entry]);
});
document.documentElement.dataset.arrived = "yes";
