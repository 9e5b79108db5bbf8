// What a board prints: its own last line with the columns named, and what has to be asked about it.

import { $, fill, make, setText, show } from "../shared/dom.js";
import { clearMistakes, showMistakes } from "./mistakes.js";
import { call } from "./program.js";
import { askedUnits, columnWords, hearText, rowsOf } from "./form.js";

/** page: the start place's state; columns: its table; readForm, changed, setBusy: what it does. */
export function hearing({ page, columns, readForm, changed, setBusy }) {
  async function hear() {
    clearMistakes();
    setBusy(true);
    setText($("heard-words"), "Listening: a board that restarts needs a few seconds …");
    try {
      page.heard = await call("/start/hear", readForm());
      if (page.heard.layout) {
        page.form.lines = page.heard.layout;
        columns.set(rowsOf(page.heard.columns, columns.rows));
      }
    } catch ({ mistakes }) {
      page.heard = null;
      setText($("heard-words"), "");
      showMistakes(mistakes, "heard-wrong");
    } finally {
      setBusy(false);
      draw();
      changed();
    }
  }

  /** Nothing that was heard of one board is true of the next. */
  function forget() {
    page.heard = null;
    page.form = { ...page.form, lines: null, decimal: "" };
    setText($("heard-words"), "");
    $("key").value = "";
    draw();
  }

  function draw() {
    const { heard } = page;
    show($("heard"), Boolean(heard));
    if (!heard) return;
    setText($("heard-words"), hearText(heard));
    fill($("heard-lines"), heard.lines, () => heard.lines.map((line) => drawLine(line, heard.columns)));
    fill($("heard-asks"), [heard.readings, columns.rows, heard.columns], () => [...commas(heard), ...units(heard)]);
    fill($("heard-raw"), heard.raw, () => heard.raw.map((line) => make("li", {}, line)));
    show($("for-key"), heard.waits || $("key").value !== "");
    show($("for-keep"), Boolean(heard.layout));
    setText($("kept"), "");
    if (heard.problem || heard.waits) $("heard-details").open = true; // in trouble the lines themselves are seen
  }

  /** The line as the board printed it; what is a number says which column it is. */
  function drawLine(line, all) {
    const pieces = line.map(({ text, column }) =>
      column ? make("span", { class: "piece" }, make("mark", {}, text), make("small", {}, columnWords(column, all))) : text,
    );
    return make("li", {}, ...pieces);
  }

  function button(words, onclick) {
    return make("button", { type: "button", class: "secondary", onclick }, words);
  }

  function commas({ readings }) {
    return readings.map(({ decimal, words, values }) =>
      button(`${values.join(" and ")}: ${words}`, () => {
        page.form.decimal = decimal;
        hear();
      }),
    );
  }

  /** Of a force whose unit the board does not print: what was read, in each unit that it may be. */
  function units(heard) {
    return askedUnits(columns.rows, heard.columns).flatMap(({ row, number, offers }) => [
      make("p", { class: "small" }, `Column ${number} reads ${heard.columns[number - 1].value} now. Pull a little and choose:`),
      ...offers.map(({ unit, words }) =>
        button(words, () => {
          columns.set(columns.rows.map((each, k) => (k === row ? { ...each, unit } : each)));
          draw();
          changed();
        }),
      ),
    ]);
  }

  async function keep() {
    clearMistakes();
    setText($("kept"), "");
    try {
      const { profile, profiles, file } = await call("/start/keep", { ...readForm(), keep: $("keep").value });
      page.about.profiles = profiles;
      page.form = { ...page.form, profile };
      changed();
      setText($("kept"), `Kept as ${profile}: ${file}. It can be chosen above, and the file shared.`);
    } catch ({ mistakes }) {
      showMistakes(mistakes, "keep-wrong");
    }
  }

  $("hear").addEventListener("click", hear);
  $("send-key").addEventListener("click", hear);
  $("send-enter").addEventListener("click", () => {
    $("key").value = "enter";
    hear();
  });
  $("keep-it").addEventListener("click", keep);
  return { draw, forget };
}
