// What the check of a sensor found, each with its cure, and the cure at one press where the form has it.

import { $, make } from "../shared/dom.js";
import { capital } from "../shared/words.js";
import { columnOfChannel } from "./form.js";

const SAID = { bad: "bad", look: "look at it", good: "good" };
/** columns: the table of columns; again(): what the form holds has changed, look once more. */
export function findingRow({ state, about, text, cure, fix = null }, columns, again) {
  const words = make("p", {}, make("strong", {}, `${capital(about)}: `), text);
  const remedy = cure ? make("p", { class: "small" }, capital(cure)) : null;
  return make(
    "li",
    { "data-state": state },
    make("span", { class: "hide" }, `${SAID[state]}. `),
    words,
    remedy,
    fixButton(fix, columns, again),
  );
}

/** The cure at one press: it fills in the form's field, or the channel's column, and looks again. */
function fixButton(fix, columns, again) {
  const column = fix?.channel ? columnOfChannel(columns.rows, fix.channel) : null;
  const isShown = fix && (fix.channel ? column && !$("for-columns").hidden : !$(`for-${fix.field}`).hidden);
  if (!isShown) return null;
  const use = () => {
    if (column) columns.set(columns.rows.map((row) => (row === column ? { ...row, [fix.field]: fix.value } : row)));
    else $(fix.field).value = fix.value;
    again();
  };
  return make("button", { type: "button", class: "secondary", onclick: use }, fix.words);
}
