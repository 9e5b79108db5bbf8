// The panels of each stage, from the session's state. send(command) speaks to the session.

import { askedAfter, askedBefore, asksFirst, earlyText, rangeNote, refusalOf } from "../shared/asked.js";
import { feelingRow, nextPush, pushText, senseRow } from "../shared/care.js";
import { $, fill, make, setData, setText, show } from "../shared/dom.js";
import { renderAnswer } from "./answer.js";
import { openPlan } from "./planner.js";
import { stepsOf } from "../phone/felt.js";
import { STEPS, isRunning } from "../shared/state.js";
import { clockText, durationText, unitText } from "../shared/text.js";
import { capital, sayPhase } from "../shared/words.js";

/**
 * @param {import("../shared/types").State} state
 * @param {string} panel the stage whose panel is shown
 * @param {import("../shared/types").Send} send
 */
export function renderStages(state, panel, send) {
  renderHeader(state);
  for (const element of /** @type {NodeListOf<HTMLElement>} */ (document.querySelectorAll("[data-for]")))
    show(element, (element.dataset.for ?? "").split(" ").includes(asksFirst(state) ? "asked" : panelFor(element, state, panel)));
  document.body.dataset.stage = state.stage;
  document.body.dataset.running = isRunning(state) ? "yes" : "no";
  renderCautions(state);
  renderZero(state);
  renderMaximum(state, send);
  renderReady(state, send);
  renderAnswer(state);
  renderAsked(state, send);
  fill($("doubts"), state.doubts ?? [], (doubts) => doubts.map((doubt) => doubtRow(doubt, send)));
}

/**
 * The rest between the last attempt and a plan, as it runs down: until then nobody settles into anything.
 * @param {import("../shared/types").State} state
 * @param {import("../shared/types").Update | null} update
 */
export function renderRest(state, update) {
  const leftS = state.stage === "ready" && update ? (state.asked?.rest_over_s ?? 0) - update.timeS : 0;
  show($("rest-left"), leftS > 0);
  setText($("settle"), leftS > 0 ? sayPhase(state, "rest") : "Settle into the stretch");
  renderEarly(state, update);
  if (leftS > 0) setText($("rest-left"), `Out of the stretch: ${clockText(leftS)} of rest before a plan.`);
}

/** Questions stand where the coach and the athlete are: before anything hard, and when it is over. */
function renderAsked(state, send) {
  for (const [id, stage] of [
    ["asked-early", "zero"],
    ["asked-first", "maximum"],
    ["asked-before", "ready"],
  ])
    fill($(id), state.stage === stage && [state.asked, state.maximum.care], (now) => (now ? askedBefore(state, send) : []));
  fill($("asked-after"), state.stage === "done" && [state.asked, state.plan_ran], (now) => (now ? askedAfter(state, send) : []));
}

/** Parts within the live panel go by what runs. */
function panelFor(element, state, panel) {
  return element.parentElement?.closest("[data-for]") ? state.stage : panel;
}

function renderHeader(state) {
  setText($("athlete"), state.athlete);
  setText($("setting"), [state.exercise, state.side, state.position].filter(Boolean).join(", "));
  show($("simulated"), state.simulated);
  setText($("simulated"), state.fast ? "Simulated, shortened" : "Simulated");
  const stageIndex = (stage) => STEPS.findIndex(([name]) => name === stage);
  const at = stageIndex(state.stage);
  fill($("steps"), state.stage, () =>
    stepsOf(STEPS, state).map(([stage, name]) =>
      make("li", { "aria-current": stage === state.stage ? "step" : null, "data-done": stageIndex(stage) < at }, name),
    ),
  );
}

function renderCautions(state) {
  fill($("cautions"), state.cautions, (texts) => texts.map((text) => make("li", {}, text)));
}

function renderZero(state) {
  const { state: step, results } = state.zero;
  fill($("zero-channels"), [state.channels, results], () =>
    state.channels.map((channel) => zeroRow(channel, results?.[channel.name])),
  );
  fill($("exercise-notes"), Object.entries(state.exercise_notes ?? {}), (rows) =>
    rows.flatMap(([name, text]) => [make("dt", {}, name), make("dd", {}, text)]),
  );
  $("zero").disabled = step === "running";
  const done = step === "done" ? "Zeroed" : "";
  setText($("zero-status"), step === "running" ? "Measuring: keep it still" : done);
}

function zeroRow(channel, result) {
  const kind = { force: "force", emg: "muscle activity", position: "position" }[channel.kind] ?? channel.kind;
  const value = result
    ? `zero at ${result.level.toFixed(2)} ${unitText(channel.unit)} raw, noise ${result.sd.toFixed(2)} ${unitText(channel.unit)}`
    : "not zeroed yet";
  const problem = channel.problem
    ? make("span", { class: "problem" }, `${capital(channel.problem.what)}: ${channel.problem.cure}`)
    : null;
  return make(
    "li",
    {},
    make("strong", {}, channel.name),
    make("span", {}, `${kind}, ${unitText(channel.unit)}`),
    make("span", { class: "value" }, value),
    problem,
  );
}

function renderMaximum(state, send) {
  const maximum = state.maximum;
  const busy = ["countdown", "push"].includes(maximum.step);
  fill($("attempts"), [maximum.attempts, maximum.n_needed, busy, maximum.care, maximum.sense], () => {
    const rows = maximum.attempts.map((attempt) => attemptRow(attempt, send, busy));
    for (let number = rows.length + 1; number <= maximum.n_needed; number++)
      rows.push(
        make(
          "li",
          { "data-accepted": "todo" },
          make("span", { class: "sign" }),
          make("span", { class: "value" }, `Attempt ${number}`),
        ),
      );
    return [senseRow(maximum.sense, send) ?? feelingRow(maximum.care, send), ...rows];
  });
  const asksFelt = (maximum.care?.ask_felt ?? null) !== null;
  setData($("attempts-panel"), "asking", asksFelt ? "yes" : "no"); // room for the question, nothing else is to be done
  setText($("verdict"), pushText(maximum));
  const accepted = maximum.verdict?.state === "accepted";
  setText($("attempt"), maximum.step === "rest" ? `Attempt ${maximum.number} after the rest` : nextPush(maximum).text);
  $("attempt").disabled = busy || Boolean(maximum.sense) || maximum.step === "rest" || Boolean(maximum.care?.closed);
  $("attempt").className = accepted ? "secondary" : "primary";
  $("accept-maximum").className = accepted ? "primary" : "secondary";
  $("accept-maximum").disabled =
    busy || Boolean(maximum.sense) || !maximum.attempts.some((attempt) => attempt.accepted && !attempt.rejected);
}

function attemptRow(attempt, send, busy) {
  const good = attempt.accepted && !attempt.rejected;
  const value = Number.isFinite(attempt.value)
    ? `${attempt.value.toFixed(attempt.value < 100 ? 1 : 0)} ${unitText(attempt.unit)}`
    : "no value";
  const reject = () => send({ do: "reject_attempt", number: attempt.number, reason: "rejected by the coach" });
  const button =
    good && !busy
      ? make("button", { type: "button", onclick: reject, "aria-label": `Reject attempt ${attempt.number}` }, "Reject")
      : make("span", {});
  const why = [good ? "counts" : "does not count", attempt.rejected || attempt.reason].filter(Boolean).join(": ");
  return make(
    "li",
    { "data-accepted": good ? "yes" : "no" },
    make("span", { class: "sign", "aria-hidden": "true" }),
    make("span", { class: "value" }, value),
    button,
    make("span", { class: "why" }, why),
  );
}

const ORIGINS = {
  typed: "Maximum typed from a display",
  carried: "Maximum from an earlier session",
  revised: "Maximum revised after later evidence",
};

const strengthText = (value) => value.toFixed(value < 100 ? 1 : 0);

function renderReady(state, send) {
  const maximum = state.maximum;
  const origin = ORIGINS[maximum.method] ?? "Maximum in this position";
  const found = Number.isFinite(maximum.strength)
    ? `${origin}: ${strengthText(maximum.strength)} ${unitText(maximum.unit)}. `
    : "";
  const limited = maximum.care?.limited ? `${capital(maximum.care.limited)}: every percentage may be too high. ` : "";
  const beyond = maximum.beyond ? `${maximum.beyond}. ` : "";
  const said = (maximum.warnings ?? []).map((text) => `${capital(text)}. `).join("");
  setText($("maximum-found"), `${found}${limited}${beyond}${said}Settle until discomfort is steady at 4 to 6 of 10, then start.`);
  setText($("limit"), state.limit === null ? "–" : String(state.limit));
  show($("anyway-line"), Boolean(maximum.care?.graded && maximum.method === "attempts"));
  fill($("plans"), [state.plans, state.asked?.refused, state.asked?.range, state.asked?.early], ([plans]) => {
    earlyRows = [];
    return plans.map((plan, k) => planRow(state, plan, k === 0, send));
  });
}

/** A plan with what starts it and what changes it. */
function planRow(state, plan, isFirst, send) {
  const { name, title } = plan;
  const refusal = refusalOf(state, name);
  const note = rangeNote(state, name);
  const begin = () => send({ do: "start_plan", plan: name, ...($("anyway").checked ? { anyway: true } : {}) });
  const change = () => openPlan(name, `change-${name}`);
  const press = (text, attributes) => make("button", { type: "button", class: "secondary", ...attributes }, text);
  const start = press("Start", {
    class: isFirst ? "primary" : "secondary",
    "aria-label": `Start ${title}`,
    disabled: Boolean(refusal),
    onclick: begin,
  });
  return make(
    "li",
    { "data-refused": refusal ? "yes" : null },
    make("h2", {}, title),
    make("p", {}, plan.description),
    ...(plan.expects ?? []).map((text) => make("p", { class: "expects" }, text)),
    make("p", {}, durationText(plan.duration_s)),
    refusal ? make("p", { class: "refused" }, refusal) : null,
    note ? make("p", { class: "expects" }, note) : null,
    start,
    ...earlyRow(state, plan, start, send),
    press("Change", { class: "secondary change", id: `change-${name}`, "aria-label": `Change ${title}`, onclick: change }),
  );
}

/** A plan whose first set would be wasted now: why, and the coach's press that begins it all the same. */
function earlyRow(state, plan, start, send) {
  if (!state.asked?.early?.[plan.name] || refusalOf(state, plan.name)) return [];
  const line = make("p", { class: "refused", "data-early": plan.name });
  const insist = make(
    "button",
    {
      type: "button",
      class: "secondary",
      "aria-label": `Start ${plan.title} all the same`,
      onclick: () => send({ do: "start_plan", plan: plan.name, anyway: true }),
    },
    "Start all the same",
  );
  earlyRows.push({ name: plan.name, line, start, insist });
  return [line, insist];
}

/** @type {{name: string, line: HTMLElement, start: HTMLElement, insist: HTMLElement}[]} the plans on the page that wait */
let earlyRows = [];

/** The wait runs down without news from the session. */
function renderEarly(state, update) {
  for (const { name, line, start, insist } of earlyRows) {
    const told = update ? earlyText(state.asked?.early?.[name], update.timeS) : null;
    show(line, Boolean(told));
    setText(line, told?.text ?? "");
    show(insist, Boolean(told?.mayInsist));
    show(start, !told);
  }
}

/** Evidence against a maximum: said as what was seen, never as blame. */
export function doubtRow(doubt, send) {
  const value = Number(doubt.strength.toPrecision(3));
  const message = { do: "revise_maximum", channel: doubt.channel, value: doubt.strength };
  let isSaid = false; // the same number again, after it was questioned, is meant
  const revise = () => (isSaid = send(isSaid ? { ...message, anyway: true } : message) || isSaid);
  return make(
    "li",
    {},
    make("p", {}, `${capital(doubt.channel)}: ${doubt.seen}. ${capital(doubt.advice)}.`),
    make("button", { type: "button", onclick: revise }, `Use ${value} ${unitText(doubt.unit)} from now on`),
  );
}
