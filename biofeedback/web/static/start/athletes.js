// The coach's athletes: what stood at the last evening, what is due, and one press that begins the next one.

import { $, fill, make, setText, show } from "../shared/dom.js";
import { capital } from "../shared/words.js";
import { mistakeText, sensorOf } from "./form.js";
import { call } from "./program.js";
import { programmeEditor } from "./programme.js";
import { trialFold } from "./trial.js";

const NO_EVENING = "-";
const AGAIN_MS = 3000;
const FIRST = 6; // cards shown before anybody is searched for

/** What can have been done of tonight's way: [value, text], as drawn first. */
export function wayOptions(tonight) {
  if (!tonight) return [];
  const others = tonight.ways.filter((way) => way !== tonight.drawn);
  return [
    [tonight.drawn, `${tonight.drawn}, as drawn`],
    ...others.map((way) => [way, `${way} instead`]),
    ["", "nothing of it: it cannot be done tonight"],
    [NO_EVENING, "this is no evening of the trial"],
  ];
}

/** Cards whose code holds the searched text; the newest few without one. */
export function pickCards(cards, searched, all) {
  const text = searched.trim().toLowerCase();
  if (text) return cards.filter(({ code }) => code.toLowerCase().includes(text));
  return all ? cards : cards.slice(0, FIRST);
}

/** What a card says, row by row: [heading, text]. */
export function cardRows(card) {
  return [
    ["Last evening", card.last + (card.simulated ? " · simulated" : "")],
    ["Stretch", card.stretch || "not said"],
    ["Answer", card.answer],
    ["Maximum", card.maximum],
    ["Doubts", card.doubts.join("; ")],
    ["Range", card.range],
  ].filter(([, text]) => text);
}

/**
 * The list of cards; ``begin`` and ``change`` get the form of the card that was pressed.
 * @param {{begin: (form: any) => void, change: (form: any) => void, seat: (form: any) => void, refresh: () => void}} acts
 */
export function athleteList({ begin, change, seat, refresh }) {
  let cards = [];
  let isAll = false;
  let isBusy = false;

  function cardItem(card) {
    const rows = cardRows(card).flatMap(([name, text]) => [make("dt", {}, name), make("dd", {}, text)]);
    const due = card.due.map((text) => make("li", {}, capital(text)));
    return make(
      "li",
      { class: "athlete", "data-code": card.code },
      make(
        "div",
        { class: "athlete-head" },
        make("h3", {}, card.code),
        make("button", { class: "primary", type: "button", onclick: () => begin(card.form) }, `Start ${card.code}`),
      ),
      due.length ? make("ul", { class: "due", "aria-label": "Due" }, ...due) : null,
      make("dl", {}, ...rows),
      make(
        "div",
        { class: "actions" },
        cardButton("Change first", `Change something first for ${card.code}`, () => change(card.form)),
        cardButton("Add to a group", `Add ${card.code} to a group`, () => seat(card.form)),
      ),
      trialFold(card.code, refresh),
      programmeEditor(card.code, refresh),
    );
  }

  function cardButton(words, label, onclick) {
    return make("button", { class: "secondary", type: "button", "aria-label": label, onclick }, words);
  }

  function render() {
    const picked = pickCards(cards, $("find-athlete").value, isAll);
    show($("athletes"), cards.length > 0);
    show($("find"), cards.length > FIRST);
    const open = [...$("athlete-cards").querySelectorAll("details[open]")].map(({ id }) => id);
    fill($("athlete-cards"), picked, () => picked.map(cardItem));
    for (const id of open) $(id)?.setAttribute("open", ""); // a card that was rebuilt stays as it was opened
    show($("all-athletes"), !isAll && !$("find-athlete").value.trim() && cards.length > FIRST);
    setText($("all-athletes"), `Show all ${cards.length}`);
    setText(
      $("none-of-that-code"),
      picked.length || !cards.length ? "" : "No athlete with that code: type it below to begin with them.",
    );
    for (const button of $("athlete-cards").querySelectorAll("button")) button.disabled = isBusy;
  }

  $("find-athlete").addEventListener("input", render);
  $("find-athlete").addEventListener("keydown", (event) => {
    if (event.key === "Enter") event.preventDefault(); // searching begins no session
  });
  $("all-athletes").addEventListener("click", () => {
    isAll = true;
    render();
    $("athlete-cards").querySelector("button")?.focus();
  });

  return {
    set: (fresh) => {
      cards = fresh;
      render();
    },
    setBusy: (busy) => {
      isBusy = busy;
      render();
    },
    /** The card of a code, however it is written. */
    find: (code) => cards.find((card) => card.code.toLowerCase() === code.trim().toLowerCase()) ?? null,
    codes: () => cards.map(({ code }) => code),
  };
}

/** The athletes beside the form: a card begins it, a code that is typed brings its own stretch. */
export function knownAthletes({ page, readForm, writeForm, begin, seat, changed }) {
  const list = athleteList({
    begin: (form) => {
      writeForm(form);
      begin({ ...readForm(), way: form.way ?? null }, { status: "listing", general: "card-wrong" });
    },
    change: (form) => {
      writeForm(form);
      changed();
      $("else").scrollIntoView();
      $("side").focus({ preventScroll: true });
    },
    seat,
    refresh: () => load(),
  });

  let isGone = false;

  async function load() {
    const cards = await call("/start/athletes").catch(({ mistakes }) => {
      setText($("card-wrong"), mistakeText(mistakes[0]));
      return null;
    });
    setText($("listing"), "");
    if (cards === null) {
      isGone = true; // a stick that was pulled out, say: as soon as it is back the cards are, too
      setTimeout(load, AGAIN_MS);
      return;
    }
    if (isGone) setText($("card-wrong"), "");
    isGone = false;
    list.set(cards);
    if (cards.some((card) => card.seeking)) setTimeout(load, AGAIN_MS); // what is worked out just now comes later
    fill($("codes"), list.codes(), (codes) => codes.map((code) => make("option", { value: code })));
    if (page.about.form.athlete) follow();
  }

  /** The code of an athlete who was here before brings their own stretch; any other code brings nobody's. */
  function follow() {
    const card = list.find($("athlete").value);
    if (card?.code === page.known?.code) return;
    const typed = $("athlete").value;
    const form = card?.form ?? { exercise: "", side: "", position: "", before: [], limit: page.about.form.limit };
    if (card || page.known) writeForm({ ...form, ...sensorOf(readForm()), athlete: typed, alone: $("alone").checked });
  }

  return {
    find: list.find,
    setBusy: list.setBusy,
    follow,
    /** What is done of tonight's way; null where there is no trial, or tonight is no evening of it. */
    way: () => (page.known?.tonight && $("way").value !== NO_EVENING ? $("way").value : null),
    draw() {
      const tonight = page.known?.tonight ?? null;
      show($("for-way"), tonight !== null);
      fill($("way"), [page.known?.code, wayOptions(tonight)], ([, all]) =>
        all.map(([value, text]) => make("option", { value }, text)),
      );
      if (tonight)
        setText($("way-hint"), `Evening ${tonight.evening} of ${tonight.n_evenings}: ${tonight.drawn}, ${tonight.how}.`);
      const maximum = page.known?.form.carry ? page.known : null;
      show($("for-carry"), maximum !== null);
      if (maximum) setText($("carry-words"), [maximum.maximum, ...maximum.doubts].join("; "));
    },
    list: load,
  };
}
