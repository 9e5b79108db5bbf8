// What is asked around a maximum: who tests none, how an attempt felt; and what there is instead.

import { make } from "../shared/dom.js";

/** One row above the attempts: the question that is open, if any. */
export function careRow(care, send) {
  if (!care?.graded) return null;
  if (care.screened === null) return screening(care, send);
  if (care.ended || care.screened) return instead(care, send);
  if (care.ask_felt !== null) return feeling(care.ask_felt, send);
  return null;
}

function row(...children) {
  return make("li", { class: "care", "data-rights": "coach" }, ...children);
}

function screening(care, send) {
  const answer = (applies) => () => send({ do: "screening", applies });
  return row(
    make("p", {}, `Before any maximum. ${care.question}`),
    make("ul", {}, ...care.list.map((text) => make("li", {}, text))),
    make(
      "div",
      { class: "answers" },
      make("button", { type: "button", id: "care-none", onclick: answer(false) }, "None of them"),
      make("button", { type: "button", id: "care-yes", onclick: answer(true) }, "One or more"),
    ),
    make("p", { class: "small" }, "Only yes or none is kept, never which."),
  );
}

function instead(care, send) {
  const start = (name) => () => send({ do: "start_plan", plan: name });
  return row(
    make("p", {}, [care.ended ? `${care.ended} ended testing for today.` : "", care.instead].filter(Boolean).join(" ")),
    make(
      "div",
      { class: "answers" },
      ...care.instead_plans.map(({ name, title }) => make("button", { type: "button", onclick: start(name) }, `Start ${title}`)),
    ),
  );
}

function feeling(number, send) {
  const choose = (id, label) => {
    const numbers = Array.from({ length: 11 }, (_, value) => make("option", { value: String(value) }, String(value)));
    return make("label", {}, `${label} `, make("select", { id }, make("option", { value: "" }, "–"), ...numbers));
  };
  const discomfort = choose("felt-discomfort", "Discomfort 0–10");
  const effort = choose("felt-effort", "Felt effort 0–10");
  const sharp = make("input", { type: "checkbox", id: "felt-sharp" });
  const value = (label) => (label.querySelector("select").value === "" ? null : Number(label.querySelector("select").value));
  const keep = () =>
    send({ do: "attempt_felt", number, discomfort: value(discomfort), effort: value(effort), sharp: sharp.checked });
  return row(
    make("p", {}, `How was attempt ${number}? Rate the stretch, then the effort.`),
    make(
      "div",
      { class: "answers" },
      discomfort,
      effort,
      make("label", {}, sharp, " Sharp pain"),
      make("button", { type: "button", id: "felt-keep", onclick: keep }, "Keep"),
    ),
  );
}

/** What the large button begins next: a practice push, or an attempt. */
export function nextPush(maximum) {
  const felt = maximum.care?.next_practice ?? null;
  return felt === null
    ? { message: { do: "attempt" }, text: `Start attempt ${maximum.number}` }
    : { message: { do: "practice", felt }, text: `Start practice push, felt ${felt} %` };
}
