// The second large gauge and the names over both. There for a whole plan or not at all: nothing moves.

import { $, setData, setText, show } from "../shared/dom.js";
import { drawGauge } from "../shared/seat-view.js";
import { phaseShare } from "../shared/state.js";
import { besideView, gaugesOf } from "./two-gauges.js";

const parts = {
  form: $("form-beside"),
  line: $("beside-line"),
  number: $("beside-number"),
  unit: $("beside-unit"),
  word: $("beside-word"),
  belly: $("beside-belly"),
};

/**
 * Call with every drawing of the guide's gauge; returns the guide's name when there are two gauges, else "".
 * @param {import("../shared/types").State} state
 * @param {import("../shared/types").Update | null} update
 * @param {ReturnType<import("../shared/seat.js").Seat["look"]>} look
 * @param {import("../shared/types").Colors} colors
 */
export function showTwoGauges(state, update, { problem, live }, colors) {
  const gauges = state.stage === "plan" ? gaugesOf(state) : null;
  setData($("forms"), "n", gauges ? "2" : "1");
  setData($("forms"), "first", gauges?.guideFirst === false ? "beside" : "guide");
  for (const id of ["form-name", "form-beside"]) show($(id), Boolean(gauges));
  if (!gauges) return "";
  const [guide, beside] = gauges.names;
  setText($("form-side"), guide);
  setText($("beside-side"), beside);
  const share = phaseShare(state, live && update ? update.remainingS : NaN);
  drawGauge(parts, update, besideView(state, update, problem, gauges), share, colors, beside);
  return guide;
}
