// The second large form and the names over both. It is there for a whole plan or not at all, so that nothing moves.

import { $, setData, setText, show } from "../shared/dom.js";
import { besideView, gaugesOf } from "./two-gauges.js";
import { phaseShare, showForm } from "../shared/reading.js";

const parts = { form: $("form-beside"), line: $("beside-line"), number: $("beside-number"), unit: $("beside-unit"), word: $("beside-word"), belly: $("beside-belly") };

/** Call with every drawing of the guide's form; returns the guide's name when there are two forms, else "". */
export function showTwoGauges(state, update, problem, live, colors) {
  const gauges = state.stage === "plan" ? gaugesOf(state) : null;
  setData($("forms"), "n", gauges ? "2" : "1");
  setData($("forms"), "first", gauges?.guideFirst === false ? "beside" : "guide");
  for (const id of ["form-name", "form-beside"]) show($(id), Boolean(gauges));
  if (!gauges) return "";
  const [guide, beside] = gauges.names;
  setText($("form-side"), guide);
  setText($("beside-side"), beside);
  showForm(parts, update, besideView(state, update, problem, gauges), phaseShare(state, live && update ? update.remainingS : NaN), colors, beside);
  return guide;
}
