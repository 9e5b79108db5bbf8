// What each column of a brought file is.

import { make } from "../shared/dom.js";
import { readNumber } from "./stretches.js";
import { sayNumber } from "./trace.js";

const CHANNELS = [
  ["", "left out"],
  ["force", "force"],
  ["emg", "muscle activity, raw"],
  ["emg@envelope", "muscle activity, smoothed"],
  ["position", "position"],
];

/** One column, {name, unit, kind, ...}: what it is, to be changed; `said` is called with KIND:UNIT*FACTOR, or "none". */
export function columnRow(column, said) {
  const kind = column.kind ? column.kind + (column.envelope ? "@envelope" : "") : "";
  const choice = make(
    "select",
    { "aria-label": `What ${column.name} is` },
    ...CHANNELS.map(([value, text]) => make("option", { value, selected: value === kind }, text)),
  );
  const unit = make("input", { value: column.unit, size: "6", autocomplete: "off", "aria-label": `Unit of ${column.name}` });
  const factor = make("input", {
    value: column.factor ?? 1,
    size: "8",
    inputmode: "decimal",
    autocomplete: "off",
    "aria-label": `Units per number of ${column.name}`,
  });
  const changed = () => {
    const [plain, envelope] = choice.value.split("@");
    const times = readNumber(factor.value);
    const scale = times !== null && times !== 1 && times !== 0 ? `*${times}` : "";
    const text = plain ? `${plain}:${unit.value.trim() || "count"}${scale}${envelope ? "@envelope" : ""}` : "none";
    said(text);
  };
  for (const field of [choice, unit, factor]) field.addEventListener("change", changed);
  const about = column.n_readings
    ? `${sayNumber(column.rate_hz)} Hz, ${column.n_readings.toLocaleString("en")} readings, ` +
      `${sayNumber(column.low)} to ${sayNumber(column.high)}; first ${column.first.map(sayNumber).join(", ")}`
    : column.kind
      ? ""
      : "not taken";
  const fields = column.kind ? [make("label", {}, "in", unit), make("label", {}, "each number is", factor, "of it")] : [];
  return make(
    "li",
    { "data-out": column.kind ? null : "true" },
    make("strong", {}, column.name),
    choice,
    ...fields,
    make("span", { class: "small" }, about),
  );
}
