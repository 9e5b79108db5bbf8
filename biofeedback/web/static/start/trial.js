// An athlete's trial: drawn by lot on the page, and what its evenings so far say. The order stays out of sight.

import { fill, make, setText, show } from "../shared/dom.js";
import { capital } from "../shared/words.js";
import { mistakeText } from "./form.js";
import { call } from "./program.js";

const HOW =
  "Choose two to four ways. Lots are drawn for the order of each block and stored before the first evening; " +
  "tonight’s way then stands on the card.";

/** What is said of a trial that was drawn: [heading, text]. */
export function trialRows(trial) {
  return [
    ["Drawn", `${trial.name}, ${trial.drawn_utc}, seed ${trial.seed}`],
    ["Stretch", trial.stretch || "not said"],
    ["Evenings", `${trial.n_held} of ${trial.n_evenings} held, ${trial.n_blocks} blocks`],
    ...trial.ways.map(([way, how]) => [capital(way), how]),
    ...trial.answers.map(([title, lines]) => [title, lines.map(capital).join(". ")]),
    ...(trial.said.length ? [["Said", trial.said.map(capital).join(". ")]] : []),
  ];
}

/** How many evenings a choice comes to; empty while it is none. */
export function lengthText(ways, blocks) {
  const n = ways.length * Number(blocks);
  return ways.length > 1 && n > 0 && Number.isInteger(Number(blocks))
    ? `${n} evenings: ${ways.length} ways, each once in each of ${blocks} blocks.`
    : "";
}

/** A fold with the trial of ``code``; ``drawn`` is called when one was drawn. */
export function trialFold(code, drawn) {
  const id = `trial-${code}`;
  const rows = make("dl", {});
  const boxes = make("div", { class: "ticks", role: "group", "aria-label": "Ways to compare" });
  const blocks = make("input", { id: `${id}-blocks`, inputmode: "numeric", autocomplete: "off", maxlength: "2" });
  const length = make("p", { class: "small", role: "status" });
  const wrong = { ways: make("p", { class: "wrong", role: "status" }), blocks: make("p", { class: "wrong", role: "status" }) };
  const told = make("p", { class: "wrong", role: "status" });
  const form = make(
    "div",
    { class: "trial-form", hidden: "" },
    make("p", { class: "small" }, HOW),
    boxes,
    wrong.ways,
    make("label", { for: `${id}-blocks` }, "Blocks"),
    blocks,
    wrong.blocks,
    length,
    make("button", { class: "secondary", type: "button", onclick: draw }, "Draw the order"),
  );
  form.addEventListener("input", (event) => {
    event.stopPropagation(); // of no field of the session's form
    setText(length, lengthText(chosen(), blocks.value));
  });

  function chosen() {
    const ticked = /** @type {NodeListOf<HTMLInputElement>} */ (boxes.querySelectorAll("input:checked"));
    return [...ticked].map((box) => box.value);
  }

  function write({ trial, ways, n_blocks }) {
    fill(rows, trial, () =>
      trial ? trialRows(trial).flatMap(([name, text]) => [make("dt", {}, name), make("dd", {}, text)]) : [],
    );
    fill(boxes, ways, (all) => all.map(([way, how]) => wayBox(way, how)));
    if (!blocks.value) blocks.value = String(n_blocks);
    show(form, !trial || trial.is_over);
  }

  function wayBox(way, how) {
    const words = make("span", {}, make("strong", {}, capital(way)), " ", make("span", { class: "small" }, how));
    return make("label", { class: "check" }, make("input", { type: "checkbox", value: way }), words);
  }

  function tell(mistakes) {
    for (const element of [wrong.ways, wrong.blocks, told]) setText(element, "");
    for (const mistake of mistakes) setText(wrong[mistake.field] ?? told, mistakeText(mistake));
  }

  async function load() {
    try {
      write(await call("/start/trial", { athlete: code }));
      tell([]);
    } catch ({ mistakes }) {
      tell(mistakes);
    }
  }

  async function draw() {
    try {
      write(await call("/start/draw-trial", { athlete: code, ways: chosen(), blocks: blocks.value }));
      tell([]);
      drawn();
    } catch ({ mistakes }) {
      tell(mistakes);
    }
  }

  return make(
    "details",
    { class: "programme", id: `${id}-fold`, ontoggle: (event) => event.target.open && load() },
    make("summary", {}, "Which way helps most"),
    rows,
    form,
    told,
  );
}
