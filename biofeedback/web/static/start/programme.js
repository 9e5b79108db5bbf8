// An athlete's programme, made and changed in its own words; mistakes are told by their line.

import { make, setText } from "../shared/dom.js";
import { mistakeText } from "./form.js";
import { call } from "./program.js";

/** A fold that opens the programme of ``code``; ``saved`` is called when it was kept. */
export function programmeEditor(code, saved) {
  const id = `programme-${code}`;
  const text = make("textarea", { id, rows: "10", spellcheck: "false", autocomplete: "off", "aria-describedby": `${id}-told` });
  const told = make("p", { class: "wrong", id: `${id}-told`, role: "status" });
  text.addEventListener("input", (event) => event.stopPropagation()); // of no field of the form

  async function load() {
    try {
      const { text: words, is_new } = await call("/start/programme", { athlete: code });
      text.value = words;
      setText(told, is_new ? "There is none yet: this is one to begin with." : "");
    } catch ({ mistakes }) {
      setText(told, mistakeText(mistakes[0]));
    }
  }

  async function save() {
    try {
      const { n_evenings } = await call("/start/keep-programme", { athlete: code, text: text.value });
      setText(told, `Kept: ${n_evenings} evenings.`);
      saved();
    } catch ({ mistakes }) {
      setText(told, mistakeText(mistakes[0]));
      text.focus();
    }
  }

  return make(
    "details",
    { class: "programme", id: `${id}-fold`, ontoggle: (event) => event.target.open && !text.value && load() },
    make("summary", {}, "Programme"),
    make("label", { for: id, class: "small" }, `Which plan on which evening for ${code}, until when`),
    text,
    told,
    make("button", { class: "secondary", type: "button", onclick: save }, "Keep the programme"),
  );
}
