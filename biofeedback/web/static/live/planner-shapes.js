// The line below a phase of a plan: how its band moves, when the number goes away, what ends it early.

import { make } from "../shared/dom.js";
import { SHAPES, bandsText, changeShape, shapeOf, typedBands, untilOf } from "./plan-draft.js";

/**
 * id: of its fields; name: for a screen reader; edit: the draft; replace: by another phase.
 */
export function shapeLine(phase, id, name, edit, replace) {
  const hasBand = Array.isArray(phase.band);
  const parts = hasBand && !phase.adapt ? bandParts(phase, id, name, edit, replace) : [];
  if (untilOf(phase.kind) && (phase.kind === "rest" || hasBand)) parts.push(untilPart(phase, id, edit));
  return parts.length ? make("div", { class: "plan-shape" }, ...parts) : null;
}

function bandParts(phase, id, name, edit, replace) {
  const moving = shapeOf(phase);
  const shape = make(
    "select",
    {
      id: `${id}-shape`,
      "aria-label": `How the band moves in ${name}`,
      onchange: () => replace(changeShape(phase, shape.value)),
    },
    ...Object.entries(SHAPES).map(([value, text]) => make("option", { value, selected: value === moving }, text)),
  );
  const parts = [make("label", {}, "The band ", shape)];
  if (moving) {
    const set = (value) => edit(() => (phase[moving] = value));
    const input = listInput(`${id}-${moving}`, phase[moving], set, "40-50, 20-30");
    input.setAttribute("aria-label", `Bands that it goes on to in ${name}`);
    parts.push(input);
  }
  const hide = (value) =>
    edit(() => {
      if (value.length) phase.blind = value;
      else delete phase.blind;
    });
  parts.push(make("label", {}, "no number in seconds ", listInput(`${id}-blind`, phase.blind, hide, "8-14")));
  return parts;
}

function untilPart(phase, id, edit) {
  const box = make("input", {
    type: "checkbox",
    id: `${id}-until`,
    "aria-describedby": `${id}-wrong`,
    checked: phase.until !== undefined,
    onchange: () =>
      edit(() => {
        if (box.checked) phase.until = untilOf(phase.kind);
        else for (const field of ["until", "lost_s"]) delete phase[field];
      }),
  });
  const text = phase.kind === "rest" ? "until recovered, this long at most" : "until the band is lost, this long at most";
  return make("label", { class: "check" }, box, make("span", {}, text));
}

/** Bands or stretches as text: "40-50, 20-30". */
function listInput(id, value, set, placeholder) {
  const input = make("input", {
    id,
    placeholder,
    autocomplete: "off",
    "aria-describedby": id.replace(/-[a-z]+$/, "-wrong"),
    oninput: () => set(typedBands(input.value)),
  });
  input.value = bandsText(value ?? []);
  return input;
}
