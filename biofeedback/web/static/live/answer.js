// The answer screen: the sentence, the ratings in order as a picture, what to do next; numbers behind a fold.

import { $, fill, make, setText, show } from "../shared/dom.js";
import { ratingText } from "../shared/state.js";
import { mayGoOn } from "../shared/stop-reasons.js";
import { capital, nameOfPhase } from "../shared/words.js";

const SVG = "http://www.w3.org/2000/svg";
const STEP = 44; // px of the picture from rating to rating
const TOP = 22;
const HIGH = 150;

/** @param {import("../shared/types").State} state */
export function renderAnswer(state) {
  const { answer } = state;
  const stopped = state.stopped ? capital(state.stopped.reason) : "";
  show($("ended"), Boolean(stopped));
  setText($("ended"), `${stopped}. Come out of the position slowly, then talk it over.`);
  show($("again"), mayGoOn(state) && !state.asked?.end.caution);
  setText($("answer-over"), answer?.over ?? "What contraction did to discomfort");
  const waiting = state.recording?.problem ? "Session over" : "One moment";
  setText($("answer-word"), answer ? (answer.headline ?? answer.word) : waiting);
  setText($("answer-text"), answer ? (answer.said ?? answer.text) : "The answer is being worked out from the recording.");
  fill($("course"), [state.ratings, state.words], () => [drawCourse(state)]);
  show($("next-title"), Boolean(answer?.next?.length));
  fill($("next-steps"), answer?.next ?? [], (steps) => steps.map((step) => make("li", {}, step)));
  renderNumbers(state);
  show($("report"), Boolean(state.report_url));
  if (state.report_url) $("report").setAttribute("href", state.report_url + location.search);
  setText($("recording"), state.recording?.file ? `Recorded in ${state.recording.file}.` : "");
}

/** What stands behind the fold. */
function renderNumbers(state) {
  const { answer, ratings: given } = state;
  show($("numbers"), Boolean(answer) || given.length > 0);
  fill($("answer-details"), answer?.details ?? [], (rows) =>
    rows.flatMap(([name, value]) => [make("dt", {}, name), make("dd", {}, value)]),
  );
  show($("ratings-title"), given.length > 0);
  fill($("ratings"), given, (ratings) =>
    ratings.map((rating) => make("li", { "data-kind": rating.phase_kind }, ratingText(state, rating))),
  );
}

/**
 * Where each answered rating stands: in order from the left, high ones high.
 * @param {import("../shared/types").Rating[]} ratings
 */
export function placeRatings(ratings) {
  return ratings
    .filter(({ value }) => value !== null)
    .map(({ value, phase_kind }, k) => ({
      value: /** @type {number} */ (value),
      contracts: ["contract", "remote"].includes(phase_kind ?? ""),
      kind: phase_kind ?? "",
      x: 34 + STEP * (k + 0.5),
      y: TOP + (1 - Number(value) / 10) * HIGH,
    }));
}

/** @param {import("../shared/types").State} state */
function drawCourse(state) {
  const places = placeRatings(state.ratings);
  if (!places.length) return null;
  const [w, h] = [34 + STEP * places.length + 6, TOP + HIGH + 40];
  const said = places.map(({ value, kind }) => [value, kind ? nameOfPhase(state, kind) : "settling"].join(" "));
  const svg = element("svg", { viewBox: `0 0 ${w} ${h}`, role: "img", "aria-label": `Ratings in order: ${said.join(", ")}` });
  svg.style.setProperty("max-width", `${w}px`);
  for (const value of [0, 5, 10]) {
    const y = TOP + (1 - value / 10) * HIGH;
    svg.append(element("line", { x1: 30, x2: w, y1: y, y2: y }), words(24, y + 5, String(value), "end"));
  }
  svg.append(element("polyline", { points: places.map(({ x, y }) => `${x},${y}`).join(" ") }));
  for (const { x, y, value, contracts } of places) {
    const mark = contracts
      ? element("rect", { x: x - 8, y: y - 8, width: 16, height: 16, class: "contracts" })
      : element("circle", { cx: x, cy: y, r: 8 });
    svg.append(mark, words(x, y - 13, String(value), "middle"));
  }
  svg.append(
    element("circle", { cx: 42, cy: h - 12, r: 6 }),
    words(54, h - 7, "not contracting", "start"),
    ...(w > 330
      ? [
          element("rect", { x: 190, y: h - 18, width: 12, height: 12, class: "contracts" }),
          words(208, h - 7, "contracting", "start"),
        ]
      : []),
  );
  return svg;
}

function words(x, y, text, anchor) {
  const made = element("text", { x, y, "text-anchor": anchor });
  made.textContent = text;
  return made;
}

function element(tag, attributes) {
  const made = document.createElementNS(SVG, tag);
  for (const [name, value] of Object.entries(attributes)) made.setAttribute(name, String(value));
  return made;
}
