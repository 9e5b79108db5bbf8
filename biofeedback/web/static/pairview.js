// The second large form and the names over both. It is there for a whole plan or not at all, so that nothing moves.

import { $, setData, setText, show } from "./dom.js";
import { besideView, pairOf } from "./pair.js";
import { phaseShare, showForm } from "./reading.js";

const parts = { form: $("form-beside"), line: $("beside-line"), number: $("beside-number"), unit: $("beside-unit"), word: $("beside-word"), belly: $("beside-belly") };

/** Call with every drawing of the guide's form; returns the guide's name when there are two forms, else "". */
export function showPair(state, update, problem, live, colors) {
  const pair = state.stage === "plan" ? pairOf(state) : null;
  setData($("forms"), "n", pair ? "2" : "1");
  setData($("forms"), "first", pair?.guideFirst === false ? "beside" : "guide");
  for (const id of ["form-name", "form-beside"]) show($(id), Boolean(pair));
  if (!pair) return "";
  const [guide, beside] = pair.names;
  setText($("form-side"), guide);
  setText($("beside-side"), beside);
  showForm(parts, update, besideView(state, update, problem, pair), phaseShare(state, live && update ? update.remainingS : NaN), colors, beside);
  return guide;
}
