// What is asked beside the ratings: how it was after the last time, what is expected, how far, how it is at the end.

import { choose, instead, openCare, screening } from "./care.js";
import { make } from "./dom.js";
import { durationText, sentence } from "./text.js";
import { capital } from "./words.js";

/** @typedef {import("./types").State} State */
/** @typedef {import("./types").Send} Send */

/**
 * Before a plan, or before anything at all.
 * @param {State} state
 * @param {Send} send
 * @returns {HTMLElement[]}
 */
export function askedBefore(state, send) {
  const { asked, stage } = state;
  if (!asked) return [];
  const care = state.maximum.care;
  const rows = [since(asked.since, send)];
  const open = openCare(state);
  if (open === "instead") rows.push(box("No maximum", ...instead(care, send)));
  else if (open === "list" || (stage === "ready" && care?.graded && care.screened === null))
    rows.push(box("Before any maximum or hard contraction", ...screening(care, send)));
  if (stage === "ready") rows.push(expectation(asked.expect, send));
  return rows.filter(Boolean);
}

/**
 * Whether questions stand in place of the attempts: nobody pushes before they are answered.
 * @param {State} state
 */
export function asksFirst(state) {
  return openCare(state) !== null || (state.stage === "maximum" && Boolean(state.asked?.since.open));
}

/**
 * After a plan.
 * @param {State} state
 * @param {Send} send
 * @returns {HTMLElement[]}
 */
export function askedAfter(state, send) {
  const { asked } = state;
  if (!asked || !state.plan_ran) return [];
  const said = asked.expect.said;
  const told = said ? make("p", { class: "small" }, `Expected beforehand: ${asked.expect.answers[said]}.`) : null;
  const range = asked.range.wanted ? make("p", { class: "lead" }, rangeAfterText(asked.range)) : null;
  return [told, end(asked.end, send), range].filter(Boolean);
}

/**
 * What a plan that asks for the range says before it: the panel for the readings stands on the same page.
 * @param {State} state
 * @param {string} name
 */
export function rangeNote(state, name) {
  const range = state.asked?.range;
  if (!range?.plans.includes(name)) return "";
  const wanted = placesToRead(range, "before");
  return wanted ? `Read the range first, at ${wanted}.` : "The range before is read.";
}

/**
 * Why a plan is not offered today, with what there is instead; "" where it is.
 * @param {State} state
 * @param {string} name
 */
export function refusalOf(state, name) {
  const refused = state.asked?.refused[name];
  return refused ? `Not today. ${sentence(refused.what)} ${sentence(refused.cure)}` : "";
}

/**
 * What is said of a set that would be wasted now, and whether a coach may insist on it.
 * @param {import("./types").Early | null | undefined} early
 * @param {number} timeS of the session
 */
export function earlyText(early, timeS) {
  if (!early || !(timeS < early.over_s)) return null;
  const left = `${capital(early.what)}. Rest for ${durationText(Math.ceil(early.over_s - timeS))} more.`;
  const hurt = early.why_not ? ` The last set hurt: ${early.why_not}. Nobody begins the next one earlier.` : "";
  return { text: `Not yet. ${left}${hurt}`, mayInsist: !early.why_not };
}

/** What is asked for when a plan that wants the range is over. */
export function rangeAfterText(range) {
  const wanted = placesToRead(range, "after");
  return wanted ? `Now read the range again, in the same way, at ${wanted}.` : "The range after is read.";
}

function placesToRead({ places, readings }, when) {
  return places.filter((at) => !readings.some((one) => one.when === when && one.at === at)).join(" and at ");
}

/** @param {...any} children */
function box(title, ...children) {
  return make("section", { class: "asked-box", "aria-label": title }, make("h2", {}, title), ...children);
}

/** What was answered in one line, the question folded behind it; the open question as it is. */
function answered(title, said, caution, form) {
  if (!said) return box(title, ...form);
  return make(
    "section",
    { class: "asked-box", "aria-label": title },
    make("details", {}, make("summary", {}, `${title}: ${said}. `, make("span", { class: "again" }, "Answer again")), ...form),
    caution ? make("p", { class: "caution", role: "status" }, caution) : null,
  );
}

function answers(...children) {
  return make("div", { class: "answers" }, ...children);
}

function press(id, text, act, attributes = {}) {
  return make("button", { type: "button", id, onclick: act, ...attributes }, text);
}

function tick(id, text, onchange) {
  const input = make("input", { type: "checkbox", id, onchange });
  return { input, label: make("label", { class: "check" }, input, " ", text) };
}

function since({ utc, open, said, caution }, send) {
  if (!utc && !said) return null;
  const soreness = choose("since-soreness", "Soreness, 0 none to 10 the worst");
  const pain = tick("since-pain", "New pain");
  const tell = (message) => send({ do: "aftermath", when: "next", ...message });
  const form = [
    make("p", {}, "Over the next day: was the muscle sore, is there new pain?"),
    answers(press("since-well", "Neither", () => tell({ soreness: 0, new_pain: false }))),
    answers(
      soreness.label,
      pain.label,
      press("since-keep", "Keep", () => tell({ soreness: soreness.value(), new_pain: pain.input.checked })),
    ),
  ];
  return answered(`After the last time${utc ? `, ${dayText(utc)}` : ""}`, open ? "" : said, caution, form);
}

function expectation({ question, answers: possible, said }, send) {
  const button = ([name, text]) =>
    press(`expect-${name}`, capital(text), () => send({ do: "expect", expects: name }), {
      "aria-pressed": String(name === said),
    });
  return box(question, answers(...Object.entries(possible).map(button)));
}

function end({ said, caution }, send) {
  const hurts = [tick("end-numbness", "Numbness or tingling"), tick("end-pain", "New pain"), tick("end-limp", "A limp")];
  const tell = (/** @type {boolean[]} */ [numbness, pain, limp]) =>
    send({ do: "aftermath", when: "end", numbness, new_pain: pain, walks_normally: !limp });
  const form = [
    make("p", {}, "Walk a few steps. Is there any of this?"),
    answers(press("end-well", "None of it", () => tell([false, false, false]))),
    answers(
      ...hurts.map(({ label }) => label),
      press("end-keep", "Keep", () => tell(hurts.map(({ input }) => input.checked))),
    ),
  ];
  return answered("How it is now", said, caution, form);
}

/** @param {string} utc */
function dayText(utc) {
  const day = new Date(utc);
  return Number.isFinite(day.getTime())
    ? day.toLocaleDateString("en-GB", { day: "numeric", month: "long", year: "numeric" })
    : utc;
}
