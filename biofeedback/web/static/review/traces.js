// The traces on screen: which stretch of them is shown, zooming and moving, exact columns from the program.

import { setText } from "../shared/dom.js";
import { ask } from "./recording-actions.js";
import { drawTrace, findTop } from "./trace-picture.js";
import { confine, momentText, move, zoom } from "./trace-view.js";

/** @type {{panels: any[], time: any, view: any, wanted: boolean, busy: boolean}} */
const shown = { panels: [], time: null, view: null, wanted: false, busy: false };

/** Show these panels, {entry, about, canvas, where, shiftS}, on the common time line of align(). */
export function setTraces(panels, time) {
  Object.assign(shown, { panels, time });
}

/** Show a stretch: what is there is redrawn at once, exact columns follow as soon as they come. */
export function lookAt(view) {
  if (!shown.panels.length || !shown.time) return;
  shown.view = confine(view, shown.time.totalS);
  shown.wanted = true;
  requestAnimationFrame(drawAll);
  fetchWanted();
}

/** The same stretch again: the traces are another size now. */
export const lookAgain = () => shown.view && lookAt(shown.view);

async function fetchWanted() {
  if (shown.busy) return;
  shown.busy = true;
  while (shown.wanted) {
    shown.wanted = false;
    const { fromS, toS } = shown.view;
    for (const panel of [...shown.panels]) {
      const columns = Math.max(50, Math.min(4000, Math.round(panel.canvas.clientWidth)));
      try {
        panel.drawn = await ask("/review/trace", {
          name: panel.entry.name,
          from: fromS - panel.shiftS,
          to: toS - panel.shiftS,
          columns,
        });
        panel.problem = null;
      } catch (error) {
        panel.problem = String(error.message);
      }
    }
    requestAnimationFrame(drawAll);
  }
  shown.busy = false;
}

export function drawAll() {
  const ready = shown.panels.filter((panel) => panel.about);
  const top = findTop(ready);
  for (const panel of ready) {
    const view = { fromS: shown.view.fromS - panel.shiftS, toS: shown.view.toS - panel.shiftS };
    const { about, canvas } = panel;
    drawTrace(canvas, panel, view, top);
    setText(panel.where, panel.problem ?? describeView(about, view));
  }
}

const middle = () => (shown.view.fromS + shown.view.toS) / 2;
function describeView(about, view) {
  const from = momentText(Math.max(0, view.fromS), true);
  const to = momentText(Math.min(about.duration_s, view.toS), true);
  const others = about.channels.filter((_, k) => k !== about.guide);
  const grey = others.length ? `; grey: ${others.join(", ")}` : "";
  const lines = `Strong line: ${about.channels[about.guide]}, in % of maximum${grey}.`;
  return `${from} to ${to} of ${momentText(about.duration_s)}. ${lines} Every peak is drawn.`;
}

export const zoomBy = (factor, atS = middle()) => lookAt(zoom(shown.view, factor, atS, shown.time.totalS));
export const moveBy = (share) => lookAt(move(shown.view, share, shown.time.totalS));
export const showWhole = () => lookAt({ fromS: 0, toS: shown.time.totalS });

export function listen(canvas) {
  canvas.addEventListener("keydown", (event) => {
    const act = {
      ArrowLeft: () => moveBy(-0.2),
      ArrowRight: () => moveBy(0.2),
      "+": () => zoomBy(0.7),
      "-": () => zoomBy(1.4),
      Home: showWhole,
    }[event.key];
    if (!act) return;
    event.preventDefault();
    act();
  });
  const turn = (event) => {
    event.preventDefault();
    const atS = shown.view.fromS + (event.offsetX / canvas.clientWidth) * (shown.view.toS - shown.view.fromS);
    if (Math.abs(event.deltaX) > Math.abs(event.deltaY)) moveBy(event.deltaX / canvas.clientWidth);
    else zoomBy(1.0015 ** event.deltaY, atS);
  };
  canvas.addEventListener("wheel", turn, { passive: false });
  canvas.addEventListener("pointerdown", (event) => canvas.setPointerCapture(event.pointerId));
  canvas.addEventListener("pointermove", (event) => {
    if (canvas.hasPointerCapture(event.pointerId)) moveBy(-event.movementX / canvas.clientWidth);
  });
}
