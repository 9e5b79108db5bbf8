// Changing a plan: a form over a draft. Every change is checked by the session, whose words appear where they belong.

import { $, make, setText, show } from "../shared/dom.js";
import {
  KINDS,
  bandsText,
  blankDraft,
  changeKind,
  kindOf,
  mistakeText,
  moved,
  newPhase,
  tidy,
  typedBands,
  typedValue,
  whereOf,
} from "./plan-draft.js";
import { shapeLine } from "./planner-shapes.js";
import { durationText } from "../shared/text.js";

const CHECK_AFTER_MS = 250;
const TOP = { "plan-title": "title", "plan-description": "description", "plan-randomise": "randomise" };
/** @type {{draft: any, own: any, send: any, timer: number, startNext: boolean, cameFrom: string}} */
const plan = { draft: null, own: null, send: null, timer: 0, startNext: false, cameFrom: "" };

export function setUpPlanner(send) {
  plan.send = send;
  for (const [id, key] of Object.entries(TOP)) $(id).addEventListener("input", () => edit(() => (plan.draft[key] = $(id).value)));
  const bands = $("plan-randomise_bands");
  bands.addEventListener("input", () => edit(() => (plan.draft.randomise_bands = typedBands(bands.value))));
  $("plan-new").addEventListener("click", () => begin(blankDraft(), null, "plan-new"));
  $("plan-add-block").addEventListener("click", () => {
    edit(() => plan.draft.block.push({ repeat: 1, phase: [newPhase("passive")] }));
    draw(`b${plan.draft.block.length - 1}-repeat`);
  });
  $("plan-save").addEventListener("click", () => save(false));
  $("plan-leave").addEventListener("click", leave);
  $("planner").addEventListener("submit", (event) => {
    event.preventDefault();
    save(true);
  });
}

/** Ask for a plan to change; button: the id to come back to. */
export function openPlan(name, button) {
  plan.cameFrom = button;
  plan.send({ do: "open_plan", plan: name });
}

/** Hear an answer of the session; true if it was about a plan. */
export function hearPlan(data) {
  if (data.opened) open(data.opened);
  else if (data.saved) saved(data.saved);
  else if (data.checked) tell(data.checked);
  else if (data.refused) refused(data.refused);
  else return false;
  return true;
}

function open({ name, own, draft }) {
  const title = draft.title ?? name;
  begin(draft, own ? title : null, plan.cameFrom, title);
}

function begin(draft, own, cameFrom, from = "") {
  Object.assign(plan, { draft, own, cameFrom, startNext: false });
  setText($("planner-title"), from ? `Change ${from}` : "A new plan");
  $("plan-title").value = own ?? "";
  draft.title = own ?? "";
  setText($("plan-name-hint"), from && !own ? `${from} stays as it is: give the changed one a name.` : "");
  $("plan-description").value = draft.description ?? "";
  $("plan-randomise").value = draft.randomise ?? "";
  $("plan-randomise_bands").value = bandsText(draft.randomise_bands ?? []);
  for (const id of ["planner", "choosing"]) show($(id), id === "planner");
  draw();
  $("planner-title").focus();
  edit(() => {});
}

function leave() {
  plan.draft = null;
  for (const id of ["planner", "choosing"]) show($(id), id === "choosing");
  (document.getElementById(plan.cameFrom) ?? $("plan-new")).focus();
}

function edit(change) {
  change();
  clearTimeout(plan.timer);
  plan.timer = setTimeout(() => plan.draft && plan.send({ do: "check_plan", draft: tidy(plan.draft) }), CHECK_AFTER_MS);
}

function save(startNext) {
  clearTimeout(plan.timer);
  plan.startNext = startNext;
  const replace = plan.own !== null && plan.own === plan.draft.title;
  plan.send({ do: "save_plan", draft: tidy(plan.draft), replace });
}

function saved({ name, title }) {
  leave();
  setText($("plan-said"), `Saved: ${title}.`);
  if (plan.startNext) plan.send({ do: "start_plan", plan: name });
}

// --- what the session said

function tell({ mistakes, duration_s, n_phases, n_asks }) {
  if (!plan.draft) return;
  for (const element of $("planner").querySelectorAll("[aria-invalid]")) element.removeAttribute("aria-invalid");
  for (const element of $("planner").querySelectorAll(".wrong")) setText(element, "");
  const unsaid = mistakes.filter((mistake) => !tellAtPlace(mistake));
  setText($("plan-wrong"), unsaid.map(mistakeText).join(" "));
  setText(
    $("plan-sum"),
    mistakes.length
      ? `${mistakes.length} ${mistakes.length === 1 ? "thing is" : "things are"} to be set right.`
      : `${durationText(duration_s)}, ${n_phases} phases, ${n_asks} ratings asked.`,
  );
}

function refused(checked) {
  tell(checked);
  plan.startNext = false;
  ($("planner").querySelector("[aria-invalid]") ?? $("plan-title")).focus();
}

function tellAtPlace(mistake) {
  const { block, phase, field } = whereOf(mistake.place);
  const scope = block === null ? "plan" : phase === null ? `b${block}` : `b${block}p${phase}`;
  const wrong = document.getElementById(block === null ? `plan-${field}-wrong` : `${scope}-wrong`);
  if (!wrong) return false;
  setText(wrong, [wrong.textContent, mistakeText(mistake)].filter(Boolean).join(" "));
  const input = document.getElementById(`${scope}-${field}`);
  input?.setAttribute("aria-invalid", "true");
  return true;
}

// --- the parts and their phases

/** Build the rows again after something was added, moved or removed; focus: the id to go on from. */
function draw(focus = "") {
  $("plan-blocks").replaceChildren(...plan.draft.block.map(blockRow));
  if (focus) document.getElementById(focus)?.focus();
}

function rebuild(change, focus) {
  edit(change);
  draw(focus);
}

function blockRow(block, b) {
  const { draft } = plan;
  const id = `b${b}`;
  const name = `Part ${b + 1}`;
  const several = draft.block.length > 1;
  return make(
    "fieldset",
    { class: "plan-block" },
    make("legend", {}, name),
    make(
      "div",
      { class: "plan-line" },
      make(
        "label",
        {},
        "Times ",
        number(`${id}-repeat`, block.repeat ?? 1, (value) => (block.repeat = value), `${id}-wrong`),
      ),
      several
        ? tool(`${id}-up`, "↑", `Move ${name} up`, b > 0, () =>
            rebuild(() => (draft.block = moved(draft.block, b, -1)), `b${b - 1}-up`),
          )
        : null,
      several
        ? tool(`${id}-down`, "↓", `Move ${name} down`, b < draft.block.length - 1, () =>
            rebuild(() => (draft.block = moved(draft.block, b, 1)), `b${b + 1}-down`),
          )
        : null,
      several
        ? tool(`${id}-remove`, "×", `Remove ${name}`, true, () =>
            rebuild(() => draft.block.splice(b, 1), `b${Math.max(0, b - 1)}-repeat`),
          )
        : null,
    ),
    make("p", { class: "wrong", id: `${id}-wrong`, role: "status" }),
    make("ol", { class: "plan-phases" }, ...block.phase.map((phase, p) => phaseRow(block, phase, b, p))),
    make(
      "button",
      {
        type: "button",
        class: "secondary",
        id: `${id}-add`,
        onclick: () =>
          rebuild(
            () => block.phase.push(newPhase(block.phase.at(-1)?.kind === "passive" ? "contract" : "passive")),
            `b${b}p${block.phase.length}-kind`,
          ),
      },
      `Add a phase to part ${b + 1}`,
    ),
  );
}

function phaseRow(block, phase, b, p) {
  const id = `b${b}p${p}`;
  const name = `part ${b + 1}, phase ${p + 1}`;
  const wrong = `${id}-wrong`;
  const kind = make(
    "select",
    {
      id: `${id}-kind`,
      "aria-label": `What to do in ${name}`,
      "aria-describedby": wrong,
      onchange: () => rebuild(() => (block.phase[p] = changeKind(phase, kind.value)), `${id}-kind`),
    },
    ...Object.entries(KINDS).map(([value, text]) => make("option", { value, selected: value === kindOf(phase) }, text)),
  );
  const ask = make("input", {
    type: "checkbox",
    id: `${id}-ask`,
    checked: phase.ask === true,
    onchange: () => edit(() => (phase.ask = ask.checked)),
  });
  const edge = (k, label) =>
    number(
      k ? `${id}-high` : `${id}-band`,
      phase.band[k],
      (value) => (phase.band = phase.band.with(k, value)),
      wrong,
      `${label} edge of the band in ${name}`,
    );
  const felt = () => number(`${id}-felt`, phase.felt, (value) => (phase.felt = value), wrong, `Felt effort in ${name}`);
  const aim = Array.isArray(phase.band) ? [edge(0, "Lower"), "–", edge(1, "Upper"), "%"] : [];
  if (kindOf(phase) === "felt") aim.push(felt(), "of 10");
  return make(
    "li",
    { class: "plan-line" },
    kind,
    make(
      "label",
      {},
      number(`${id}-duration_s`, phase.duration_s, (value) => (phase.duration_s = value), wrong, `Seconds of ${name}`),
      " s",
    ),
    make("span", { class: "plan-band" }, ...aim),
    make("label", { class: "check" }, ask, make("span", {}, "Rating", make("span", { class: "hide" }, ` asked in ${name}`))),
    make(
      "span",
      { class: "plan-tools" },
      tool(`${id}-up`, "↑", `Move ${name} up`, p > 0, () =>
        rebuild(() => (block.phase = moved(block.phase, p, -1)), `b${b}p${p - 1}-up`),
      ),
      tool(`${id}-down`, "↓", `Move ${name} down`, p < block.phase.length - 1, () =>
        rebuild(() => (block.phase = moved(block.phase, p, 1)), `b${b}p${p + 1}-down`),
      ),
      tool(`${id}-remove`, "×", `Remove ${name}`, block.phase.length > 1, () =>
        rebuild(() => block.phase.splice(p, 1), `b${b}p${Math.max(0, p - 1)}-kind`),
      ),
    ),
    shapeLine(phase, `b${b}p${p}`, `part ${b + 1}, phase ${p + 1}`, edit, (to) =>
      rebuild(() => (block.phase[p] = to), `b${b}p${p}-shape`),
    ),
    phase.adapt ? make("p", { class: "small" }, `The band moves by itself within ${bandsText([phase.adapt])} %.`) : null,
    make("p", { class: "wrong", id: wrong, role: "status" }),
  );
}

function number(id, value, set, wrong, label = "") {
  const input = make("input", {
    id,
    inputmode: "decimal",
    autocomplete: "off",
    "aria-describedby": wrong,
    "aria-label": label,
    oninput: () => edit(() => set(typedValue(input.value))),
  });
  input.value = String(value ?? "");
  return input;
}

function tool(id, sign, label, on, act) {
  return make("button", { type: "button", id, "aria-label": label, disabled: !on, onclick: act }, sign);
}
