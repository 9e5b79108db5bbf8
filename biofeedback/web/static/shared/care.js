// What is asked around a maximum: who tests none, how an attempt felt; and what there is instead.

import { make } from "./dom.js";
import { sentence } from "./text.js";
import { capital } from "./words.js";

/**
 * What is to be answered or done before any push may begin; null: nothing.
 * @param {import("./types").State} state
 * @returns {"list" | "instead" | null}
 */
export function openCare(state) {
  const { care, step } = state.maximum;
  if (state.stage !== "maximum" || !care?.graded || ["countdown", "push"].includes(step)) return null;
  if (care.ended || care.screened) return "instead";
  return care.screened === null ? "list" : null;
}

/** Numbers that no person gives: asked before the first attempt, with the likely cure. */
export function senseRow(sense, send) {
  if (!sense) return null;
  const trust = () => send({ do: "trust_numbers" });
  return make(
    "li",
    { class: "care", "data-rights": "coach" },
    make("p", {}, make("strong", {}, `${sentence(sense.what)} `), sentence(sense.cure)),
    make("div", { class: "answers" }, make("button", { type: "button", id: "trust-numbers", onclick: trust }, "They are right")),
  );
}

/** How the last attempt felt, as a row above the attempts; null when it is not asked. */
export function feelingRow(care, send) {
  return care?.graded && care.ask_felt !== null ? feeling(care.ask_felt, send) : null;
}

/** 0 to 10, or not said. */
export function choose(id, label) {
  const numbers = Array.from({ length: 11 }, (_, value) => make("option", { value: String(value) }, String(value)));
  const select = make("select", { id }, make("option", { value: "" }, "–"), ...numbers);
  return { label: make("label", {}, `${label} `, select), value: () => (select.value === "" ? null : Number(select.value)) };
}

/** The list of who does not test a maximum, or contract hard, with its two answers. */
export function screening(care, send) {
  const answer = (applies) => () => send({ do: "screening", applies });
  return [
    make("p", {}, care.question),
    make("ul", {}, ...care.list.map((text) => make("li", {}, text))),
    make(
      "div",
      { class: "answers", "data-rights": "coach" },
      make("button", { type: "button", id: "care-none", onclick: answer(false) }, "None of them"),
      make("button", { type: "button", id: "care-yes", onclick: answer(true) }, "One or more"),
    ),
    make("p", { class: "small" }, "Only yes or none is kept, never which."),
  ];
}

/** What there is in place of a maximum. */
export function instead(care, send) {
  const start = (name) => () => send({ do: "start_plan", plan: name });
  return [
    make("p", {}, [care.ended ? `${capital(care.ended)} ended testing for today.` : "", care.instead].filter(Boolean).join(" ")),
    make(
      "div",
      { class: "answers", "data-rights": "coach" },
      ...care.instead_plans.map(({ name, title }) => make("button", { type: "button", onclick: start(name) }, `Start ${title}`)),
    ),
  ];
}

function feeling(number, send) {
  const discomfort = choose("felt-discomfort", "Discomfort of the stretch, 0–10");
  const effort = choose("felt-effort", "How hard you pushed, 0–10");
  const sharp = make("input", { type: "checkbox", id: "felt-sharp" });
  const keep = () =>
    send({ do: "attempt_felt", number, discomfort: discomfort.value(), effort: effort.value(), sharp: sharp.checked });
  return make(
    "li",
    { class: "care" }, // the athlete answers it as well
    make("p", {}, `How was attempt ${number}? 0 is nothing, 10 the most.`),
    make(
      "div",
      { class: "answers" },
      discomfort.label,
      effort.label,
      make("label", {}, sharp, " Sharp pain"),
      make("button", { type: "button", id: "felt-keep", onclick: keep }, "Keep"),
    ),
  );
}

/**
 * What the pushes so far come to; a number that fell asks for the rig, whatever the signal says besides.
 * @param {{care?: any, verdict?: any}} maximum
 */
export function pushText({ care, verdict }) {
  if (care?.fell) return `${sentence(care.fell.what)} ${sentence(care.fell.cure)}`;
  if (care?.next_practice) return "First three practice pushes by feeling: a quarter, half, three quarters.";
  return verdict ? capital(verdict.text) : "";
}

/** What the large button begins next: a practice push, or an attempt. */
export function nextPush(maximum) {
  const felt = maximum.care?.next_practice ?? null;
  const number = maximum.verdict?.state === "more" ? maximum.number : 1; // whatever is settled begins a new search
  return felt === null
    ? {
        message: { do: "attempt" },
        text: number > 1 || !maximum.attempts.length ? `Start attempt ${number}` : "Start again with attempt 1",
      }
    : { message: { do: "practice", felt }, text: `Start practice push, felt ${felt} %` };
}
