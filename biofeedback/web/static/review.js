// Recordings: find one, look into its trace, read its report.

import { $, fill, make, setText, show } from "./dom.js";
import { bandText, durationText } from "./state.js";
import { confine, fits, momentText, move, ticks, zoom } from "./traceview.js";

const place = { entries: [], name: null, about: null, view: null, drawn: null, wanted: null, busy: false };

async function ask(path, query = {}) {
  const answer = await fetch(`${path}?${new URLSearchParams(query)}`);
  if (!answer.ok) throw new Error(await answer.text());
  return answer.json();
}

async function loadList() {
  try {
    const { entries, live } = await ask("/review/list");
    place.entries = entries;
    show($("to-live"), live);
    renderList();
  } catch (error) {
    setText($("empty"), String(error.message));
    show($("empty"), true);
  }
}

function renderList() {
  const found = place.entries.filter((entry) => fits(entry, $("search").value));
  setText($("count"), `${found.length} of ${place.entries.length}`);
  fill($("entries"), [found, place.name], () => found.map(entryRow));
  show($("empty"), found.length === 0);
  if (!found.length) setText($("empty"), place.entries.length ? "Nothing fits. Use fewer words." : "No recordings yet. Each session leaves one here.");
}

function entryRow(entry) {
  const when = entry.started_utc ? new Date(entry.started_utc).toLocaleString(undefined, { dateStyle: "medium", timeStyle: "short" }) : "";
  const what = [entry.exercise, entry.side, entry.position].filter(Boolean).join(", ");
  const rest = entry.problem || [durationText(entry.duration_s), `${entry.n_ratings} ratings`, entry.word && `answer: ${entry.word}`, entry.simulated ? "simulated" : ""].filter(Boolean).join(", ");
  return make("li", {}, make("button", { type: "button", disabled: Boolean(entry.problem), "aria-current": entry.name === place.name ? "true" : null, onclick: () => open(entry) }, make("strong", {}, `${entry.athlete || entry.name} `), make("span", {}, when), make("span", { class: "what" }, what), make("span", { class: "small" }, rest)));
}

async function open(entry) {
  place.name = entry.name;
  renderList();
  setText($("title"), `${entry.athlete}${entry.simulated ? " (simulated)" : ""}`);
  setText($("summary"), "Reading the recording …");
  show($("opened"), false);
  $("look").setAttribute("aria-busy", "true");
  try {
    const about = await ask("/review/about", { name: entry.name });
    if (place.name !== entry.name) return; // another one was chosen meanwhile
    place.about = about;
    place.view = { fromS: (about.phases[0]?.from_s ?? 5) - 5, toS: about.duration_s };
    place.drawn = null;
    setText($("summary"), [entry.exercise, entry.side, entry.position, entry.covariates && `beforehand: ${entry.covariates}`].filter(Boolean).join(", "));
    $("open-report").setAttribute("href", `/review/report?${new URLSearchParams({ name: entry.name })}`);
    fill($("phases"), [entry.name, about.phases], () => about.phases.map((phase) => phaseRow(phase, about)));
    show($("opened"), true);
    lookAt(place.view);
    $("title").scrollIntoView({ block: "nearest" });
  } catch (error) {
    setText($("summary"), String(error.message));
  }
  $("look").setAttribute("aria-busy", "false");
}

function phaseRow(phase, about) {
  const rating = about.ratings.filter((each) => each.time_s >= phase.from_s && each.time_s < phase.to_s).at(-1);
  const go = () => lookAt({ fromS: phase.from_s - 2, toS: phase.to_s + 2 });
  return make("tr", {}, make("td", {}, make("button", { type: "button", onclick: go, "aria-label": `Show part ${phase.number}` }, String(phase.number))), make("td", {}, phase.title), make("td", {}, bandText(phase.band) || "–"), make("td", {}, momentText(phase.from_s)), make("td", {}, durationText(phase.to_s - phase.from_s)), make("td", {}, !rating ? "–" : rating.value === null ? "no answer" : String(rating.value)));
}

/** Show a stretch: what is there is redrawn at once, exact columns follow as soon as they come. */
function lookAt(view) {
  if (!place.about) return;
  place.view = confine(view, place.about.duration_s);
  place.wanted = place.view;
  requestAnimationFrame(drawTrace);
  fetchWanted();
}

async function fetchWanted() {
  if (place.busy || !place.wanted) return;
  place.busy = true;
  while (place.wanted) {
    const { fromS, toS } = place.wanted;
    place.wanted = null;
    const name = place.name;
    try {
      const drawn = await ask("/review/trace", { name, from: fromS, to: toS, columns: Math.max(50, Math.min(4000, Math.round($("trace").clientWidth))) });
      if (name === place.name) place.drawn = drawn;
    } catch (error) {
      setText($("where"), String(error.message));
    }
    requestAnimationFrame(drawTrace);
  }
  place.busy = false;
}

function drawTrace() {
  const canvas = $("trace");
  const { view, about, drawn } = place;
  const w = canvas.clientWidth;
  const h = canvas.clientHeight;
  if (!w || !view) return;
  const ratio = Math.min(3, window.devicePixelRatio || 1);
  canvas.width = Math.round(w * ratio);
  canvas.height = Math.round(h * ratio);
  const ctx = canvas.getContext("2d");
  ctx.setTransform(ratio, 0, 0, ratio, 0, 0);
  const style = getComputedStyle(document.documentElement);
  const color = (name) => style.getPropertyValue(`--${name}`).trim();
  const bands = about.phases.map((phase) => phase.band).filter(Boolean);
  const peak = drawn ? Math.max(0, ...drawn.channels[about.guide].high.filter((value) => value !== null)) : 0;
  const top = Math.max(20, ...bands.map((band) => band[1] * 1.25), peak * 1.08);
  const foot = h - 26;
  const x = (s) => ((s - view.fromS) / (view.toS - view.fromS)) * w;
  const y = (percent) => foot - (Math.max(0, percent) / top) * (foot - 26);
  ctx.font = '13px system-ui, "Segoe UI", Roboto, sans-serif';
  drawPhases(ctx, about, x, y, foot, color);
  drawAxes(ctx, view, w, foot, top, x, y, color);
  if (drawn) drawn.channels.forEach((channel, k) => k !== about.guide && drawChannel(ctx, channel, drawn, x, y, color("edge"), 1));
  if (drawn) drawChannel(ctx, drawn.channels[about.guide], drawn, x, y, color("ink"), 1.5);
  drawRatings(ctx, about, x, foot, color);
  const others = about.channels.filter((_, k) => k !== about.guide);
  setText($("where"), `${momentText(view.fromS, true)} to ${momentText(view.toS, true)} of ${momentText(about.duration_s)}. Dark line: ${about.channels[about.guide]}, in % of maximum${others.length ? `; grey: ${others.join(", ")}` : ""}. Every peak is drawn.`);
}

function drawPhases(ctx, about, x, y, foot, color) {
  for (const { from_s, to_s, band, kind } of about.phases) {
    ctx.fillStyle = color(kind === "contract" ? "sleeve" : "ground");
    ctx.fillRect(x(from_s), 26, x(to_s) - x(from_s), foot - 26);
    if (!band) continue;
    ctx.fillStyle = color("in-tint");
    ctx.fillRect(x(from_s), y(band[1]), x(to_s) - x(from_s), y(band[0]) - y(band[1]));
    ctx.strokeStyle = color("target");
    ctx.lineWidth = 1;
    ctx.strokeRect(x(from_s), y(band[1]), x(to_s) - x(from_s), y(band[0]) - y(band[1]));
  }
}

function drawAxes(ctx, view, w, foot, top, x, y, color) {
  ctx.fillStyle = color("ink2");
  ctx.strokeStyle = color("line");
  ctx.lineWidth = 1;
  ctx.textAlign = "center";
  ctx.textBaseline = "top";
  const marks = ticks(view.fromS, view.toS, w / 90);
  const fine = marks.length > 1 && marks[1] - marks[0] < 1;
  ctx.beginPath();
  for (const s of marks) {
    ctx.moveTo(x(s), foot);
    ctx.lineTo(x(s), foot + 5);
    ctx.fillText(momentText(s, fine), Math.min(w - 22, Math.max(20, x(s))), foot + 8);
  }
  ctx.textAlign = "left";
  ctx.textBaseline = "bottom";
  const step = top > 60 ? 20 : top > 25 ? 10 : 5;
  for (let percent = 0; percent <= top; percent += step) {
    ctx.moveTo(0, y(percent) + 0.5);
    ctx.lineTo(w, y(percent) + 0.5);
    ctx.fillText(`${percent} %`, 4, y(percent) - 1);
  }
  ctx.stroke();
}

function drawChannel(ctx, { low, high }, { from_s, to_s }, x, y, color, width) {
  ctx.beginPath();
  let drawing = false;
  for (let k = 0; k < low.length; k++) {
    if (low[k] === null) {
      drawing = false;
      continue;
    }
    const px = x(from_s + ((k + 0.5) / low.length) * (to_s - from_s));
    if (drawing) ctx.lineTo(px, y(high[k]));
    else ctx.moveTo(px, y(high[k]));
    ctx.lineTo(px, y(low[k]));
    drawing = true;
  }
  ctx.strokeStyle = color;
  ctx.lineWidth = width;
  ctx.lineJoin = "round";
  ctx.stroke();
}

function drawRatings(ctx, about, x, foot, color) {
  ctx.textAlign = "center";
  ctx.textBaseline = "middle";
  for (const { time_s, value } of about.ratings) {
    const px = x(time_s);
    ctx.strokeStyle = color("ink2");
    ctx.setLineDash([2, 3]);
    ctx.beginPath();
    ctx.moveTo(px, 24);
    ctx.lineTo(px, foot);
    ctx.stroke();
    ctx.setLineDash([]);
    ctx.fillStyle = color("panel");
    ctx.fillRect(px - 14, 3, 28, 20);
    ctx.strokeRect(px - 14, 3, 28, 20);
    ctx.fillStyle = color("ink");
    ctx.fillText(value === null ? "–" : String(value), px, 13.5);
  }
}

// --- hands

const middle = () => (place.view.fromS + place.view.toS) / 2;
const zoomBy = (factor, atS = middle()) => lookAt(zoom(place.view, factor, atS, place.about.duration_s));
const moveBy = (share) => lookAt(move(place.view, share, place.about.duration_s));

$("search").addEventListener("input", renderList);
$("zoom-in").addEventListener("click", () => zoomBy(0.5));
$("zoom-out").addEventListener("click", () => zoomBy(2));
$("earlier").addEventListener("click", () => moveBy(-0.5));
$("later").addEventListener("click", () => moveBy(0.5));
$("whole").addEventListener("click", () => lookAt({ fromS: 0, toS: place.about.duration_s }));
$("trace").addEventListener("keydown", (event) => {
  const act = { ArrowLeft: () => moveBy(-0.2), ArrowRight: () => moveBy(0.2), "+": () => zoomBy(0.7), "-": () => zoomBy(1.4), Home: () => $("whole").click() }[event.key];
  if (!act) return;
  event.preventDefault();
  act();
});
const momentAt = (event) => place.view.fromS + (event.offsetX / $("trace").clientWidth) * (place.view.toS - place.view.fromS);
$("trace").addEventListener(
  "wheel",
  (event) => {
    event.preventDefault();
    if (Math.abs(event.deltaX) > Math.abs(event.deltaY)) moveBy(event.deltaX / $("trace").clientWidth);
    else zoomBy(1.0015 ** event.deltaY, momentAt(event));
  },
  { passive: false },
);
$("trace").addEventListener("pointerdown", (event) => $("trace").setPointerCapture(event.pointerId));
$("trace").addEventListener("pointermove", (event) => {
  if ($("trace").hasPointerCapture(event.pointerId)) moveBy(-event.movementX / $("trace").clientWidth);
});
window.addEventListener("resize", () => place.view && lookAt(place.view));
matchMedia("(prefers-color-scheme: dark)").addEventListener("change", drawTrace);
loadList();
