// How far the stretch goes, read before and after the plan: from the phone's angle, or typed from a tape or goniometer.

import { $, fill, make, setText, show } from "../shared/dom.js";

const PLACES = ["first discomfort", "agreed discomfort", "furthest tolerated"];
const TITLES = { before: "Range before the plan", after: "Range after the plan" };

/**
 * "before, furthest tolerated: 71.5, 72°"
 * @param {any[]} ranges as the session keeps them
 */
export function listRanges(ranges) {
  /** @type {Record<string, string[]>} */
  const rows = {};
  for (const one of ranges) {
    const name = `${one.when}, ${one.at}${one.contracting ? ", contracting" : ""}, ${one.method || "not said how"}`;
    (rows[name] ??= []).push(`${Number(one.value.toFixed(1))}${one.unit === "deg" ? "°" : ` ${one.unit}`}`);
  }
  return Object.entries(rows).map(([name, values]) => {
    const more = values.length < 2 ? " (once more says how well it repeats)" : "";
    return `${name}: ${values.join(", ")}${more}`;
  });
}

export class RangeView {
  /**
   * @param {import("../shared/types").Send} send
   * @param {() => number} findAngle degrees of the phone from its zero, NaN without
   */
  constructor(send, findAngle) {
    this.send = send;
    this.findAngle = findAngle;
    this.when = "before";
    const options = PLACES.map((text) => make("option", { value: text }, text));
    $("range-at").append(...options);
    $("range-phone").addEventListener("click", () => this.keep(this.findAngle(), "deg", "phone"));
    $("range-form").addEventListener("submit", (/** @type {Event} */ event) => {
      event.preventDefault();
      const value = Number($("range-value").value.trim().replace(",", "."));
      const method = $("range-method").value;
      if (!$("range-value").value.trim() || !Number.isFinite(value)) setText($("range-said"), "Type a number first.");
      else if (this.keep(value, method === "tape" ? "cm" : "deg", method)) $("range-value").value = "";
    });
  }

  /**
   * @param {number} value
   * @param {string} unit
   * @param {string} method
   */
  keep(value, unit, method) {
    if (!Number.isFinite(value)) {
      setText($("range-said"), "No angle yet: hold the limb still for a moment, with its zero taken.");
      return false;
    }
    const contracting = $("range-contracting").checked;
    const at = $("range-at").value;
    const kept = this.send({ do: "range", when: this.when, at, value: Math.round(10 * value) / 10, unit, method, contracting });
    setText($("range-said"), kept ? "Kept. Out of the stretch, then the same once or twice more." : "");
    return kept;
  }

  /** @param {import("../shared/types").State} state */
  render(state) {
    const isOpen = state.stage === "ready" || state.stage === "done";
    show($("range-panel"), isOpen);
    if (!isOpen) return;
    this.when = state.ranges_when ?? "before";
    setText($("range-title"), TITLES[this.when]);
    show($("range-phone"), state.phone?.state === "live");
    const where = document.querySelector(`[data-for="${state.stage}"] .range-here`);
    if (where && $("range-panel").parentElement !== where) where.append($("range-panel"));
    fill($("range-list"), state.ranges ?? [], (ranges) => listRanges(ranges).map((text) => make("li", {}, text)));
  }
}
