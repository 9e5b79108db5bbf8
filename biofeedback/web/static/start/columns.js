// The table that says what each column of a board's lines holds.

import { $, fill, make, show } from "../shared/dom.js";
import { COLUMN_KINDS, RAILS, changeKind, isMeasured, newColumn } from "./form.js";

/** Rows in ``list``; ``changed`` is called after every change. */
export function columnTable(list, changed) {
  const view = { rows: [newColumn()], set, add };
  fill($("rails"), RAILS, () => RAILS.map(([value, label]) => make("option", { value, label })));

  function set(rows) {
    view.rows = rows.map((row) => ({ ...newColumn(), ...row }));
    draw();
  }

  function add() {
    set([...view.rows, newColumn()]);
    list.lastElementChild.querySelector("select").focus();
    changed();
  }

  function remove(k) {
    set(view.rows.filter((_, other) => other !== k));
    list.children[Math.min(k, view.rows.length - 1)]?.querySelector("select").focus();
    changed();
  }

  function draw() {
    list.replaceChildren(...view.rows.map(drawRow));
  }

  function drawRow(row, k) {
    const named = (name) => ({ "aria-label": `Column ${k + 1}: ${name}` });
    const options = (pairs, chosen) => pairs.map(([value, text]) => make("option", { value, selected: value === chosen }, text));
    const kind = make(
      "select",
      { id: `column-${k}`, ...named("what it holds"), "aria-describedby": `column-${k}-wrong` },
      ...options(COLUMN_KINDS, row.kind),
    );
    const side = make(
      "select",
      named("side"),
      ...options(
        [
          ["", "–"],
          ["left", "left"],
          ["right", "right"],
        ],
        row.side,
      ),
    );
    const unit = make("input", { ...named("unit"), class: "unit", list: "units", autocomplete: "off", maxlength: "12" });
    const factor = make("input", {
      ...named("value of one count"),
      class: "factor",
      inputmode: "decimal",
      autocomplete: "off",
      maxlength: "20",
      placeholder: "1",
    });
    const rails = make("input", {
      ...named("its numbers run from, to"),
      class: "rails",
      list: "rails",
      autocomplete: "off",
      maxlength: "40",
      placeholder: "not known",
    });
    rails.value = row.rails;
    const box = make("input", { type: "checkbox", ...named("already an envelope") });
    unit.value = row.unit;
    factor.value = row.factor;
    box.checked = row.envelope;
    const labels = [
      make("label", {}, "side ", side),
      make("label", {}, "one count is ", factor),
      make("label", {}, "unit ", unit),
      make("label", {}, "counts from, to ", rails),
      make("label", { class: "check" }, box, "envelope"),
    ];
    const renew = () => {
      labels.slice(0, 4).forEach((label) => show(label, isMeasured(view.rows[k].kind)));
      show(labels[4], view.rows[k].kind === "emg");
      unit.value = view.rows[k].unit;
      unit.placeholder = view.rows[k].kind === "force" ? "N?" : "";
      box.checked = view.rows[k].envelope;
    };
    kind.addEventListener("input", () => ((view.rows[k] = changeKind(view.rows[k], kind.value)), renew()));
    side.addEventListener("input", () => (view.rows[k].side = side.value));
    unit.addEventListener("input", () => (view.rows[k].unit = unit.value.trim()));
    factor.addEventListener("input", () => (view.rows[k].factor = factor.value.trim()));
    rails.addEventListener("input", () => (view.rows[k].rails = rails.value.trim()));
    box.addEventListener("input", () => (view.rows[k].envelope = box.checked));
    renew();
    const gone = make(
      "button",
      { type: "button", "aria-label": `Remove column ${k + 1}`, disabled: view.rows.length === 1, onclick: () => remove(k) },
      "×",
    );
    return make(
      "li",
      {},
      make("span", { class: "count" }, `${k + 1}.`),
      kind,
      ...labels,
      gone,
      make("p", { class: "wrong", id: `column-${k}-wrong`, role: "status" }),
    );
  }

  return view;
}
