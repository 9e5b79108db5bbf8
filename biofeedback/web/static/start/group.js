// A group for tonight: up to four athletes, each with sensor, side and stretch, set up one after the other.

import { $, fill, make, setText, show } from "../shared/dom.js";
import { clearMistakes, showMistakes } from "./mistakes.js";
import { call } from "./program.js";

export const MOST = 4;

/** The seats with one added, or put in place of the one that was being changed. */
export function placeSeat(seats, seat, place) {
  return place === null ? [...seats, seat] : seats.map((other, k) => (k === place ? seat : other));
}

/** What the button below the form says. */
export function addText(seats, place) {
  if (place !== null) return `Keep as seat ${place + 1}`;
  return seats.length ? `Add to the group (seat ${seats.length + 1})` : "Set up a group: add as seat 1";
}

/**
 * The group beside the form; ``write`` puts a form into it, ``begin`` opens sessions.
 * @param {{readForm: () => any, writeForm: (form: any) => void, begin: (order: any, how: any) => void, busy: (on: boolean) => void}} acts
 */
export function groupSetup({ readForm, writeForm, begin, busy }) {
  let seats = []; // {form, about}
  let place = null; // which one the form below changes

  function draw(isBusy = false) {
    show($("group-set"), seats.length > 0);
    fill($("group-seats"), [seats, place], () => seats.map(seatRow));
    setText($("add-seat"), addText(seats, place));
    setText($("begin-group"), seats.length > 1 ? `Start the group of ${seats.length}` : "Start the group");
    for (const button of [$("add-seat"), $("begin-group"), ...$("group-seats").querySelectorAll("button")])
      button.disabled = isBusy;
    if (place === null && seats.length >= MOST) $("add-seat").disabled = true;
  }

  function seatRow({ form, about }, k) {
    const act = (words, label, onclick) =>
      make("button", { class: "secondary", type: "button", "aria-label": `${label} ${about.athlete}`, onclick }, words);
    return make(
      "li",
      { "data-athlete": about.athlete, "data-changing": place === k ? "yes" : "no" },
      make("p", {}, make("strong", {}, `${k + 1}. ${about.athlete}`), ` ${about.stretch}`),
      make("p", { class: "small" }, about.source),
      make("p", { class: "wrong", id: `group-${k + 1}-wrong`, role: "status" }),
      make(
        "div",
        { class: "actions" },
        act("Change", "Change the seat of", () => change(k, form)),
        act("Take out", "Take out", () => takeOut(k)),
      ),
    );
  }

  function change(k, form) {
    place = k;
    writeForm(form);
    draw();
    $("else").scrollIntoView();
    $("athlete").focus({ preventScroll: true });
  }

  function takeOut(k) {
    seats = seats.filter((_, at) => at !== k);
    place = null;
    draw();
    $(seats.length ? "begin-group" : "add-seat").focus();
  }

  /** Add a form; what is wrong stands at the fields, with the form filled in as it was meant. */
  async function add(form, at = null) {
    clearMistakes();
    busy(true);
    const seated = seats.filter((_, k) => k !== at).map((seat) => seat.form);
    try {
      const about = await call("/start/seat", { form, seated });
      seats = placeSeat(seats, { form, about }, at);
      place = null;
      busy(false);
      $("group-set").scrollIntoView({ block: "nearest" });
    } catch ({ mistakes }) {
      busy(false);
      writeForm(form);
      showMistakes(mistakes.map((one) => (one.field === "group" ? { ...one, field: "" } : one)));
    }
    draw();
  }

  $("add-seat").addEventListener("click", () => add(readForm(), place));
  $("begin-group").addEventListener("click", () =>
    begin(
      { forms: seats.map(({ form }) => form) },
      { status: "beginning-group", general: "group-wrong", path: "/start/begin-group" },
    ),
  );
  return { add, draw };
}
