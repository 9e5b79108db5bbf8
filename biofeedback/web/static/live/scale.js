// Scaling a force sensor from known loads, step by step, on the coach's side.

import { $, fill, make, setText, show } from "../shared/dom.js";
import { capital } from "../shared/words.js";

const SVG = "http://www.w3.org/2000/svg";
const FEWEST = 3;

export function setUpScale(send) {
  const ask = (name) => {
    const load = Number($("scale-load").value.trim().replace(",", ".") || NaN);
    if (!(load >= 0)) {
      $("scale-load").focus();
      return setText($("scale-status"), "Type the load first: a number, 0 for the empty sensor.");
    }
    send({ do: name, channel: $("scale-channel").value, load, unit: $("scale-unit").value });
  };
  $("scale-form").addEventListener("submit", (event) => {
    event.preventDefault();
    ask("scale_load");
  });
  $("scale-check").addEventListener("click", () => ask("scale_check"));
  $("scale-undo").addEventListener("click", () => send({ do: "scale_undo", n_loads: $("scale-loads").children.length }));
  $("scale-creep").addEventListener("click", () => send({ do: "scale_creep" }));
  $("scale-finish").addEventListener("click", () => {
    const arm = $("scale-arm").value.trim().replace(",", ".");
    if (arm && !(Number(arm) > 0)) {
      $("scale-arm").focus();
      return setText($("scale-status"), "The lever arm is a number of metres, from joint to strap; leave it empty for force.");
    }
    send({ do: "scale_finish", sensor: $("scale-sensor").value.trim(), ...(arm ? { lever_arm_m: Number(arm) } : {}) });
  });
}

export function renderScale(state) {
  const { scale } = state;
  const forces = state.channels.filter((channel) => channel.kind === "force").map((channel) => channel.name);
  show($("scale"), forces.length > 0 && Boolean(scale));
  if (!scale) return;
  fill($("scale-channel"), forces, (names) => names.map((name) => make("option", {}, name)));
  show($("scale-which"), forces.length > 1);
  const { loads, certificate, refused, check, running } = scale;
  const busy =
    running ||
    state.stage === "plan" ||
    state.zero.state === "running" ||
    ["countdown", "push", "rest"].includes(state.maximum.step);
  for (const name of ["scale-read", "scale-check"]) $(name).disabled = busy;
  $("scale-undo").disabled = busy || !loads.length || Boolean(certificate);
  $("scale-creep").disabled = busy || !(loads.at(-1)?.load > 0) || Boolean(certificate);
  $("scale-finish").disabled = busy || loads.length < FEWEST || Boolean(certificate);
  setText($("scale-step"), nextStep(scale));
  setText($("scale-status"), running ? "Reading: let it hang still" : busy ? "Waits until nothing else is under way" : "");
  fill($("scale-loads"), loads, (rows) =>
    rows.map((row) =>
      make(
        "li",
        {},
        make("span", {}, `${row.load} ${row.unit}`),
        make("span", {}, `${Number(row.reading.toPrecision(7))} counts`),
      ),
    ),
  );
  fill($("scale-said"), [refused, check, scale.creep_counts], () => [
    Number.isFinite(scale.creep_counts) &&
      make("p", {}, `Over a minute the reading crept by ${Number(scale.creep_counts.toPrecision(3))} counts.`),
    refused && make("p", { "data-bad": true }, `${capital(refused.what)}: ${refused.cure}.`),
    check && make("p", { "data-bad": !check.good }, `${capital(check.text)}.`),
  ]);
  fill($("scale-result"), certificate, () => (certificate ? certificateRows(certificate) : []));
}

/** What to do next, from the loads so far. */
export function nextStep({ loads, certificate }) {
  if (certificate) return "Done. Reading another load starts a new scale.";
  if (!loads.length) return "1. Take everything off the sensor, then read 0.";
  const last = loads.at(-1).load;
  const wentDown = loads.some((row, k) => k > 0 && row.load < loads[k - 1].load);
  if (!wentDown)
    return `2. Hang the next heavier load and read it${loads.length < 5 ? "; five or more are best" : ", or begin taking loads off"}.`;
  if (last > 0) return "3. Take the loads off one by one, reading each, down to 0.";
  return "4. Empty again: make the certificate.";
}

function certificateRows(c) {
  const percent = (value) => (value === null ? "not measured" : `${value.toFixed(2)} %`);
  const force = (value) => (value === null ? "not known" : `${Number(value.toPrecision(3))} ${c.unit}`);
  const rows = [
    ["Slope", c.slope],
    ["Residual SD", force(c.residual_sd)],
    ["Smallest load worth reading", force(c.smallest_load)],
    ["Non-linearity, of full scale", percent(c.nonlinearity_percent)],
    ["Hysteresis, of full scale", percent(c.hysteresis_percent)],
    ["Zero return, of full scale", percent(c.zero_return_percent)],
    ["Creep in a minute, of full scale", percent(c.creep_percent ?? null)],
  ];
  return [
    make("p", { class: "verdict" }, c.verdict),
    make("p", {}, "Used from the next start on; this recording keeps the old scale."),
    drawResiduals(c),
    make("p", { class: "small" }, "Reading minus fit. Points up: loading; points down: taking off."),
    make("dl", { class: "details" }, ...rows.flatMap(([name, value]) => [make("dt", {}, name), make("dd", {}, value)])),
    ...c.notes.map((note) => make("p", { class: "small" }, `${capital(note)}.`)),
  ];
}

function drawResiduals({ residuals, unit }) {
  const [w, h, left, edge] = [300, 120, 52, 14];
  const most = Math.max(...residuals.map((point) => Math.abs(point.residual)), 1e-9);
  const top = Math.max(...residuals.map((point) => point.load));
  const least = Math.min(...residuals.map((point) => point.load));
  const x = (load) => left + ((load - least) / (top - least)) * (w - left - edge);
  const y = (residual) => h / 2 - (residual / most) * (h / 2 - edge);
  const label = `Residuals of ${residuals.length} loads, at most ${most.toPrecision(2)} ${unit}`;
  const svg = element("svg", { viewBox: `0 0 ${w} ${h}`, role: "img", "aria-label": label, class: "residuals" });
  svg.append(element("line", { x1: left - 6, x2: w - 4, y1: h / 2, y2: h / 2 }));
  for (const value of [most, 0, -most])
    svg.append(words(0, y(value) + 4, value === 0 ? `0 ${unit}` : `${value > 0 ? "+" : "−"}${most.toPrecision(2)}`));
  for (const { load, residual, rising } of residuals) {
    const [px, py, tip] = [x(load), y(residual), rising ? -6 : 6];
    svg.append(
      element("polygon", {
        points: `${px},${py + tip} ${px + 5},${py - tip / 1.5} ${px - 5},${py - tip / 1.5}`,
        "data-rising": rising,
      }),
    );
  }
  return svg;
}

function words(x, y, text) {
  const made = element("text", { x, y });
  made.textContent = text;
  return made;
}

function element(tag, attributes) {
  const made = document.createElementNS(SVG, tag);
  for (const [name, value] of Object.entries(attributes)) made.setAttribute(name, String(value));
  return made;
}
